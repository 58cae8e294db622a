"""What a depth pass holds, judged from its name, its values, and the camera; and whether its unit is likely.

Everything is decided from this frame alone, on a fixed lattice of its pixels, so that a frame gives the same
answer in whatever job it is rendered.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from halocline._typing import F32, F64
from halocline.errors import DepthError
from halocline.imaging.camera import Camera
from halocline.imaging.depth import ENDLESS, POSITIONS, DepthEdges, DepthKind, DepthSpec, range_planes
from halocline.imaging.depth_edges import COVERED, Pixels, mixed_and_clean_steps, neighbour
from halocline.imaging.frame import Window
from halocline.imaging.names import depth_hint
from halocline.imaging.seen_positions import Space, planar_depth, space_of
from halocline.late_dataclass import dataclass

# Nearest surface a shot plausibly shows, metres; beyond these the unit is doubted (common practice, no
# source).
NEAREST_LIKELY_M = 0.02
FARTHEST_NEAREST_LIKELY_M = 150.0

_SAMPLES = 200_000
# Kinds of even shares, and the depth buffers that they are mixed up with; beyond which share of the way the
# nearest surface is unlikely (of a buffer with its near plane at .1, all that is farther than 1 m; art).
_EVEN: dict[DepthKind, DepthKind] = {
    "normalised": "depth_buffer",
    "normalised_white_near": "depth_buffer_reversed",
}
_LATE = 0.9
# Pixels halfway per clean step: 0.15 to 1.1 in sharp passes of a path-traced scene at 960 to 240 pixels
# across, 2.1 to 90 in averaged ones (measured).
_AVERAGED_FROM = 1.5
_POSITION_TOLERANCE = 0.01
# How many of a unit are in one metre, and how a preset names it.
_UNITS = {1000.0: "mm", 100.0: "cm", 10.0: "dm", 1.0: "m", 1 / 0.3048: "ft", 1 / 0.0254: "in", 0.001: "km"}
_UNIT_NAMES = {
    "mm": "millimetres",
    "cm": "centimetres",
    "dm": "decimetres",
    "m": "metres",
    "ft": "feet",
    "in": "inches",
    "km": "kilometres",
}
_HOW_TO_SAY_KIND = (
    'set input.depth_kind = "normalised" (or "normalised_white_near") with input.near and input.far, or '
    'input.depth_kind = "inverse"; a depth buffer, even in 1/Z, is "depth_buffer" (or '
    '"depth_buffer_reversed") with both planes too'
)
_FITS_NONE = (
    "the depth pass fits the world positions and the camera as no kind of depth; say what is right: "
    'input.depth_kind, input.depth_channel, or input.depth_kind = "position" to leave depth out'
)
_POSITIONS_ASTRAY = (
    "the positions do not lie where the camera sees their pixels: camera and positions do not belong "
    "together, by their axes, their unit or their frame, and one of them may be wrong. See [camera], "
    "input.scene_unit and input.position_layer; depth is taken by itself"
)


@dataclass(frozen=True)
class DepthVerdict:
    """A spec with nothing left to ``auto`` but the background, why, and what to warn of."""

    spec: DepthSpec
    reasons: tuple[str, ...]
    warnings: tuple[str, ...]


@dataclass(frozen=True)
class _Sample:
    """Values on the lattice and what is known at the same pixels, ``(n,)`` each; covered pixels only.

    ``factor`` is range per planar depth; ``planar`` the depth that the positions give, metres; ``space`` the
    one in which they lie on the rays of their pixels.
    """

    values: F64
    factor: F64
    planar: F64 | None
    space: Space = "unknown"


@np.errstate(over="ignore", invalid="ignore", divide="ignore")
def infer_depth(
    values: F32,
    alpha: F32 | None,
    *,
    name: str,
    spec: DepthSpec,
    camera: Camera,
    window: Window,
    position: F32 | None = None,
) -> DepthVerdict:
    """Decide the kind and the edges that the spec leaves open, and check the unit.

    Parameters
    ----------
    values
        The pass, ``(rows, columns)``, or ``(3, rows, columns)`` where it holds positions.
    alpha
        Coverage, or None.
    name
        The channel's logical name; it counts as a hint.
    spec
        What was stated; only what is ``auto`` is inferred.
    camera, window
        The camera and the pixels covered.
    position
        World positions, scene units, where the file has them: they decide for sure.

    Raises
    ------
    DepthError
        ``E-DEPTH-KIND`` for a panorama whose depth is said to lie along one axis.
    """
    reasons: list[str] = []
    warnings: list[str] = []
    if camera.globe is not None and values.ndim == 2:
        spec = _of_panorama(spec, reasons)
    if values.ndim == 3:
        space = space_of(values, alpha, camera=camera, window=window, unit_m=spec.unit_m)
        found = replace(spec, kind=_kind_of_positions(space, spec, reasons, warnings))
    elif spec.kind == "range" and reasons:
        found = spec
    elif spec.kind == "auto":
        sample = _sample(values, alpha, camera, window, position, spec)
        found = replace(spec, kind=_kind(sample, name, spec, camera, reasons, warnings))
    else:
        found = spec
        reasons.append(f"{spec.kind}: stated")
    if found.kind in _EVEN:
        warnings += _buffer_doubt(values, alpha, found.kind)
    if position is not None and values.ndim == 2:
        sample = _sample(values, alpha, camera, window, position, spec)
        warnings += _against_positions(sample, spec) or _scale_warning(sample, found)
    if found.edges == "auto":
        found = replace(found, edges=_edges(values, alpha, found, camera, window, reasons))
    return DepthVerdict(found, tuple(reasons), tuple(warnings))


def _buffer_doubt(values: F32, alpha: F32 | None, kind: DepthKind) -> list[str]:
    """Warn where all surfaces lie just before the far plane, as in a depth buffer taken for even shares."""
    step = _step(values.shape)
    picked = values[::step, ::step].astype(np.float64)
    shares = 1.0 - picked if kind == "normalised_white_near" else picked
    seen: NDArray[np.bool_] = (shares > 0.0) & (shares < 1.0)
    if alpha is not None:
        seen &= alpha[::step, ::step] >= COVERED
    if not seen.any():
        return []
    nearest = float(np.percentile(shares[seen], 0.1))
    if nearest <= _LATE:
        return []
    return [
        f"the nearest surface lies {nearest:.1%} of the way from the near plane to the far one, as nearly "
        "all does in a depth buffer, which is even in 1/Z: taken for even shares it has everything far away; "
        f'if it is one, set input.depth_kind = "{_EVEN[kind]}", or check input.near and input.far'
    ]


def _kind_of_positions(space: Space, spec: DepthSpec, reasons: list[str], warnings: list[str]) -> DepthKind:
    """Decide by the rays of their pixels what positions that stand in for depth are."""
    fits: DepthKind = "camera_position" if space == "camera" else "position"
    if space == "neither":
        warnings.append(
            "the positions that stand in for depth do not lie where the camera sees their pixels, so their "
            "distances from the lens are wrong: they are in other axes or another unit than the camera, of "
            "another camera or frame, in an object's own space, or half floats far from the origin. Render "
            "depth, or world positions as floats; see input.scene_unit and [camera]"
        )
    if spec.kind not in POSITIONS:
        meaning = (
            "in the camera's own axes, by where their pixels are," if space == "camera" else "in the world"
        )
        reasons.append(f"{fits}: three channels of position {meaning} stand in for depth")
        return fits
    reasons.append(f"{spec.kind}: stated")
    if space in {"world", "camera"} and spec.kind != fits:
        warnings.append(
            f"the positions are stated to be {spec.kind}, and lie where the camera sees their pixels as "
            f'{fits} alone: set input.depth_kind = "{fits}", or leave it out'
        )
    return spec.kind


def _of_panorama(spec: DepthSpec, reasons: list[str]) -> DepthSpec:
    """Take a panorama's depth for what it can only be: along the ray."""
    if spec.kind in {"planar", "negative_planar"}:
        raise DepthError(
            f"a panorama sees all around, and depth of kind {spec.kind} is measured along one axis",
            code="E-DEPTH-KIND",
            where="input.depth_kind",
            fix='Leave input.depth_kind out, or set it to "range": metres along the ray.',
        )
    if spec.kind == "auto":
        reasons.append("range: a panorama has no axis to measure along")
        return replace(spec, kind="range")
    return spec


def unit_warnings(range_m: F32, alpha: F32 | None, spec: DepthSpec) -> list[str]:
    """Warn where the nearest surface is farther or nearer than any camera would have it.

    Parameters
    ----------
    range_m
        ``(rows, columns)`` metres, inf for open water.
    alpha
        Coverage, or None.
    spec
        For the text: the unit that was used.
    """
    step = _step(range_m.shape)
    seen = range_m[::step, ::step]
    if alpha is not None:
        seen = np.where(alpha[::step, ::step] >= 0.5, seen, np.inf)
    seen = seen[np.isfinite(seen)]
    if seen.size == 0:
        return []
    nearest, farthest = (float(value) for value in np.percentile(seen, (0.1, 99.9)))
    unit = spec.depth_unit_m
    say = "input.depth_unit (the depth pass alone) or input.scene_unit (camera and positions too)"
    if nearest > FARTHEST_NEAREST_LIKELY_M:
        return [
            f"the nearest surface is {nearest:.4g} m away with one unit of depth = {unit:g} m: the depth "
            f"pass may be in a smaller unit (centimetres would make it {nearest / unit / 100:.4g} m); if so, "
            f"set {say}"
        ]
    if nearest < NEAREST_LIKELY_M:
        return [
            f"the nearest surface is {nearest * 1000:.4g} mm from the lens (the farthest {farthest:.4g} m) "
            f"with one unit of depth = {unit:g} m: the depth pass may be in a larger unit, or be of another "
            f"kind; if so, set {say}, or input.depth_kind"
        ]
    return []


def _step(shape: tuple[int, ...]) -> int:
    return max(1, int(np.sqrt(shape[-2] * shape[-1] / _SAMPLES)))


def _sample(
    values: F32, alpha: F32 | None, camera: Camera, window: Window, position: F32 | None, spec: DepthSpec
) -> _Sample:
    step = _step(values.shape)
    lattice = (slice(None, None, step), slice(None, None, step))
    picked = values[lattice].astype(np.float64)
    usable: NDArray[np.bool_] = np.isfinite(picked) & (np.abs(picked) < ENDLESS) & (picked != 0)
    if alpha is not None:
        usable &= alpha[lattice] >= COVERED
    factor = camera.range_per_depth(window, every=step)
    planar: F64 | None = None
    space: Space = "unknown"
    if position is not None:
        points = np.moveaxis(position[:, ::step, ::step], 0, -1)[usable].astype(np.float64)
        space = space_of(position, alpha, camera=camera, window=window, unit_m=spec.unit_m)
        planar = planar_depth(points * spec.unit_m, space, camera)
    return _Sample(picked[usable], factor[usable].astype(np.float64), planar, space)


def _kind(
    sample: _Sample, name: str, spec: DepthSpec, camera: Camera, reasons: list[str], warnings: list[str]
) -> DepthKind:
    """Decide by positions where there are any; else by sign, name and span, in this order."""
    if sample.values.size == 0:
        reasons.append("planar: no covered pixel has a depth to judge by")
        return "planar"
    if sample.planar is not None:
        decided = _kind_by_position(sample, spec, reasons)
        if decided is not None:
            return decided
        warnings.append(_FITS_NONE if sample.space != "neither" else _POSITIONS_ASTRAY)
    low, high = float(sample.values.min()), float(sample.values.max())
    if low < 0 and np.mean(sample.values < 0) > 0.99:
        reasons.append(f"negative_planar: all values are negative ({low:.4g} to {high:.4g})")
        return "negative_planar"
    named = _kind_by_name(name, reasons, warnings)
    if named is not None:
        if named == "range" and low >= 0.0 and high <= 1.0:
            warnings.append(_in_0_to_1(low, high, named))
        return named
    planes_known = spec.far is not None or camera.far_m is not None
    if high <= 1.0 and low >= 0.0 and planes_known:
        reasons.append(
            f"normalised: all values lie in 0 to 1 ({low:.4g} to {high:.4g}), clipping planes known"
        )
        return "normalised"
    if high <= 1.0:
        warnings.append(_in_0_to_1(low, high, "planar"))
    reasons.append(f'planar: OpenEXR\'s usual meaning of "{name}"; values {low:.4g} to {high:.4g}')
    return "planar"


def _in_0_to_1(low: float, high: float, kind: DepthKind) -> str:
    return (
        f"all depths lie in 0 to 1 ({low:.4g} to {high:.4g}): the pass was taken as {kind}; if it is "
        f"normalised or 1/Z, {_HOW_TO_SAY_KIND}"
    )


def _kind_by_name(name: str, reasons: list[str], warnings: list[str]) -> DepthKind | None:
    hint = depth_hint(name)
    if hint == "mist":
        reasons.append(f'normalised: "{name}" is a mist pass, a share that grows from near to far')
        warnings.append(
            f'"{name}" is a mist pass and no depth: it was taken to grow evenly from near to far; better '
            "render depth, or set input.near, input.far and input.depth_kind"
        )
        return "normalised"
    if hint is not None:
        reasons.append(f'{hint}: the channel is called "{name}"')
    return hint


def _kind_by_position(sample: _Sample, spec: DepthSpec, reasons: list[str]) -> DepthKind | None:
    """Return the kind under which values and positions are proportional, or None."""
    errors = _disproportions(sample, spec)
    best = min(errors, key=lambda kind: errors[kind], default=None)
    if best is None or errors[best] > _POSITION_TOLERANCE:
        return None
    reasons.append(
        f"{best}: agrees with the world positions seen from the camera to {errors[best]:.2g} of the depth"
    )
    return best


def _against_positions(sample: _Sample, spec: DepthSpec) -> list[str]:
    """Return what positions say against the kind that is stated, where they agree with another."""
    errors = _disproportions(sample, spec)
    if errors.get(spec.kind, 0.0) <= _POSITION_TOLERANCE:
        return []
    best = min(errors, key=lambda kind: errors[kind])
    if errors[best] > _POSITION_TOLERANCE:
        return []
    return [
        f"the depth pass is stated to be {spec.kind}, and agrees with the world positions seen from the "
        f'camera as {best} alone: set input.depth_kind = "{best}", or leave it out'
    ]


def _disproportions(sample: _Sample, spec: DepthSpec) -> dict[DepthKind, float]:
    """Return how far values and positions are from being proportional under each kind; none if not known."""
    if sample.planar is None:
        return {}
    ahead = np.isfinite(sample.planar) & (sample.planar > 0)
    if np.count_nonzero(ahead) < 16:
        return {}
    planar, value, factor = sample.planar[ahead], sample.values[ahead], sample.factor[ahead]
    expected: dict[DepthKind, F64] = {
        "planar": planar,
        "range": planar * factor,
        "negative_planar": -planar,
        "inverse": 1.0 / planar,
    }
    errors = {kind: _disproportion(value, quantity) for kind, quantity in expected.items()}
    if spec.near is not None and spec.far is not None:
        span = spec.far - spec.near
        errors["normalised"] = _disproportion(value * span + spec.near, planar)
        errors["normalised_white_near"] = _disproportion(spec.far - value * span, planar)
        errors["depth_buffer"] = _disproportion(spec.far - value * span, 1.0 / planar)
        errors["depth_buffer_reversed"] = _disproportion(spec.near + value * span, 1.0 / planar)
    return errors


def _disproportion(value: F64, quantity: F64) -> float:
    """Median departure from proportionality, as a share; infinite where signs differ."""
    ratio = value / quantity
    middle = float(np.median(ratio))
    return float(np.median(np.abs(ratio / middle - 1.0))) if middle > 0 else np.inf


def _scale_warning(sample: _Sample, spec: DepthSpec) -> list[str]:
    """Compare depth and positions, which should have one unit."""
    if sample.planar is None or spec.kind not in {"planar", "range", "negative_planar"}:
        return []
    ahead = np.isfinite(sample.planar) & (sample.planar > 0)
    expected = sample.planar[ahead] * (sample.factor[ahead] if spec.kind == "range" else 1.0)
    values = np.abs(sample.values[ahead])
    if not ahead.any() or (
        sample.space == "neither" and _disproportion(values, expected) > _POSITION_TOLERANCE
    ):
        # They are no measure of anything.
        return []
    ratio = float(np.median(values * spec.depth_unit_m / expected))
    if abs(ratio - 1.0) < 0.02:
        return []
    # So many units of the pass are in one metre.
    per_metre = ratio / spec.depth_unit_m
    likely = next((unit for scale, unit in _UNITS.items() if abs(per_metre / scale - 1) < 0.02), None)
    fix = (
        f'it looks like {_UNIT_NAMES[likely]}: set input.depth_unit = "{likely}"'
        if likely is not None
        else f"set input.depth_unit = {1 / per_metre:.4g} if the positions are right, or input.scene_unit"
    )
    return [f"the depth pass is {ratio:.4g} times what the world positions and the camera say; {fix}"]


def _edges(
    values: F32, alpha: F32 | None, spec: DepthSpec, camera: Camera, window: Window, reasons: list[str]
) -> DepthEdges:
    if alpha is not None and values.ndim == 2 and _is_premultiplied(values, alpha, spec):
        reasons.append("edges premultiplied: partly covered pixels hold depth times alpha")
        return "premultiplied"
    mixed = clean = 0
    sharp = replace(spec, edges="sharp")
    for start, stop in _bands(window.height):
        rows = slice(start, stop)
        covered = None if alpha is None else alpha[rows]
        metres = range_planes(
            values[..., rows, :], covered, spec=sharp, camera=camera, window=window.rows(start, stop)
        ).range
        counts = mixed_and_clean_steps(metres, metres, covered)
        mixed, clean = mixed + counts[0], clean + counts[1]
    if mixed > _AVERAGED_FROM * clean:
        reasons.append(
            f"edges averaged: {mixed} pixels halfway between two surfaces against {clean} clean steps"
        )
        return "averaged"
    reasons.append(f"edges sharp: {clean} clean steps between surfaces against {mixed} pixels halfway")
    return "sharp"


def _bands(height: int) -> list[tuple[int, int]]:
    """Rows to judge edges by: all of a small picture, eight bands evenly down a large one."""
    rows = 32
    if height <= 8 * rows:
        return [(0, height)]
    starts = [round(k * (height - rows) / 7) for k in range(8)]
    return [(start, start + rows) for start in starts]


def _is_premultiplied(values: F32, alpha: F32, spec: DepthSpec) -> bool:
    """Tell whether partly covered pixels hold the depth beside them times their alpha."""
    if spec.kind not in {"planar", "range", "negative_planar"}:
        return False
    # Compare each partly covered pixel with the pixel to its right or left that is covered.
    partial: Pixels = np.flatnonzero((alpha > 0.1) & (alpha < 0.8))
    coverage, depth = alpha.ravel(), values.ravel()
    votes_for = votes_against = 0
    for right in (1, -1):
        beside = neighbour(alpha.shape, partial, 0, right)
        whole = coverage[beside] >= COVERED
        with np.errstate(divide="ignore", invalid="ignore"):
            ratio = depth[partial[whole]] / depth[beside[whole]]
        votes_for += int(np.count_nonzero(np.abs(ratio - coverage[partial[whole]]) < 0.05))
        votes_against += int(np.count_nonzero(np.abs(ratio - 1.0) < 0.05))
    return votes_for > 8 and votes_for > 2 * votes_against
