"""Radiance in even water, by photons followed backwards from the lens.

    python tools/follow_photons.py [level | deep | hull | edge | opening | other | boxes | seen]

It prints the table of `tests/reference/data/photons_looking_up.csv`, or with ``level`` that of
`photons_under_a_disc.csv`: level views from below a disc, and without it; or with ``deep`` that of
`photons_from_40_m.csv`: clear types of water by wavelength, with their own phase functions; with ``hull``
that of `photons_under_a_hull.csv`: such water before a disc whose edge hides the sun; with ``edge`` that of
`photons_beside_an_edge.csv`: even water before such discs and beside them; with ``opening`` that of
`photons_through_an_opening.csv`: under a level roof with a round opening towards the sun, and with a disc
over that; with ``other`` that of `photons_past_other_things.csv`: a hull and an opening of
other sizes, under another sun; with ``boxes`` that of `photons_past_boxes.csv`: views of the black boxes of
`scenes_of_boxes.json`, and without them; with ``seen`` that of `photons_past_seen_boxes.csv`: everyday scenes
of black boxes, `scenes_seen.json`, each photon with and without them, so that what they leave is known better
than either. The water scatters by
Henyey and Greenstein's lobe under a flat sea (Snell, Fresnel), a sun whose beam every scattering looks for,
and a sky of even radiance; a black disc may lie below the surface. Radiance is per irradiance of 1 on the
sea.
"""

from __future__ import annotations

import itertools
import json
import math
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numba import njit

from halocline._typing import F64
from halocline.physics.path.phase import molecular_share
from halocline.physics.sea.surface import direct_sun_share
from halocline.physics.water.bands import SHARE_NODES_NM
from halocline.physics.water.fitted_bands import fit_bands
from halocline.physics.water.water import jerlov_water

INDEX, LOBE, SUN_DEG = 1.341, 0.924, 60.0
PHOTONS = 200_000
DISC_M, DISC_DEPTH_M = 2.0, 0.3


@dataclass(frozen=True)
class Case:
    """One water, lens and sky: absorption and scattering, 1/m; depth, metres; the sun's share."""

    absorption: float
    scattering: float
    depth_m: float
    sun_share: float


CASES = (
    Case(0.0988, 0.427, 5.0, 0.0),
    Case(0.0988, 0.427, 5.0, 0.75),
    Case(0.0988, 0.427, 9.0, 0.0),
    Case(0.0988, 0.427, 9.0, 0.75),
    Case(0.04, 0.15, 9.0, 0.0),
    Case(0.04, 0.15, 9.0, 0.75),
)
# From deep down, without a disc: it would look too small.
DEEP = (
    Case(0.04, 0.15, 20.0, 0.0),
    Case(0.04, 0.15, 20.0, 0.75),
    Case(0.02, 0.04, 40.0, 0.0),
    Case(0.02, 0.04, 40.0, 0.75),
    Case(0.02, 0.04, 80.0, 0.0),
    Case(0.02, 0.04, 80.0, 0.75),
)
# Level views under a disc that lies half a metre deep, before the sun: water as above, and how far below it
# the lens is and how large it is, metres. Its sun stands 30 degrees from the zenith.
LEVEL_DISC_M, LEVEL_SUN_DEG, LEVEL_PHOTONS = 0.5, 60.0, 2_000_000
UNDER = tuple(
    (Case(absorption, scattering, LEVEL_DISC_M + below, share), below, radius)
    for absorption, scattering in ((0.08, 0.12), (0.08, 0.32))
    for below, radius in ((5.0, 2.257), (9.0, 3.0))
    for share in (0.0, 1.0)
)
# Clear types, by every so many nodes of their spectra, seen from so deep under an even sky: straight up and
# aside, degrees. Where little light is left fewer photons are followed.
DEEP_TYPES, DEEP_M, DEEP_STEP, DEEP_FROM_UP_DEG = ("IA", "IB"), 40.0, 2, (0.0, 26.0)
DEEP_PHOTONS, DARK_PHOTONS, DARK_PER_M = 20_000, 1_500, 0.2
# A disc so far above a lens in the first of these, with its middle beside the sun, and views past the sun
# towards that, degrees.
HULL_ABOVE_M, HULL_ASIDE_M, HULL_VIEWS_DEG = 8.0, 1.6, (-1.0, 0.0, 3.0, 9.0)
HULL_PHOTONS, HULL_SUN_SHARE = 100_000, 0.75
# Absorption and scattering, 1/m; how deep the lens is, metres; how far above it such a disc; its middle
# beside the sun, and its radius, metres. Views past the sun towards that, and to the other side, degrees.
EDGES = (
    (0.03, 0.05, 40.0, 8.0, 1.6, 2.0),
    (0.04, 0.15, 20.0, 8.0, 1.6, 2.0),
    (0.0988, 0.427, 9.0, 8.0, 1.6, 2.0),
)
EDGE_VIEWS_DEG = (-8.0, -5.0, -3.5, -2.0, 0.0, 3.0, 6.0, 9.0)
# The radius of an opening in a roof, its middle towards the sun, and the roof's depth, metres; less than 0 is
# no roof.
NO_ROOF = (-1.0, 0.0, 0.0)
BOXES = Path(__file__).parents[1] / "tests" / "reference" / "data" / "scenes_of_boxes.json"
SEEN = BOXES.with_name("scenes_seen.json")
NO_BOXES: F64 = np.zeros((0, 6))
# Absorption and scattering, 1/m; how deep the lens, the roof and a disc over it are, and the radius of the
# opening and of the disc, metres: none, as large as what the lens sees of it, or half that. Views to the side
# of the sun, and below it, degrees: less far than what lies beyond a picture's edges comes to matter.
OPENINGS = (
    (0.04, 0.15, 12.0, 6.0, 0.8, 4.5, 0.0),
    (0.04, 0.15, 12.0, 6.0, 0.8, 4.5, 0.5),
    (0.04, 0.15, 12.0, 6.0, 0.8, 4.5, 1.02),
    (0.0988, 0.427, 9.0, 4.0, 1.2, 2.0, 0.0),
    (0.0988, 0.427, 9.0, 6.0, 0.6, 2.0, 0.0),
    (0.03, 0.05, 20.0, 12.0, 1.3, 2.0, 0.0),
)
OPENING_VIEWS_DEG = (
    *(("aside", angle) for angle in (0.0, 2.0, 4.0, 10.0, 15.0, 20.0)),
    *(("below", angle) for angle in (10.0, 15.0, 20.0)),
)
# Absorption and scattering, 1/m; how deep the lens is, metres; the sun's height, degrees; how far above the
# lens a roof with an opening towards the sun is, or such a disc; the radius of the opening, of no roof -1,
# and of the disc, of none 0, metres. The opening looks three degrees wide to either side, the disc 26.
OTHERS = (
    (0.04, 0.15, 18.0, 65.0, 6.0, 0.331, 0.0),
    (0.04, 0.15, 18.0, 65.0, 14.0, -1.0, 7.5),
)
OTHER_VIEWS_DEG = (
    *(("aside", angle) for angle in (0.0, 5.0, 10.0, 15.0, 20.0)),
    *(("below", angle) for angle in (10.0, 15.0)),
)
# Of sea water's own scattering: 1 + this times the cosine squared (morel1974).
OWN = 0.835
LEVEL_VIEWS = {
    "to the side": (0.0, 0.0, 1.0),
    "from the sun": (-1.0, 0.0, 0.0),
    "to the sun": (1.0, 0.0, 0.0),
}
# Degrees between the view and the sun as it is seen from below, at right angles to the plane it stands in.
FROM_SUN_DEG = (0.0, 3.0, 6.0, 9.0, 18.0, 26.0)


@njit(cache=True)
def reflected(cosine: float) -> float:
    """Return the sea surface's reflectance from below, of light that is not polarized."""
    level = (1.0 - cosine * cosine) * INDEX * INDEX
    if level >= 1.0:
        return 1.0
    above = math.sqrt(1.0 - level)
    across = (INDEX * cosine - above) / (INDEX * cosine + above)
    along = (cosine - INDEX * above) / (cosine + INDEX * above)
    return 0.5 * (across * across + along * along)


@njit(cache=True)
def in_disc(x: float, z: float, disc: tuple[float, float, float]) -> bool:
    """Tell whether a level place lies in a disc of that radius and middle."""
    return (x - disc[1]) ** 2 + (z - disc[2]) ** 2 < disc[0] ** 2


@njit(cache=True)
def under_roof(x: float, z: float, roof: tuple[float, float, float]) -> bool:
    """Tell whether a level place lies off the opening, of that radius, middle and depth, of a roof."""
    return roof[0] >= 0.0 and (x - roof[1]) ** 2 + z * z > roof[0] ** 2


@njit(cache=True)
def in_boxes(
    place: tuple[float, float, float], way: tuple[float, float, float], length: float, boxes: F64
) -> bool:
    """Tell whether a way meets boxes: their least and their largest x, depth and z, in rows of six."""
    along = way[0], -way[1], way[2]
    for box in boxes:
        into, out = 0.0, length
        for axis in range(3):
            slope = along[axis] if abs(along[axis]) > 1e-12 else 1e-12
            one, other = (box[axis] - place[axis]) / slope, (box[axis + 3] - place[axis]) / slope
            into, out = max(into, min(one, other)), min(out, max(one, other))
        if into < out:
            return True
    return False


@njit(cache=True)
def turned(
    chance: np.random.Generator, way: tuple[float, float, float], lobes: tuple[float, float]
) -> tuple[float, float, float]:
    """Return a direction that the water turns another to; ``lobes`` are its asymmetry and its own share."""
    g, own = lobes
    share = (1.0 - g * g) / (1.0 - g + 2.0 * g * chance.random())
    cosine = (1.0 + g * g - share * share) / (2.0 * g)
    if own > 0.0 and chance.random() < own:
        cosine = 2.0 * chance.random() - 1.0
        while chance.random() * (1.0 + OWN) > 1.0 + OWN * cosine * cosine:
            cosine = 2.0 * chance.random() - 1.0
    sine, around = math.sqrt(max(0.0, 1.0 - cosine * cosine)), 2.0 * math.pi * chance.random()
    x, y, z = way
    first, second = sine * math.cos(around), sine * math.sin(around)
    if abs(y) > 1.0 - 1e-12:
        # Straight up or down no level direction is known from it.
        return first, math.copysign(cosine, y), second
    level = math.sqrt(1.0 - y * y)
    x, y, z = (
        x * cosine - first * y * x / level + second * z / level,
        y * cosine + first * level,
        z * cosine - first * y * z / level - second * x / level,
    )
    whole = math.sqrt(x * x + y * y + z * z)
    return x / whole, y / whole, z / whole


@njit(cache=True)
def photon(
    chance: np.random.Generator,
    absorption: float,
    scattering: float,
    depth_m: float,
    way: tuple[float, float, float],
    sun: tuple[float, float, float],
    disc: tuple[float, float, float],
    disc_depth_m: float,
    lobes: tuple[float, float],
    roof: tuple[float, float, float],
    boxes: F64,
) -> float:
    """Return what one photon finds; x along the sun's side, y up; the beam is ``sun[2]`` across."""
    c, found, weight = absorption + scattering, 0.0, 1.0
    x, y, z, sky = 0.0, depth_m, 0.0, (1.0 - sun[2]) / math.pi * INDEX * INDEX
    beam = (1.0 - reflected(sun[1])) / sun[1] * sun[2]
    while True:
        step = -math.log(1.0 - chance.random()) / c
        to_disc = (y - disc_depth_m) / way[1] if way[1] != 0.0 else -1.0
        if 0.0 < to_disc < step and in_disc(x + to_disc * way[0], z + to_disc * way[2], disc):
            return found
        to_roof = (y - roof[2]) / way[1] if way[1] != 0.0 else -1.0
        if 0.0 < to_roof < step and under_roof(x + to_roof * way[0], z + to_roof * way[2], roof):
            return found
        to_top = y / way[1] if way[1] > 0.0 else math.inf
        if in_boxes((x, y, z), way, min(step, to_top), boxes):
            return found
        if to_top < step:
            mirrored = reflected(way[1])
            found += weight * (1.0 - mirrored) * sky
            weight *= mirrored
            if weight < 1e-4:
                return found
            x, y, z = x + way[0] * y / way[1], 0.0, z + way[2] * y / way[1]
            way = (way[0], -way[1], way[2])
            continue
        x, y, z = x + way[0] * step, y - way[1] * step, z + way[2] * step
        weight *= scattering / c
        up = (y - disc_depth_m) / sun[1]
        dark = up > 0.0 and in_disc(x + up * sun[0], z, disc)
        up = (y - roof[2]) / sun[1]
        dark = dark or (up > 0.0 and under_roof(x + up * sun[0], z, roof))
        if not dark and not in_boxes((x, y, z), (sun[0], sun[1], 0.0), y / sun[1], boxes):
            cosine = way[0] * sun[0] + way[1] * sun[1]
            g, own = lobes
            spread = 1.0 + g * g - 2.0 * g * cosine
            lobe = (1.0 - own) * (1.0 - g * g) / (4.0 * math.pi * spread * math.sqrt(spread))
            lobe += own * (1.0 + OWN * cosine * cosine) / (4.0 * math.pi * (1.0 + OWN / 3.0))
            found += weight * lobe * beam * math.exp(-c * y / sun[1])
        if weight < 0.02:
            if chance.random() > 0.2:
                return found
            weight /= 0.2
        way = turned(chance, way, lobes)


@njit(cache=True)
def radiance(
    chance: np.random.Generator,
    absorption: float,
    scattering: float,
    depth_m: float,
    way: tuple[float, float, float],
    sun: tuple[float, float, float],
    disc: tuple[float, float, float],
    disc_depth_m: float,
    photons: int,
    lobes: tuple[float, float] = (LOBE, 0.0),
    roof: tuple[float, float, float] = NO_ROOF,
    boxes: F64 = NO_BOXES,
) -> tuple[float, float]:
    """Return the mean of many photons, and its standard error."""
    total, squares = 0.0, 0.0
    for _ in range(photons):
        found = photon(
            chance, absorption, scattering, depth_m, way, sun, disc, disc_depth_m, lobes, roof, boxes
        )
        total += found
        squares += found * found
    mean = total / photons
    return mean, math.sqrt(max(squares / photons - mean * mean, 0.0) / photons)


@njit(cache=True)
def with_and_without(
    chance: np.random.Generator,
    water: tuple[float, float, float],
    way: tuple[float, float, float],
    sun: tuple[float, float, float],
    boxes: F64,
) -> tuple[float, float]:
    """Return what one photon finds without boxes and among them; water, way and sun as `photon` has them."""
    (absorption, scattering, depth_m), among = water, True
    c, weight, found, left = absorption + scattering, 1.0, 0.0, 0.0
    x, y, z, sky = 0.0, depth_m, 0.0, (1.0 - sun[2]) / math.pi * INDEX * INDEX
    beam = (1.0 - reflected(sun[1])) / sun[1] * sun[2]
    while True:
        step = -math.log(1.0 - chance.random()) / c
        to_top = y / way[1] if way[1] > 0.0 else math.inf
        if among and in_boxes((x, y, z), way, min(step, to_top), boxes):
            among = False
        if to_top < step:
            mirrored = reflected(way[1])
            part = weight * (1.0 - mirrored) * sky
            found, left = found + part, left + (part if among else 0.0)
            weight *= mirrored
            if weight < 1e-4:
                return found, left
            x, y, z = x + way[0] * y / way[1], 0.0, z + way[2] * y / way[1]
            way = (way[0], -way[1], way[2])
            continue
        x, y, z = x + way[0] * step, y - way[1] * step, z + way[2] * step
        weight *= scattering / c
        spread = 1.0 + LOBE * LOBE - 2.0 * LOBE * (way[0] * sun[0] + way[1] * sun[1])
        lobe = (1.0 - LOBE * LOBE) / (4.0 * math.pi * spread * math.sqrt(spread))
        part = weight * lobe * beam * math.exp(-c * y / sun[1])
        lit = among and not in_boxes((x, y, z), (sun[0], sun[1], 0.0), y / sun[1], boxes)
        found, left = found + part, left + (part if lit else 0.0)
        if weight < 0.02:
            if chance.random() > 0.2:
                return found, left
            weight /= 0.2
        way = turned(chance, way, (LOBE, 0.0))


@njit(cache=True)
def left_by_boxes(
    water: tuple[float, float, float],
    way: tuple[float, float, float],
    sun: tuple[float, float, float],
    boxes: F64,
    photons: int,
    chance: np.random.Generator,
) -> tuple[float, float, float, float]:
    """Return radiance without boxes, its standard error, the share that boxes leave, and that one's."""
    whole = lost = squares = of_lost = 0.0
    for _ in range(photons):
        found, left = with_and_without(chance, water, way, sun, boxes)
        whole, lost = whole + found, lost + found - left
        squares, of_lost = squares + found * found, of_lost + (found - left) ** 2
    mean, taken = whole / photons, lost / photons
    error = math.sqrt(max(squares / photons - mean * mean, 0.0) / photons)
    of_share = math.sqrt(max(of_lost / photons - taken * taken, 0.0) / photons) / mean
    return mean, error, 1.0 - taken / mean, of_share


def print_seen() -> None:
    """Print what black boxes leave of views of everyday scenes; angles to the right and up by tangents."""
    sys.stdout.write("scene,aside_deg,up_deg,open,open_error,left,left_error\n")
    for name, scene, (ahead, aside, up) in scenes_in(SEEN):
        water, sun, boxes = scene_of_boxes(scene)
        for right, above in scene["views"]:
            way = ahead + aside * math.tan(math.radians(right)) + up * math.tan(math.radians(above))
            way /= np.linalg.norm(way)
            towards = (float(way[0]), float(way[1]), float(way[2]))
            chance = np.random.default_rng(1)
            mean, error, left, of_left = left_by_boxes(water, towards, sun, boxes, scene["photons"], chance)
            numbers = f"{mean:.4g},{error:.2g},{left:.4g},{of_left:.2g}"
            sys.stdout.write(f'"{name}",{right:.4g},{above:.4g},{numbers}\n')
            sys.stdout.flush()


def scenes_in(path: Path) -> Iterator[tuple[str, dict[str, Any], tuple[F64, F64, F64]]]:
    """Yield a file's scenes, each with its name and its lens's axes: ahead, aside and up."""
    for name, scene in json.loads(path.read_text(encoding="utf-8")).items():
        azimuth, height = (math.radians(scene[key]) for key in ("azimuth_deg", "height_deg"))
        yield name, scene, view_axes(azimuth, height)


def scene_of_boxes(
    scene: dict[str, Any],
) -> tuple[tuple[float, float, float], tuple[float, float, float], F64]:
    """Return a scene's water, its sun, and its boxes by depth."""
    water = scene["absorption"], scene["scattering"], scene["depth_m"]
    in_water = math.asin(math.cos(math.radians(scene["sun_deg"])) / INDEX)
    # About the lens, x towards the sun, up and z; by depth here.
    low, high = np.array(scene["boxes"])[:, :3], np.array(scene["boxes"])[:, 3:]
    boxes = np.concatenate([low, high], axis=1)
    boxes[:, 1], boxes[:, 4] = water[2] - high[:, 1], water[2] - low[:, 1]
    return water, (math.sin(in_water), math.cos(in_water), direct_sun_share(scene["sun_deg"])), boxes


def main() -> None:
    """Print a table."""
    if sys.argv[1:] == ["level"]:
        print_level()
    elif sys.argv[1:] == ["deep"]:
        print_deep()
    elif sys.argv[1:] == ["hull"]:
        print_hull()
    elif sys.argv[1:] == ["edge"]:
        print_edges()
    elif sys.argv[1:] == ["opening"]:
        print_opening()
    elif sys.argv[1:] == ["other"]:
        print_others()
    elif sys.argv[1:] == ["boxes"]:
        print_boxes()
    elif sys.argv[1:] == ["seen"]:
        print_seen()
    else:
        print_looking_up()


def print_deep() -> None:
    """Print what clear types of water send down to a deep lens, by wavelength."""
    sys.stdout.write("type,wavelength_nm,from_up_deg,radiance,error\n")
    for name, angle in itertools.product(DEEP_TYPES, DEEP_FROM_UP_DEG):
        bands = fit_bands(jerlov_water(name))
        assert bands.spectrum is not None
        absorption, scattering, _ = bands.spectrum
        shares = molecular_share(scattering, SHARE_NODES_NM)
        way = (0.0, math.cos(math.radians(angle)), math.sin(math.radians(angle)))
        for node in range(0, SHARE_NODES_NM.size, DEEP_STEP):
            a, b, own = (float(spectrum[node]) for spectrum in (absorption, scattering, shares))
            photons = DEEP_PHOTONS if a < DARK_PER_M else DARK_PHOTONS
            mean, error = radiance(
                np.random.default_rng(1),
                a,
                b,
                DEEP_M,
                way,
                (0.0, 1.0, 0.0),
                (0.0, 0.0, 0.0),
                DISC_DEPTH_M,
                photons,
                (bands.asymmetry, own),
            )
            sys.stdout.write(f"{name},{SHARE_NODES_NM[node]:g},{angle:g},{mean:.4g},{error:.2g}\n")


def print_hull() -> None:
    """Print what clear water throws in before a disc that hides the sun by its edge, by wavelength."""
    in_water = math.asin(math.cos(math.radians(SUN_DEG)) / INDEX)
    sun = (math.sin(in_water), math.cos(in_water), HULL_SUN_SHARE)
    disc = (DISC_M, math.tan(in_water) * HULL_ABOVE_M, HULL_ASIDE_M)
    sys.stdout.write("wavelength_nm,from_sun_deg,radiance,error\n")
    bands = fit_bands(jerlov_water(DEEP_TYPES[0]))
    assert bands.spectrum is not None
    absorption, scattering, _ = bands.spectrum
    shares = molecular_share(scattering, SHARE_NODES_NM)
    for angle, node in itertools.product(HULL_VIEWS_DEG, range(0, SHARE_NODES_NM.size, DEEP_STEP)):
        turn = math.radians(angle)
        way = (sun[0] * math.cos(turn), sun[1] * math.cos(turn), math.sin(turn))
        mean, error = radiance(
            np.random.default_rng(1),
            float(absorption[node]),
            float(scattering[node]),
            DEEP_M,
            way,
            sun,
            disc,
            DEEP_M - HULL_ABOVE_M,
            HULL_PHOTONS,
            (bands.asymmetry, float(shares[node])),
        )
        sys.stdout.write(f"{SHARE_NODES_NM[node]:g},{angle:g},{mean:.4g},{error:.2g}\n")


def print_edges() -> None:
    """Print views past the edge of a disc that hides the sun."""
    in_water = math.asin(math.cos(math.radians(SUN_DEG)) / INDEX)
    sun = (math.sin(in_water), math.cos(in_water), HULL_SUN_SHARE)
    sys.stdout.write("absorption,scattering,depth_m,above_m,aside_m,radius_m,from_sun_deg,radiance,error\n")
    for case, angle in itertools.product(EDGES, EDGE_VIEWS_DEG):
        absorption, scattering, depth, above, aside, radius = case
        turn = math.radians(angle)
        way = (sun[0] * math.cos(turn), sun[1] * math.cos(turn), math.sin(turn))
        disc = (radius, math.tan(in_water) * above, aside)
        water = absorption, scattering, depth
        mean, error = radiance(np.random.default_rng(1), *water, way, sun, disc, depth - above, HULL_PHOTONS)
        sys.stdout.write(f"{','.join(map(str, case))},{angle:g},{mean:.4g},{error:.2g}\n")


def print_opening() -> None:
    """Print views at an opening towards the sun, and beside it, with discs over it."""
    in_water = math.asin(math.cos(math.radians(SUN_DEG)) / INDEX)
    sun = (math.sin(in_water), math.cos(in_water), HULL_SUN_SHARE)
    names = (
        "absorption,scattering,depth_m,roof_m,opening_m,disc_depth_m,disc_m,view,from_sun_deg,radiance,error"
    )
    sys.stdout.write(names + "\n")
    for case, (view, angle) in itertools.product(OPENINGS, OPENING_VIEWS_DEG):
        *water, roof_m, opening_m, disc_depth, disc_m = case
        turn = math.radians(angle)
        way = (sun[0] * math.cos(turn), sun[1] * math.cos(turn), math.sin(turn))
        if view == "below":
            way = (math.sin(in_water + turn), math.cos(in_water + turn), 0.0)
        mean, error = radiance(
            np.random.default_rng(1),
            water[0],
            water[1],
            water[2],
            way,
            sun,
            (disc_m, math.tan(in_water) * (water[2] - disc_depth), 0.0),
            disc_depth,
            HULL_PHOTONS,
            (LOBE, 0.0),
            (opening_m, math.tan(in_water) * (water[2] - roof_m), roof_m),
        )
        sys.stdout.write(f"{','.join(map(str, case))},{view},{angle:g},{mean:.4g},{error:.2g}\n")


def print_others() -> None:
    """Print views past a hull and at an opening under another sun."""
    names = "absorption,scattering,depth_m,sun_deg,above_m,opening_m,disc_m,view,from_sun_deg,radiance,error"
    sys.stdout.write(names + "\n")
    for case, (view, angle) in itertools.product(OTHERS, OTHER_VIEWS_DEG):
        absorption, scattering, depth_m, sun_deg, above_m, opening_m, disc_m = case
        in_water = math.asin(math.cos(math.radians(sun_deg)) / INDEX)
        sun = (math.sin(in_water), math.cos(in_water), HULL_SUN_SHARE)
        turn, middle = math.radians(angle), math.tan(in_water) * above_m
        way = (sun[0] * math.cos(turn), sun[1] * math.cos(turn), math.sin(turn))
        if view == "below":
            way = (math.sin(in_water + turn), math.cos(in_water + turn), 0.0)
        mean, error = radiance(
            np.random.default_rng(1),
            absorption,
            scattering,
            depth_m,
            way,
            sun,
            (disc_m, middle, 0.0),
            depth_m - above_m,
            HULL_PHOTONS,
            (LOBE, 0.0),
            (opening_m, middle, depth_m - above_m),
        )
        sys.stdout.write(f"{','.join(map(str, case))},{view},{angle:g},{mean:.4g},{error:.2g}\n")


def print_boxes() -> None:
    """Print views of black boxes, and without them."""
    sys.stdout.write("scene,view,angle_deg,open,open_error,under,error\n")
    for name, scene, (ahead, aside, up) in scenes_in(BOXES):
        water, sun, boxes = scene_of_boxes(scene)
        for view, angle in scene["views"]:
            turn = math.radians(angle)
            way = ahead * math.cos(turn) + (aside if view == "aside" else up) * math.sin(turn)
            towards = (float(way[0]), float(way[1]), float(way[2]))
            found = [
                radiance(
                    np.random.default_rng(1),
                    *water,
                    towards,
                    sun,
                    (0.0, 0.0, 0.0),
                    DISC_DEPTH_M,
                    scene.get("photons", HULL_PHOTONS),
                    (LOBE, 0.0),
                    NO_ROOF,
                    black,
                )
                for black in (NO_BOXES, boxes)
            ]
            numbers = ",".join(f"{mean:.4g},{error:.2g}" for mean, error in found)
            sys.stdout.write(f'"{name}",{view},{angle:g},{numbers}\n')
            sys.stdout.flush()


def view_axes(azimuth: float, height: float) -> tuple[F64, F64, F64]:
    """Return where a lens looks, to its right and up; x towards the sun, y up, z; angles from x, radians."""
    ahead = np.array(
        [math.cos(height) * math.cos(azimuth), math.sin(height), math.cos(height) * math.sin(azimuth)]
    )
    aside = np.array([-math.sin(azimuth), 0.0, math.cos(azimuth)])
    return ahead, aside, np.cross(aside, ahead)


def print_level() -> None:
    """Print level views with and without a disc overhead."""
    in_water = math.asin(math.cos(math.radians(LEVEL_SUN_DEG)) / INDEX)
    sys.stdout.write("absorption,scattering,depth_m,sun_share,view,radius_m,open,open_error,under,error\n")
    for case, below, radius in UNDER:
        sun = (math.sin(in_water), math.cos(in_water), case.sun_share)
        middle = math.tan(in_water) * below if case.sun_share > 0.0 else 0.0
        water = case.absorption, case.scattering, case.depth_m
        for view, way in LEVEL_VIEWS.items():
            if case.sun_share == 0.0 and view != "to the side":
                continue
            found = [
                radiance(
                    np.random.default_rng(1), *water, way, sun, (r, middle, 0.0), LEVEL_DISC_M, LEVEL_PHOTONS
                )
                for r in (0.0, radius)
            ]
            numbers = ",".join(f"{mean:.5g},{error:.2g}" for mean, error in found)
            sys.stdout.write(f"{','.join(map(str, water))},{case.sun_share},{view},{radius},{numbers}\n")
            sys.stdout.flush()


def print_looking_up() -> None:
    """Print views up, with and without a disc before the sun."""
    in_water = math.asin(math.cos(math.radians(SUN_DEG)) / INDEX)
    sys.stdout.write("absorption,scattering,depth_m,sun_share,from_sun_deg,disc,radiance,error\n")
    for case in (*CASES, *DEEP):
        sun = (math.sin(in_water), math.cos(in_water), case.sun_share)
        middle = math.tan(in_water) * (case.depth_m - DISC_DEPTH_M)
        for angle in FROM_SUN_DEG:
            # At right angles to the sun's plane, so that the disc lies alike on both sides.
            turn = math.radians(angle)
            way = (sun[0] * math.cos(turn), sun[1] * math.cos(turn), math.sin(turn))
            for half in (0.0, DISC_M) if case in CASES else (0.0,):
                mean, error = radiance(
                    np.random.default_rng(1),
                    case.absorption,
                    case.scattering,
                    case.depth_m,
                    way,
                    sun,
                    (half, middle, 0.0),
                    DISC_DEPTH_M,
                    PHOTONS,
                )
                water = f"{case.absorption},{case.scattering},{case.depth_m},{case.sun_share}"
                sys.stdout.write(f"{water},{angle},{half},{mean:.5f},{error:.5f}\n")


if __name__ == "__main__":
    main()
