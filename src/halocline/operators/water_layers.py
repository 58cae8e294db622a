"""Water layers: layers between waters of different temperature or salinity bend, smear and mirror.

What lies beyond a layer shimmers and softens, most of all along it; what stands in front of it stays sharp.
At grazing angles from the denser side the layer shines like a mirror.
"""

from __future__ import annotations

from dataclasses import fields, replace
from itertools import pairwise
from typing import Annotated, ClassVar

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from halocline._typing import F32, F64
from halocline.compute.threads import in_parallel
from halocline.filters.displacement import Grid
from halocline.filters.pyramid_blur import bands_of_rows
from halocline.graph.operator import WHOLE, Operator, Planes, PlaneUse, Stage, Tile
from halocline.graph.shot import Shot
from halocline.late_dataclass import dataclass
from halocline.operators.shared.layer_parameters import WaterLayer
from halocline.operators.shared.view_rays import Rays, grid_rays
from halocline.physics.bending.behind_a_crossing import (
    FARTHEST_M,
    Change,
    Coverage,
    Mirror,
    OpenWater,
    changed_beyond,
    first_crossing,
    levers,
    share_beyond,
)
from halocline.physics.bending.layers import Layer, LayerView, view_layer
from halocline.physics.bending.refraction import lever_arm
from halocline.quantities import Ratio, Strict

# Rays that are followed across the picture's width, whatever its resolution: a proxy shows the same eddies as
# the full picture. What is finer than a few of them is smeared.
RAYS_ACROSS = 480
# A thing's own displacement is kept around it for the picture's width over this, which is more than any layer
# displaces but at its horizon.
LEVER_REACH = 160
# Optical depth of what is displaced: the water and the things in it are seen that far beyond the layer.
SEEN_DEPTH = 1.5
# Pieces of the grid followed at once; enough to keep several threads busy and their arrays small.
SLABS = 8


class WaterLayersParameters(Strict):
    """Parameters of the layers.

    Attributes
    ----------
    layers
        The layers, in any order.
    bend, smear, sheen
        Art: multiply displacement, blur and mirrored light; 1 is physical.
    fringes
        Art: multiplies how much blue is bent more than red; 1 is physical.
    """

    layers: Annotated[tuple[WaterLayer, ...], Field(min_length=1)]
    bend: Ratio = 1.0
    smear: Ratio = 1.0
    sheen: Annotated[Ratio, Field(le=1.0)] = 1.0
    fringes: Ratio = 1.0


class WaterLayers(Operator[WaterLayersParameters, tuple[Layer, ...]]):
    """Displaces, blurs and mirrors what lies beyond the layers."""

    Parameters = WaterLayersParameters
    nothing_at: ClassVar = {"bend": 0.0, "smear": 0.0, "sheen": 0.0}
    stage = Stage.LAYERS
    layer = "shimmer"
    begun: ClassVar = {"layers": [{"depth": 12.0}]}
    one_way = True

    def planes(self) -> PlaneUse:
        """Read colour, coverage and range; write colour, coverage, displacement and blur in pixels."""
        return PlaneUse(
            reads=frozenset({"rgb", "alpha", "range"}),
            optional=frozenset({"coverage", "far_range", "far_share"}),
            writes=frozenset({"rgb", "alpha", "displacement", "blur_px"}),
        )

    def idle(self, shot: Shot) -> bool:  # noqa: ARG002 - part of the protocol
        """With bend, smear and sheen at nothing, nothing changes."""
        p = self.parameters
        return p.bend == 0.0 and p.smear == 0.0 and p.sheen == 0.0

    def reach(self, shot: Shot) -> int:  # noqa: ARG002 - part of the protocol
        """What is hidden is filled in from all around."""
        return WHOLE

    def prepare(self, shot: Shot) -> tuple[Layer, ...]:
        """Return the layers in the shot's world."""
        return tuple(
            layer.layer(shot, f"water layer {number}") for number, layer in enumerate(self.parameters.layers)
        )

    def apply(self, planes: Planes, tile: Tile, shot: Shot, prepared: tuple[Layer, ...]) -> Planes:
        """Bend."""
        window = tile.region
        step = max(1, round(shot.display_window.width / RAYS_ACROSS))
        grid = Grid(window.x, window.y, window.width, window.height, step)
        rays = grid_rays(shot.camera, grid)
        views = [_followed(layer, rays, step * shot.camera.tangent_per_px[0], shot) for layer in prepared]
        share, nearest = share_beyond(first_crossing(views), grid, _coverage(planes))
        reach = max(1, round(shot.display_window.width / (step * LEVER_REACH)))
        water = _Visibility.of(shot)
        arms = levers(views, nearest, reach=reach, seen_to=water.seen_to)
        change = self._change(prepared, views, arms, rays, grid, water, shot)
        empty = _empty(planes)
        if empty is not None:
            arms = [lever_arm(water.seen_to(view.enter_m), view.enter_m, view.leave_m) for view in views]
            change = replace(change, open_water=OpenWater(empty, rays.shift(self._bend(views, arms))))
        moved = _moved(planes, share, change)
        wanted = tile.wants("displacement") or tile.wants("blur_px")
        return {**moved, **_recorded(share, change)} if wanted else moved

    def _bend(self, views: list[LayerView], arms: list[F32]) -> F32:
        """Return the change of direction by all layers, without fringes."""
        strength = np.float32(self.parameters.bend)
        return _weighted([view.bend for view in views], [arm * strength for arm in arms])

    def _change(
        self,
        layers: tuple[Layer, ...],
        views: list[LayerView],
        arms: list[F32],
        rays: Rays,
        grid: Grid,
        water: _Visibility,
        shot: Shot,
    ) -> Change:
        """Return what the layers do together to things, in pixels."""
        p = self.parameters
        scales = np.array([layer.channel_scales() for layer in layers])
        scales = p.bend * (1.0 + p.fringes * (scales - 1.0))
        # Without fringes, one map serves all channels.
        kinds = scales.T if p.fringes > 0.0 else scales.T[1:2]
        shifts = []
        for of_layer in kinds:
            weighted = [arm * np.float32(scale) for arm, scale in zip(arms, of_layer, strict=True)]
            shifts.append(rays.shift(_weighted([view.bend for view in views], weighted)))
        spread2 = _weighted([view.spread * view.spread for view in views], [arm * arm for arm in arms])
        blur = np.sqrt(spread2) * np.float32(p.smear * shot.camera.focal_px)
        return Change(
            grid,
            np.stack(shifts),
            blur,
            self._mirror(layers, views, rays, water, shot),
        )

    def _mirror(
        self,
        layers: tuple[Layer, ...],
        views: list[LayerView],
        rays: Rays,
        water: _Visibility,
        shot: Shot,
    ) -> Mirror | None:
        """Return the mirrored light of all layers, or nothing where there is none."""
        shares = [
            view.mirror_share * (water.clear_path(view.enter_m) * np.float32(self.parameters.sheen))
            for view in views
        ]
        total = np.maximum.reduce(shares)
        if not total.any():
            return None
        weight = np.maximum(np.add.reduce(shares), np.float32(1e-6))
        turn = _weighted([view.mirror_bend for view in views], [share / weight for share in shares])
        behind = min(layer.mirror_range(shot.camera.position_m) for layer in layers)
        return Mirror(total, rays.shift(turn), behind)


def _followed(layer: Layer, rays: Rays, step_rad: float, shot: Shot) -> LayerView:
    """Return the view of a layer, followed in slabs of rows, in parallel."""
    before, after = (shot.track.at(shot.frame + half).position_m for half in (-0.5, 0.5))
    travel = float(np.linalg.norm(after - before))
    edges = np.linspace(0, rays.directions.shape[1], SLABS + 1).astype(int)

    def view(rows: tuple[int, int]) -> LayerView:
        part = np.ascontiguousarray(rays.directions[:, slice(*rows)])
        return view_layer(
            layer,
            rays.camera.position_m,
            part,
            step_rad=step_rad,
            time_s=shot.time_s,
            travel_m=travel,
        )

    slabs = [(int(a), int(b)) for a, b in pairwise(edges) if b > a]
    views = in_parallel(view, slabs)
    joined = [np.concatenate([getattr(v, f.name) for v in views], axis=-2) for f in fields(LayerView)]
    return LayerView(*joined)


@dataclass(frozen=True)
class _Visibility:
    """How far one sees in the shot's water.

    ``range_m`` and ``depth`` are a table of optical depth by range, with the story's remap, for the eye.
    """

    range_m: F64
    depth: F64

    @classmethod
    def of(cls, shot: Shot) -> _Visibility:
        path = shot.path
        luminance = np.maximum(path.luminance @ path.bands.down * path.white, 0.0)
        rate = max(1e-6, float(path.beam_rate @ luminance / luminance.sum()))
        range_m = np.concatenate([[0.0], np.geomspace(0.01, FARTHEST_M, 400)])
        return cls(range_m, rate * path.remap.exact(range_m))

    def clear_path(self, range_m: F32) -> F32:
        """Return how much of what is at a range is still seen through the water in front of it."""
        depth = np.interp(np.minimum(range_m, np.float32(FARTHEST_M)), self.range_m, self.depth)
        return np.exp(-depth).astype(np.float32)

    def seen_to(self, range_m: F32) -> F32:
        """Return the range up to which things beyond a range are seen from there at all."""
        depth = np.interp(np.minimum(range_m, np.float32(FARTHEST_M)), self.range_m, self.depth)
        return np.interp(depth + SEEN_DEPTH, self.depth, self.range_m).astype(np.float32)


def _empty(planes: Planes) -> NDArray[np.bool_] | None:
    """Return where nothing but open water shows; None where that is nowhere."""
    coverage = planes.get("coverage")
    empty: NDArray[np.bool_] = np.isinf(planes["range"]) if coverage is None else coverage <= 0
    return empty if empty.any() else None


def _coverage(planes: Planes) -> Coverage:
    return Coverage(
        planes["range"],
        planes.get("coverage", planes["alpha"]),
        planes.get("far_range"),
        planes.get("far_share"),
    )


def _moved(planes: Planes, share: F32, change: Change) -> dict[str, F32]:
    """Return colour and coverage changed beyond the layers; full coverage stays as it is."""
    alpha = planes["alpha"]
    if (alpha == 1.0).all():
        return {"rgb": changed_beyond(planes["rgb"], share, planes["range"], change), "alpha": alpha}
    if len(change.shift) > 1:
        # The fourth channel moves with green.
        change = replace(change, shift=np.concatenate([change.shift, change.shift[1:2]]))
    both = changed_beyond([*planes["rgb"], alpha], share, planes["range"], change)
    return {"rgb": both[:3], "alpha": np.clip(both[3], 0.0, 1.0, out=both[3])}


def _recorded(share: F32, change: Change) -> dict[str, F32]:
    """Return displacement and blur of what lies beyond, in pixels."""
    grid = change.grid
    record = np.empty((3, *share.shape), np.float32)

    def write(rows: slice) -> None:
        for out, plane in zip(record, (*change.shift[0], change.blur_px), strict=True):
            np.multiply(grid.blown_up(plane, rows=rows), share[rows], out=out[rows])

    in_parallel(write, bands_of_rows(len(share)))
    return {"displacement": record[:2], "blur_px": record[2]}


def _weighted(planes: list[F32], weights: list[F32]) -> F32:
    total: F32 = planes[0] * weights[0]
    for plane, weight in zip(planes[1:], weights[1:], strict=True):
        total += plane * weight
    return total
