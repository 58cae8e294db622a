"""The command run in this process, and tiny renders for it."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import OpenImageIO as oiio
import pytest

from halocline._typing import F32
from halocline.cli.main import run
from halocline.imaging.exr import Attribute, Part
from halocline.imaging.exr_write import PartPixels, write_exr
from halocline.imaging.frame import Window

REC709 = Attribute("float[8]", (0.64, 0.33, 0.3, 0.6, 0.15, 0.06, 0.3127, 0.329))


@dataclass(frozen=True)
class Told:
    """What one run of the command printed, and its exit status."""

    status: int
    out: str
    err: str

    @property
    def records(self) -> list[dict[str, Any]]:
        """Standard output as JSON, one record a line."""
        return [json.loads(line) for line in self.out.splitlines()]


Halocline = Callable[..., Told]


@pytest.fixture
def halocline(capfd: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Halocline:
    """Run the command in this process, in a terminal of 100 columns without colours."""
    monkeypatch.setenv("COLUMNS", "100")
    for name in ("FORCE_COLOR", "NO_COLOR", "TTY_COMPATIBLE"):
        monkeypatch.delenv(name, raising=False)

    def call(*arguments: object) -> Told:
        capfd.readouterr()
        status: Any = 0
        try:
            run([str(argument) for argument in arguments])
        except SystemExit as left:
            status = left.code or 0
        printed = capfd.readouterr()
        assert "Traceback" not in printed.out + printed.err
        return Told(status, printed.out, printed.err)

    return call


def planes_of(frame: int, window: Window, scale: float) -> dict[str, F32]:
    """Return a sloping ground with open water above it; picture and depth depend on the frame."""
    rows, columns = np.indices(window.shape, np.float32)
    alpha = np.clip((rows - 9.0) / 4.0, 0.0, 1.0)
    light = (0.2 + 0.3 * np.abs(np.sin(columns * 0.4 + frame * 0.1))) * alpha
    depth = (4.0 + 0.3 * columns + 0.1 * rows + 0.05 * (frame % 7)) * scale
    planes = {"R": light, "G": light, "B": 0.8 * light, "A": alpha, "Z": np.where(alpha > 0, depth, np.inf)}
    return {name: plane.astype(np.float32) for name, plane in planes.items()}


@dataclass(frozen=True)
class Renders:
    """A folder of tiny renders."""

    folder: Path

    @property
    def pattern(self) -> Path:
        return self.folder / "arch.####.exr"

    def path(self, frame: int = 1001) -> Path:
        return self.folder / f"arch.{frame:04d}.exr"

    def write(
        self,
        frame: int,
        *,
        channels: str = "RGBAZ",
        scale: float = 1.0,
        display: tuple[int, int, int, int] = (0, 0, 48, 32),
        data: tuple[int, int, int, int] | None = None,
        views: tuple[str, ...] = ("",),
        camera: bool = True,
    ) -> Path:
        """Write one frame and return its file."""
        window = Window(*(data or display))
        planes = planes_of(frame, window, scale)
        attributes = {"chromaticities": REC709, **(camera_of(frame) if camera else {})}
        if views != ("",):
            attributes["multiView"] = Attribute(f"string[{len(views)}]", views)
        parts = []
        for index, view in enumerate(views):
            part = Part(
                index=index,
                name=f"beauty.{view}" if view else "",
                view=view,
                channels={name: "float" if name == "Z" else "half" for name in channels},
                data_window=window,
                display_window=Window(*display),
                attributes=attributes,
            )
            parts.append(PartPixels(part, {name: planes[name] for name in channels}))
        self.folder.mkdir(parents=True, exist_ok=True)
        write_exr(self.path(frame), parts, overwrite=True)
        return self.path(frame)


def camera_of(frame: int) -> dict[str, Attribute]:
    matrix = np.eye(4)
    matrix[2, 2] = -1.0
    matrix[3, 0] = -0.1 * frame
    return {
        "worldToCamera": Attribute("matrix", tuple(matrix.ravel())),
        "nominalFocalLength": Attribute("float", 28.0),
        "sensorOverallDimensions": Attribute("float2", (36.0, 24.0)),
    }


@pytest.fixture
def renders(tmp_path: Path) -> Renders:
    """Four frames, 1001 to 1004, depth in the beauty's file."""
    made = Renders(tmp_path / "clean")
    for frame in range(1001, 1005):
        made.write(frame)
    return made


@pytest.fixture
def folder_of_renders(tmp_path: Path) -> Callable[[str], Renders]:
    """Return further folders of renders, empty."""
    return lambda name: Renders(tmp_path / name)


class Reader:
    """Reads what the command wrote, with OpenImageIO alone."""

    @staticmethod
    def pixels(path: Path, part: int = 0) -> F32:
        opened = oiio.ImageInput.open(str(path))
        assert opened is not None, oiio.geterror()
        spec = opened.spec_dimensions(part)
        found = opened.read_image(part, 0, 0, spec.nchannels, "float")
        opened.close()
        return np.asarray(found)

    @staticmethod
    def spec(path: Path) -> Any:
        opened = oiio.ImageInput.open(str(path))
        assert opened is not None, oiio.geterror()
        spec = opened.spec().copy()
        opened.close()
        return spec


@pytest.fixture
def read() -> Reader:
    return Reader()
