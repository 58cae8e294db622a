"""The look-development commands, end to end on small frames."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

Halocline = Any


def picture_of(path: Path) -> Any:
    picture = cv2.imread(str(path))
    assert picture is not None
    return picture


@pytest.fixture
def clean(renders: Any) -> Path:
    pattern: Path = renders.pattern
    return pattern


@pytest.fixture
def wet(halocline: Halocline, clean: Path, tmp_path: Path) -> Path:
    told = halocline("apply", "jerlov-1b", clean, "--out", tmp_path / "wet", "--log", "json")
    assert told.status == 0, told.err
    return tmp_path / "wet"


def test_wedge_writes_a_sheet_and_a_page(halocline: Halocline, clean: Path, tmp_path: Path) -> None:
    axes = ("light.sun_elevation=15,60", "light.overcast=0:1:2")
    told = halocline("wedge", "jerlov-1b", clean, *axes, "--frame", "1001", "--out", tmp_path / "w.png")
    assert told.status == 0, told.err
    assert picture_of(tmp_path / "w.png").shape[1] > 900
    told = halocline("wedge", "jerlov-1b", clean, axes[0], "--frame", "1001", "--out", tmp_path / "w.html")
    assert told.status == 0, told.err
    page = (tmp_path / "w.html").read_text(encoding="utf-8")
    assert page.count("<figure") == 2
    assert "light.sun_elevation = 60" in page


def test_wedge_over_a_misspelt_key_tells_the_right_one(
    halocline: Halocline, clean: Path, tmp_path: Path
) -> None:
    told = halocline(
        "wedge", "jerlov-1b", clean, "light.sun_elevatoin=1,2", "--frame", "1001", "--out", tmp_path / "w.png"
    )
    assert told.status == 2
    assert "sun_elevation" in told.err
    assert not (tmp_path / "w.png").exists()


def test_sheet_shows_before_after_and_motion(
    halocline: Halocline, clean: Path, wet: Path, tmp_path: Path
) -> None:
    frames = wet / clean.name
    told = halocline(
        "sheet",
        frames,
        "--against",
        clean,
        "--motion",
        "--out",
        tmp_path / "s.html",
        "--preview",
        tmp_path / "p.webp",
    )
    assert told.status == 0, told.err
    page = (tmp_path / "s.html").read_text(encoding="utf-8")
    for label in ("before", "after", "time running down", "Photosensitive"):
        assert label in page
    read, animation = cv2.imreadanimation(str(tmp_path / "p.webp"))
    assert read
    assert len(animation.frames) >= 2


def test_sheet_of_steps_and_layers(halocline: Halocline, clean: Path, tmp_path: Path) -> None:
    told = halocline(
        "sheet",
        clean,
        "--preset",
        "jerlov-1b",
        "--frames",
        "1001",
        "--steps",
        "--layer",
        "veil",
        "--out",
        tmp_path / "s.html",
    )
    assert told.status == 0, told.err
    page = (tmp_path / "s.html").read_text(encoding="utf-8")
    for label in ("after attenuation", "after veiling_light", "frame 1001, veil"):
        assert label in page


def test_files_are_not_replaced_unless_asked(halocline: Halocline, clean: Path, tmp_path: Path) -> None:
    path = tmp_path / "w.png"
    path.write_bytes(b"mine")
    command = ("wedge", "jerlov-1b", clean, "light.overcast=0,1", "--frame", "1001", "--out", path)
    assert halocline(*command).status == 2
    assert path.read_bytes() == b"mine"
    assert halocline(*command, "--overwrite").status == 0


def test_water_is_removed_from_frames_made_with_it(
    halocline: Halocline, clean: Path, wet: Path, tmp_path: Path
) -> None:
    told = halocline(
        "remove", "jerlov-1b", wet / clean.name, "--depth", clean, "--out", tmp_path / "dry", "--log", "json"
    )
    assert told.status == 0, told.err
    assert len(list((tmp_path / "dry").glob("*.exr"))) == len(list(wet.glob("*.exr")))


def test_match_of_dive_data_writes_a_preset(halocline: Halocline, tmp_path: Path) -> None:
    told = halocline("match", "--secchi", "6 m", "--out", tmp_path / "dive.toml")
    assert told.status == 0, told.err
    assert "a Secchi disc at 6 m" in told.out
    shown = halocline("preset", "show", tmp_path / "dive.toml")
    assert "a Secchi disc at 6 m" in shown.out


def test_match_of_a_still_with_cards(halocline: Halocline, tmp_path: Path) -> None:
    still = tmp_path / "dive.png"
    picture = np.zeros((40, 120, 3), np.uint8)
    # Blue-green darkening of a grey card at 1, 3 and 6 m, as a camera would show it; open water at the right.
    for number, colour in enumerate(((88, 108, 100), (52, 92, 88), (40, 84, 84), (38, 82, 84))):
        picture[:, 30 * number : 30 * number + 30] = colour[::-1]
    cv2.imwrite(str(still), picture)
    cards = ("15,20@1 m=grey", "45,20@3 m=grey", "75,20@6 m=grey", "105,20@water")
    stated = [part for card in cards for part in ("--sample", card)]
    told = halocline("match", still, *stated, "--out", tmp_path / "m.toml", "--plot", tmp_path / "m.png")
    assert told.status == 0, told.err
    assert "Nearest Jerlov type" in told.out
    assert "Cannot be told" in told.out
    assert picture_of(tmp_path / "m.png").size
    assert halocline("preset", "check", tmp_path / "m.toml").status == 0


def test_match_without_anything_says_what_to_give(halocline: Halocline) -> None:
    told = halocline("match")
    assert told.status == 2
    assert "Give a Secchi depth" in told.err


def test_plot_writes_every_plot(halocline: Halocline, tmp_path: Path) -> None:
    told = halocline("plot", "winter-fjord", "--out", tmp_path / "plots")
    assert told.status == 0, told.err
    names = {path.stem.removeprefix("winter-fjord-") for path in (tmp_path / "plots").iterdir()}
    assert names == {"spectra", "colour", "chart", "contrast", "remap", "veil"}


def test_preset_set_and_diff(halocline: Halocline, tmp_path: Path) -> None:
    path = tmp_path / "look.toml"
    path.write_text('format = 1\nextends = "jerlov-1c"   # the coast\n', encoding="utf-8")
    told = halocline("preset", "set", path, "light.sun_elevation=20")
    assert told.status == 0, told.err
    assert "# the coast" in path.read_text(encoding="utf-8")
    told = halocline("preset", "diff", "jerlov-1c", path)
    assert "light.sun_elevation: 45 -> 20" in told.out
    told = halocline("preset", "set", path, "light.sun_elevation=200")
    assert told.status == 2
    assert "= 20" in path.read_text(encoding="utf-8")


def test_preset_diff_as_a_picture(halocline: Halocline, clean: Path, tmp_path: Path) -> None:
    first = str(clean).replace("####", "1001")
    told = halocline(
        "preset", "diff", "jerlov-1c", "jerlov-5c", "--render", first, "--out", tmp_path / "d.png"
    )
    assert told.status == 0, told.err
    assert picture_of(tmp_path / "d.png").shape[1] > 1800


def test_preset_check_tells_what_is_odd(halocline: Halocline, tmp_path: Path) -> None:
    path = tmp_path / "odd.toml"
    path.write_text("format = 1\n[light]\nveil_brightness = 2.0\n[steps.attenuation]\n", encoding="utf-8")
    told = halocline("preset", "check", path)
    assert told.status == 0
    assert "odd.toml, line 3: light.veil_brightness is set, but no step uses it" in told.out


def test_plot_counts_what_floats(halocline: Halocline, tmp_path: Path) -> None:
    told = halocline("plot", "silt-out", "--what", "particles", "--out", tmp_path / "p.png")
    assert told.status == 0, told.err
    told = halocline("plot", "jerlov-1c", "--what", "particles", "--out", tmp_path / "q.png")
    assert told.status == 2
    assert "nothing floats in this water" in told.err
