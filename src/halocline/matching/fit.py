"""Finding the water: every Jerlov type at every strength, or free constituents, against the samples.

For one water the unknown brightnesses and colours are linear and found exactly; what is left is a search over
one number (how much the water holds, per Jerlov type) or three (its constituents). Samples that fit nothing
are weighted down (Huber), so that one wrong range does not spoil the rest.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
from scipy.optimize import least_squares, minimize_scalar

from halocline._typing import F64
from halocline.errors import PhysicsError, WaterError
from halocline.late_dataclass import dataclass
from halocline.matching.model import Prediction, Setting, Strengths, predicted
from halocline.matching.samples import Sample
from halocline.physics.water.bio_optics import bio_optical_water
from halocline.physics.water.water import (
    JERLOV_TYPES,
    REFERENCE_NM,
    Water,
    jerlov_water,
    pure_water,
    scaled_to_attenuation,
)

# Residuals of more than this many standard deviations count linearly (huber1964).
HUBER = 1.5
ROUNDS = 4
# A display picture holds nothing below black: colours that water drove out of its gamut end here, linear.
BLACK = 2e-4
# What no measurement beats: four per cent of a value (cards are not flat, lamps not even, and our own frames
# are made in six bands), and a floor.
RELATIVE_NOISE = 0.04
NOISE_FLOOR = 2e-3
# A halo's strength, as a share of its exponent; and what is about a sample beside it, whose ranges are known
# but roughly, and not at all outside the frame.
HALO_NOISE, SURROUNDINGS_NOISE = 0.03, 0.1
# The least part of a sample's light that halos leave to tell of the water.
LEAST_DIRECT = 0.02
# A priori, a water is within a factor of e of a type's own strength (one standard deviation).
SCALE_SPREAD = 1.0
MURKIEST_PER_M = 12.0
# Steps at which strengths are tried first, and how far those of another light are looked for, as logarithms.
GRID_STEP, NEARBY = 0.25, 0.75
# Step for the spread, no wider than the margin that strengths keep from the clearest water there is.
SPREAD_STEP = 0.015
CONSTITUENTS_START = (1.0, 0.1, 0.3)
CONSTITUENTS_SPREAD = 1.5
# For slopes, as a logarithm.
CONSTITUENTS_STEP = 1e-3


@dataclass(frozen=True)
class Candidate:
    """One water tried.

    Attributes
    ----------
    water
        The water.
    kind
        Its Jerlov type, or ``constituents``.
    attenuation_550
        Its beam attenuation at 550 nm, 1/m.
    spread
        Factor by which that may be off, at two standard deviations.
    constituents
        Chlorophyll mg/m3, dissolved matter 1/m at 440 nm, mineral g/m3, where it is made of those.
    gain, tint
        Brightness and colour of subject and veil, ``(3,)``; see `halocline.matching.model`.
    colours
        Colours found for targets of unknown colour, by name; in units of the camera, not reflectances.
    misfit
        Sum of squared residuals in standard deviations, Huber's way.
    strangeness
        How far its strength is from the type's own, squared, in standard deviations of the prior.
    residual
        Predicted minus measured, ``(n, 3)``, linear.
    predicted
        ``(n, 3)``.
    unscattered
        The samples without the halo that lies over them, ``(n, 3)``.
    probability
        Probability among the Jerlov types, 0 to 1.
    """

    water: Water
    kind: str
    attenuation_550: float
    spread: float
    constituents: tuple[float, float, float] | None
    gain: F64
    tint: F64
    colours: dict[str, F64]
    misfit: float
    strangeness: float
    residual: F64
    predicted: F64
    unscattered: F64
    probability: float = 0.0


def fit_jerlov(
    samples: Sequence[Sample], setting: Setting, nearly: Sequence[Candidate] = ()
) -> list[Candidate]:
    """Return the best strength of each Jerlov type, the best type first.

    Parameters
    ----------
    samples, setting
        What is known.
    nearly
        What came out for a light that is not quite the same.

    Raises
    ------
    PhysicsError
        ``E-MATCH-SAMPLES`` where the samples cannot tell one water from another.

    Notes
    -----
    Confidence is the likelihood of each type's best fit, normalised, with the noise raised to what the best
    fit leaves over.
    """
    check_enough(samples)
    noise = noise_of(samples)
    near = {one.kind: math.log(one.attenuation_550) for one in nearly}
    found = [_best_strength(kind, samples, setting, noise, near.get(kind)) for kind in JERLOV_TYPES]
    return _with_probability(found, samples)


def fit_constituents(samples: Sequence[Sample], setting: Setting) -> Candidate:
    """Return the water of free constituents (chlorophyll, dissolved matter, mineral) that fits best.

    Raises
    ------
    PhysicsError
        As `fit_jerlov`.
    """
    check_enough(samples)
    noise = noise_of(samples)
    start = np.log(CONSTITUENTS_START)

    def of(logs: F64) -> Water:
        chlorophyll, dissolved, mineral = np.exp(np.clip(logs, -9.0, [5.0, 2.5, 6.0])).tolist()
        return bio_optical_water(chlorophyll, dissolved, mineral)

    def solved(tried: F64) -> list[_Solved]:
        made = predicted([of(logs) for logs in tried], samples, setting)
        return [_solved(one, samples, setting, noise) for one in made]

    def misfits(tried: F64) -> F64:
        roots = [one.roots for one in solved(tried)]
        return np.concatenate([roots, (tried - start) / CONSTITUENTS_SPREAD], axis=1)

    def slopes(logs: F64) -> F64:
        here, *beside = misfits(logs + CONSTITUENTS_STEP * np.eye(4, 3, -1))
        return np.asarray((np.array(beside) - here).T / CONSTITUENTS_STEP, np.float64)

    starts = [start + np.array(step) for step in ((0.0, 0.0, 0.0), (-2.5, -2.0, -2.0), (2.0, 1.0, 2.0))]
    tried = [
        least_squares(
            lambda logs: misfits(logs[None])[0], first, jac=slopes, max_nfev=60, ftol=1e-6, xtol=1e-5
        )
        for first in starts
    ]
    best = min(tried, key=lambda result: float(result.cost))
    chlorophyll, dissolved, mineral = np.exp(best.x).tolist()
    found = solved(best.x[None])[0]
    made = _candidate(of(best.x), "constituents", found, 2.0 * float(best.cost), 0.0, math.nan)
    return replace(made, constituents=(chlorophyll, dissolved, mineral))


def check_enough(samples: Sequence[Sample]) -> None:
    """Refuse samples from which no water follows.

    Raises
    ------
    PhysicsError
        ``E-MATCH-SAMPLES``.
    """
    ranges: dict[str, set[float]] = {}
    for sample in samples:
        if not sample.open_water:
            # Subjects of known colour are one family: their colours are not in question.
            name = "known" if sample.colour is not None else sample.target
            ranges.setdefault(name, set()).add(round(sample.range_m, 3))
    if any(len(found) >= 2 for found in ranges.values()):
        return
    if ranges and any(sample.open_water for sample in samples):
        return
    raise PhysicsError(
        "the samples do not show one colour at two ranges, nor a subject and open water",
        code="E-MATCH-SAMPLES",
        fix="Give the same card, or the same kind of rock, at two ranges or more, such as --sample "
        '"412,233@2 m=grey" --sample "520,240@5 m=grey"; open water helps: --sample "800,90@water".',
    )


def noise_of(samples: Sequence[Sample]) -> F64:
    """Return standard deviations, ``(n, 3)``: measured, and what no measurement beats."""
    measured = np.array([sample.noise or (0.0, 0.0, 0.0) for sample in samples])
    rgb = np.array([sample.rgb for sample in samples])
    floor = NOISE_FLOOR * float(np.max(rgb, initial=1e-6))
    deviations: F64 = np.sqrt(measured**2 + (RELATIVE_NOISE * rgb) ** 2 + floor**2)
    return deviations


def _best_strength(
    kind: str, samples: Sequence[Sample], setting: Setting, noise: F64, near: float | None
) -> Candidate:
    """Return the best strength of a type, looked for about one that is nearly it where that is known."""
    base = jerlov_water(kind)
    own = math.log(_at_550(base))
    clearest = math.log(_clearest(base) * 1.02)
    ends = clearest, math.log(MURKIEST_PER_M)
    low, high = ends if near is None else (max(near - NEARBY, ends[0]), min(near + NEARBY, ends[1]))
    strengths = Strengths(
        lambda log_c: scaled_to_attenuation(base, math.exp(log_c)), clearest, low, high, samples, setting
    )

    def solved(log_c: float) -> _Solved:
        return _solved(strengths.predicted(log_c), samples, setting, noise)

    def strange(log_c: float) -> float:
        return ((log_c - own) / SCALE_SPREAD) ** 2

    def misfit(log_c: float) -> float:
        return float(np.sum(solved(log_c).roots ** 2)) + strange(log_c)

    grid = np.linspace(low, high, max(3, math.ceil((high - low) / GRID_STEP) + 1))
    at = int(np.argmin([misfit(log_c) for log_c in grid]))
    if near is not None and at in (0, len(grid) - 1) and grid[at] not in ends:
        return _best_strength(kind, samples, setting, noise, None)
    low, high = grid[max(0, at - 1)], grid[min(len(grid) - 1, at + 1)]
    found = minimize_scalar(misfit, bounds=(low, high), method="bounded", options={"xatol": 1e-4})
    best = float(found.x)
    spread = _spread(misfit, best, float(found.fun))
    water = scaled_to_attenuation(base, math.exp(best))
    return _candidate(water, kind, solved(best), float(found.fun) - strange(best), strange(best), spread)


def _spread(misfit: Callable[[float], float], log_c: float, least: float) -> float:
    """Return the factor of c at which the misfit has risen by 4 (two standard deviations)."""
    step = SPREAD_STEP
    rise = 0.5 * (misfit(log_c + step) + misfit(log_c - step)) - least
    return math.exp(min(3.0, 2.0 * step / math.sqrt(max(rise, 1e-9))))


@dataclass(frozen=True)
class _Solved:
    """The linear unknowns of one water and what they leave over."""

    gain: F64
    tint: F64
    colours: dict[str, F64]
    predicted: F64
    residual: F64
    roots: F64
    unscattered: F64


def _solved(made: Prediction, samples: Sequence[Sample], setting: Setting, noise: F64) -> _Solved:
    """Solve for gain, tint and unknown colours by weighted least squares, reweighted for outliers."""
    matrix, columns = _design(samples, made.transfer, setting)
    measured = np.array([sample.rgb for sample in samples]).ravel()
    x, kept = np.zeros(matrix.shape[1]), np.ones_like(measured)
    halo = _Halo.of(made, measured.reshape(-1, 3))
    tints, over = x[columns["tint"]].size, halo.over.ravel()
    hidden = made.hidden.under()
    sigma = np.hypot(noise, halo.doubt).ravel()
    for _ in range(ROUNDS):
        weights = kept / sigma
        seen = halo.seen(matrix, made.veil - hidden, tints)
        x = _least_squares(seen * weights[:, None], (measured - over) * weights)
        hidden = made.hidden.under(x[columns["tint"]])
        off = _off(seen @ x + over, measured) / sigma
        kept = np.sqrt(np.minimum(1.0, HUBER / np.maximum(np.abs(off), 1e-9)))
        kept[(measured <= BLACK) & (off == 0.0)] = 0.0
    shown = (seen @ x + over).reshape(-1, 3)
    residual = _off(shown.ravel(), measured).reshape(-1, 3)
    gain, tint = (
        np.broadcast_to(x[columns[name]], (3,)) if name in columns else np.full(3, np.nan)
        for name in ("gain", "tint")
    )
    colours = {name: x[where] for name, where in columns.items() if name not in ("gain", "tint")}
    roots = _huber_roots(residual.ravel() / sigma)
    # Noise that grows as the water does must not excuse any water: a density is lower where it is wider.
    wider = np.sqrt(2.0 * np.log(sigma / noise.ravel()))
    unscattered = measured.reshape(-1, 3) - halo.given + x[columns["tint"]] * hidden
    return _Solved(
        gain, tint, colours, shown, residual, np.concatenate([roots, wider]), np.maximum(unscattered, 0.0)
    )


def _off(shown: F64, measured: F64) -> F64:
    """Return predicted minus measured; a channel that a picture shows as black may be anything below it."""
    off = shown - measured
    off[(measured <= BLACK) & (off < 0.0)] = 0.0
    return off


@dataclass(frozen=True)
class _Halo:
    """What halos do to the samples, ``(n, 3)`` each.

    A sample's own colour is in what is about it, and a water so thick that all is halo would explain any
    picture by itself. So the halo that would come of it if all about it were alike is set against the sample,
    and what is left is counted so many times as that leaves of it.

    Attributes
    ----------
    given
        See `halocline.matching.model.Prediction`.
    times
        How many times the light is seen that comes without a halo, if all about a sample is alike.
    over
        What is seen besides, because not all is alike.
    doubt
        How far off both may be, as a standard deviation.
    """

    given: F64
    times: F64
    over: F64
    doubt: F64

    @classmethod
    def of(cls, made: Prediction, measured: F64) -> _Halo:
        """Reckon it."""
        times = 1.0 / np.maximum(1.0 - made.share, LEAST_DIRECT)
        over = times * made.given - (times - 1.0) * measured
        doubt = np.hypot(HALO_NOISE * np.log(times) * measured, SURROUNDINGS_NOISE * over)
        return cls(made.given, times, over, doubt)

    def seen(self, matrix: F64, veil: F64, each: int) -> F64:
        """Return the matrix from unknowns to samples with the tint's columns, the first, and all halos.

        ``veil`` is without what is hidden of it.
        """
        rows, channel = matrix.reshape(len(veil), 3, -1).copy(), np.arange(3)
        rows[:, channel, channel % each] = veil
        return (self.times[..., None] * rows).reshape(matrix.shape)


def _design(samples: Sequence[Sample], transfer: F64, setting: Setting) -> tuple[F64, dict[str, slice]]:
    """Return the matrix from unknowns to samples ``(3 n, m)`` and where each unknown stands in it.

    The tint comes first, and is left out: see `_Halo.seen`.
    """
    each = 1 if setting.white_balanced else 3
    columns: dict[str, slice] = {"tint": slice(0, each)}
    width = each
    if any(sample.colour is not None for sample in samples if not sample.open_water):
        columns["gain"] = slice(width, width + each)
        width += each
    for sample in samples:
        if not sample.open_water and sample.colour is None and sample.target not in columns:
            columns[sample.target] = slice(width, width + 3)
            width += 3
    matrix = np.zeros((len(samples), 3, width))
    for number, sample in enumerate(samples):
        if sample.open_water:
            continue
        if sample.colour is not None:
            matrix[number][:, columns["gain"]] = _per_channel(
                transfer[number] @ np.array(sample.colour), each
            )
        else:
            matrix[number][:, columns[sample.target]] = transfer[number]
    return matrix.reshape(-1, width), columns


def _per_channel(colour: F64, each: int) -> F64:
    return colour[:, None] if each == 1 else np.diag(colour)


def _least_squares(matrix: F64, values: F64) -> F64:
    # A trace of damping: a channel whose light is all gone has no gain to find.
    size = matrix.shape[1]
    damping = 1e-6 * np.sqrt(np.sum(matrix * matrix, axis=0) + 1e-30)
    rows = np.concatenate([matrix, np.diag(damping)])
    solution: F64 = np.linalg.lstsq(rows, np.concatenate([values, np.zeros(size)]), rcond=None)[0]
    return solution


def _huber_roots(scaled: F64) -> F64:
    """Return residuals whose squares sum to Huber's loss."""
    size = np.abs(scaled)
    loss = np.where(size <= HUBER, size**2, 2.0 * HUBER * size - HUBER**2)
    return np.asarray(np.sign(scaled) * np.sqrt(loss), np.float64)


def _candidate(
    water: Water, kind: str, solved: _Solved, misfit: float, strangeness: float, spread: float
) -> Candidate:
    return Candidate(
        water,
        kind,
        _at_550(water),
        spread,
        None,
        solved.gain,
        solved.tint,
        solved.colours,
        misfit,
        strangeness,
        solved.residual,
        solved.predicted,
        solved.unscattered,
    )


def _with_probability(found: list[Candidate], samples: Sequence[Sample]) -> list[Candidate]:
    """Return candidates with their probability, the likeliest first.

    Where even the best fit is worse than the noise says, it is the model that is wrong, by as much: the
    residuals then weigh less, against each other and against how strange a water is.
    """
    least = min(one.misfit for one in found)
    excess = max(1.0, least / max(1.0, 3.0 * len(samples) - 7.0))
    doubt = np.array([(one.misfit - least) / excess + one.strangeness for one in found])
    odds = np.exp(-0.5 * (doubt - doubt.min()))
    shares = odds / odds.sum()
    sure = [
        replace(one, probability=float(share), spread=one.spread ** math.sqrt(excess))
        for one, share in zip(found, shares, strict=True)
    ]
    return sorted(sure, key=lambda one: -one.probability)


def _clearest(base: Water) -> float:
    """Return the least attenuation at 550 nm that the type can be scaled to, 1/m."""
    pure = pure_water()
    at = round(REFERENCE_NM - pure.wavelength_nm[0])
    a = min(float(pure.absorption_per_m[at]), float(base.absorption_per_m[at]))
    b = min(float(pure.scattering_per_m[at]), float(base.scattering_per_m[at]))
    try:
        scaled_to_attenuation(base, (a + b) * 1.01)
    except WaterError:
        return _at_550(base)
    return a + b


def _at_550(water: Water) -> float:
    return float(water.attenuation_per_m[round(REFERENCE_NM - water.wavelength_nm[0])])
