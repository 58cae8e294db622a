"""Where in the picture a step acts, and how much: by a matte, a window of range or of height, and an amount.

Any step can be limited, whatever its operator does and knows. What it wrote is taken for the part of each
pixel that is meant, the rest stays as it was, and both are joined by area, premultiplied.

**Edges.** A pixel holds up to three things: a nearer surface, a farther one, and open water where coverage
ends. A matte tells how much of the pixel's area its object has, and so which of them is meant. The operator
is handed that part alone, as if it filled the pixel, with its own coverage and light; it never sees a mixture
of object and background of which it would treat only a share. So a chain held out of the water has no fringe
of half-treated light, and neither has what lies behind it.

What looks around a pixel needs the whole picture, and is joined by the same shares afterwards.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from itertools import product
from typing import Any, TypeAlias

import numpy as np
from pydantic import model_validator

from halocline._typing import F32, F64
from halocline.filters.soft_window import within
from halocline.graph.operator import AnyOperator, Operator, Planes, PlaneUse, RowsOf, Stage, Tile
from halocline.graph.planes import ALPHA, BANDS, RGB, Form, plane_named
from halocline.graph.shot import Shot
from halocline.late_dataclass import dataclass
from halocline.quantities import Distance, Length, Position, Share, Strict

_FAR = ("far_range", "far_share", "far_light")
_ONE, _NONE = np.float32(1.0), np.float32(0.0)
# Where a matte's area is farther from that of what it could mean than this, it says nothing of parts.
_UNSURE = np.float32(0.25)
# A range that stands for open water where heights are asked for, metres.
_OPEN_M = np.float32(1e9)
# What stands for planes that no step has made yet, where neither 0 nor 1 does by their form.
_BEFORE = {"coverage": ALPHA, "far_light": "far_share", "render_far_light": "far_light"}
_BEFORE_LIGHT = "render_light"
_NOTHING = frozenset({"displacement", "blur_px", "particle_alpha", "bubble_alpha", "body_alpha"})


class RangeWindow(Strict):
    """A slab of range.

    Attributes
    ----------
    nearest, farthest
        Where it begins and ends, metres along the view ray; open on a side that is not given.
    softness
        Metres over which its ends fade; half of what the step does is at the ends themselves.
    """

    nearest: Length | None = None
    farthest: Distance | None = None
    softness: Length = 0.5

    @model_validator(mode="after")
    def _has_room(self) -> RangeWindow:
        if self.nearest is not None and self.farthest is not None and self.farthest <= self.nearest:
            raise ValueError("farthest is not beyond nearest")
        return self


class HeightWindow(Strict):
    """A slab of height.

    Attributes
    ----------
    lowest, highest
        Where it begins and ends: heights of what is seen along ``place.up`` in the scene's world, metres;
        open on a side that is not given.
    softness
        Metres over which its ends fade; half of what the step does is at the ends themselves.
    """

    lowest: Position | None = None
    highest: Position | None = None
    softness: Length = 0.5

    @model_validator(mode="after")
    def _has_room(self) -> HeightWindow:
        if self.lowest is not None and self.highest is not None and self.highest <= self.lowest:
            raise ValueError("highest is not above lowest")
        return self


class StepLimits(Strict):
    """Where in the picture a step acts, and how much. All of it may change over frames.

    An operator that has a key of the same name itself, as ``mix`` has a ``matte``, obeys that key by itself.

    Attributes
    ----------
    matte
        Name of a matte of the render: the step acts on what it covers. ``arch`` is the channel
        ``matte.arch``, or whatever ``[input] passes`` says.
    invert_matte
        Act on all but that.
    amount
        Share of what the step does, 0 to 1; 0 leaves it out.
    within_range
        Slab of range in which it acts.
    within_height
        Slab of height in which it acts.
    """

    matte: str | None = None
    invert_matte: bool = False
    amount: Share = 1.0
    within_range: RangeWindow | None = None
    within_height: HeightWindow | None = None

    @model_validator(mode="after")
    def _has_something_to_invert(self) -> StepLimits:
        if self.invert_matte and self.matte is None:
            raise ValueError("invert_matte is given, but no matte")
        return self

    @property
    def everywhere(self) -> bool:
        """Whether nothing is limited."""
        return self == _EVERYWHERE

    @property
    def reads(self) -> frozenset[str]:
        """Planes that tell where the step acts."""
        names = {ALPHA}
        if self.matte is not None:
            names.add(f"matte.{self.matte}")
        if self.within_range is not None or self.within_height is not None:
            names.add("range")
        if self.within_height is not None:
            names.add("downward")
        return frozenset(names)


_EVERYWHERE = StepLimits()

# Of the nearer surface, the farther one and open water in each pixel, (rows, columns) each.
Weights: TypeAlias = tuple[F32, F32, F32]


@dataclass(frozen=True)
class Meant:
    """The part of each pixel that a step is meant for.

    Attributes
    ----------
    area
        Its share of the pixel's area, ``(rows, columns)``.
    covered, light
        Its share of what the pixel's coverage holds, and of the pixel's light.
    far_share, far_light
        The farther surface's share of its covered area and of its light; None where the picture has none.
    """

    area: F32
    covered: F32
    light: F32
    far_share: F32 | None
    far_light: F32 | None

    @classmethod
    def of(cls, limits: StepLimits, planes: Planes, shot: Shot) -> Meant:
        """Return what is meant, from the planes that tell of a pixel's parts.

        Parameters
        ----------
        limits
            What a preset says.
        planes
            ``alpha`` and, as far as they are there and needed, ``range``, ``downward``, the matte and the
            planes of a farther surface, ``(rows, columns)`` each.
        shot
            The frame's surroundings.

        Returns
        -------
        Meant
            Shares, 0 to 1.
        """
        return cls.of_weights(weights(limits, planes, shot), planes)

    @classmethod
    def of_weights(cls, parts: Weights, planes: Planes) -> Meant:
        """Return what is meant, from how much of it each part of a pixel gets.

        Parameters
        ----------
        parts
            Of the nearer surface, the farther one, and open water, 0 to 1, ``(rows, columns)`` each.
        planes
            ``alpha`` and the planes of a farther surface, as far as they are there.

        Returns
        -------
        Meant
            Shares, 0 to 1.
        """
        near, far, open_water = parts
        alpha = np.clip(planes[ALPHA], _NONE, _ONE)
        far_share = planes.get("far_share")
        far_light = planes.get("far_light", far_share)
        shares: tuple[F32 | None, F32 | None] = None, None
        if far_share is None or far_light is None:
            covered, light = near, near
        else:
            # Written so that equal weights give that weight to the bit.
            covered, light = near + far_share * (far - near), near + far_light * (far - near)
            shares = _share_of(far_share, far, covered), _share_of(far_light, far, light)
        area = open_water + alpha * (covered - open_water)
        # Light that nothing covers is the open water's.
        light = np.where(alpha > 0, light, open_water)
        return cls(area, covered, light, *shares)

    def alone_planes(self, planes: Planes, is_light: Callable[[str], bool]) -> dict[str, F32]:
        """Return a picture with each pixel's meant part in the place of all of it, as if it filled the pixel.

        Parameters
        ----------
        planes
            The picture, or part of it.
        is_light
            Tells which planes hold premultiplied light.

        Returns
        -------
        dict[str, F32]
            The same planes.
        """
        alone = dict(planes)
        for name, plane in planes.items():
            if name == ALPHA:
                alone[name] = self.alone_covered(plane)
            elif is_light(name):
                alone[name] = self.alone(plane)
        for name, share in (("far_share", self.far_share), ("far_light", self.far_light)):
            if name in planes and share is not None:
                alone[name] = share
        return alone

    def alone(self, light: F32) -> F32:
        """Return light of the part that is meant, as if it filled the pixel."""
        return light * _ratio(self.light, self.area)

    def alone_covered(self, alpha: F32) -> F32:
        """Return its coverage, as if it filled the pixel."""
        return alpha * _ratio(self.covered, self.area)

    def far_left(self, made: Planes, before: Planes) -> F32:
        """Return the farther surface's share of light, once its part of what was made is joined to the rest.

        Parameters
        ----------
        made, before
            ``bands`` and ``far_light``: of the part alone as the step made it, and as they were.
        """
        share = before.get("far_light", before.get("far_share"))
        if share is None or self.far_light is None:
            return made["far_light"]
        part = self.area * made[BANDS].sum(axis=0)
        whole = before[BANDS].sum(axis=0)
        far = made["far_light"] * part + (share - self.far_light * self.light) * whole
        both = part + (_ONE - self.light) * whole
        left: F32 = np.clip(np.divide(far, both, out=share.copy(), where=both > 0), _NONE, _ONE)
        # To the bit, where all or nothing is meant.
        np.copyto(left, share, where=self.area <= 0)
        np.copyto(left, made["far_light"], where=self.light >= 1)
        return left

    def joined(self, made: F32, before: F32, share: F32) -> F32:
        """Return the part that was made by its area, and the rest as it was.

        Parameters
        ----------
        made, before
            What the step made of the part alone, and what there was, ``(..., rows, columns)``.
        share
            The part's share of what there was.
        """
        whole = made * self.area
        whole += before * (_ONE - share)
        # To the bit, whatever the step made of a place that is not meant.
        np.copyto(whole, before, where=np.broadcast_to(self.area <= 0, whole.shape))
        return whole


class Limited(Operator[Strict, Any]):
    """A step's operator that acts where and as much as is said, and is otherwise that operator.

    Parameters
    ----------
    operator
        What acts.
    limits
        Where, and how much.
    """

    Parameters = StepLimits

    def __init__(self, operator: AnyOperator, limits: StepLimits) -> None:
        super().__init__(operator.parameters)
        self.operator = operator
        self.limits = limits
        # Of the operator that it stands for; of its other inputs only that operator knows.
        self.inputs = operator.inputs  # type: ignore[misc]
        self.stage = operator.stage  # type: ignore[misc]
        self.layer = operator.layer  # type: ignore[misc]
        self.whole = operator.whole  # type: ignore[misc]
        self.own_planes = operator.own_planes  # type: ignore[misc]
        self.surveys = operator.surveys  # type: ignore[misc]
        self.surveys_rows = operator.surveys_rows  # type: ignore[misc]

    def planes(self) -> PlaneUse:
        """Read what the operator reads, what tells where it acts, and what it writes as it was before."""
        use = self.operator.planes()
        light = use.writes & {BANDS, RGB}
        before = frozenset(name for name in (_before(each) for each in use.writes) if name)
        return replace(
            use,
            reads=use.reads | self.limits.reads | light,
            optional=use.optional | {*_FAR} | (use.writes - light) | before - {BANDS, RGB},
        )

    def idle(self, shot: Shot) -> bool:
        """At no amount nothing changes."""
        return self.limits.amount == 0.0 or self.operator.idle(shot)

    def reach(self, shot: Shot) -> int:
        """As far as the operator looks."""
        return self.operator.reach(shot)

    def warnings(self, shot: Shot) -> tuple[str, ...]:
        """Tell what the operator tells."""
        return self.operator.warnings(shot)

    def prepare(self, shot: Shot) -> Any:
        """Prepare the operator."""
        return self.operator.prepare(shot)

    def survey(self, planes: Planes, tile: Tile, shot: Shot, prepared: Any) -> Any:
        """Let the operator look over the whole picture."""
        return self.operator.survey(self._own(planes, tile), tile, shot, prepared)

    def survey_by_rows(self, rows: RowsOf, tile: Tile, shot: Shot, prepared: Any) -> Any:
        """Let the operator look over the whole picture, some rows at a time."""
        own = replace(rows, planes=lambda start, stop: self._own(rows.planes(start, stop), tile))
        return self.operator.survey_by_rows(own, tile, shot, prepared)

    def apply(self, planes: Planes, tile: Tile, shot: Shot, prepared: Any) -> Planes:
        """Let the operator act, and keep of it what is meant."""
        around = self.operator.reach(shot) > 0
        here = {name: tile.trim(plane) for name, plane in planes.items()} if around else planes
        meant = Meant.of(self.limits, here, shot)
        own = self._own(planes, tile)
        written = self.operator.apply(
            own if around else meant.alone_planes(own, self._is_light), tile, shot, prepared
        )
        # What lights the subject goes by its light, what is laid over pixels by their area.
        by_light = around and self.operator.stage in (Stage.SUBJECT_LIGHT, Stage.ATTENUATION)
        mixed = replace(meant, area=meant.light) if by_light else meant
        kept = {
            name: self._kept(name, plane, here, mixed, alone=not around and name in own)
            for name, plane in written.items()
        }
        if not around and "far_light" in written and BANDS in written:
            kept["far_light"] = meant.far_left(written, here)
        return kept

    def _own(self, planes: Planes, tile: Tile) -> dict[str, F32]:
        """Return what the operator itself asked for."""
        use = self.operator.planes()
        asked = use.reads | use.optional | (frozenset(tile.added) if use.added else frozenset())
        return {name: plane for name, plane in planes.items() if name in asked}

    def _kept(self, name: str, made: F32, here: Planes, meant: Meant, *, alone: bool) -> F32:
        """Return a written plane as it comes to be, of what was made and what there was."""
        before = self._as_before(name, here, made)
        if before is None:
            return made
        if name in (ALPHA, "coverage"):
            return meant.joined(made, before, meant.covered if alone or name != ALPHA else meant.area)
        if self._is_light(name) and (alone or name == _BEFORE_LIGHT):
            return meant.joined(made, before, meant.light)
        share = meant.light if self._form(name) is Form.SHARE_OF_LIGHT else meant.area
        # Nothing lies between a place and no place at all.
        there = np.isfinite(made) & np.isfinite(before)
        mixed = np.where(there, made, _NONE) * share + np.where(there, before, _NONE) * (_ONE - share)
        return np.where(there, mixed, np.where(share >= np.float32(0.5), made, before))

    def _as_before(self, name: str, here: Planes, made: F32) -> F32 | None:
        """Return a plane as it was before this step, or what stands for it; None where nothing does."""
        if name in here:
            return here[name]
        standing = here.get(_before(name)) if _before(name) else None
        if name == _BEFORE_LIGHT:
            standing = here[BANDS]
        if standing is not None:
            return standing
        form = self._form(name)
        if form is Form.SHARE_OF_LIGHT:
            return np.ones_like(made)
        if form in (Form.LIGHT, Form.COLOUR) or name in _NOTHING:
            return np.zeros_like(made)
        return None

    def _form(self, name: str) -> Form | None:
        found = plane_named(name, self.operator.own_planes)
        return None if found is None else found.form

    def _is_light(self, name: str) -> bool:
        # What an unknown plane of the operator holds is light that a layer keeps.
        form = self._form(name)
        return "/" not in name and (form is None or form in (Form.LIGHT, Form.COLOUR))


def _before(name: str) -> str:
    return _BEFORE.get(name, "")


def weights(limits: StepLimits, planes: Planes, shot: Shot) -> Weights:
    """Return how much of what is limited the nearer surface, the farther one and open water get, 0 to 1 each.

    Parameters
    ----------
    limits
        What a preset says.
    planes
        As `Meant.of` takes them.
    shot
        The frame's surroundings.

    Returns
    -------
    Weights
        ``(rows, columns)`` each.
    """
    alpha, far_share = np.clip(planes[ALPHA], _NONE, _ONE), planes.get("far_share")
    matte = None
    if limits.matte is not None:
        matte = np.clip(planes[f"matte.{limits.matte}"], _NONE, _ONE)
        matte = _ONE - matte if limits.invert_matte else matte
    parts = _by_matte(matte, alpha, far_share)
    range_m, far_m = planes.get("range"), planes.get("far_range")
    amount = np.float32(limits.amount)
    near, far, open_water = (part * amount for part in parts)
    if range_m is None or (limits.within_range is None and limits.within_height is None):
        return near, far, open_water
    near *= _by_place(limits, range_m, planes, shot)
    if far_m is not None:
        far *= _by_place(limits, far_m, planes, shot)
    open_water *= _by_place(limits, np.full_like(range_m, np.inf), planes, shot)
    return near, far, open_water


def share_before(limits: StepLimits, shot: Shot) -> Callable[[F64], F64] | None:
    """Return what share of a step the picture has in the pixels in which things are seen.

    Parameters
    ----------
    limits
        What a preset says.
    shot
        The frame's surroundings, with the render.

    Returns
    -------
    Callable[[F64], F64] | None
        Of things at world points ``(n, 3)``, ``(n,)``, 0 to 1: by the pixel of their middle, or the nearest
        to what lies aside of the picture. None where the render is not known, or lacks what tells.
    """
    if limits == StepLimits(amount=limits.amount):
        return lambda points_m: np.full(len(points_m), limits.amount)
    render, camera = shot.surfaces, shot.camera
    if render is None or not limits.reads <= {*render.planes, "downward"}:
        return None
    told = [name for name in (ALPHA, "range", f"matte.{limits.matte}", *_FAR) if name in render.planes]
    window = render.data_window

    def share(points_m: F64) -> F64:
        pixels, _ = camera.project(points_m)
        first, last = (window.x, window.y), (window.x_end - 1, window.y_end - 1)
        # What lies behind the lens is in no pixel, and seen in none.
        columns, rows = np.clip(np.floor(np.nan_to_num(pixels)), first, last).astype(np.int64).T
        at = rows - window.y, columns - window.x
        planes = {name: render.planes[name][at][None] for name in told}
        offset = points_m - camera.position_m
        distance = np.maximum(np.sqrt((offset * offset).sum(axis=1)), 1e-9)
        planes["downward"] = (-(offset @ shot.path.up) / distance).astype(np.float32)[None]
        return np.asarray(Meant.of(limits, planes, shot).area[0], np.float64)

    return share


def _by_matte(matte: F32 | None, alpha: F32, far_share: F32 | None) -> tuple[F32, F32, F32]:
    """Return which parts of a pixel a matte means: whole ones where its area says so, else a share of all."""
    if matte is None:
        whole = np.ones_like(alpha)
        return whole, whole, whole
    near, far, open_water = matte.copy(), matte.copy(), matte.copy()
    several = alpha < 1
    if far_share is not None:
        several |= (far_share > 0) & (far_share < 1)
    at = np.nonzero((matte > 0) & (matte < 1) & (alpha > 0) & several)
    area = matte[at]
    behind = np.zeros_like(area) if far_share is None else far_share[at]
    areas = (alpha[at] * (_ONE - behind), alpha[at] * behind, _ONE - alpha[at])
    best, off = np.zeros((3, area.size), np.float32), np.full_like(area, 9.0)
    # The nearer surface is tried before others of the same area.
    for chosen in sorted(product((0, 1), repeat=3), reverse=True):
        sum_of = sum((part * np.float32(take) for part, take in zip(areas, chosen, strict=True)), _NONE)
        error = np.abs(sum_of - area)
        better = error < off
        np.copyto(off, error, where=better)
        np.copyto(best, np.array(chosen, np.float32)[:, None], where=better)
    sure = np.clip(_ONE - off / _UNSURE, _NONE, _ONE)
    for part, one in zip((near, far, open_water), best, strict=True):
        part[at] += sure * (one - area)
    return near, far, open_water


def _by_place(limits: StepLimits, range_m: F32, planes: Planes, shot: Shot) -> F32:
    """Return how far surfaces at a range lie within the windows, 0 to 1."""
    inside = np.ones_like(range_m)
    if (slab := limits.within_range) is not None:
        inside *= within(range_m, slab.nearest, slab.farthest, slab.softness)
    if (level := limits.within_height) is not None:
        up: F64 = shot.path.up
        lens = np.float32(shot.camera.position_m @ up)
        height = lens - planes["downward"] * np.minimum(range_m, _OPEN_M)
        inside *= within(height, level.lowest, level.highest, level.softness)
    return inside


def _share_of(share: F32, weight: F32, whole: F32) -> F32:
    """Return a part's share of a whole, of whose area it had a share; the same where all weigh alike."""
    return share * _ratio(weight, whole)


def _ratio(part: F32, whole: F32) -> F32:
    """Return part by whole; 1 where there is no whole."""
    return np.divide(part, whole, out=np.ones_like(whole), where=whole > 0)
