"""Depth passes of every kind, turned into range: metres from the lens along the view ray.

Renderers disagree about what a depth pass holds (the kinds below), what stands where nothing is hit (inf,
NaN, 0, a huge number), and what happens at anti-aliased edges. A pixel that a surface covers in part is given
the range of that surface, never of what lies behind it: coverage itself is the alpha's business, and a thin
chain keeps its own range to its last pixel.

===================== =====================================================================
kind                  what the pass holds, in units of the pass
===================== =====================================================================
planar                distance along the camera's axis
range                 distance from the lens along the ray
negative_planar       planar, negative in front of the lens
inverse               1 / planar
normalised            0 at the near, 1 at the far plane, linear in planar distance
normalised_white_near 1 at the near, 0 at the far plane, linear in planar distance
depth_buffer          0 at the near, 1 at the far plane, linear in 1 / planar (of a graphics card)
depth_buffer_reversed 1 at the near, 0 at the far plane, likewise
position              world position in scene units; the camera's gives the range
camera_position       position as seen from the lens, in its own axes, scene units
===================== =====================================================================
"""

from __future__ import annotations

from typing import Literal, get_args

import numpy as np
from numpy.typing import NDArray

from halocline._typing import F32
from halocline.compute.planes_on_disk import copied_plane, empty_plane, filled_plane
from halocline.errors import DepthError
from halocline.imaging.camera import Camera
from halocline.imaging.depth_edges import Pixels, fill_partly_covered, split_averaged
from halocline.imaging.frame import Window
from halocline.late_dataclass import dataclass

DepthKind = Literal[
    "auto",
    "planar",
    "range",
    "negative_planar",
    "inverse",
    "normalised",
    "normalised_white_near",
    "depth_buffer",
    "depth_buffer_reversed",
    "position",
    "camera_position",
]
DepthEdges = Literal["auto", "sharp", "averaged", "premultiplied"]
Background = Literal["auto", "alpha", "none"]

KINDS = tuple(kind for kind in get_args(DepthKind) if kind != "auto")
BUFFERS = ("depth_buffer", "depth_buffer_reversed")
NORMALISED = ("normalised", "normalised_white_near", *BUFFERS)
_WHITE_NEAR = ("normalised_white_near", "depth_buffer_reversed")
POSITIONS = ("position", "camera_position")
# Farther than any scene, in scene units; renderers write 1e10, 1e30 or the largest float for "nothing hit".
ENDLESS = 1e9
_ROWS_TOGETHER = 256


@dataclass(frozen=True)
class DepthSpec:
    """What a depth pass holds.

    Attributes
    ----------
    kind
        See the module's table; ``auto`` infers it.
    unit_m
        Metres in one scene unit.
    pass_unit_m
        Metres in one unit of the depth pass, where that is not the scene's; positions are always in scene
        units.
    near, far
        Planes of a normalised pass, scene units; the camera's where not given.
    background
        What counts as open water besides alpha 0 and values that are no numbers: ``auto`` (0, and 1e9 and
        more), ``alpha`` or ``none`` (nothing besides), or one value.
    edges
        How the pass was filtered: ``sharp`` (one sample a pixel), ``averaged`` (as the beauty is),
        ``premultiplied`` (averaged with 0 where nothing is hit), or ``auto``.
    """

    kind: DepthKind = "auto"
    unit_m: float = 1.0
    near: float | None = None
    far: float | None = None
    background: Background | float = "auto"
    edges: DepthEdges = "auto"
    pass_unit_m: float | None = None

    def __post_init__(self) -> None:
        for unit, key in ((self.unit_m, "scene_unit"), (self.depth_unit_m, "depth_unit")):
            if not (np.isfinite(unit) and unit > 0):
                raise DepthError(
                    f"a unit of {unit} m is impossible",
                    code="E-DEPTH-UNIT",
                    fix=f'Give the length of one unit, for example input.{key} = "cm" or 0.01.',
                )

    @property
    def depth_unit_m(self) -> float:
        """Metres in one unit of the depth pass."""
        return self.unit_m if self.pass_unit_m is None else self.pass_unit_m


@dataclass(frozen=True)
class DepthPlanes:
    """Range of each pixel, and what had to be done for it.

    Attributes
    ----------
    range
        ``(rows, columns)`` metres; inf is open water.
    far_range, far_share
        Where an averaged pass mixed two surfaces: range and share of the farther one; elsewhere the range
        and 0. None where no pixel is mixed.
    filled
        How many partly covered pixels took the range of the nearest covered surface.
    lost
        How many covered pixels have no depth (they count as open water).
    uncovered
        How many pixels have a depth but alpha 0 (they count as open water).
    """

    range: F32
    far_range: F32 | None
    far_share: F32 | None
    filled: int = 0
    lost: int = 0
    uncovered: int = 0


# A pass may hold anything where nothing is hit, the largest floats included: they overflow on the way.
@np.errstate(over="ignore", invalid="ignore", divide="ignore")
def range_planes(
    values: F32, alpha: F32 | None, *, spec: DepthSpec, camera: Camera, window: Window
) -> DepthPlanes:
    """Turn a depth pass into range.

    Parameters
    ----------
    values
        ``(rows, columns)``, or ``(3, rows, columns)`` for positions; scene units. NaN is open water.
    alpha
        Coverage ``(rows, columns)``, or None where the beauty has none.
    spec
        What the values are; its kind and edges are no longer ``auto`` (see `infer_depth`).
    camera, window
        The camera, and the pixels that the planes cover.

    Raises
    ------
    DepthError
        ``E-DEPTH-KIND`` for an unresolved or unfitting kind, ``E-DEPTH-PLANES`` for a normalised pass
        without near and far planes.

    Notes
    -----
    Partly covered pixels are repaired from at most `depth_edges.REACH` pixels around and the two behind these
    (farther only where no covered pixel is that near); outside the window nothing is assumed.
    """
    ordered = ordered_values(values, alpha, spec, camera)
    along_ray = spec.kind in {"range", *POSITIONS}
    metres: F32 = empty_plane(ordered.shape)
    filled = lost = uncovered = 0
    for start in range(0, window.height, _ROWS_TOGETHER):
        stop = min(start + _ROWS_TOGETHER, window.height)
        own, rows = ordered[start:stop], metres[start:stop]
        seen = _seen(own, spec)
        if alpha is not None:
            cover = alpha[start:stop] > 0
            uncovered += int(np.count_nonzero(seen & ~cover))
            seen &= cover
        rows[...] = planar_metres(own, spec, camera)
        if not along_ray:
            rows *= camera.range_per_depth(window.rows(start, stop))
        np.copyto(rows, np.inf, where=~seen)
    if alpha is not None:
        filled, lost = fill_partly_covered(metres, alpha)
    if spec.edges not in {"averaged", "premultiplied"}:
        return DepthPlanes(metres, None, None, filled, lost, uncovered)
    mixed = split_averaged(ordered, metres, alpha)
    if mixed.pixels.size == 0:
        return DepthPlanes(metres, None, None, filled, lost, uncovered)
    at = np.float32(1.0) if along_ray else _factors(camera, window, mixed.pixels)
    far_range, far_share = copied_plane(metres), filled_plane(metres.shape, 0.0)
    metres.ravel()[mixed.pixels] = planar_metres(mixed.near, spec, camera) * at
    far_range.ravel()[mixed.pixels] = planar_metres(mixed.far, spec, camera) * at
    far_share.ravel()[mixed.pixels] = mixed.far_share
    return DepthPlanes(metres, far_range, far_share, filled, lost, uncovered)


def _factors(camera: Camera, window: Window, pixels: Pixels) -> F32:
    """Return range over planar depth of pixels (flat index, ascending), ``(n,)``."""
    parts = []
    for start in range(0, window.height, _ROWS_TOGETHER):
        stop = min(start + _ROWS_TOGETHER, window.height)
        first, last = np.searchsorted(pixels, (start * window.width, stop * window.width))
        if first < last:
            factor = camera.range_per_depth(window.rows(start, stop))
            parts.append(factor.ravel()[pixels[first:last] - start * window.width])
    return np.concatenate(parts)


def ordered_values(values: F32, alpha: F32 | None, spec: DepthSpec, camera: Camera) -> F32:
    """Return a quantity linear in the pass that grows with distance, so that averages stay averages.

    Raises
    ------
    DepthError
        ``E-DEPTH-KIND``.
    """
    expected = 3 if spec.kind in POSITIONS else 2
    if values.ndim != expected or spec.kind == "auto":
        raise DepthError(
            f"a {values.ndim}-dimensional pass is no depth of kind {spec.kind}",
            code="E-DEPTH-KIND",
            fix=f"Set input.depth_kind to one of: {', '.join(KINDS)}; positions need three channels, "
            "the others one.",
        )
    if spec.kind in POSITIONS:
        return _distance(_uncovered(values, alpha, spec), spec, camera)
    values = _uncovered(values, alpha, spec)
    if spec.kind in _WHITE_NEAR:
        return np.subtract(np.float32(1.0), values, out=empty_plane(values.shape))
    if spec.kind in {"negative_planar", "inverse"}:
        return np.negative(values, out=empty_plane(values.shape))
    return values


def _uncovered(values: F32, alpha: F32 | None, spec: DepthSpec) -> F32:
    """Undo premultiplication where the pass has it."""
    if spec.edges != "premultiplied" or alpha is None:
        return values
    return np.where((alpha > 0) & (alpha < 1), values / alpha, values).astype(np.float32, copy=False)


def _distance(position: F32, spec: DepthSpec, camera: Camera) -> F32:
    """Distance of positions from the lens in scene units; NaN where there is none."""
    place = np.zeros(3) if spec.kind == "camera_position" else camera.position_m
    lens = (place / spec.unit_m).astype(np.float32)
    squared = np.zeros(position.shape[1:], np.float32)
    nowhere = np.ones(position.shape[1:], np.bool_)
    for axis in range(3):
        offset = position[axis] - lens[axis]
        squared += offset * offset
        nowhere &= position[axis] == 0
    # Exactly 0 0 0 is what renderers leave where nothing is hit.
    np.copyto(squared, np.nan, where=nowhere)
    return np.sqrt(squared, out=squared)


def _seen(ordered: F32, spec: DepthSpec) -> NDArray[np.bool_]:
    """Tell which pixels hold the depth of something."""
    sign = -1.0 if spec.kind in {"negative_planar", "inverse"} else 1.0
    if spec.background in {"alpha", "none"}:
        return np.isfinite(ordered)
    if spec.background != "auto":
        background = sign * float(spec.background)
        if spec.kind in _WHITE_NEAR:
            background = 1.0 - background
        seen: NDArray[np.bool_] = np.isfinite(ordered)
        seen &= np.abs(ordered - np.float32(background)) > 1e-6 * max(1.0, abs(background))
        return seen
    if spec.kind in NORMALISED:
        # 0 may be the near plane itself; the far plane is where renderers put nothing.
        return (ordered >= 0) & (ordered < 1)
    if spec.kind == "inverse":
        return (ordered < -1.0 / ENDLESS) & (ordered > -np.inf)
    return (ordered > 0) & (ordered < ENDLESS)


def planar_metres(ordered: F32, spec: DepthSpec, camera: Camera) -> F32:
    """Return planar depth (range for the kinds that are) in metres from `ordered_values`.

    Raises
    ------
    DepthError
        ``E-DEPTH-PLANES``.
    """
    unit = np.float32(spec.unit_m if spec.kind in POSITIONS else spec.depth_unit_m)
    if spec.kind in NORMALISED:
        near, far = clipping_planes(spec, camera)
        if spec.kind in BUFFERS:
            # Its values are f (1 - n/z) / (f - n): OpenGL 4.6, depth range 0 to 1, from memory.
            left = np.float32(far) - ordered * np.float32(far - near)
            return np.asarray(np.float32(near * far * spec.unit_m) / left, np.float32)
        return ordered * np.float32((far - near) * spec.unit_m) + np.float32(near * spec.unit_m)
    if spec.kind == "inverse":
        return np.asarray(-unit / ordered, np.float32)
    return ordered * unit


def clipping_planes(spec: DepthSpec, camera: Camera) -> tuple[float, float]:
    """Return near and far of a normalised pass in scene units.

    Raises
    ------
    DepthError
        ``E-DEPTH-PLANES`` where neither the spec nor the camera has them, or they are out of order.
    """
    near = spec.near if spec.near is not None else (camera.near_m or 0.0) / spec.unit_m
    far = spec.far if spec.far is not None else (camera.far_m or 0.0) / spec.unit_m
    if not 0 <= near < far or (near == 0 and spec.kind in BUFFERS):
        raise DepthError(
            f"a normalised depth pass needs its near and far planes (near {near:g}, far {far:g})",
            code="E-DEPTH-PLANES",
            fix="Set input.near and input.far, in metres, to where the pass begins and ends; or say what it "
            "holds with input.depth_kind.",
        )
    return near, far
