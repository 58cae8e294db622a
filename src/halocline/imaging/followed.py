"""A matte's thing on one frame: where it is, how large, and where it touches the floor.

What is seen is the front of the thing alone. Its middle is reckoned as that of something as deep as it is
wide: the mean range of a ball's front is two thirds of its radius short of its middle. It touches where what
is seen of it comes down to the floor around it; what hides behind or under it is not known.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from halocline._typing import F32, F64
from halocline.compute.on_demand import OnDemand
from halocline.imaging.camera import Camera
from halocline.imaging.frame import Frame
from halocline.imaging.matte_track import Contact, FollowedThing
from halocline.late_dataclass import dataclass

spatial = OnDemand("scipy.spatial")
joined = OnDemand("scipy.sparse.csgraph")
sparse = OnDemand("scipy.sparse")

# A pixel is the thing's from the first share of it on, and the floor's below the second.
_ITS, _NOT_ITS = 0.5, 0.02
# The front of a ball lies so many of its radii before its middle, on average over its disc.
_FRONT = 2.0 / 3.0
# Points of a picture that are looked at, at most, and neighbours on the floor that tell its height.
_MOST_POINTS, _NEIGHBOURS = 40_000, 24
# A floor is what faces up at least so much, as a cosine.
_LEVEL = 0.5
# Points of a contact are no farther apart than so many pixels; and a thing goes on for so many below what is
# looked at of it, as its outermost pixels are left out.
_LINK_PX, _DOUBT_PX = 4.0, 2.0
_MOST_CONTACTS = 12


@dataclass(frozen=True)
class FloorAround:
    """The floor that a thing may touch.

    Attributes
    ----------
    up
        World vertical, unit, ``(3,)``.
    height_m
        Its height, metres; as the picture shows it around the thing where None.
    touch_m
        So near it counts as touching.
    """

    up: F64
    height_m: float | None = None
    touch_m: float = 0.05


def followed(frame: Frame, camera: Camera, matte: str, floor: FloorAround) -> FollowedThing | None:
    """Return a matte's thing on a frame.

    Parameters
    ----------
    frame
        Planes ``range`` and ``matte.NAME``.
    camera
        Its camera.
    matte
        The matte's name.
    floor
        What it may touch.

    Returns
    -------
    FollowedThing | None
        Its contacts numbered from 1 by size; None where nothing of it is seen.
    """
    cover, range_m = frame.planes[f"matte.{matte}"], frame.plane("range")
    its = (cover >= _ITS) & np.isfinite(range_m)
    if not its.any():
        return None
    rows, columns = np.nonzero(its)
    directions = camera.directions(frame.data_window)
    seen = directions[:, rows, columns].T.astype(np.float64)
    thing, footprint = _capsule(seen, cover[rows, columns], range_m[rows, columns], camera)
    edge = its[0].any() or its[-1].any() or its[:, 0].any() or its[:, -1].any()
    height, contacts = _touched(_Picture(cover, range_m, directions, camera), its, floor, thing, footprint)
    return replace(thing, cut=bool(edge), height_m=height, contacts=contacts)


def _capsule(rays: F64, cover: F32, range_m: F32, camera: Camera) -> tuple[FollowedThing, float]:
    """Return the capsule that looks like what is seen, and how large a pixel is there, metres."""
    axis = -camera.rotation[:, 2]
    across, down = camera.tangent_per_px
    # By solid angle, a ball is seen evenly around its middle wherever it stands in the picture.
    weight = cover.astype(np.float64) * np.abs(rays @ axis) ** 3
    weight /= weight.sum()
    middle = weight @ rays
    middle /= np.sqrt(middle @ middle)
    along = rays @ middle
    flat = rays / along[:, None] - middle
    right = np.cross(middle, np.eye(3)[int(np.argmin(np.abs(middle)))])
    right /= np.sqrt(right @ right)
    sides = np.stack([right, np.cross(right, middle)])
    place = flat @ sides.T
    # Of an even ellipse, the variance along an axis is a quarter of that half axis squared.
    value, vector = np.linalg.eigh((place * weight[:, None]).T @ place)
    pixel = np.sqrt(across * down)
    minor, major = np.maximum(2.0 * np.sqrt(np.maximum(value, 0.0)), 0.5 * pixel)
    sine = float(minor / np.sqrt(1.0 + minor * minor))
    mean = float(weight @ range_m.astype(np.float64))
    distance = mean / (1.0 - _FRONT * sine)
    radius = distance * sine
    half = distance * max(float(major - minor), 0.0)
    # One that comes towards the lens is nearer at one end.
    coordinate = place @ vector[:, 1]
    slope = float(weight @ (coordinate * (range_m - mean))) / max(float(value[1]), 1e-12)
    end = half * (vector[:, 1] @ sides) + (half / distance) * slope * middle
    centre = camera.position_m + distance * middle
    return FollowedThing(centre, centre + end, centre - end, radius), distance * float(pixel)


@dataclass(frozen=True)
class _Picture:
    cover: F32
    range_m: F32
    directions: F32
    camera: Camera

    def places(self, chosen: NDArray[np.bool_]) -> F64:
        """Return the world places of pixels, ``(n, 3)``; every so many of them where they are too many."""
        rows, columns = np.nonzero(chosen)
        every = max(1, rows.size // _MOST_POINTS)
        return self.at(rows[::every], columns[::every])

    def at(self, rows: NDArray[np.intp], columns: NDArray[np.intp]) -> F64:
        """Return the world places of pixels by row and column, ``(n, 3)``."""
        away = self.range_m[rows, columns].astype(np.float64)
        found: F64 = self.camera.position_m + self.directions[:, rows, columns].T * away[:, None]
        return found


def _touched(
    picture: _Picture, its: NDArray[np.bool_], floor: FloorAround, thing: FollowedThing, footprint: float
) -> tuple[float, tuple[Contact, ...]]:
    """Return the height of the lowest that is seen above the floor, and where that touches."""
    places = picture.places(_inner(its))
    up = floor.up
    high = places @ up
    if floor.height_m is None:
        around = _floor_points(picture, its, up, thing)
        if len(around) < _NEIGHBOURS:
            return np.nan, ()
        # Nothing that is far above all floor around can touch it.
        low = high <= float((around @ up).max()) + 2.0 * floor.touch_m + 0.5 * thing.radius_m
        places, high = (places[low], high[low]) if low.any() else (places, high)

        def ground(points: F64) -> F64:
            return _floor_height(points, around, up)
    else:
        stated = np.float64(floor.height_m)

        def ground(points: F64) -> F64:
            return np.full(len(points), stated)

    above = high - ground(places)
    # The pixels below the lowest that is surely its own are its own too, or the floor's.
    above = above - _DOUBT_PX * footprint
    near = above <= floor.touch_m
    if not near.any():
        return float(above.min()), ()
    feet = places[near] - (above[near, None] + _DOUBT_PX * footprint) * up
    link = max(_LINK_PX * footprint, 2.0 * floor.touch_m)
    contacts = _gathered(feet, up, link, 0.5 * footprint)
    return float(above.min()), tuple(_under(contact, thing, floor, ground) for contact in contacts)


def _under(
    contact: Contact, thing: FollowedThing, floor: FloorAround, ground: Callable[[F64], F64]
) -> Contact:
    """Return a contact below the thing's middle line where that lies down on the floor there.

    Only the near side of such a contact is seen. One of a foot, far below the middle line, stays.
    """
    axis = thing.nose_m - thing.tail_m
    share = float((contact.place_m - thing.tail_m) @ axis) / max(float(axis @ axis), 1e-12)
    above = thing.tail_m + min(max(share, 0.0), 1.0) * axis - contact.place_m
    height = float(above @ floor.up)
    aside = above - height * floor.up
    if height > 1.25 * thing.radius_m + floor.touch_m or float(aside @ aside) > thing.radius_m**2:
        return contact
    place = contact.place_m + aside
    return replace(contact, place_m=place + float(ground(place[None])[0] - place @ floor.up) * floor.up)


def _inner(its: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return pixels whose neighbours are the thing's too; all of it where it is too thin for that."""
    inner = its.copy()
    inner[1:] &= its[:-1]
    inner[:-1] &= its[1:]
    inner[:, 1:] &= its[:, :-1]
    inner[:, :-1] &= its[:, 1:]
    return inner if 4 * np.count_nonzero(inner) >= np.count_nonzero(its) else its


def _floor_points(picture: _Picture, its: NDArray[np.bool_], up: F64, thing: FollowedThing) -> F64:
    """Return places around a thing that face up and are not the thing's, ``(n, 3)``."""
    range_m = picture.range_m
    free = (picture.cover < _NOT_ITS) & np.isfinite(range_m) & ~its
    # A surface is told by three pixels.
    whole = free.copy()
    whole[:-1] &= free[1:]
    whole[:, :-1] &= free[:, 1:]
    whole[-1], whole[:, -1] = False, False
    rows, columns = np.nonzero(whole)
    if not rows.size:
        return np.zeros((0, 3))

    corner = picture.at(rows, columns)
    half = max(float(np.sqrt(((thing.nose_m - thing.middle_m) ** 2).sum())), thing.radius_m)
    offset = corner - thing.middle_m
    level = offset - (offset @ up)[:, None] * up
    near = np.sqrt((level * level).sum(axis=1)) <= 4.0 * half + 1.0
    every = max(1, np.count_nonzero(near) // _MOST_POINTS)
    kept = np.flatnonzero(near)[::every]
    rows, columns, corner = rows[kept], columns[kept], corner[kept]
    normal = np.cross(picture.at(rows + 1, columns) - corner, picture.at(rows, columns + 1) - corner)
    facing = np.abs(normal @ up) >= _LEVEL * np.sqrt((normal * normal).sum(axis=1))
    found: F64 = corner[facing]
    return found


def _floor_height(places: F64, around: F64, up: F64) -> F64:
    """Return the height of the floor under places, ``(n,)``: planes through what is nearest around each."""
    sides = _level_sides(up)
    tree = spatial.cKDTree(around @ sides.T)
    flat = places @ sides.T
    apart, number = tree.query(flat, k=min(_NEIGHBOURS, len(around)))
    weight = 1.0 / (apart + apart.mean(axis=1, keepdims=True) + 1e-6)
    weight /= weight.sum(axis=1, keepdims=True)
    offset = (around @ sides.T)[number]
    height = (around @ up)[number]
    middle = np.einsum("nk,nki->ni", weight, offset)
    mean = (weight * height).sum(axis=1)
    offset = offset - middle[:, None]
    spread = np.einsum("nk,nki,nkj->nij", weight, offset, offset)
    tilt = np.einsum("nk,nki,nk->ni", weight, offset, height - mean[:, None])
    # Neighbours in a line tell no slope across it.
    trace = np.trace(spread, axis1=1, axis2=2)
    spread = spread + (1e-3 * trace + 1e-12)[:, None, None] * np.eye(2)
    slope = np.linalg.solve(spread, tilt[..., None])[..., 0]
    # No floor is steeper than what counts as one.
    steep = np.sqrt((slope * slope).sum(axis=1, keepdims=True))
    slope = slope / np.maximum(steep / np.tan(np.arccos(_LEVEL)), 1.0)
    found: F64 = mean + ((flat - middle) * slope).sum(axis=1)
    return found


def _gathered(feet: F64, up: F64, link: float, least: float) -> tuple[Contact, ...]:
    """Return contacts: feet on the floor that hang together."""
    # By cells as wide as a link: points that lie close would make pairs by the square of their number.
    cell = np.floor(feet @ _level_sides(up).T / link)
    cells, own = np.unique(cell, axis=0, return_inverse=True)
    pairs = spatial.cKDTree(cells).query_pairs(1.5, output_type="ndarray")
    ones = np.ones(len(pairs), np.int8)
    graph = sparse.coo_matrix((ones, (pairs[:, 0], pairs[:, 1])), shape=(len(cells), len(cells)))
    _, of_cell = joined.connected_components(graph, directed=False)
    label = of_cell[own.reshape(-1)]
    found = []
    for each in np.unique(label):
        mine = feet[label == each]
        place = mine.mean(axis=0)
        # Of an even disc the mean square is half of its radius squared.
        radius = np.sqrt(2.0 * ((mine - place) ** 2).sum(axis=1).mean())
        found.append((len(mine), place, float(radius) + least))
    found.sort(key=lambda entry: (-entry[0], *entry[1]))
    return tuple(
        Contact(number, place, radius)
        for number, (_, place, radius) in enumerate(found[:_MOST_CONTACTS], start=1)
    )


def _level_sides(up: F64) -> F64:
    """Return two level directions, as rows."""
    first = np.cross(np.eye(3)[int(np.argmin(np.abs(up)))], up)
    first = first / np.sqrt(first @ first)
    return np.stack([first, np.cross(up, first)])
