"""Motion vectors: where the render says that each pixel's surface goes, as it was told to be read.

Renderers differ in all of it: whether a vector points to the next frame or back to the last, whether its
second number grows upward or downward, whether it counts pixels or shares of the picture. What a person says
is held against what the cameras of two frames say of things that stand still.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import product
from typing import Literal, get_args

import numpy as np

from halocline._typing import F32, F64
from halocline.errors import ChannelError
from halocline.imaging.camera import Camera
from halocline.imaging.frame import Frame, Window
from halocline.late_dataclass import dataclass

Unit = Literal["px", "fraction"]
Points = Literal["to_next", "to_last"]
# Name of the pass that holds them.
MOTION_PASS = "motion"
# Pixels on each side of a lattice that is looked at, at most.
_LATTICE = 96
# A camera that moves things by less than this tells nothing of how vectors are meant, pixels.
_LEAST_MOTION = 0.25
# How far vectors that are read rightly may be from what the cameras say, as a share of it and in pixels: the
# median, as other things move by themselves.
_SHARE_OFF, _PX_OFF = 0.15, 0.1


@dataclass(frozen=True)
class MotionVerdict:
    """What cameras say of motion vectors, and whether these are to be doubted."""

    text: str
    doubted: bool


@dataclass(frozen=True)
class MotionVectors:
    """How motion vectors are to be read.

    Attributes
    ----------
    layer
        Layer that holds them: across in its first channel, along columns in its second.
    unit
        ``px``, or ``fraction`` of the display window's width and height.
    points
        ``to_next``: to where the surface is on the next frame; ``to_last``: to where it was on the last.
    up
        Whether the second number grows upward.
    """

    layer: str
    unit: Unit = "px"
    points: Points = "to_next"
    up: bool = True

    def pixels(self, plane: F32, display_window: Window) -> F32:
        """Return how far surfaces move from frame to frame, ``(2, rows, columns)`` px, right and down.

        Parameters
        ----------
        plane
            The layer's channels, ``(channels, rows, columns)``; two at least.
        display_window
            Of the picture.

        Returns
        -------
        F32
            0 where the file has no number.

        Raises
        ------
        ChannelError
            ``E-MOTION-CHANNELS`` where the layer has one channel.
        """
        if plane.ndim != 3 or plane.shape[0] < 2:
            raise ChannelError(
                f'the layer "{self.layer}" has one channel, and motion vectors need two',
                code="E-MOTION-CHANNELS",
                fix="Name the layer that holds both, across and along columns: input.motion.layer.",
            )
        ahead = 1.0 if self.points == "to_next" else -1.0
        whole = display_window.width, display_window.height
        scale = [ahead * (size if self.unit == "fraction" else 1.0) for size in whole]
        scale[1] *= -1.0 if self.up else 1.0
        out: F32 = plane[:2] * np.array(scale, np.float32)[:, np.newaxis, np.newaxis]
        np.nan_to_num(out, copy=False, nan=0.0, posinf=0.0, neginf=0.0)
        return out

    def judged(
        self, plane: F32, range_m: F32, cameras: tuple[Camera, Camera], windows: tuple[Window, Window]
    ) -> MotionVerdict:
        """Return what the cameras of this frame and the next say of the vectors, in a sentence.

        Parameters
        ----------
        plane
            As `pixels` takes it.
        range_m
            ``(rows, columns)`` metres, inf where nothing is.
        cameras
            Of this frame and of the next.
        windows
            Data and display window.

        Returns
        -------
        MotionVerdict
            That they agree, that nothing can be told, or how they should be read instead.
        """
        picked, expected = _expected(range_m, cameras, windows[0])
        size = float(np.median(np.hypot(*expected))) if expected.size else 0.0
        if size < _LEAST_MOTION:
            told = f"the cameras move what stands still by {size:.2g} px: nothing to compare them with"
            return MotionVerdict(told, doubted=False)
        display = windows[1]
        found = {each: _apart(each.pixels(plane, display)[:, *picked], expected) for each in self._readings()}
        allowed = _PX_OFF + _SHARE_OFF * size
        if found[self] <= allowed:
            told = f"agree with the cameras' own way to {found[self]:.2g} px (of {size:.3g} px, medians)"
            return MotionVerdict(told, doubted=False)
        best = min(found, key=lambda each: found[each])
        off = (
            f"the motion vectors are {found[self]:.3g} px from what the cameras do to what stands still "
            f"({size:.3g} px, medians)"
        )
        if found[best] > allowed:
            told = f'{off}, and fit in no way of reading them: is "{self.layer}" the right layer?'
        else:
            told = f"{off}; they fit to {found[best]:.2g} px with {self._mended(best)}"
        return MotionVerdict(told, doubted=True)

    def judged_of(self, frame: Frame, camera: Camera, later: Camera) -> MotionVerdict | None:
        """Return what `judged` does of a frame's own vectors; None where it has none, or no range.

        Parameters
        ----------
        frame
            The render, with the plane ``pass.motion``.
        camera, later
            Of this frame and of the next.

        Returns
        -------
        MotionVerdict | None
            What the cameras say.
        """
        plane, range_m = (frame.planes.get(name) for name in (f"pass.{MOTION_PASS}", "range"))
        if plane is None or range_m is None:
            return None
        return self.judged(plane, range_m, (camera, later), (frame.data_window, frame.display_window))

    def _readings(self) -> list[MotionVectors]:
        """Return all ways to read them, the stated first."""
        units: tuple[Unit, ...] = get_args(Unit)
        ends: tuple[Points, ...] = get_args(Points)
        ways = [
            replace(self, unit=unit, points=points, up=up)
            for unit, points, up in product(units, ends, (True, False))
        ]
        return [self, *(way for way in ways if way != self)]

    def _mended(self, other: MotionVectors) -> str:
        texts = {
            "unit": f'"{other.unit}"',
            "points": f'"{other.points}"',
            "up": "true" if other.up else "false",
        }
        changed = [name for name in texts if getattr(self, name) != getattr(other, name)]
        return ", ".join(f"input.motion.{name} = {texts[name]}" for name in changed)


def _expected(
    range_m: F32, cameras: tuple[Camera, Camera], window: Window
) -> tuple[tuple[np.ndarray, np.ndarray], F64]:
    """Return pixels of a lattice that show something, and how far the cameras move them, ``(2, n)`` px."""
    here, after = cameras
    step = max(1, max(range_m.shape) // _LATTICE)
    rows, columns = (np.arange(size)[step // 2 :: step] for size in range_m.shape)
    at = tuple(grid.ravel() for grid in np.meshgrid(rows, columns, indexing="ij"))
    seen = np.isfinite(range_m[at])
    picked = at[0][seen], at[1][seen]
    directions = here.directions(window)[:, *picked].astype(np.float64)
    points = here.position_m + (directions * range_m[picked]).T
    own = np.stack([picked[1] + window.x + 0.5, picked[0] + window.y + 0.5])
    moved: F64 = after.project(points)[0].T - own
    known = np.isfinite(moved).all(axis=0)
    return (picked[0][known], picked[1][known]), moved[:, known]


def _apart(found: F32, expected: F64) -> float:
    return float(np.median(np.hypot(*(found - expected))))
