"""A frame of which only every so many-th pixel is kept, and the camera that sees the same on those."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from halocline.imaging.camera import Camera
from halocline.imaging.frame import Frame, Window
from halocline.late_dataclass import dataclass


@dataclass(frozen=True)
class Blocks:
    """Blocks of a picture, each with one pixel that is kept for all of it.

    They are counted from the upper left of the display window; a last block of less than a half is left out.

    Attributes
    ----------
    across, down
        Of columns and of rows.
    """

    across: _Kept
    down: _Kept

    @classmethod
    def of(cls, frame: Frame, step: int) -> Blocks:
        """Return those of a frame, so many pixels wide and high."""
        display, data = frame.display_window, frame.data_window
        return cls(
            _Kept.of(display.x, display.width, data.x, data.width, step),
            _Kept.of(display.y, display.height, data.y, data.height, step),
        )

    def frame(self, frame: Frame) -> Frame:
        """Return the frame with those pixels alone."""
        across, down = self.across, self.down
        return replace(
            frame,
            planes={
                name: np.ascontiguousarray(plane[..., down.of_plane, across.of_plane])
                for name, plane in frame.planes.items()
            },
            data_window=Window(across.first, down.first, across.count, down.count),
            display_window=Window(0, 0, across.shown, down.shown),
        )

    def camera(self, camera: Camera) -> Camera:
        """Return a camera that sees the same on them."""
        step, (across, down) = self.across.step, camera.tangent_per_px
        return replace(
            camera,
            tangent_per_px=(across * step, down * step),
            centre_px=(self.across.place(camera.centre_px[0]), self.down.place(camera.centre_px[1])),
        )


@dataclass(frozen=True)
class _Kept:
    """Which pixels of rows or of columns are kept: those in the middle of blocks of the display window.

    Attributes
    ----------
    shown
        Blocks of the display window.
    of_plane
        The pixels of the data window that are kept.
    first, count
        Number of the first of their blocks, and how many there are.
    middle, step
        Pixel in the middle of block 0, and pixels of a block.
    """

    shown: int
    of_plane: slice
    first: int
    count: int
    middle: int
    step: int

    @classmethod
    def of(cls, display: int, wide: int, data: int, length: int, step: int) -> _Kept:
        """Return those of a data window that holds the display window, both told by start and length."""
        inside = min(step // 2, wide - 1)
        middle, shown = display + inside, (wide - 1 - inside) // step + 1
        first = -((middle - data) // step)
        start = middle + first * step - data
        return cls(shown, slice(start, None, step), first, len(range(start, length, step)), middle, step)

    def place(self, pixels: float) -> float:
        """Return where in blocks a place in pixels is; the middle of a pixel is at a half."""
        return (pixels - 0.5 - self.middle) / self.step + 0.5
