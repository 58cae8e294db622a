"""Which kind of depth the flat parts of a picture say that a pass holds, against the kind it was taken for.

A plane's depth along the camera's axis has a reciprocal that grows evenly across the picture, whichever way
the plane faces and whatever the lens; so has its range divided by range per depth, and a pass of reciprocals
grows evenly itself. Of a kind that is not the pass's own the same plane is curved, by an amount that is
known. Where many parts of a picture fit one kind by that amount, and hardly any the other, there is no doubt
left; of things that are curved themselves each says something else, and nothing is told.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from halocline._typing import F32, F64
from halocline.imaging.camera import Camera
from halocline.imaging.depth import DepthKind, DepthSpec
from halocline.imaging.depth_edges import COVERED
from halocline.imaging.frame import Window
from halocline.late_dataclass import dataclass

Value = TypeVar("Value", bound=np.generic)

# Kinds that are told from one another; range differs from depth by less than their reciprocals do.
TOLD: tuple[DepthKind, ...] = ("inverse", "planar", "range")
_MEANINGS: dict[DepthKind, str] = {
    "planar": "depth along the camera's axis (planar)",
    "range": "distance along the ray (range)",
    "inverse": "1/depth (inverse)",
}
# Squares of curves whose kinds agree; no number is divided by less.
_NOTHING = 1e-30
# Pixels of the lattice across the picture, at least where it has so many, and along a side of each part.
_ACROSS, _SIDE = 512, 16
# How many of those a part takes, counted in lattice pixels between two of its own.
_SPACINGS = (1, 2, 4, 8)
# A part that changes by less tells a wall from a dome around the lens by nothing.
_LEAST_CHANGE = 0.01
# What no curve of the known form explains, as a share of that curve, where a part is flat after all.
_LEAST_FIT = 0.3
# How near to all of it, or to nothing, the amount of a part must be to count; and of those that fit the other
# kind, how near their median must be to all, and how close together half of them: of smooth curved things a
# few have such parts by chance, seldom all alike.
_NEAR, _MEDIAN_NEAR, _ALIKE = 0.15, 0.02, 0.015
# Parts that must agree, how many times as many as those that fit the kind taken, and their share of all
# that are bent by this form at all.
_LEAST_PARTS, _TIMES, _SHARE = 12, 8, 0.5


@dataclass(frozen=True)
class _Parts:
    """Square parts of a picture all of which is covered: depths and range per depth, ``(parts, pixels)``."""

    values: F64
    factor: F64


@dataclass(frozen=True)
class _Votes:
    """How many parts fit the kind taken, by how much of its form those are bent that fit the other, ``(n,)``,
    and how many are bent by that form at all.
    """

    own: int
    other: F64
    bent: int

    @property
    def sure(self) -> bool:
        """Whether they leave no doubt that it is the other."""
        if self.other.size < max(_LEAST_PARTS, _TIMES * self.own, _SHARE * self.bent):
            return False
        middle = float(np.median(self.other))
        return abs(middle - 1.0) < _MEDIAN_NEAR and float(np.median(np.abs(self.other - middle))) < _ALIKE


def kind_doubts(
    values: F32, alpha: F32 | None, *, spec: DepthSpec, camera: Camera, window: Window
) -> list[str]:
    """Return what flat parts of the picture say against the kind of depth that the pass was taken for.

    Parameters
    ----------
    values
        The pass, ``(rows, columns)``; positions and normalised passes tell nothing.
    alpha
        Coverage, or None.
    spec
        What the pass was taken for.
    camera, window
        The camera, a perspective one, and the pixels.

    Returns
    -------
    list[str]
        A sentence, or nothing where the parts agree or do not say.
    """
    if values.ndim != 2 or spec.kind not in TOLD or camera.globe is not None:
        return []
    parts = list(_parts(values, alpha, camera, window))
    kind, told = spec.kind, _Votes(0, np.empty(0), 0)
    for other in TOLD:
        votes = _votes(parts, kind, other)
        if other != spec.kind and votes.sure:
            kind, told = other, votes
    if kind == spec.kind:
        return []
    return [
        f"the picture's flat surfaces are flat only if its depth pass holds {_MEANINGS[kind]}, and it is "
        f"taken for {_MEANINGS[spec.kind]} ({told.other.size} parts of the picture against {told.own}): "
        + _mend(kind, parts)
    ]


def _mend(kind: DepthKind, parts: Iterable[_Parts]) -> str:
    """Return what to set; a buffer between two planes is as even in 1/depth as the reciprocals themselves."""
    if kind == "inverse" and all(float(some.values.max()) <= 1.0 for some in parts):
        return (
            'set input.depth_kind = "inverse" if its values are 1 over units of depth. All lie in 0 to 1: a '
            "depth buffer is as even, and read so it would be off by about its near plane; set "
            '"depth_buffer" (0 at the near plane) or "depth_buffer_reversed", with input.near and input.far'
        )
    return f'set input.depth_kind = "{kind}"'


def _parts(values: F32, alpha: F32 | None, camera: Camera, window: Window) -> Iterator[_Parts]:
    """Yield the covered parts of the picture, by size."""
    every = max(1, window.width // _ACROSS)
    read = values[::every, ::every]
    known: NDArray[np.bool_] = np.isfinite(read) & (read > 0.0)
    picked = np.where(known, read, np.float32(1.0)).astype(np.float64)
    if alpha is not None:
        known &= alpha[::every, ::every] >= COVERED
    factor = camera.range_per_depth(window, every=every).astype(np.float64)
    for spacing in _SPACINGS:
        whole = _squares(known, spacing).all(axis=1)
        if whole.any():
            yield _Parts(_squares(picked, spacing)[whole], _squares(factor, spacing)[whole])


def _squares(plane: NDArray[Value], spacing: int) -> NDArray[Value]:
    """Cut a plane into squares of ``_SIDE`` pixels, so many apart, ``(squares, pixels)``."""
    thin = plane[::spacing, ::spacing]
    down, across = (size // _SIDE for size in thin.shape)
    cut = thin[: down * _SIDE, : across * _SIDE].reshape(down, _SIDE, across, _SIDE)
    return cut.swapaxes(1, 2).reshape(down * across, _SIDE * _SIDE)


def _evenly(parts: _Parts, kind: DepthKind) -> F64:
    """Return what grows evenly along a plane if the pass is of a kind, each part's mean 1."""
    over = parts.factor if kind == "range" else 1.0
    even = parts.values if kind == "inverse" else over / parts.values
    return np.asarray(even / even.mean(axis=1, keepdims=True))


def _votes(parts: Iterable[_Parts], own: DepthKind, other: DepthKind) -> _Votes:
    """Return how the parts of the picture speak for the kind taken and for another."""
    fit, bent, amounts = 0, 0, [np.empty(0)]
    for some in parts:
        slopes, taken = _without_slopes(_evenly(some, own))
        others, meant = _without_slopes(_evenly(some, other))
        form = taken - meant
        size = np.maximum((form**2).sum(axis=1), _NOTHING)
        amount = (taken * form).sum(axis=1) / size
        left = np.sqrt(((taken - amount[:, np.newaxis] * form) ** 2).sum(axis=1) / size)
        slanted = np.minimum(slopes, others) > _LEAST_CHANGE
        flat = slanted & (left < _LEAST_FIT)
        fit += int(np.count_nonzero(flat & (np.abs(amount) < _NEAR)))
        bent += int(np.count_nonzero(slanted & (left < _LEAST_FIT * np.maximum(1.0, np.abs(amount)))))
        amounts.append(amount[flat & (np.abs(amount - 1.0) < _NEAR)])
    return _Votes(fit, np.concatenate(amounts), bent)


def _without_slopes(even: F64) -> tuple[F64, F64]:
    """Return how much parts grow across and down (standard deviation), and what is left without that."""
    along = (np.arange(_SIDE) - (_SIDE - 1) / 2.0) / np.sqrt((_SIDE**2 - 1) / 12.0)
    across, down = np.tile(along, _SIDE), np.repeat(along, _SIDE)
    gains = [(even @ axis / even.shape[1])[:, np.newaxis] for axis in (across, down)]
    return np.hypot(*gains)[:, 0], even - 1.0 - gains[0] * across - gains[1] * down
