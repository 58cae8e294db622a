"""`halocline demo` on tiny frames of its name."""

from __future__ import annotations

import os
import signal
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import OpenImageIO as oiio
import pytest

from halocline.cli import demo
from halocline.cli.demo import LOOKS
from halocline.cli.output import Teller

if TYPE_CHECKING:
    from tests.cli.conftest import Halocline, Reader, Renders


def test_demo_writes_every_look_and_a_contact_sheet(
    halocline: Halocline, renders: Renders, tmp_path: Path, read: Reader, monkeypatch: pytest.MonkeyPatch
) -> None:
    out = tmp_path / "demo"
    told = halocline("demo", "--frames-folder", renders.folder, "--out", out, "--threads", 2)
    assert told.status == 0
    assert told.out == f"{out / 'contact_sheet.png'}\n"
    assert len(LOOKS) >= 3
    seen = []
    for look in LOOKS:
        assert [path.name for path in sorted((out / look).glob("*.exr"))] == [
            f"arch.{frame}.exr" for frame in range(1001, 1005)
        ]
        seen.append(read.pixels(out / look / "arch.1001.exr")[..., :3])
        assert read.spec(out / look / "arch.1001.exr").getattribute("halocline:presetName") == look
    assert all(not np.allclose(one, other) for one, other in pairwise(seen))
    sheet = oiio.ImageBuf(str(out / "contact_sheet.png"))
    # Three pictures of 640 a row; a row for the clean render and one for each look.
    assert sheet.spec().width >= 3 * 640
    assert sheet.spec().height > (1 + len(LOOKS)) * 400
    # A second demo replaces the first.
    monkeypatch.setattr(demo, "LOOKS", LOOKS[:1])
    assert halocline("demo", "--frames-folder", renders.folder, "--out", out).status == 0


def test_demo_finds_frames_in_the_working_folder(
    halocline: Halocline, renders: Renders, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    renders.folder.rename(tmp_path / "demo_frames")
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(demo, "LOOKS", LOOKS[:1])
    told = halocline("demo")
    assert (told.status, told.out) == (0, "demo_out/contact_sheet.png\n")


def test_demo_has_small_frames_of_its_own_after_a_plain_install(
    halocline: Halocline, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # As installed: neither the working folder nor the folder above the package has frames.
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(demo, "LOOKS", LOOKS[:1])
    package = Path(demo.__file__).parents[1]
    (tmp_path / "site").mkdir()
    (tmp_path / "site" / "halocline").symlink_to(package)
    monkeypatch.setattr(demo, "__file__", str(tmp_path / "site" / "halocline" / "cli" / "demo.py"))
    told = halocline("demo", "--out", "out", "--threads", 2)
    assert told.status == 0, told.err
    assert [path.name for path in sorted((tmp_path / "out" / LOOKS[0]).glob("*.exr"))] == [
        "arch.1001.exr",
        "arch.1002.exr",
        "arch.1003.exr",
    ]


def test_small_frames_keep_depth_where_there_is_a_surface_and_nowhere_else() -> None:
    for path in (Path(demo.__file__).parents[1] / "demo_frames").glob("*.exr"):
        image = oiio.ImageBuf(str(path))
        names = list(image.spec().channelnames)
        pixels = np.asarray(image.get_pixels(oiio.FLOAT))
        assert np.array_equal(np.isfinite(pixels[..., names.index("Z")]), pixels[..., names.index("A")] > 0)
        assert path.stat().st_size < 1_000_000


def test_demo_without_frames_says_where_it_looked(halocline: Halocline, tmp_path: Path) -> None:
    told = halocline("demo", "--frames-folder", tmp_path / "nowhere")
    assert told.status == 2
    assert told.err == (
        f"error: E-SEQUENCE-DEMO  there are no demo frames in {tmp_path / 'nowhere'}\n"
        "  Leave --frames-folder out for the frames that come with Halocline, or name their folder.\n"
    )


def test_a_frame_that_cannot_be_read_is_told_and_the_exit_status_says_so(
    halocline: Halocline, renders: Renders, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(demo, "LOOKS", LOOKS[:1])
    renders.path(1002).write_bytes(b"no picture")
    told = halocline("demo", "--frames-folder", renders.folder, "--out", tmp_path / "demo")
    assert told.status == 1
    assert "E-READ-OPEN  frame 1002" in told.err


def test_an_interrupt_ends_the_whole_demo(
    halocline: Halocline, renders: Renders, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    tell = Teller.tell

    def tell_and_interrupt(self: Teller, event: Any) -> None:
        tell(self, event)
        os.kill(os.getpid(), signal.SIGINT)

    monkeypatch.setattr(Teller, "tell", tell_and_interrupt)
    told = halocline("demo", "--frames-folder", renders.folder, "--out", tmp_path / "demo")
    assert told.status == 130
    assert [path.name for path in (tmp_path / "demo").iterdir()] == [LOOKS[0]]
