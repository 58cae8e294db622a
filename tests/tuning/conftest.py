"""A page of `halocline tune` in a real browser: Debian's chromium, driven by Playwright."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import OpenImageIO as oiio
import pytest

from halocline.tuning import server as page_server
from halocline.tuning.pictures import Pictures
from halocline.tuning.server import Server
from halocline.tuning.session import Session

ROWS, COLUMNS = 54, 96
FRAMES = (1001, 1002, 1003)


@pytest.fixture(scope="session")
def frames(tmp_path_factory: pytest.TempPathFactory) -> str:
    """Three small frames of a wall that leans away before open water."""
    folder = tmp_path_factory.mktemp("frames")
    for number in FRAMES:
        pixels = np.zeros((ROWS, COLUMNS, 5), np.float32)
        wall = np.s_[:, : COLUMNS * 2 // 3]
        random = np.random.default_rng(number)
        pixels[wall][..., :3] = 0.1 + 0.3 * random.random((ROWS, COLUMNS * 2 // 3, 3), np.float32)
        pixels[wall][..., 3] = 1.0
        pixels[..., 4] = np.inf
        pixels[wall][..., 4] = np.linspace(9.0, 2.0, ROWS, dtype=np.float32)[:, np.newaxis]
        spec = oiio.ImageSpec(COLUMNS, ROWS, 5, "float")
        spec.channelnames = ("R", "G", "B", "A", "Z")
        image = oiio.ImageBuf(spec)
        image.set_pixels(oiio.ROI(), pixels)
        assert image.write(str(folder / f"clean.{number}.exr")), image.geterror()
    return str(folder / "clean.####.exr")


def write_mattes(folder: Path, of_frames: Mapping[int, tuple[str, ...]]) -> str:
    """Write small frames with mattes, and a rope's matte in files of its own; return the frames' pattern."""
    for number, names in of_frames.items():
        for stem, channels in (
            ("clean", ("R", "G", "B", "A", "Z", *(f"matte.{each}" for each in names))),
            ("rope", ("Y",)),
        ):
            spec = oiio.ImageSpec(4, 3, len(channels), "float")
            spec.channelnames = channels
            image = oiio.ImageBuf(spec)
            image.set_pixels(oiio.ROI(), np.ones((3, 4, len(channels)), np.float32))
            assert image.write(str(folder / f"{stem}.{number:04}.exr")), image.geterror()
    return str(folder / "clean.####.exr")


@pytest.fixture
def small_mattes(tmp_path: Path) -> str:
    """Three small frames, of which each has other mattes."""
    return write_mattes(tmp_path, {1: ("arch",), 2: ("arch", "anchor"), 3: ()})


class Served:
    """A page's server in a thread of its own."""

    def __init__(self, session: Session, pictures: Pictures) -> None:
        self.session = session
        self.server: Server | None = None
        self._running: Any = None
        self._there = threading.Event()
        self._thread = threading.Thread(
            target=page_server.serve, args=(session, pictures), kwargs={"ready": self._ready}
        )
        self._thread.start()
        assert self._there.wait(30)

    def _ready(self, server: Server, running: Any) -> None:
        self.server, self._running = server, running
        self._there.set()

    @property
    def address(self) -> str:
        assert self.server is not None
        return self.server.address

    @property
    def host(self) -> str:
        assert self.server is not None
        return f"127.0.0.1:{self.server.port}"

    def drop_lines(self) -> None:
        """Close every page's line, as a network that fails does."""
        assert self.server is not None
        for tab in tuple(self.server._tabs):
            asyncio.run_coroutine_threadsafe(tab.socket.close(), tab.loop).result(10)

    def stop(self) -> None:
        self._running.should_exit = True
        self._running.force_exit = True
        self._thread.join(20)
        assert not self._thread.is_alive()


@contextmanager
def served(preset: str, frames: str, save_to: Path | None = None) -> Iterator[Served]:
    """Serve a preset on frames."""
    one = Served(Session(preset, frames, save_to=save_to), Pictures(frames))
    try:
        yield one
    finally:
        one.stop()


@pytest.fixture(scope="session")
def serve() -> Any:
    return served
