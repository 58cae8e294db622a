"""What a picture's own values tell: their spread, whether they are scene-linear, and premultiplied."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from halocline._typing import F32
from halocline.compute.compiled import compiled
from halocline.imaging.depth_edges import COVERED
from halocline.late_dataclass import dataclass

# Pixels a picture is judged by where every pixel would take long.
_JUDGED = 1_000_000
# All pixels are looked over so many rows at a time.
_ROWS_TOGETHER = 256
# Edge pixels needed to judge premultiplication by.
_LEAST_EDGES = 16
# Light that goes with alpha by less than this power is not multiplied by it: 0 it should be, or else 1.
_SURE_POWER = 0.6
# A picture made for a display ends at white and has its middle far up; scene-linear light of the same scene
# has its middle near 0.18 and goes beyond 1 (common practice, no source).
_DISPLAY_WHITE = (0.9, 1.0 + 1e-3)
_DISPLAY_MIDDLE = 0.3
# Light cut off at 1: this share of what is covered is just that, and a tenth as much lies a little below, as
# it does not beside an even white of 1.
_AT_WHITE, _JUST_BELOW, _CUT_OFF, _BELOW_SHARE = 5e-4, (0.85, 0.995), 1e-3, 0.1
# No exposure is as far off as that.
_FAR_TOO_BRIGHT = 20.0
# Coverage above this is no overshoot of a filter.
_FAR_TOO_COVERED = 2.0
# Share of values that stand on steps of 1/255, and how many different ones it takes.
_ON_STEPS, _LEAST_STEPS, _STEP_SLACK = 0.995, 32, 0.08


@dataclass(frozen=True)
class BeautyStatistics:
    """Of the beauty as it is in the file.

    Attributes
    ----------
    least, median, greatest
        Red, green, blue; the median of what is covered. None of a picture without a finite value.
    negative, nan, infinite
        Pixels with such a value in red, green or blue.
    on_8_bit_steps
        Whether nearly all values are multiples of 1/255.
    cut_off
        Share of what is covered whose brightest channel is just 1, where values lead up to that; else 0.
    """

    least: tuple[float, ...] | None
    median: tuple[float, ...] | None
    greatest: tuple[float, ...] | None
    negative: int
    nan: int
    infinite: int
    on_8_bit_steps: bool
    cut_off: float = 0.0

    def encoding_warnings(self) -> list[str]:
        """Return what speaks against scene-linear light."""
        if self.median is None or self.greatest is None:
            return []
        middle, white = max(self.median), max(self.greatest)
        fix = "Halocline needs scene-linear light; render or convert it so, and see colour.working_space"
        if self.on_8_bit_steps and white <= _DISPLAY_WHITE[1]:
            return [f"the beauty looks display-encoded: its values are multiples of 1/255. {fix}"]
        if _DISPLAY_WHITE[0] <= white <= _DISPLAY_WHITE[1] and middle >= _DISPLAY_MIDDLE:
            return [
                f"the beauty looks display-encoded: nothing is brighter than {white:.3g}, and the median is "
                f"{middle:.2g}. {fix}"
            ]
        if white <= 1.0 + _AT_WHITE and self.cut_off > 0.0:
            return [
                f"the beauty is cut off at 1: {self.cut_off:.2%} of what is covered is just that bright, and "
                f"nothing is brighter (made for a display, or saved as integers on its way?). {fix}"
            ]
        if middle > _FAR_TOO_BRIGHT:
            return [
                f"the beauty is in another scale: half of what is covered is brighter than {middle:.3g}, "
                "where a white card in daylight is about 1 (values up to 255, or absolute units?). The light "
                "of the water is reckoned for that scale: divide the beauty by what white is"
            ]
        return []


def beauty_statistics(rgb: F32, alpha: F32 | None) -> BeautyStatistics:
    """Return statistics of ``(3, rows, columns)`` colour over all pixels; medians on a lattice of them."""
    bad = np.zeros(3, np.int64)
    least, greatest = np.full(3, np.inf, np.float32), np.full(3, -np.inf, np.float32)
    for start in range(0, rgb.shape[1], _ROWS_TOGETHER):
        rows = rgb[:, start : start + _ROWS_TOGETHER]
        bad += [_pixels(_negative(rows)), _pixels(np.isnan(rows)), _pixels(np.isinf(rows))]
        finite = np.isfinite(rows)
        np.minimum(least, np.min(rows, axis=(1, 2), where=finite, initial=np.inf), out=least)
        np.maximum(greatest, np.max(rows, axis=(1, 2), where=finite, initial=-np.inf), out=greatest)
    negative, nan, infinite = (int(count) for count in bad)
    step = max(1, int(np.sqrt(rgb[0].size / _JUDGED)))
    picked = rgb[:, ::step, ::step].reshape(3, -1)
    if alpha is not None and (covered := (alpha[::step, ::step] > 0).ravel()).any():
        picked = picked[:, covered]
    picked = picked[:, np.isfinite(picked).all(axis=0)]
    if picked.size == 0 or not np.isfinite(least).all():
        return BeautyStatistics(None, None, None, negative, nan, infinite, False)
    return BeautyStatistics(
        tuple(float(value) for value in least),
        tuple(float(value) for value in np.median(picked, axis=1)),
        tuple(float(value) for value in greatest),
        negative,
        nan,
        infinite,
        _on_steps(picked),
        _cut_off(picked),
    )


def coverage_warnings(alpha: F32) -> list[str]:
    """Return what speaks against coverage from 0 to 1, ``(rows, columns)``."""
    most = float(alpha.max(initial=0.0))
    if most <= _FAR_TOO_COVERED:
        return []
    return [
        f"alpha reaches {most:.4g}: coverage is 0 to 1. Divide it by what stands for whole coverage (255?), "
        "or leave the channel out of the file: what has a depth is covered then"
    ]


def _pixels(values: NDArray[np.bool_]) -> int:
    return int(np.count_nonzero(values.any(axis=0)))


def _negative(rgb: F32) -> NDArray[np.bool_]:
    with np.errstate(invalid="ignore"):
        return np.less(rgb, 0.0)


def _on_steps(picked: F32) -> bool:
    """Tell whether values are multiples of 1/255, as far as half floats can say."""
    # Below 0.5 the steps of half floats are far finer than 1/255.
    values = picked[(picked > 0) & (picked < 0.5)].astype(np.float64) * 255.0
    if values.size == 0:
        return False
    nearest = np.round(values)
    on = np.abs(values - nearest) < _STEP_SLACK
    return bool(np.mean(on) >= _ON_STEPS and np.unique(nearest[on]).size >= _LEAST_STEPS)


def _cut_off(picked: F32) -> float:
    """Return the share of pixels whose brightest channel is just 1, where values lead up to that; else 0."""
    brightest = picked.max(axis=0)
    at_white = float(np.mean(np.abs(brightest - np.float32(1.0)) < _AT_WHITE))
    below = float(np.mean((brightest > _JUST_BELOW[0]) & (brightest < _JUST_BELOW[1])))
    return at_white if at_white >= _CUT_OFF and below >= _BELOW_SHARE * at_white else 0.0


def premultiplication_told(rgb: F32, alpha: F32, *, stated: bool) -> tuple[list[str], bool]:
    """Judge by partly covered pixels beside covered ones: premultiplied, they are darker by their alpha.

    Parameters
    ----------
    rgb, alpha
        ``(3, rows, columns)``, multiplied by alpha if ``stated`` is False, and ``(rows, columns)``.
    stated
        Whether the file's colours are said to be premultiplied.

    Returns
    -------
    tuple[list[str], bool]
        A sentence where it seems otherwise, and whether that is sure: light at edges goes with the power of
        alpha that it would then, and not with the one stated, whatever lights the edges.
    """
    ratio, share = _edges(rgb, alpha)
    if ratio.size < _LEAST_EDGES:
        return [], False
    # Divided by its alpha, an edge pixel of a premultiplied picture is as bright as its neighbour.
    by_alpha, as_is, by_square = (_departure(ratio / share**power) for power in (1, 0, 2))
    power, error = _power_of(ratio, share)
    if stated and as_is < 0.5 * by_alpha:
        return [
            "the beauty looks unpremultiplied: edge pixels are as bright as covered ones; if so, set "
            "input.premultiplied = false"
        ], power + error < _SURE_POWER
    # Loading has multiplied once more: a premultiplied picture is now darker by the square of its alpha.
    if not stated and by_square < 0.5 * by_alpha:
        return [
            "the beauty was stated as unpremultiplied (input.premultiplied = false) but looks premultiplied "
            "already"
        ], power - error > 2.0 - _SURE_POWER
    return [], False


def _edges(rgb: F32, alpha: F32) -> tuple[F32, F32]:
    """Return light of partly covered pixels by that of covered ones beside them, and their alpha."""
    step = max(1, alpha.size // _JUDGED)
    above, below = np.s_[:-1, ::step], np.s_[1:, ::step]
    left, right = np.s_[::step, :-1], np.s_[::step, 1:]
    ratios, alphas = [], []
    for one, other in ((left, right), (right, left), (above, below), (below, above)):
        part = alpha[one]
        own, beside = (np.nan_to_num(rgb[:, *at].sum(axis=0), posinf=0.0, neginf=0.0) for at in (one, other))
        edge = (part > 0.1) & (part < 0.6) & (alpha[other] >= COVERED) & (beside > 1e-4)
        ratios.append(own[edge] / beside[edge])
        alphas.append(part[edge])
    return np.concatenate(ratios), np.concatenate(alphas)


def _departure(ratio: F32) -> float:
    """Return how far ratios typically are from 1, as a logarithm."""
    return float(np.median(np.abs(np.log(np.maximum(ratio, 1e-6)))))


def _power_of(ratio: F32, share: F32) -> tuple[float, float]:
    """Return the power of alpha that light at edges goes with (least squares), and three standard errors."""
    light, area = (np.log(np.maximum(values, 1e-6).astype(np.float64)) for values in (ratio, share))
    light -= light.mean()
    area -= area.mean()
    spread = max(float(area @ area), 1e-9)
    power = float(area @ light) / spread
    left = light - power * area
    return power, 3.0 * float(np.sqrt(left @ left / light.size / spread))


@compiled
def count_below_zero(red: F32, green: F32, blue: F32, share: np.float32) -> int:
    """Count the pixels of which a channel lies below 0 by more than a share of the size of the largest.

    Parameters
    ----------
    red, green, blue
        ``(n,)`` each.
    share
        Less than this share is rounding, 0 or more.

    Returns
    -------
    int
        How many. What is no number is not below 0.
    """
    count = 0
    for pixel in range(red.size):
        least = min(red[pixel], green[pixel], blue[pixel])
        most = abs(max(red[pixel], green[pixel], blue[pixel]))
        count += least < -share * most
    return count
