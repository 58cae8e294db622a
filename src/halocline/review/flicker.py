"""Flicker: frames that differ from their neighbours by more than the motion between them explains.

Each frame is compared with the frames before and after it, both moved onto it along the motion that is found
between the pictures. Steady motion, camera moves and slow change cancel; a frame rendered with another
setting, or from another depth, does not.

All figures are display code values, 0 to 1. The thresholds are the project's own (common practice, no
source): a step of one percent of the display's range over the whole picture is just seen in a loop.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from statistics import median

import cv2
import numpy as np

from halocline._typing import F32
from halocline.imaging.colour import U8
from halocline.late_dataclass import dataclass

# The whole picture's brightness out of line with its neighbours.
LEVEL_STEP = 0.01
# What the motion leaves unexplained, on the mean: at least this, and so many times the shot's usual.
UNEXPLAINED = 0.01
UNEXPLAINED_RATIO = 3.0
# Left unexplained in the worst tenth of the picture: a light that blinks in one corner.
LOCAL = 0.06


@dataclass(frozen=True)
class Departure:
    """How far a frame is from what its neighbours lead one to expect.

    Attributes
    ----------
    frame
        Its number.
    level
        Mean brightness against the mean of its neighbours', signed.
    unexplained
        Mean difference from its neighbours moved onto it.
    local
        The same in the worst of 100 blocks.
    """

    frame: int
    level: float
    unexplained: float
    local: float


class FlickerCheck:
    """Looks at frames in order and finds those that do not fit."""

    def __init__(self) -> None:
        self._window: deque[tuple[int, U8]] = deque(maxlen=3)
        self._departures: list[Departure] = []
        self._motion = cv2.DISOpticalFlow.create(cv2.DISOPTICAL_FLOW_PRESET_FAST)

    def add(self, frame: int, codes: U8) -> None:
        """Take the next frame: ``(rows, columns)`` luma code values of a display, 8 bits."""
        self._window.append((frame, codes))
        if len(self._window) == 3:
            (_, before), (number, this), (_, after) = self._window
            self._departures.append(self._departure(number, before, this, after))

    def departures(self) -> tuple[Departure, ...]:
        """Return every frame's departure; the first and the last frame have none."""
        return tuple(self._departures)

    def flickering(self) -> tuple[Departure, ...]:
        """Return the departures of the frames that flicker."""
        return tuple(outliers(self._departures))

    def _departure(self, frame: int, before: U8, this: U8, after: U8) -> Departure:
        level = float(this.mean() - (float(before.mean()) + float(after.mean())) / 2) / 255
        expected = (self._moved(before, this) + self._moved(after, this)) / 2
        error = np.abs(this.astype(np.float32) - expected) / 255
        blocks = cv2.resize(error, (10, 10), interpolation=cv2.INTER_AREA)
        return Departure(frame, level, float(error.mean()), float(blocks.max()))

    def _moved(self, source: U8, onto: U8) -> F32:
        flow = self._motion.calc(onto, source, np.zeros((*onto.shape, 2), np.float32))
        rows, columns = onto.shape
        x = np.arange(columns, dtype=np.float32)[None, :] + flow[..., 0]
        y = np.arange(rows, dtype=np.float32)[:, None] + flow[..., 1]
        moved = cv2.remap(source.astype(np.float32), x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        return np.asarray(moved, np.float32)


def luma(pixels: U8) -> U8:
    """Return the luma of display pixels ``(rows, columns, 3)``, 8 bits."""
    return np.asarray(cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY), np.uint8)


def outliers(departures: Sequence[Departure]) -> list[Departure]:
    """Return the departures beyond what the shot has throughout."""
    if not departures:
        return []
    usual = median(each.unexplained for each in departures)
    usual_local = median(each.local for each in departures)
    return [
        each
        for each in departures
        if abs(each.level) > LEVEL_STEP
        or each.unexplained > max(UNEXPLAINED, UNEXPLAINED_RATIO * usual)
        or each.local > max(LOCAL, UNEXPLAINED_RATIO * usual_local)
    ]
