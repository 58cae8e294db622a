"""A page of `halocline tune` in a real browser: Debian's chromium, driven by Playwright."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import OpenImageIO as oiio
import pytest

import halocline
from halocline.imaging.frame import Window
from halocline.presets.preset import preset_from_text
from halocline.tuning import server as page_server
from halocline.tuning.pictures import Pictures
from halocline.tuning.server import Server
from halocline.tuning.session import Session

ROWS, COLUMNS = 54, 96
FRAMES = (1001, 1002, 1003)


@pytest.fixture(scope="session")
def frames(tmp_path_factory: pytest.TempPathFactory) -> str:
    """Three small frames of a wall that leans away before open water."""
    return write_walls(tmp_path_factory.mktemp("frames"))


@pytest.fixture(scope="session")
def mattes(tmp_path_factory: pytest.TempPathFactory) -> str:
    """The same, with the wall's matte."""
    return write_walls(tmp_path_factory.mktemp("mattes"), "matte.wall")


def write_walls(folder: Path, *mattes: str) -> str:
    """Write the frames of a wall, its coverage as mattes too; return their pattern."""
    channels = ("R", "G", "B", "A", "Z", *mattes)
    for number in FRAMES:
        pixels = np.zeros((ROWS, COLUMNS, len(channels)), np.float32)
        wall = np.s_[:, : COLUMNS * 2 // 3]
        random = np.random.default_rng(number)
        pixels[wall][..., :3] = 0.1 + 0.3 * random.random((ROWS, COLUMNS * 2 // 3, 3), np.float32)
        pixels[wall][..., 3] = 1.0
        pixels[wall][..., 5:] = 1.0
        pixels[..., 4] = np.inf
        pixels[wall][..., 4] = np.linspace(9.0, 2.0, ROWS, dtype=np.float32)[:, np.newaxis]
        spec = oiio.ImageSpec(COLUMNS, ROWS, len(channels), "float")
        spec.channelnames = channels
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


STILL_WATER = """format = 2
[water]
jerlov_type = "3C"
[place]
camera_depth = 10.0
[light]
sun_elevation = 45.0
overcast = 0.2
shadows = false           # A match knows of none.
[steps.downwelling]
[steps.attenuation]
[steps.forward_scatter]
[steps.veiling_light]
"""
# Of the still's columns of 24 pixels, from the left: what reflects there, and how far away, metres.
STILL_COLUMNS = ((0.9, 0.4), (0.18, 1.0), (0.9, 2.0), (0.18, 3.5), (0.0, np.inf))
STILL_MARKS = ("12,40@40 cm=white", "36,40@1 m=grey", "60,40@2 m=white", "84,40@3.5 m=grey", "108,40@water")


@pytest.fixture(scope="session")
def still(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A still of 8 bits, of cards at several ranges in `STILL_WATER`."""
    rows, columns = 80, 24 * len(STILL_COLUMNS)
    rgb = np.repeat([colour for colour, _ in STILL_COLUMNS], 24).astype(np.float32)
    away = np.repeat([range_m for _, range_m in STILL_COLUMNS], 24).astype(np.float32)
    window = Window(0, 0, columns, rows)
    linear = halocline.apply(
        preset_from_text(STILL_WATER),
        np.broadcast_to(rgb[:, np.newaxis], (rows, columns, 3)).copy(),
        np.broadcast_to(away, (rows, columns)).copy(),
        alpha=np.broadcast_to(np.isfinite(away).astype(np.float32), (rows, columns)).copy(),
        camera=halocline.pinhole(window, focal_length_mm=18, film_width_mm=36),
    ).rgb
    exposed = np.clip(linear * 0.7 / linear.max(), 0.0, 1.0)
    coded = np.where(exposed <= 0.0031308, 12.92 * exposed, 1.055 * exposed ** (1 / 2.4) - 0.055)
    path = tmp_path_factory.mktemp("still") / "dive.png"
    pixels = np.round(255.0 * coded).astype(np.uint8)
    assert cv2.imwrite(str(path), np.ascontiguousarray(pixels[..., ::-1]))
    return path


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
        self._thread.join(120)
        assert not self._thread.is_alive()


@contextmanager
def served(
    preset: str, frames: str, save_to: Path | None = None, reference: Path | None = None
) -> Iterator[Served]:
    """Serve a preset on frames."""
    one = Served(Session(preset, frames, save_to=save_to), Pictures(frames, reference=reference))
    try:
        yield one
    finally:
        one.stop()


@pytest.fixture(scope="session")
def serve() -> Any:
    return served
