"""Photosensitive flash: flashes in a display-referred sequence, counted by published rules. A pre-check only.

Flashing pictures can harm people with photosensitive epilepsy. What is counted here follows the published
figures, on a reduced picture, for stated displays; it never replaces a certified test. Regular patterns
(stripes), which the Recommendation treats too, are not looked at.

A *transition* of a pixel is a change of at least the rule's step between two extremes, however many frames it
takes. A *flash* is a pair of opposing transitions. A field flashes when more than a quarter of its pixels go
the same way at once, and then the opposite way; and no oftener than a quarter of its pixels do. Flashes of
different places are not added up.

=================================== ============================ ===================================
rule                                a transition is              more than 3 flashes in 1 s over
=================================== ============================ ===================================
general flash, ITU-R BT.1702        >= 20 cd/m2, darker          25 % of the screen
                                    state < 160 cd/m2
general flash, W3C WCAG 2, 2.3.1    >= 10 % of white, darker     25 % of any field of 10 degrees
                                    state < 0.80
red flash, as W3C quotes it         change of (R - G - B) x 320  25 % of any field of 10 degrees
                                    > 20 (negatives 0), either
                                    state R / (R+G+B) >= 0.8
=================================== ============================ ===================================

Source: itu_bt1702, annex 1 (figures read on secondary pages); wcag2, success criterion 2.3.1 and its
definition of flash thresholds; harding2002 for red.
"""

from __future__ import annotations

from collections import deque
from copy import deepcopy
from dataclasses import field

import cv2
import numpy as np
from numpy.typing import NDArray

from halocline._typing import F32
from halocline.late_dataclass import dataclass

Mask = NDArray[np.bool_]

MOST_FLASHES = 3
AREA_SHARE = 0.25
BT1702_STEP_CD = 20.0
BT1702_DARK_CD = 160.0
WCAG_STEP = 0.1
WCAG_DARK = 0.8
RED_STEP = 20.0
RED_SCALE = 320.0
RED_SHARE = 0.8
# A field of 10 degrees on a picture that is seen 30 degrees wide (from 1.9 times its width).
FIELD_SHARE = 1.0 / 3.0
# Pixels go the same way "at once" where they do within this time. The rules state none; this one is ours, on
# the careful side: an uneven flash crosses its step a frame sooner here than there.
AT_ONCE_SECONDS = 1.0 / 12.0
# Flashing that no second of forbids is told of where it goes on: two flashes or more a second, for more than
# this long of any five seconds. The figures are ours, as checkers of the trade have them (common practice, no
# source); broadcasters' guidance says only that flashing for more than 5 s may be a risk (from memory).
HELD_TRANSITIONS = 4
HELD_SECONDS = 4.0
HELD_OF_SECONDS = 5.0

_UP, _DOWN = 1, -1


@dataclass(frozen=True)
class Display:
    """How code values become light.

    Attributes
    ----------
    peak_cd
        Luminance of white, cd/m2.
    gamma
        Exponent of the display's transfer function.
    """

    peak_cd: float = 200.0
    gamma: float = 2.4


@dataclass(frozen=True)
class RuleResult:
    """What one rule found.

    Attributes
    ----------
    rule
        Its name.
    most_flashes
        Most flashes in any one second; half a flash is one transition.
    area_share
        Largest share of the rule's field that went the same way at once.
    frames
        First and last frame of the worst second, where there was a flash.
    held_s
        Seconds, of the worst five, that belong to seconds of two flashes or more.
    """

    rule: str
    most_flashes: float
    area_share: float
    frames: tuple[int, int] | None
    held_s: float = 0.0

    @property
    def held(self) -> bool:
        """Whether flashes that the rule allows go on for long; no rule forbids it, and it may still harm."""
        return self.held_s > HELD_SECONDS

    @property
    def passes(self) -> bool:
        """Whether the rule is kept."""
        return self.most_flashes <= MOST_FLASHES


@dataclass
class _Swings:
    """Transitions of every pixel: its last extreme, and which way it last went."""

    step: float
    darkest_bright: float
    value: F32 | None = None
    low: F32 = field(default_factory=lambda: np.zeros((0, 0), np.float32))
    high: F32 = field(default_factory=lambda: np.zeros((0, 0), np.float32))
    low_marked: Mask = field(default_factory=lambda: np.zeros((0, 0), np.bool_))
    high_marked: Mask = field(default_factory=lambda: np.zeros((0, 0), np.bool_))
    way: NDArray[np.int8] = field(default_factory=lambda: np.zeros((0, 0), np.int8))

    def add(self, value: F32, marked: Mask) -> tuple[Mask, Mask]:
        """Return which pixels complete a rise and which a fall on this frame.

        A change counts only where the state before or after it is marked.
        """
        if self.value is None:
            self.low, self.high = value.copy(), value.copy()
            self.low_marked, self.high_marked = marked.copy(), marked.copy()
            self.way = np.zeros(value.shape, np.int8)
            self.value = value
            return np.zeros(value.shape, np.bool_), np.zeros(value.shape, np.bool_)
        self.value = value
        # Rounding must not decide a change of exactly the step.
        step = np.float32(self.step * (1.0 - 1e-5))
        rises = (self.way != _UP) & (value - self.low >= step) & (self.low < self.darkest_bright)
        falls = (self.way != _DOWN) & (self.high - value >= step) & (value < self.darkest_bright)
        rises &= self.low_marked | marked
        falls &= self.high_marked | marked
        self.way[rises] = _UP
        self.way[falls] = _DOWN
        # After a transition the next extreme is sought from here; else the extremes widen.
        turned = rises | falls
        lower, higher = turned | (value < self.low), turned | (value > self.high)
        np.copyto(self.low, value, where=lower)
        np.copyto(self.low_marked, marked, where=lower)
        np.copyto(self.high, value, where=higher)
        np.copyto(self.high_marked, marked, where=higher)
        return rises, falls


class _Sum:
    """The sum of a plane's values over the last frames."""

    def __init__(self, frames: int) -> None:
        self.recent: deque[Mask] = deque(maxlen=frames)
        self.sum: NDArray[np.int16] | None = None

    def add(self, plane: Mask) -> NDArray[np.int16]:
        if self.sum is None:
            self.sum = np.zeros(plane.shape, np.int16)
        if len(self.recent) == self.recent.maxlen:
            self.sum -= self.recent[0]
        self.recent.append(plane)
        self.sum += plane
        return self.sum


class _Alternations:
    """Transitions of fields: rises and falls by turns, counted over the last second."""

    def __init__(self, frames: int) -> None:
        self.second = _Sum(frames)
        self.way: NDArray[np.int8] | None = None

    def add(self, up: Mask, down: Mask) -> NDArray[np.int16]:
        """Take which fields go up and which down on this frame; return each field's count."""
        if self.way is None:
            self.way = np.zeros(up.shape, np.int8)
        goes_up = up & (self.way != _UP)
        goes_down = down & (self.way != _DOWN) & ~goes_up
        self.way[goes_up] = _UP
        self.way[goes_down] = _DOWN
        return self.second.add(goes_up | goes_down)


class _Held:
    """For how many of any five seconds a field lies within seconds of two flashes or more."""

    def __init__(self, fps: float) -> None:
        self.fps = fps
        self.wait = max(1, int(np.ceil(fps)))
        # The second before the last transition of two flashes counts whole, so that what is known of a frame
        # is known a second later.
        self.ahead, self.five = _Sum(self.wait), _Sum(max(1, round(HELD_OF_SECONDS * fps)))
        self.most = 0

    def add(self, flashing: Mask) -> None:
        within = self.ahead.add(flashing) > 0
        if len(self.ahead.recent) == self.wait:
            self.most = max(self.most, int(self.five.add(within).max()))

    def seconds(self) -> float:
        """Return the most seconds, those at the end with them."""
        if self.ahead.sum is None:
            return 0.0
        ended = deepcopy(self)
        for _ in range(self.wait - 1):
            ended.add(np.zeros(self.ahead.sum.shape, np.bool_))
        return ended.most / self.fps


class _Fields:
    """Flashes of every field of a picture: the whole screen, or all places of a smaller field.

    A field flashes no oftener than a quarter of its pixels do: where many small cells flash slowly, each in
    its own time, some of them rise at any moment, and the field as a whole does nothing.
    """

    def __init__(self, rule: str, share: float, fps: float) -> None:
        self.rule = rule
        self.share = share
        frames = max(1, int(np.ceil(fps)))
        at_once = max(1, round(fps * AT_ONCE_SECONDS))
        self.recent: deque[tuple[Mask, Mask]] = deque(maxlen=at_once)
        self.field, self.one_way = _Alternations(frames), _Alternations(frames)
        # A field's transition is counted with the last of its pixels; the first went some frames before.
        self.pixels = _Sum(frames + at_once - 1)
        self.held = _Held(fps)
        self.most, self.area = 0, 0.0
        self.worst: tuple[int, int] | None = None

    def add(self, frame: int, rises: Mask, falls: Mask) -> None:
        self.recent.append((rises, falls))
        up = self._shares(np.logical_or.reduce([pair[0] for pair in self.recent]) & ~falls)
        down = self._shares(np.logical_or.reduce([pair[1] for pair in self.recent]) & ~rises)
        self.area = max(self.area, float(up.max()), float(down.max()))
        # What went up before this frame is no new rise: something must go up on this one.
        rising, falling = self._shares(rises) > 0, self._shares(falls) > 0
        count = self.field.add((up > AREA_SHARE) & rising, (down > AREA_SHARE) & falling)
        by_pixel = self.pixels.add(rises | falls)
        while ((count > self.most) & (self._shares(by_pixel > self.most) > AREA_SHARE)).any():
            self.most += 1
            self.worst = (frame - len(self.field.second.recent) + 1, frame)
        # What is held for long is told where the field goes one way, more of it than the other.
        steady = self.one_way.add((up - down > AREA_SHARE) & rising, (down - up > AREA_SHARE) & falling)
        often = self._shares(by_pixel >= HELD_TRANSITIONS) > AREA_SHARE
        self.held.add((steady >= HELD_TRANSITIONS) & often & self.one_way.second.recent[-1])

    def result(self) -> RuleResult:
        return RuleResult(self.rule, self.most / 2, self.area, self.worst, self.held.seconds())

    def _shares(self, mask: Mask) -> F32:
        """Return the share of each field that is set."""
        if self.share >= 1.0:
            return np.full((1, 1), np.count_nonzero(mask) / mask.size, np.float32)
        rows, columns = (max(1, round(size * self.share)) for size in mask.shape)
        sums = cv2.integral(mask.astype(np.uint8))
        inside = (
            sums[rows:, columns:] - sums[:-rows, columns:] - sums[rows:, :-columns] + sums[:-rows, :-columns]
        )
        return np.asarray(inside / (rows * columns), np.float32)


class FlashCheck:
    """Counts flashes frame by frame, in order.

    Parameters
    ----------
    fps
        Frames a second.
    display
        The display that the absolute rule is reckoned for.
    """

    def __init__(self, fps: float, display: Display | None = None) -> None:
        self.fps = fps
        self.display = display or Display()
        self._absolute = _Swings(BT1702_STEP_CD, BT1702_DARK_CD)
        self._relative = _Swings(WCAG_STEP, WCAG_DARK)
        self._red = _Swings(RED_STEP, np.inf)
        self._rules = (
            _Fields("general flash, ITU-R BT.1702", 1.0, fps),
            _Fields("general flash, W3C WCAG 2.3.1", FIELD_SHARE, fps),
            _Fields("red flash, W3C WCAG 2.3.1", FIELD_SHARE, fps),
        )

    def add(self, frame: int, codes: F32) -> None:
        """Take the next frame.

        Parameters
        ----------
        frame
            Its number, for the report.
        codes
            ``(rows, columns, 3)`` display code values, 0 to 1.
        """
        everywhere = np.ones(codes.shape[:2], np.bool_)
        screen = luminance(np.power(codes, np.float32(self.display.gamma))) * np.float32(self.display.peak_cd)
        linear = srgb_to_linear(codes)
        red = np.maximum(linear[..., 0] - linear[..., 1] - linear[..., 2], 0) * np.float32(RED_SCALE)
        saturated = linear[..., 0] >= np.float32(RED_SHARE) * np.maximum(linear.sum(axis=2), 1e-6)
        swings = (
            self._absolute.add(screen, everywhere),
            self._relative.add(luminance(linear), everywhere),
            self._red.add(red, saturated),
        )
        for rule, (rises, falls) in zip(self._rules, swings, strict=True):
            rule.add(frame, rises, falls)

    def results(self) -> tuple[RuleResult, ...]:
        """Return what each rule found so far."""
        return tuple(rule.result() for rule in self._rules)


def luminance(linear: F32) -> F32:
    """Return relative luminance of linear Rec.709 light, ``(rows, columns)``.

    Source: wcag2, definition of relative luminance: 0.2126 R + 0.7152 G + 0.0722 B.
    """
    weights = np.array([0.2126, 0.7152, 0.0722], np.float32)
    weighted: F32 = linear[..., 0] * weights[0] + linear[..., 1] * weights[1] + linear[..., 2] * weights[2]
    return weighted


def srgb_to_linear(codes: F32) -> F32:
    """Return linear light of sRGB code values, 0 to 1 (IEC 61966-2-1)."""
    low = codes <= np.float32(0.04045)
    curve = np.power((codes + np.float32(0.055)) / np.float32(1.055), np.float32(2.4))
    return np.where(low, codes / np.float32(12.92), curve).astype(np.float32, copy=False)
