"""Frames: named float32 planes with their windows and metadata.

A *window* is a rectangle of pixels in the picture's own coordinates, x to the right and y down, as OpenEXR
has it. The *display window* is the picture the viewer sees; the *data window* is the rectangle that holds
pixels, which may be larger (overscan) or smaller (a crop).

Planes are planar: `(rows, columns)` for one quantity, `(channels, rows, columns)` for a vector. The names
used throughout:

========== ======== ====================================================================
name       shape    meaning
========== ======== ====================================================================
rgb        (3,H,W)  scene-linear colour in the working space, premultiplied by alpha
alpha      (H,W)    coverage, 0 to 1
range      (H,W)    metres from the lens along the view ray; inf where nothing is hit
far_range  (H,W)    where a pixel mixes two surfaces: range of the farther one
far_share  (H,W)    ... and the farther one's share of the pixel, 0 to 1
far_light  (H,W)    ... and its share of the pixel's light
normal     (3,H,W)  unit surface normal, world space
position   (3,H,W)  world position, metres
matte.NAME (H,W)    coverage of one object, 0 to 1
========== ======== ====================================================================
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import field, replace
from types import MappingProxyType
from typing import Any

import numpy as np

from halocline._typing import F32
from halocline.errors import FrameError
from halocline.late_dataclass import dataclass


@dataclass(frozen=True)
class Window:
    """A rectangle of pixels: first column and row, and its size in pixels.

    Attributes
    ----------
    x, y
        First column and row; may be negative.
    width, height
        Pixels, at least 1.
    """

    x: int
    y: int
    width: int
    height: int

    def __post_init__(self) -> None:
        if self.width < 1 or self.height < 1:
            raise FrameError(
                f"a window of {self.width} x {self.height} pixels holds nothing",
                code="E-FRAME-WINDOW",
                fix="Widths and heights are at least 1.",
            )

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns, as numpy counts."""
        return self.height, self.width

    @property
    def x_end(self) -> int:
        """One past the last column."""
        return self.x + self.width

    @property
    def y_end(self) -> int:
        """One past the last row."""
        return self.y + self.height

    def union(self, other: Window) -> Window:
        """Return the smallest window that covers both."""
        x, y = min(self.x, other.x), min(self.y, other.y)
        return Window(x, y, max(self.x_end, other.x_end) - x, max(self.y_end, other.y_end) - y)

    def rows(self, start: int, stop: int) -> Window:
        """Return the band of rows ``start`` to ``stop`` (counted from this window's first row)."""
        return Window(self.x, self.y + start, self.width, stop - start)

    def slices_of(self, inner: Window) -> tuple[slice, slice]:
        """Return the row and column slices that cut ``inner`` out of an array over this window."""
        top, left = inner.y - self.y, inner.x - self.x
        return slice(top, top + inner.height), slice(left, left + inner.width)


@dataclass(frozen=True)
class Frame:
    """Planes over one data window, with what belongs to the picture as a whole.

    Attributes
    ----------
    planes
        Plane arrays by name, float32, all over ``data_window``; see the module's table.
    data_window, display_window
        See the module's text.
    pixel_aspect
        Width of a pixel divided by its height.
    metadata
        Everything else the file carried, opaque here, written back untouched.
    """

    planes: Mapping[str, F32]
    data_window: Window
    display_window: Window
    pixel_aspect: float = 1.0
    metadata: Mapping[str, Any] = field(default_factory=dict)

    def __post_init__(self) -> None:
        for name, plane in self.planes.items():
            if plane.shape[-2:] != self.data_window.shape or plane.dtype != np.float32:
                raise FrameError(
                    f"plane is {plane.dtype} {plane.shape}, not float32 over {self.data_window.shape}",
                    code="E-FRAME-PLANE",
                    where=f'plane "{name}"',
                    fix="Give every plane as float32 with the rows and columns of the data window.",
                )
        object.__setattr__(self, "planes", MappingProxyType(dict(self.planes)))
        object.__setattr__(self, "metadata", MappingProxyType(dict(self.metadata)))

    def with_planes(self, **planes: F32) -> Frame:
        """Return the frame with planes added or replaced."""
        return replace(self, planes={**self.planes, **planes})

    def plane(self, name: str) -> F32:
        """Return one plane.

        Raises
        ------
        FrameError
            ``E-FRAME-MISSING`` where the frame has no plane of that name.
        """
        if name not in self.planes:
            raise FrameError(
                f'no plane "{name}"',
                code="E-FRAME-MISSING",
                fix=f"The frame has: {', '.join(sorted(self.planes)) or 'none'}.",
            )
        return self.planes[name]
