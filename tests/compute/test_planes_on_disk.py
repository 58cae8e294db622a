"""Planes on disk: values as in memory, nothing left behind, and no more in memory than is allowed."""

from __future__ import annotations

import gc
import os
import time
from contextlib import suppress
from pathlib import Path

import numpy as np
import pytest

from halocline.compute import planes_on_disk
from halocline.compute.planes_on_disk import copied_plane, empty_plane, filled_plane, here, room_on_disk
from halocline.compute.threads import at_most, in_parallel, pool

SHAPE = (4096, 4096)
STATM = Path("/proc/self/statm")


def in_memory_of_files() -> int:
    """By proc(5): resident pages of shared mappings."""
    return int(STATM.read_text(encoding="ascii").split()[2]) * os.sysconf("SC_PAGE_SIZE")


def open_files(folder: Path) -> int:
    """Count files that were made in a folder; the watching thread opens others at any moment."""
    found = 0
    for link in Path("/proc/self/fd").iterdir():
        with suppress(OSError):
            found += link.readlink().is_relative_to(folder)
    return found


def on_disk(plane: object) -> bool:
    """Tell whether an array is a mapped file."""
    while isinstance(plane, np.ndarray):
        plane = plane.base
    return plane is not None


@pytest.mark.skipif(not STATM.exists(), reason="this system does not tell what is in memory")
def test_what_is_touched_is_let_go_and_keeps_its_values(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(planes_on_disk, "RESIDENT_BYTES", 8 << 20)
    before = in_memory_of_files()
    with planes_on_disk.planes_on_disk(tmp_path):
        plane = empty_plane(SHAPE)
        assert on_disk(plane)
        assert open_files(tmp_path) == 1
        assert not plane.any()
        plane[...] = np.arange(SHAPE[0], dtype=np.float32)[:, None]
        ends = time.monotonic() + 60.0
        while in_memory_of_files() - before > 9 << 20 and time.monotonic() < ends:
            time.sleep(0.01)
        assert in_memory_of_files() - before <= 9 << 20
        np.testing.assert_array_equal(plane[:, 17], np.arange(SHAPE[0]))
        view = plane[5]
        del plane
        assert view.tolist() == [5.0] * SHAPE[1]
        del view
        gc.collect()
        assert open_files(tmp_path) == 0
    assert list(tmp_path.iterdir()) == []


def test_only_large_planes_go_to_disk_also_in_threads(tmp_path: Path) -> None:
    side = int((planes_on_disk.LARGE_BYTES / 4) ** 0.5)
    assert not on_disk(empty_plane((side, side)))
    with planes_on_disk.planes_on_disk(tmp_path) as planes, at_most(2):
        assert not on_disk(empty_plane((side, side - 1)))
        assert on_disk(empty_plane((side, side)))
        filled = filled_plane((side, side), 3.0)
        assert on_disk(filled)
        assert on_disk(copied_plane(filled))
        np.testing.assert_array_equal(copied_plane(filled), filled)
        assert filled.min() == filled.max() == 3.0
        assert in_parallel(lambda _: here(), range(3)) == [planes] * 3
        with pool(1) as threads:
            assert threads.submit(here).result() is planes
    assert here() is None


def test_memory_is_no_disk(tmp_path: Path) -> None:
    folder = tmp_path / "wet" / "not yet"
    found = os.statvfs(tmp_path)
    device = tmp_path.stat().st_dev
    mounts = tmp_path / "proc" / "self" / "mountinfo"
    mounts.parent.mkdir(parents=True)
    # The example of proc(5), with the folder's own device.
    line = "36 35 {} /mnt1 /mnt2 rw,noatime master:1 - {} /dev/root rw,errors=continue\n"
    other, own = "98:0", f"{os.major(device)}:{os.minor(device)}"
    mounts.write_text(line.format(other, "tmpfs") + line.format(own, "ext3"), encoding="ascii")
    room = room_on_disk(folder, tmp_path)
    assert room == pytest.approx(found.f_bavail * found.f_frsize, rel=0.2)
    mounts.write_text(line.format(other, "ext3") + line.format(own, "tmpfs"), encoding="ascii")
    assert room_on_disk(folder, tmp_path) == 0


def test_a_system_that_reserves_no_space_keeps_no_planes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delattr(os, "posix_fallocate")
    assert room_on_disk(tmp_path) == 0
