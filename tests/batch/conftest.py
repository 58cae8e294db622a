"""A small shot on disk: moving camera, a tilted floor before open water, in files of a few kilobytes."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
import pytest

from halocline.batch.plan_tasks import plan_tasks
from halocline.batch.task import FrameTask
from halocline.imaging.exr import Attribute, Part
from halocline.imaging.exr_write import PartPixels, write_exr
from halocline.imaging.frame import Window
from halocline.presets.preset import Preset, load_preset

REC709 = Attribute("float[8]", (0.64, 0.33, 0.3, 0.6, 0.15, 0.06, 0.3127, 0.329))


def write_frame(
    path: Path,
    frame: int,
    *,
    size: tuple[int, int] = (40, 24),
    depth_scale: float = 1.0,
    compression: str = "zip",
    parts: int = 1,
) -> None:
    """Write one clean frame; the picture and the camera depend on its number."""
    window = Window(0, 0, *size)
    rows, columns = np.indices(window.shape, np.float32)
    depth = (4.0 + columns * 0.3 + rows * 0.1 + (frame % 7) * 0.05) * np.float32(depth_scale)
    alpha = np.clip((rows - 5.0) / 3.0, 0.0, 1.0)
    colour = np.float32(0.2) + 0.3 * np.abs(np.sin(columns * 0.4 + frame * 0.1))
    matrix = np.eye(4)
    matrix[2, 2] = -1.0
    matrix[3, 0] = -0.1 * frame
    part = Part(
        index=0,
        name="",
        view="",
        channels={**dict.fromkeys("RGBA", "half"), "Z": "float"},
        data_window=window,
        display_window=window,
        compression=compression,
        attributes={
            "worldToCamera": Attribute("matrix", tuple(matrix.ravel())),
            "nominalFocalLength": Attribute("float", 28.0),
            "sensorOverallDimensions": Attribute("float2", (36.0, 24.0)),
            "chromaticities": REC709,
        },
    )
    planes = {"R": colour * alpha, "G": colour * alpha, "B": 0.8 * colour * alpha, "A": alpha, "Z": depth}
    planes["Z"] = np.where(alpha > 0, depth, np.inf)
    planes = {name: plane.astype(np.float32) for name, plane in planes.items()}
    if parts == 1:
        write_exr(path, [PartPixels(part, planes)])
        return
    colour_part = replace(part, name="beauty", channels=dict.fromkeys("RGBA", "half"))
    depth_part = replace(part, index=1, name="depth", channels={"Z": "float"})
    write_exr(path, [PartPixels(colour_part, planes), PartPixels(depth_part, planes)])


FrameWriter = Callable[..., None]


@dataclass
class Folder:
    """Where a test's shot stands."""

    root: Path
    clean: Path = field(init=False)
    out: Path = field(init=False)

    def __post_init__(self) -> None:
        self.clean, self.out = self.root / "clean", self.root / "wet"
        self.clean.mkdir(exist_ok=True)

    @property
    def pattern(self) -> str:
        return str(self.clean / "arch.####.exr")

    def write(self, frames: Iterable[int] = range(1001, 1005), **how: object) -> Folder:
        for frame in frames:
            write_frame(self.clean / f"arch.{frame:04d}.exr", frame, **how)  # type: ignore[arg-type]
        return self

    def tasks(self, out: str = "wet", **options: object) -> list[FrameTask]:
        return plan_tasks(self.pattern, out=f"{self.root / out}/", **options)  # type: ignore[arg-type]

    def digests(self, out: str = "wet") -> dict[str, str]:
        return {
            path.name: hashlib.sha256(path.read_bytes()).hexdigest()
            for path in sorted((self.root / out).glob("*.exr"))
        }

    def leftovers(self, out: str = "wet") -> list[str]:
        """Everything in the output folder but frames and the manifest."""
        known = {"halocline-manifest.jsonl", ".halocline-claims.lock"}
        return [
            path.name
            for path in (self.root / out).iterdir()
            if path.suffix != ".exr" and path.name not in known
        ]


@pytest.fixture
def shot(tmp_path: Path) -> Folder:
    return Folder(tmp_path).write()


@pytest.fixture
def empty_shot(tmp_path: Path) -> Folder:
    return Folder(tmp_path)


@pytest.fixture
def frame_writer() -> FrameWriter:
    return write_frame


# What the shot's floor shades takes most of a small frame's time, and matters to few tests.
UNSHADED = "light.shadows=false"


@pytest.fixture(scope="session")
def look() -> Preset:
    return load_preset("jerlov-1c", [UNSHADED])


@pytest.fixture(scope="session")
def look_with_shade() -> Preset:
    return load_preset("jerlov-1c")


@pytest.fixture(scope="session")
def other_look() -> Preset:
    return load_preset("jerlov-1c", [UNSHADED, "light.sun_elevation=20"])
