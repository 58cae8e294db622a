"""What a pixel covers of a surface while the shutter is open.

A pixel that looks along a surface covers a long, narrow stretch of it, and one whose camera moves meanwhile
sweeps over more of it. Both together are taken as the plane's ellipse whose variance is that of the pixel's
square, laid on the plane, and of the sweep, added up. Whatever lies on surfaces as a pattern of light is
averaged over it: at places along its length, each as wide as the ellipse or as the places are apart.
"""

from __future__ import annotations

from typing import Self

import numpy as np
from numpy.typing import NDArray

from halocline._typing import F32, F64
from halocline.compute.compiled import compiled
from halocline.graph.shot import Shot
from halocline.imaging.camera import Camera
from halocline.late_dataclass import dataclass
from halocline.physics.sea.slope_lookup import drawn_out

# A surface seen this steeply at least, when the width of a pixel on it is reckoned.
STEEPEST = np.float32(0.1)
# Cosine under which a pixel's length on it grows no more: a pixel is no longer than 50 times its width.
_FLATTEST = np.float32(0.02)
# In float32, as all numbers in the loops.
_NOTHING, _HALF, _ONE = np.float32(0.0), np.float32(0.5), np.float32(1.0)
_THIRD, _NINTH = np.float32(1.0 / 3.0), np.float32(1.0 / 9.0)
# A normal's square beyond this, or under a half, is no direction's.
_NO_UNIT = np.float32(2.0)
_LEAST, _LEAST_SINE, _ENDLESS = np.float32(1e-6), np.float32(1e-4), np.float32(np.inf)
# A sweep longer than this many pixels is looked up at nine places instead of three.
_LONG_SWEEP = np.float32(3.0)
# As is a stretch longer than this many of its widths, where a third of it would hide detail.
_LONG_STRETCH = np.float32(4.0)


@dataclass(frozen=True)
class CameraMotion:
    """How the camera moves while the shutter is open, along level axes: two level ones, and the one down.

    Attributes
    ----------
    moved
        ``(3,)`` metres that the lens moves.
    turned
        ``(3, 3)``: times a unit view direction, how far that moves, at a metre, as the camera turns and its
        lens zooms; along the direction itself it may be off, which moves no place on a surface.
    lens
        ``(3, 3)``: the camera's axes to the right, upward and ahead as rows, the first two times the tangent
        of a pixel.
    frames
        How long the shutter is open, in frames.
    """

    moved: F32
    turned: F32
    lens: F32
    frames: float

    @classmethod
    def of(cls, shot: Shot, level: F64) -> Self:
        """Return the motion of a shot's camera.

        Parameters
        ----------
        shot
            The frame.
        level
            ``(3, 3)``: the axes as rows, world.

        Returns
        -------
        CameraMotion
            Exactly nothing where the camera stands still.
        """
        moments, camera = shot.shutter(), shot.camera
        opened, closed = (shot.track.at(frame) for frame in moments)
        axes = camera.rotation.T @ level.T * np.array([*camera.tangent_per_px, -1.0])[:, np.newaxis]
        turned = (_looked_along(closed, camera) - _looked_along(opened, camera)) @ camera.rotation.T
        return cls(
            (level @ (closed.position_m - opened.position_m)).astype(np.float32),
            (level @ turned @ level.T).astype(np.float32),
            axes.astype(np.float32),
            moments[1] - moments[0],
        )

    def over_level(self, directions: F32, range_m: F32) -> F32:
        """Return how far pixels go over a level surface, ``(2, n)`` metres along the level axes.

        Parameters
        ----------
        directions
            ``(3, n)`` unit view directions along the axes; none is level.
        range_m
            ``(n,)`` metres.
        """
        free = self.turned @ directions
        free *= range_m
        free += self.moved[:, np.newaxis]
        level: F32 = free[:2] - directions[:2] * (free[2] / directions[2])
        return level

    @property
    def still(self) -> bool:
        """Whether nothing moves."""
        return not (self.moved.any() or self.turned.any())

    def sweep(self, directions: tuple[F32, F32, F32], range_m: F32) -> F32:
        """Return how far pixels sweep over surfaces that face the lens, ``(n,)`` metres.

        Parameters
        ----------
        directions
            Unit view directions along the axes, ``(n,)`` each.
        range_m
            Metres along them, finite.
        """
        out = np.zeros(range_m.size, np.float32)
        if not self.still:
            _sweep(directions, range_m, self.moved, self.turned, out)
        return out


def _looked_along(then: Camera, now: Camera) -> F64:
    """Return what takes directions in the axes of a camera to where their pixels look at another time, world.

    ``(3, 3)``; times a unit direction it gives one whose part along the optical axis is that of now.
    """
    zoomed = np.eye(3)
    for axis, downward in ((0, 1.0), (1, -1.0)):
        zoomed[axis, axis] = then.tangent_per_px[axis] / now.tangent_per_px[axis]
        shifted = now.centre_px[axis] - then.centre_px[axis]
        # The camera looks along its third axis backwards.
        zoomed[axis, 2] = -downward * then.tangent_per_px[axis] * shifted
    looked: F64 = then.rotation @ zoomed
    return looked


@dataclass(frozen=True)
class Stretches:
    """What pixels cover of the planes through their surfaces.

    Attributes
    ----------
    along
        ``(3, n)`` metres, level and down: from the middle of a stretch to the middle of its outer third, or
        to that of its outer ninth.
    width
        ``(n,)`` metres that each of the three, or nine, places along it stands for.
    ninths
        ``(n,)``: whether it is so long that it takes nine.
    """

    along: F32
    width: F32
    ninths: F32

    def long_ones(self, short: np.float32) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Return which pixels look at more than the middle: those of three places, and those of nine.

        Parameters
        ----------
        short
            Outer places are as good as the middle where they lie no farther from it than so many widths.

        Returns
        -------
        tuple[NDArray[np.int64], NDArray[np.int64]]
            Numbers of pixels, ascending.
        """
        thirds, ninths, counts = *np.empty((2, self.width.size), np.int64), np.empty(2, np.int64)
        _list_long(self.along, self.width, self.ninths, short, (thirds, ninths), counts)
        return thirds[: counts[0]], ninths[: counts[1]]


def stretches(
    directions: tuple[F32, F32, F32],
    normal: F32,
    level: F64,
    range_m: F32,
    per_m: float,
    width: F32,
    motion: CameraMotion,
    finest_m: float,
    vectors: F32 | None = None,
    shown: F32 | None = None,
) -> Stretches:
    """Return what pixels cover of their surfaces while the shutter is open.

    Parameters
    ----------
    directions
        Unit view directions along the two level axes and down, ``(n,)`` each.
    normal
        ``(3, n)`` unit normals, world; what is no direction faces the lens.
    level
        ``(3, 3)``: the level axes and the one down as rows, world.
    range_m
        ``(n,)`` metres.
    per_m
        Width of a pixel at a metre, metres.
    width
        ``(n,)``: 0 where a pixel shows nothing; kept there.
    motion
        Of the camera.
    finest_m
        Size of the finest detail of the pattern, metres: parts no longer than that hide none.
    vectors
        ``(2, n)``: how far surfaces move in the picture from frame to frame, pixels to the right and down;
        as still things do, where not given. They are taken to move in the plane of the picture.
    shown
        ``(n,)``: how wide a part of its pixel shows the surface, as a share of the pixel; the whole of it
        where not given.

    Returns
    -------
    Stretches
        Of all pixels.
    """
    along, wide, ninths = np.empty((3, range_m.size), np.float32), width.copy(), np.zeros_like(width)
    axes = tuple(tuple(np.float32(value) for value in axis) for axis in level)
    towards = np.zeros_like(width)
    if vectors is not None:
        per_exposure = vectors * np.float32(motion.frames)
        _thrust(
            directions, normal, axes, range_m, per_exposure, motion.moved, motion.turned, motion.lens, towards
        )
    _stretch(
        directions,
        normal,
        axes,
        range_m,
        (np.float32(per_m), np.float32(finest_m)),
        np.zeros(0, np.float32) if shown is None else shown,
        (motion.moved, motion.turned, towards),
        (along, wide, ninths),
    )
    return Stretches(along, wide, ninths)


@compiled
def _list_long(
    along: F32,
    width: F32,
    ninths: F32,
    short: np.float32,
    found: tuple[NDArray[np.int64], NDArray[np.int64]],
    counts: NDArray[np.int64],
) -> None:
    """Write the numbers of pixels of three places and of nine, and how many there are of each."""
    thirds, nines = found
    three = nine = 0
    for i in range(width.size):
        x, y, down = along[0, i], along[1, i], along[2, i]
        near = short * width[i]
        if x * x + y * y + down * down > near * near:
            if ninths[i] > _NOTHING:
                nines[nine] = i
                nine += 1
            else:
                thirds[three] = i
                three += 1
    counts[0], counts[1] = three, nine


@compiled
def _sweep(view: tuple[F32, F32, F32], range_m: F32, moved: F32, turned: F32, out: F32) -> None:
    for i in range(range_m.size):
        x, y, down = view[0][i], view[1][i], view[2][i]
        a, b, c = _freely(x, y, down, range_m[i], moved, turned)
        along = a * x + b * y + c * down
        a, b, c = a - along * x, b - along * y, c - along * down
        out[i] = np.sqrt(a * a + b * b + c * c)


@compiled
def _freely(
    x: np.float32, y: np.float32, down: np.float32, range_m: np.float32, moved: F32, turned: F32
) -> tuple[np.float32, np.float32, np.float32]:
    """Return how far the point at a range along a pixel's ray moves with the camera."""
    return (
        moved[0] + range_m * (turned[0, 0] * x + turned[0, 1] * y + turned[0, 2] * down),
        moved[1] + range_m * (turned[1, 0] * x + turned[1, 1] * y + turned[1, 2] * down),
        moved[2] + range_m * (turned[2, 0] * x + turned[2, 1] * y + turned[2, 2] * down),
    )


@compiled
def _faced(
    a: np.float32,
    b: np.float32,
    c: np.float32,
    axes: tuple[tuple[np.float32, ...], ...],
    x: np.float32,
    y: np.float32,
    down: np.float32,
) -> tuple[np.float32, np.float32, np.float32]:
    """Return a normal along the level axes; against the view where it is no direction."""
    across = axes[0][0] * a + axes[0][1] * b + axes[0][2] * c
    forth = axes[1][0] * a + axes[1][1] * b + axes[1][2] * c
    under = axes[2][0] * a + axes[2][1] * b + axes[2][2] * c
    if not _HALF < across * across + forth * forth + under * under < _NO_UNIT:
        return -x, -y, -down
    return across, forth, under


@compiled
def _thrust(
    view: tuple[F32, F32, F32],
    normal: F32,
    axes: tuple[tuple[np.float32, ...], ...],
    range_m: F32,
    vectors: F32,
    moved: F32,
    turned: F32,
    lens: F32,
    out: F32,
) -> None:
    """Write how far surfaces move along their normals, by how far in the picture while the shutter is open.

    What a surface moves in the picture beyond what the camera moves a still one by, it moves in the plane of
    the picture. Only what leads it out of its own plane changes the place that a pixel sees.
    """
    for i in range(range_m.size):
        far = range_m[i]
        if not far < _ENDLESS:
            continue
        x, y, down = view[0][i], view[1][i], view[2][i]
        across, forth, under = _faced(normal[0, i], normal[1, i], normal[2, i], axes, x, y, down)
        a, b, c = _freely(x, y, down, far, moved, turned)
        ahead = lens[2, 0] * x + lens[2, 1] * y + lens[2, 2] * down
        closer = lens[2, 0] * a + lens[2, 1] * b + lens[2, 2] * c
        depth = max(far * ahead, _LEAST)
        total = _NOTHING
        for axis in range(2):
            p, q, r = lens[axis, 0], lens[axis, 1], lens[axis, 2]
            size = p * p + q * q + r * r
            # Where a still point goes in the picture, as a tangent, is against the way of the pixel's ray.
            still = (p * x + q * y + r * down) / ahead * closer - (p * a + q * b + r * c)
            seen = vectors[axis, i] * size * depth * (_ONE if axis == 0 else -_ONE)
            total += (seen - still) / size * (p * across + q * forth + r * under)
        out[i] = total


@compiled
def _stretch(
    view: tuple[F32, F32, F32],
    normal: F32,
    axes: tuple[tuple[np.float32, ...], ...],
    range_m: F32,
    sizes: tuple[np.float32, np.float32],
    shown: F32,
    motion: tuple[F32, F32, F32],
    out: tuple[F32, F32, F32],
) -> None:
    """Write how far from the middle of a pixel's stretch its outer parts lie, and how wide each part is."""
    per_m, finest = sizes
    moved, turned, towards = motion
    along, width, ninths = out
    for i in range(range_m.size):
        if width[i] == _NOTHING:
            along[0, i] = along[1, i] = along[2, i] = _NOTHING
            continue
        x, y, down = view[0][i], view[1][i], view[2][i]
        across, forth, under = _faced(normal[0, i], normal[1, i], normal[2, i], axes, x, y, down)
        cosine = x * across + y * forth + down * under
        steep = cosine if abs(cosine) >= STEEPEST else (STEEPEST if cosine > _NOTHING else -STEEPEST)
        size = range_m[i] * per_m
        if shown.size > 0:
            size *= shown[i]
        length = size / max(abs(cosine), _FLATTEST)
        # How far the place that the middle of the pixel sees goes, with the camera and with the surface.
        a, b, c = _freely(x, y, down, range_m[i], moved, turned)
        nearer = (a * across + b * forth + c * under - towards[i]) / steep
        a, b, c = a - nearer * x, b - nearer * y, c - nearer * down
        sweep = np.sqrt(a * a + b * b + c * c)
        # The way up the plane, along which a pixel is long; any where it faces the lens.
        x, y, down = x - cosine * across, y - cosine * forth, down - cosine * under
        sine = np.sqrt(x * x + y * y + down * down)
        if sine < _LEAST_SINE and sweep > _NOTHING:
            x, y, down, sine = a, b, c, sweep
        scale = _ONE / max(sine, _LEAST)
        x, y, down = x * scale, y * scale, down * scale
        if sweep > _NOTHING:
            way = a * x + b * y + c * down
            p, q, r = a - way * x, b - way * y, c - way * down
            aside = np.sqrt(p * p + q * q + r * r)
            length, size, u, v = drawn_out(length, size, way, aside)
            v /= max(aside, _LEAST)
            x, y, down = u * x + v * p, u * y + v * q, u * down + v * r
        long = length * _THIRD
        longer = sweep / max(range_m[i] * per_m, _LEAST) - _LONG_SWEEP
        # Thirds as long as the pattern's detail, and many widths long, would blur it across the stretch.
        longer = max(longer, min(length / max(size, _LEAST) - _LONG_STRETCH, long / finest - _ONE))
        if longer > _NOTHING:
            ninths[i] = _ONE
            long += min(longer, _ONE) * (length * _NINTH - long)
        width[i] = max(size, long)
        half = _HALF * (length - width[i])
        along[0, i], along[1, i], along[2, i] = x * half, y * half, down * half
