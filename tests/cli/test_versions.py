"""`halocline versions`, end to end on small frames."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

Halocline = Any


@pytest.fixture
def clean(renders: Any) -> Path:
    pattern: Path = renders.pattern
    return pattern


def page_of(path: Path) -> str:
    return path.read_text(encoding="utf-8")


def made(halocline: Halocline, clean: Path, out: Path, *settings: str) -> Path:
    asked = [text for setting in settings for text in ("--set", setting)]
    told = halocline("apply", "jerlov-1b", clean, "--out", out, "--no-check", *asked)
    assert told.status == 0, told.err
    return out / clean.name


def test_two_versions_of_frames_tell_what_differs(halocline: Halocline, clean: Path, tmp_path: Path) -> None:
    first = made(halocline, clean, tmp_path / "v001")
    second = made(halocline, clean, tmp_path / "v002", "light.sun_elevation=20")
    told = halocline("versions", first, second, "--out", tmp_path / "page.html")
    assert told.status == 0, told.err
    assert "light.sun_elevation: 45 -> 20" in told.err + told.out
    assert "of 255 apart" in told.err + told.out
    page = page_of(tmp_path / "page.html")
    # First, middle and last of four frames, each as a wipe, in two versions and their difference.
    assert page.count('type="range"') == 3
    assert page.count("<figure") == 9
    assert f"v002/{clean.name} minus v001/{clean.name}" in page
    assert "light.sun_elevation: 45 -&gt; 20" in page
    assert "http" not in page.replace("http-equiv", "")
    # A page that is there stays there.
    assert halocline("versions", first, second, "--out", tmp_path / "page.html").status != 0


def test_presets_are_compared_on_clean_frames_and_with_finished_ones(
    halocline: Halocline, clean: Path, tmp_path: Path
) -> None:
    wet = made(halocline, clean, tmp_path / "wet")
    told = halocline(
        *("versions", wet, "jerlov-1b", "--on", clean, "--frames", "1002", "--out", tmp_path / "p.html")
    )
    assert told.status == 0, told.err
    assert "The presets come to the same on frame 1002." in told.err + told.out
    # Frames are written in half, and what is computed now is not.
    assert re.search(r"frame 1002: (the same|.* 1 at most)", told.err + told.out)
    told = halocline(
        *(
            "versions",
            "jerlov-1b",
            "jerlov-9c",
            "--on",
            clean,
            "--frames",
            "1001",
            "--out",
            tmp_path / "q.html",
        )
    )
    assert told.status == 0, told.err
    assert "a black object vanishes at" in page_of(tmp_path / "q.html")


def test_the_same_frames_are_the_same_to_the_bit(halocline: Halocline, clean: Path, tmp_path: Path) -> None:
    told = halocline("versions", clean, clean, "--out", tmp_path / "p.html")
    assert told.status == 0, told.err
    assert (told.err + told.out).count("the same to the bit") == 3
    assert "no preset that can be read stands in the frames" in told.err + told.out


def test_what_cannot_be_compared_is_refused_with_what_to_type(
    halocline: Halocline, clean: Path, tmp_path: Path, folder_of_renders: Any
) -> None:
    out = ("--out", tmp_path / "p.html")
    told = halocline("versions", "jerlov-1b", "jerlov-9c", *out)
    assert (told.status, "--on 'clean.####.exr'" in told.err) == (2, True)
    later = folder_of_renders("later")
    later.write(2001)
    told = halocline("versions", clean, later.pattern, *out)
    assert (told.status, "E-SEQUENCE-VERSIONS" in told.err, "no frame in common" in told.err) == (
        2,
        True,
        True,
    )
    small = folder_of_renders("small")
    small.write(1001, display=(0, 0, 24, 16))
    told = halocline("versions", clean, small.pattern, *out)
    assert (told.status, "48 x 32 and 24 x 16" in told.err) == (2, True)
    assert not (tmp_path / "p.html").exists()


def test_names_are_no_markup(halocline: Halocline, renders: Any, tmp_path: Path) -> None:
    odd = tmp_path / "<b onload=x>"
    renders.folder.rename(odd)
    told = halocline("versions", odd / "arch.####.exr", odd / "arch.1001.exr", "--out", tmp_path / "p.html")
    assert told.status == 0, told.err
    assert "<b onload" not in page_of(tmp_path / "p.html")


def test_the_wipe_shows_the_first_version_up_to_where_it_stands(
    halocline: Halocline, clean: Path, tmp_path: Path, browser: Any
) -> None:
    """A black version and a white one: as much of the picture is black as the slider says."""
    from halocline.review.versions_page import VersionPair, versions_page

    black, white = (np.full((90, 200, 3), value, np.uint8) for value in (0, 255))
    text = versions_page([VersionPair(1, black, white, same=False)], names=("dark", "bright"), changes=[])
    (tmp_path / "p.html").write_text(text, encoding="utf-8")
    page = browser.new_page()
    page.goto((tmp_path / "p.html").as_uri())
    slider = page.locator("input[type=range]")
    for share in (25, 50, 90):
        slider.fill(str(share))
        shot = page.locator(".wipe").screenshot()
        seen = cv2.imdecode(np.frombuffer(shot, np.uint8), cv2.IMREAD_GRAYSCALE)
        assert seen is not None
        dark = float((seen[seen.shape[0] // 2] < 128).mean())
        assert dark == pytest.approx(share / 100, abs=0.01)
    slider.press("Home")
    assert slider.input_value() == "0"
    page.close()
