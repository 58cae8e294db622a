"""`halocline apply` from end to end on tiny frames."""

from __future__ import annotations

import hashlib
import os
import re
import signal
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

import halocline as library
from halocline.cli.output import Teller

if TYPE_CHECKING:
    from tests.cli.conftest import Halocline, Reader, Renders

LOOK = """
format = 1
title = "A look with everything that a resolved text must carry"
extends = "jerlov-3c"

[water]
visibility = "14 m"

[light]
sun_elevation = { curve = "smooth", keys = [[1001, "35 deg"], [1004, "20 deg"]] }
reference_depth = "12 m"

[story]
subject_range = "40 ft"
silhouette_contrast = 0.12
"""


def digests(folder: Path) -> dict[str, str]:
    return {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in sorted(folder.iterdir())}


def test_a_sequence_is_put_under_water_and_told_of_in_plain_lines(
    halocline: Halocline, renders: Renders, tmp_path: Path, read: Reader
) -> None:
    before = digests(renders.folder)
    told = halocline("apply", "jerlov-1c", renders.pattern, "--out", tmp_path / "wet", "--processes", "1")
    assert told.status == 0
    assert told.out == ""
    for count, frame in enumerate(range(1001, 1005), 1):
        path = tmp_path / "wet" / f"arch.{frame}.exr"
        line = rf"^\[{count}/4\] frame {frame}  {re.escape(str(path))}  \d+\.\d\d s$"
        assert re.search(line, told.err, re.MULTILINE)
        assert read.spec(path).getattribute("halocline:frame") == frame
        wet, clean = read.pixels(path)[..., :4], read.pixels(renders.path(frame))[..., :4]
        assert np.isfinite(wet).all()
        # Water fills the open background, and takes red from the ground.
        assert (wet[..., 3] == 1.0).all()
        assert (wet[:5, :, 2] > wet[:5, :, 0]).all()
        ground = np.s_[20:, :]
        assert (wet[ground][..., 0] / wet[ground][..., 2]).max() < (
            clean[ground][..., 0] / clean[ground][..., 2]
        ).min()
    assert "4 of 4 frames written." in told.err
    # No terminal: no colours, no bar, nothing that goes back on a line.
    assert not re.search(r"[\x1b\r]", told.err)
    assert digests(renders.folder) == before


def test_a_person_at_a_terminal_sees_a_bar(
    halocline: Halocline, renders: Renders, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("FORCE_COLOR", "1")
    told = halocline("apply", "jerlov-1c", renders.pattern, "--out", tmp_path / "wet", "--no-check")
    assert told.status == 0
    assert "\x1b[" in told.err
    assert "4/4" in told.err
    assert "[1/4] frame" not in told.err


def test_only_the_frames_asked_for_are_made(halocline: Halocline, renders: Renders, tmp_path: Path) -> None:
    out = tmp_path / "wet" / "shot.####.exr"
    arguments = ("apply", "jerlov-1c", renders.pattern, "--out", out, "--no-check")
    assert halocline(*arguments, "--frames", "1001-1004x2").status == 0
    assert sorted(path.name for path in out.parent.glob("*.exr")) == ["shot.1001.exr", "shot.1003.exr"]
    alone = (out.parent / "shot.1003.exr").read_bytes()
    # A chunk gives the same bits as the whole.
    assert halocline(*arguments, "--overwrite").status == 0
    assert (out.parent / "shot.1003.exr").read_bytes() == alone


def test_one_file_goes_to_one_file(halocline: Halocline, renders: Renders, tmp_path: Path) -> None:
    out = tmp_path / "new" / "one.exr"
    assert halocline("apply", "jerlov-1c", renders.path(1002), "--out", out, "--no-check").status == 0
    assert out.exists()


@pytest.mark.parametrize("pattern", ["arch.@@@@.exr", "arch.%04d.exr", "arch.1001-1004####.exr"])
def test_patterns_of_every_kind_name_the_same_frames(
    halocline: Halocline, renders: Renders, tmp_path: Path, pattern: str
) -> None:
    out = tmp_path / "wet"
    told = halocline("apply", "jerlov-1c", renders.folder / pattern, "--out", out, "--dry-run")
    assert told.status == 0
    assert [line.split()[:2] for line in told.out.splitlines()] == [
        ["render", str(frame)] for frame in range(1001, 1005)
    ]
    assert not out.exists()


def test_settings_in_passing_change_the_picture_and_the_digest(
    halocline: Halocline, renders: Renders, tmp_path: Path, read: Reader
) -> None:
    frame = renders.path()
    common = ("apply", "jerlov-1c", frame, "--no-check", "--out")
    assert halocline(*common, tmp_path / "a.exr").status == 0
    settings = ("--set", "light.sun_elevation=15", "--set", "water.visibility=6 m")
    assert halocline(*common, tmp_path / "b.exr", *settings).status == 0
    plain, set_anew = (read.spec(tmp_path / f"{name}.exr") for name in "ab")
    assert plain.getattribute("halocline:presetDigest") != set_anew.getattribute("halocline:presetDigest")
    carried = library.preset_from_text(set_anew.getattribute("halocline:preset")).at(1001)
    assert (carried.light.sun_elevation, carried.water.visibility) == (15.0, 6.0)
    assert not np.array_equal(read.pixels(tmp_path / "a.exr"), read.pixels(tmp_path / "b.exr"))


def test_depth_of_its_own_gives_the_same_bits_as_depth_in_the_beauty(
    halocline: Halocline,
    renders: Renders,
    folder_of_renders: Callable[[str], Renders],
    tmp_path: Path,
    read: Reader,
) -> None:
    beauty, depth = folder_of_renders("beauty"), folder_of_renders("depth")
    for frame in range(1001, 1005):
        beauty.write(frame, channels="RGBA")
        depth.write(frame, channels="Z")
    joint, apart = tmp_path / "joint", tmp_path / "apart"
    assert halocline("apply", "jerlov-1c", renders.pattern, "--out", joint, "--no-check").status == 0
    given = ("--depth", depth.pattern, "--no-check")
    assert halocline("apply", "jerlov-1c", beauty.pattern, "--out", apart, *given).status == 0
    for frame in range(1001, 1005):
        name = f"arch.{frame}.exr"
        np.testing.assert_array_equal(read.pixels(joint / name)[..., :4], read.pixels(apart / name)[..., :4])


def test_the_preset_that_a_frame_carries_gives_the_same_bits_again(
    halocline: Halocline, renders: Renders, tmp_path: Path, read: Reader
) -> None:
    (tmp_path / "look.toml").write_text(LOOK)
    first, again = tmp_path / "first", tmp_path / "again"
    settings = ("--set", "light.overcast=0.4", "--no-check")
    told = halocline("apply", tmp_path / "look.toml", renders.pattern, "--out", first, *settings)
    assert told.status == 0
    carried = read.spec(first / "arch.1001.exr").getattribute("halocline:preset")
    (tmp_path / "look.toml").unlink()
    (tmp_path / "carried.toml").write_text(carried)
    told = halocline("apply", tmp_path / "carried.toml", renders.pattern, "--out", again, "--no-check")
    assert told.status == 0
    for name in (f"arch.{frame}.exr" for frame in range(1001, 1005)):
        one, other = read.spec(first / name), read.spec(again / name)
        for key in ("halocline:preset", "halocline:presetDigest"):
            assert one.getattribute(key) == other.getattribute(key)
        assert read.pixels(first / name).tobytes() == read.pixels(again / name).tobytes()


def test_the_digest_that_a_frame_carries_is_that_of_its_text(
    halocline: Halocline, renders: Renders, tmp_path: Path, read: Reader
) -> None:
    out = tmp_path / "wet.exr"
    assert halocline("apply", "jerlov-1c", renders.path(), "--out", out, "--no-check").status == 0
    spec = read.spec(out)
    text = spec.getattribute("halocline:preset")
    assert hashlib.sha256(text.encode()).hexdigest() == spec.getattribute("halocline:presetDigest")
    shown = halocline("preset", "show", "jerlov-1c", "--resolved").out
    assert shown.rstrip("\n") == text.rstrip("\n")


def test_json_lines_tell_everything(halocline: Halocline, renders: Renders, tmp_path: Path) -> None:
    damaged = renders.path(1003).read_bytes()
    renders.path(1003).write_bytes(damaged[: len(damaged) // 2])
    told = halocline("apply", "jerlov-1c", renders.pattern, "--out", tmp_path / "wet", "--log", "json")
    assert told.status == 1
    start, *frames, end, checks = told.records
    assert [each["event"] for each in told.records] == ["start", *["frame"] * 4, "end", "checks"]
    assert (start["preset"], start["frames"]) == ("jerlov-1c", 4)
    assert re.fullmatch("[0-9a-f]{64}", start["digest"])
    assert {each["frame"]: each["status"] for each in frames} == {
        1001: "done",
        1002: "done",
        1003: "failed",
        1004: "done",
    }
    for record in frames:
        out = tmp_path / "wet" / f"arch.{record['frame']}.exr"
        assert record["out"] == str(out)
        if record["status"] == "done":
            assert record["output"]["bytes"] == out.stat().st_size
            assert record["output"]["sha256"] == hashlib.sha256(out.read_bytes()).hexdigest()
            assert record["origin"]["whole_preset"] == start["digest"]
            assert isinstance(record["warnings"], list)
            assert all(seconds >= 0 for seconds in record["seconds"].values())
        else:
            assert not out.exists()
            assert record["error"]["code"] == "E-READ-PIXELS"
            assert str(renders.path(1003)) in record["error"]["where"]
            assert record["error"]["message"]
            assert record["error"]["fix"]
    assert end["failed"] == [1003]
    assert end["done"] == 3
    assert end["interrupted"] is None
    assert "findings" in checks


def test_frames_that_cannot_be_made_are_listed_and_the_others_made(
    halocline: Halocline, renders: Renders, tmp_path: Path
) -> None:
    renders.path(1002).write_bytes(b"no picture")
    told = halocline("apply", "jerlov-1c", renders.pattern, "--out", tmp_path / "wet", "--no-check")
    assert told.status == 1
    assert f"error: E-READ-OPEN  frame 1002, {renders.path(1002)}: " in told.err
    assert "3 of 4 frames written.\nfailed: 1002\n" in told.err
    assert sorted(path.name for path in (tmp_path / "wet").glob("*.exr")) == [
        "arch.1001.exr",
        "arch.1003.exr",
        "arch.1004.exr",
    ]


def test_nothing_is_written_over_until_asked(halocline: Halocline, renders: Renders, tmp_path: Path) -> None:
    out = tmp_path / "wet"
    out.mkdir()
    (out / "arch.1004.exr").write_text("a painter's hours")
    told = halocline("apply", "jerlov-1c", renders.pattern, "--out", out)
    assert told.status == 2
    assert told.err.startswith(f"error: E-WRITE-EXISTS  {out}/arch.1004.exr: frame 1004 is already there")
    assert [path.name for path in out.iterdir()] == ["arch.1004.exr"]
    assert (out / "arch.1004.exr").read_text() == "a painter's hours"
    assert halocline("apply", "jerlov-1c", renders.pattern, "--out", out, "--overwrite").status == 0
    assert (out / "arch.1004.exr").read_bytes()[:4] == b"\x76\x2f\x31\x01"


def test_the_render_is_never_written_over_not_even_through_a_link(
    halocline: Halocline, renders: Renders, tmp_path: Path
) -> None:
    before = digests(renders.folder)
    (tmp_path / "link").symlink_to(renders.folder, target_is_directory=True)
    for out in (renders.folder, tmp_path / "link"):
        told = halocline("apply", "jerlov-1c", renders.pattern, "--out", out, "--overwrite")
        assert told.status == 2
        assert told.err.startswith(f"error: E-WRITE-INPUT  {out}/arch.1001.exr: is one of the inputs")
        assert "never written over" in told.err
    hard = tmp_path / "hard"
    hard.mkdir()
    os.link(renders.path(1002), hard / "arch.1002.exr")
    told = halocline("apply", "jerlov-1c", renders.pattern, "--out", hard, "--overwrite", "--no-check")
    assert told.status == 1
    assert f"error: E-WRITE-INPUT  frame 1002, {hard}/arch.1002.exr: is one of the inputs" in told.err
    assert digests(renders.folder) == before


def test_an_interrupt_leaves_whole_frames_and_130(
    halocline: Halocline, renders: Renders, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, read: Reader
) -> None:
    tell = Teller.tell

    def tell_and_interrupt(self: Teller, event: Any) -> None:
        tell(self, event)
        os.kill(os.getpid(), signal.SIGINT)

    monkeypatch.setattr(Teller, "tell", tell_and_interrupt)
    told = halocline("apply", "jerlov-1c", renders.pattern, "--out", tmp_path / "wet", "--processes", "1")
    assert told.status == 130
    assert re.search(r"^interrupted before: .*1004$", told.err, re.MULTILINE)
    made = sorted((tmp_path / "wet").glob("*.exr"))
    assert 0 < len(made) < 4
    for path in made:
        assert np.isfinite(read.pixels(path)).all()
    assert not [path for path in (tmp_path / "wet").iterdir() if path.suffix == ".unfinished"]


def test_names_may_have_spaces_and_signs_of_all_languages(
    halocline: Halocline, folder_of_renders: Callable[[str], Renders], tmp_path: Path
) -> None:
    source = folder_of_renders("größe mit leer")
    source.write(1001).rename(source.folder / "bögen 水 [1].1001.exr")
    told = halocline(
        "apply",
        "jerlov-1c",
        source.folder / "bögen 水 [1].####.exr",
        "--out",
        tmp_path / "naß 深",
        "--no-check",
    )
    assert told.status == 0
    assert (tmp_path / "naß 深" / "bögen 水 [1].1001.exr").exists()
    assert f"{tmp_path}/naß 深/bögen 水 [1].1001.exr" in told.err


def test_what_a_crop_leaves_out_is_open_water(
    halocline: Halocline, folder_of_renders: Callable[[str], Renders], tmp_path: Path, read: Reader
) -> None:
    cropped = folder_of_renders("cropped").write(1001, data=(8, 12, 30, 16))
    out = tmp_path / "wet.exr"
    assert halocline("apply", "jerlov-1c", cropped, "--out", out, "--no-check").status == 0
    spec = read.spec(out)
    assert (spec.x, spec.y, spec.width, spec.height) == (0, 0, 48, 32)
    wet = read.pixels(out)
    assert (wet[..., 3] == 1.0).all()
    assert (wet[:12, :, 2] > 0.0).all()


def test_overscan_is_kept(
    halocline: Halocline, folder_of_renders: Callable[[str], Renders], tmp_path: Path, read: Reader
) -> None:
    overscan = folder_of_renders("overscan").write(1001, data=(-4, -2, 56, 36))
    out = tmp_path / "wet.exr"
    assert halocline("apply", "jerlov-1c", overscan, "--out", out, "--no-check").status == 0
    spec = read.spec(out)
    assert (spec.x, spec.y, spec.width, spec.height) == (-4, -2, 56, 36)
    assert (spec.full_width, spec.full_height) == (48, 32)


def test_both_eyes_of_a_stereo_file_are_put_under_water(
    halocline: Halocline, folder_of_renders: Callable[[str], Renders], tmp_path: Path, read: Reader
) -> None:
    stereo = folder_of_renders("stereo").write(1001, views=("left", "right"))
    out = tmp_path / "wet.exr"
    assert halocline("apply", "jerlov-1c", stereo, "--out", out, "--no-check").status == 0
    for part in (0, 1):
        assert (read.pixels(out, part)[..., 3] == 1.0).all()
        assert not np.array_equal(read.pixels(out, part)[..., :3], read.pixels(stereo, part)[..., :3])


@pytest.mark.parametrize(
    ("scale", "warning"),
    [
        (100.0, r"the nearest surface is [\d.]+ m away .*\(centimetres would make it [\d.]+ m\)"),
        (0.0005, r"the nearest surface is [\d.]+ mm from the lens"),
        (80.0, r"the nearest surface is [3-5]\d\d\.\d m away"),
    ],
    ids=["centimetres", "2 mm", "400 m"],
)
def test_depth_in_a_wrong_unit_is_warned_of_once(
    halocline: Halocline,
    folder_of_renders: Callable[[str], Renders],
    tmp_path: Path,
    scale: float,
    warning: str,
) -> None:
    source = folder_of_renders("wrong")
    for frame in (1001, 1008):
        source.write(frame, scale=scale)
    told = halocline(
        "apply", "jerlov-1c", source.pattern, "--out", tmp_path / "wet", "--frames", "1001,1008", "--no-check"
    )
    assert told.status == 0
    assert re.search(rf"^warning: frame 1001: {warning}", told.err, re.MULTILINE)
    assert len(re.findall("nearest surface", told.err)) == 1


def test_a_render_without_a_camera_is_warned_of(
    halocline: Halocline, folder_of_renders: Callable[[str], Renders], tmp_path: Path
) -> None:
    source = folder_of_renders("bare").write(1001, camera=False)
    told = halocline("apply", "jerlov-1c", source, "--out", tmp_path / "wet.exr", "--no-check")
    assert told.status == 0
    assert re.search(r"^warning: frame 1001: .*camera", told.err, re.MULTILINE)


def test_it_is_told_where_compiled_loops_cannot_be_kept(
    halocline: Halocline, renders: Renders, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Else nobody knows what a process does that compiles for minutes, each time."""
    command = ("apply", "jerlov-1c", renders.pattern, "--frames", "1001", "--processes", "1", "--no-check")
    words = "compiled loops cannot be kept in"
    assert words not in halocline(*command, "--out", tmp_path / "one").err
    (tmp_path / "file").touch()
    monkeypatch.setenv("HALOCLINE_CACHE", str(tmp_path / "file" / "kept"))
    told = halocline(*command, "--out", tmp_path / "two")
    assert told.status == 0
    assert f"{words} {tmp_path / 'file' / 'kept'}: Not a directory" in told.err
    assert "HALOCLINE_CACHE" in told.err
    assert digests(tmp_path / "one").keys() == digests(tmp_path / "two").keys()
    monkeypatch.setenv("HALOCLINE_CACHE", "off")
    assert words not in halocline(*command, "--out", tmp_path / "three").err
