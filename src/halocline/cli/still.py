"""Finished frames and references as display pixels, and how they are shown."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import numpy as np
import OpenImageIO as oiio

from halocline._typing import F32
from halocline.batch.still import seen, tasks_of
from halocline.batch.task import FrameTask
from halocline.errors import ReadError
from halocline.imaging.colour import display_pixels
from halocline.imaging.load import load_beauty
from halocline.imaging.sequence import find_sequence
from halocline.late_dataclass import dataclass
from halocline.review.contact_sheet import U8
from halocline.rgb import RGBSpace


@dataclass(frozen=True)
class Viewing:
    """How pictures are shown: a display and a view of the colour configuration; its first ones by default."""

    display: str | None = None
    view: str | None = None

    def pixels(self, rgb: F32, space: RGBSpace) -> U8:
        """Return display pixels of scene-linear colour."""
        return display_pixels(rgb, space, view=self.view, display=self.display)


def finished_pixels(path: Path, viewing: Viewing) -> U8:
    """Return a finished EXR frame as display pixels, what the camera sees of it."""
    found = load_beauty(path).views[0]
    frame = found.frame
    return viewing.pixels(seen(frame.plane("rgb"), frame.data_window, frame.display_window), found.space)


def reference_pixels(path: Path) -> U8:
    """Return a reference still as it is: a display picture's own pixels.

    Raises
    ------
    ReadError
        ``E-READ-OPEN`` where it cannot be read.
    """
    if path.suffix.lower() == ".exr":
        return finished_pixels(path, Viewing())
    picture = oiio.ImageBuf(str(path))
    pixels = picture.get_pixels("uint8") if picture.initialized else None
    if pixels is None or picture.has_error:
        raise ReadError(
            "the reference cannot be opened as a picture",
            code="E-READ-OPEN",
            where=str(path),
            fix="Check the path and the kind of file.",
        )
    found = np.asarray(pixels, np.uint8)
    return np.repeat(found, 3, axis=2) if found.shape[2] < 3 else np.ascontiguousarray(found[..., :3])


def chosen_frames(beauty: str, frames: str | None, most: int | None = None) -> list[tuple[int, Path]]:
    """Return frame numbers and files of a sequence, thinned evenly to at most so many."""
    found = find_sequence(beauty, frames)
    listed = [(frame, found.path(frame)) for frame in found.frames]
    if most is None or len(listed) <= most:
        return listed
    return [listed[round(at)] for at in np.linspace(0, len(listed) - 1, most)]


def frames_to_show(
    beauty: str, depth: str | None, passes: Mapping[str, str], frames: str | None
) -> dict[int, FrameTask]:
    """Return clean frames that are looked at under a preset and not written, by number."""
    return {task.frame: task for task in tasks_of(beauty, depth=depth, passes=passes, frames=frames)}
