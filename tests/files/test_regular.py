"""Only regular files are opened, without waiting and without reading for ever."""

from __future__ import annotations

import os
import socket
from pathlib import Path

import pytest

from halocline.files.regular import open_regular, read_regular, read_text


def test_a_regular_file_is_read_whole(tmp_path: Path) -> None:
    (tmp_path / "a").write_bytes(b"\xef\xbb\xbfwater")
    assert read_regular(tmp_path / "a", 8) == b"\xef\xbb\xbfwater"
    assert read_text(tmp_path / "a", 8) == "water"
    with pytest.raises(OSError, match="larger than 7 bytes"):
        read_regular(tmp_path / "a", 7)


def test_what_is_no_file_is_named(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe")
    (tmp_path / "folder").mkdir()
    (tmp_path / "link").symlink_to("/etc/hostname")
    (tmp_path / "device").symlink_to("/dev/full")
    with socket.socket(socket.AF_UNIX) as listener:
        listener.bind(str(tmp_path / "socket"))
        for name, told in {
            "pipe": "a named pipe",
            "folder": "a folder",
            "link": "a link, and links are not followed",
            "device": "a link",
            "socket": "a socket",
        }.items():
            for flags in (os.O_RDONLY, os.O_RDWR | os.O_CREAT | os.O_APPEND):
                with pytest.raises(OSError, match=told):
                    open_regular(tmp_path / name, flags)


def test_a_device_behind_a_link_is_a_device(tmp_path: Path) -> None:
    (tmp_path / "zero").symlink_to("/dev/zero")
    with pytest.raises(OSError, match="a device"):
        read_regular(tmp_path / "zero", 10)


def test_a_file_that_says_it_is_empty_and_never_ends_is_bounded() -> None:
    # Files of the kernel are regular, of size 0, and some hold much.
    with pytest.raises(OSError, match="larger than 10 bytes"):
        read_regular("/proc/self/status", 10)
