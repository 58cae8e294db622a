"""Ports against exact ray tracing, single-surface formulas and catalogue values; fits against known grids."""

from __future__ import annotations

import math

import cv2
import numpy as np
import OpenImageIO as oiio
import pytest
from scipy.optimize import brentq

from halocline.filters.displacement import displacement_maps, normalised_map, sample
from halocline.physics.bending.distortion import Distortion, WaterPart, fit_grid
from halocline.physics.bending.ports import ACRYLIC, CROWN_GLASS, DomePort, FlatPort, pinhole_tangents
from halocline.physics.bending.refraction import WaterMass

SEA = WaterMass(20.0, 35.0)


@pytest.mark.parametrize(
    ("glass", "nm", "index", "tolerance"),
    [
        # schott2017, data sheet N-BK7: n_d, n_F, n_C (from memory).
        (CROWN_GLASS, 587.56, 1.51680, 1e-5),
        (CROWN_GLASS, 486.13, 1.52238, 1e-5),
        (CROWN_GLASS, 656.27, 1.51432, 1e-5),
        # Acrylic n_d 1.491 to 1.492 (sultanova2009 and makers' sheets; from memory).
        (ACRYLIC, 587.6, 1.4915, 1e-3),
    ],
)
def test_glass_has_its_catalogue_index(glass, nm: float, index: float, tolerance: float) -> None:  # type: ignore[no-untyped-def]
    assert glass.index(nm) == pytest.approx(index, abs=tolerance)


@pytest.mark.parametrize(
    ("water_deg", "air_deg"),
    [(5, 6.707), (10, 13.455), (20, 27.278), (30, 42.067), (40, 59.467), (45, 71.356)],
)
def test_flat_port_bends_as_snell_says(water_deg: float, air_deg: float) -> None:
    # Snell's law worked for n = 1.34; the sea at 20 C, 35 has 1.34079 at 550 nm, hence 0.1 degree at most.
    port = FlatPort(0.0, 0.0, SEA)
    x, _ = pinhole_tangents(
        port,
        np.array([math.tan(math.radians(air_deg))]),
        np.zeros(1),
        wavelength_nm=550.0,
        subject_m=math.inf,
    )
    assert math.degrees(math.atan(x[0])) == pytest.approx(water_deg, abs=0.05)
    exact = math.asin(math.sin(math.radians(air_deg)) / SEA.index(550.0))
    assert math.atan(x[0]) == pytest.approx(exact, abs=1e-12)


@pytest.mark.parametrize("subject_m", [0.3, 1.0, 5.0])
@pytest.mark.parametrize("air_deg", [10.0, 45.0, 65.0])
def test_flat_port_shows_the_point_that_light_reaches_soonest(subject_m: float, air_deg: float) -> None:
    # Fermat: of all paths from the pupil through air, glass and water to the point, the ray's is stationary.
    # The two crossings are found by scipy's root finder on the derivative of the optical length.
    port = FlatPort(0.05, 0.01, SEA)
    tangent = math.tan(math.radians(air_deg))
    x, _ = pinhole_tangents(port, np.array([tangent]), np.zeros(1), wavelength_nm=550.0, subject_m=subject_m)
    point = float(x[0]) * subject_m
    n_glass, n_water = port.glass.index(550.0), SEA.index(550.0)

    def second(first: float) -> float:
        # Snell at the first surface, from the derivative of optical length with respect to its crossing.
        sine = first / math.hypot(first, 0.05) / n_glass
        return first + 0.01 * sine / math.sqrt(1 - sine * sine)

    def stationary(first: float) -> float:
        crossing = second(first)
        glass = n_glass * (crossing - first) / math.hypot(crossing - first, 0.01)
        return float(glass - n_water * (point - crossing) / math.hypot(point - crossing, subject_m - 0.06))

    first = brentq(stationary, 0.0, 0.049 * tangent + 0.05 * tangent, xtol=1e-14)
    assert first / 0.05 == pytest.approx(tangent, rel=1e-7)


def test_flat_port_magnifies_by_four_thirds_near_the_axis() -> None:
    # The divers' 4/3 (common knowledge); fresh water at 20 C has n = 1.334.
    port = FlatPort(0.05, 0.01, WaterMass(20.0, 0.0))
    x, _ = pinhole_tangents(port, np.array([1e-3]), np.zeros(1), wavelength_nm=550.0, subject_m=math.inf)
    assert 1e-3 / x[0] == pytest.approx(4.0 / 3.0, rel=1e-3)
    assert port.axis_magnification == pytest.approx(4.0 / 3.0, rel=1e-3)


def test_lateral_colour_is_what_dispersion_and_snell_give() -> None:
    # r'/f at 450, 550, 650 nm for 20 degrees in water, S 35, 20 C, worked from the index equation and Snell.
    port = FlatPort(0.0, 0.0, SEA)
    for nm, radius in ((450.0, 0.51851), (550.0, 0.51604), (650.0, 0.51451)):
        x, _ = pinhole_tangents(port, np.array([radius]), np.zeros(1), wavelength_nm=nm, subject_m=math.inf)
        assert math.degrees(math.atan(x[0])) == pytest.approx(20.0, abs=2e-3)


@pytest.mark.parametrize(("subject_m", "virtual_m"), [(math.inf, 0.300), (1.0, 0.2143), (0.5, 0.1667)])
def test_dome_forms_its_virtual_image_where_the_single_surface_formula_says(
    subject_m: float, virtual_m: float
) -> None:
    # n'/s' - n/s = (n' - n)/R (born1999 section 4.4) for R = 0.1 m and n = 4/3: 3 R at infinity.
    n = SEA.index(549.0)
    ours = float(DomePort(0.1, 0.0, SEA).virtual_distance(subject_m))
    assert ours == pytest.approx(1.0 / ((n - 1.0) / 0.1 + n / subject_m), rel=1e-12)
    assert ours == pytest.approx(virtual_m, rel=0.025)


@pytest.mark.parametrize("subject_m", [0.4, 2.0, 1e6])
def test_thick_domes_virtual_image_is_where_exactly_traced_rays_meet(subject_m: float) -> None:
    # Two rays from one point on the axis, traced exactly: the port's trace run from a pupil at the virtual
    # image's place would need the reverse; instead a pupil slightly off the centre sees the point in a
    # direction that, prolonged, meets the axis at the virtual image.
    port = DomePort(0.1, 0.008, SEA)
    shifted = DomePort(0.1, 0.008, SEA, decentre_m=(1e-4, 0.0, 0.0))
    target = np.array([-1e-4, 0.0, 0.1 + subject_m])

    def miss(tangent: float) -> float:
        place, direction = shifted.trace(np.array([tangent]), np.zeros(1), 549.0)
        further = (target[2] - place[2, 0]) / direction[2, 0]
        return float(place[0, 0] + further * direction[0, 0] - target[0])

    tangent = brentq(miss, -0.1, 0.1, xtol=1e-15)
    meets = -1e-4 / tangent
    assert meets - (0.1 - 0.008) == pytest.approx(float(port.virtual_distance(subject_m)), rel=1e-4)


def test_flat_port_softness_is_the_spread_of_exactly_traced_rays() -> None:
    # Tangential focus of an oblique bundle: rays from one subject point to neighbouring heights of the
    # pupil, traced by Snell, meet where Coddington's equation puts them.
    n, distance, subject = SEA.index(549.0), 0.04, 1.0
    angle_water = math.radians(25.0)
    point = np.array([distance * math.tan(math.asin(n * math.sin(angle_water))), distance])
    point = point + (subject - distance) / math.cos(angle_water) * np.array(
        [math.sin(angle_water), math.cos(angle_water)]
    )

    def tangent_seen_from(height: float) -> float:
        def miss(tangent: float) -> float:
            crossing = height + distance * tangent
            sine = tangent / math.hypot(1.0, tangent) / n
            return float(crossing + (point[1] - distance) * sine / math.sqrt(1 - sine * sine) - point[0])

        return float(brentq(miss, 0.0, 5.0, xtol=1e-15))

    step = 1e-5
    change = (tangent_seen_from(step) - tangent_seen_from(-step)) / (2 * step)
    tangent = tangent_seen_from(0.0)
    cosine = 1.0 / math.hypot(1.0, tangent)
    # Up by h is across the ray by h cos, and turns it by the change of the tangent times cos^2.
    along = -change * cosine**2 / cosine
    in_water = (subject - distance) / math.cos(angle_water)
    coddington = 1.0 / (distance / cosine + in_water * cosine**2 / (n * math.cos(angle_water) ** 2))
    assert along == pytest.approx(coddington, rel=1e-4)
    across = 1.0 / (distance / cosine + in_water / n)
    focused = cosine / (distance + (subject - distance) / n)
    expected = 0.25 * 0.01 * math.sqrt(0.5 * ((across - focused) ** 2 + (coddington - focused) ** 2))
    ours = FlatPort(distance, 0.0, SEA).softness(
        np.array([tangent]), np.zeros(1), aperture_m=0.01, focus_m=subject
    )
    assert ours[0] == pytest.approx(expected, rel=1e-6)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_fit_recovers_a_known_distortion_from_noisy_corners_to_a_tenth_of_a_pixel(seed: int) -> None:
    # A synthetic grid of 25 x 15 corners through a tilted pose, distorted by a known model and by OpenCV's
    # projectPoints (an independent implementation of the same polynomial); 0.1 px of noise per axis.
    rng = np.random.default_rng(seed)
    columns, rows = 3840, 2160
    half = 0.5 * math.hypot(columns, rows)
    centre = (0.012, -0.008)
    k1, k2, k3, p1, p2 = 0.11, -0.04, 0.006, 0.0015, -0.001
    grid = np.stack(np.meshgrid(np.arange(25.0), np.arange(15.0)), axis=-1).reshape(-1, 2)
    board = np.column_stack([(grid - grid.mean(axis=0)) * 0.08, np.zeros(len(grid))])
    camera = np.array(
        [
            [half, 0.0, 0.5 * columns + centre[0] * half],
            [0.0, half, 0.5 * rows + centre[1] * half],
            [0.0, 0.0, 1.0],
        ]
    )
    # OpenCV orders k1 k2 p1 p2 k3 and has p1, p2 act as ours do.
    exact, _ = cv2.projectPoints(
        board,
        np.array([0.05, -0.08, 0.02]),
        np.array([0.02, -0.01, 1.12]),
        camera,
        np.array([k1, k2, p1, p2, k3]),
    )
    exact = np.asarray(exact, np.float64).reshape(-1, 2)
    found = fit_grid(grid, exact + rng.normal(scale=0.1, size=exact.shape), columns=columns, rows=rows)
    assert found.rms_px == pytest.approx(0.1 * math.sqrt(2.0), rel=0.12)
    assert found.worst_px < 0.6
    # What matters is where pixels go within the part of the picture that the grid covered, apart from the
    # freedom of the pose: compare positions after the best plane projective map.
    truth = Distortion(columns, rows, centre, (k1, k2, k3), (p1, p2))
    ideal = np.stack(truth.ideal(exact[:, 0], exact[:, 1]), axis=1)
    ours = np.stack(found.distortion.ideal(exact[:, 0], exact[:, 1]), axis=1)
    homography, _ = cv2.findHomography(ideal, ours)
    moved = cv2.perspectiveTransform(ideal[:, None], homography)[:, 0]
    assert np.sqrt(np.mean(np.sum((moved - ours) ** 2, axis=1))) < 0.1


def test_air_and_water_photographs_give_the_flat_ports_own_distortion() -> None:
    # The same lens photographs a grid in air (its own distortion) and through a thin flat port (exact Snell
    # on top). The water's part must agree with Snell alone within the grid.
    columns, rows, focal = 1920, 1080, 1500.0
    lens = Distortion(columns, rows, (0.0, 0.0), (-0.05, 0.01, 0.0))
    n = SEA.index(549.0)
    grid = np.stack(np.meshgrid(np.arange(25.0), np.arange(15.0)), axis=-1).reshape(-1, 2)
    flat = (grid - grid.mean(axis=0)) * np.array([72.0, 70.0])

    def photographed(tangent: np.ndarray) -> np.ndarray:
        x, y = lens.photographed(0.5 * columns + focal * tangent[:, 0], 0.5 * rows + focal * tangent[:, 1])
        return np.stack([x, y], axis=1)

    radius = np.linalg.norm(flat / focal, axis=1, keepdims=True)
    sine = n * radius / n / np.sqrt(1 + (radius / n) ** 2)
    wet = (flat / focal) / np.maximum(radius, 1e-12) * sine / np.sqrt(1 - sine**2)
    part = WaterPart(
        fit_grid(grid, photographed(flat / focal), columns=columns, rows=rows).distortion,
        fit_grid(grid, photographed(wet), columns=columns, rows=rows).distortion,
    )
    inside = (np.abs(flat) < np.array([800.0, 450.0])).all(axis=1)
    x, y = part.photographed(*photographed(flat / focal)[inside].T)
    exact = photographed(wet)[inside]
    assert np.abs(x - exact[:, 0]).max() < 0.3
    assert np.abs(y - exact[:, 1]).max() < 0.3


def test_displacement_map_gives_the_same_picture_in_openimageio() -> None:
    # OpenImageIO's own st_warp with the exported map, a general-purpose warp we do not use ourselves.
    rng = np.random.default_rng(5)
    noise = rng.random((120, 160), dtype=np.float32)
    smooth = np.asarray(cv2.GaussianBlur(noise, (0, 0), 3.0), np.float32)
    y, x = np.mgrid[:120, :160].astype(np.float32)
    maps = displacement_maps(
        (3.0 * np.sin(y / 17.0) + 0.3).astype(np.float32), (2.0 * np.cos(x / 23.0)).astype(np.float32)
    )
    ours = sample(smooth, *maps)
    st = np.moveaxis(normalised_map(*maps, (120, 160)), 0, -1)
    warped = oiio.ImageBufAlgo.st_warp(
        oiio.ImageBuf(np.ascontiguousarray(smooth[..., None])),
        oiio.ImageBuf(np.ascontiguousarray(st)),
        "triangle",
        0.0,
        0,
        1,
        False,
        False,
    )
    assert not warped.has_error, warped.geterror()
    theirs = np.asarray(warped.get_pixels("float"))[..., 0]
    inner = (slice(6, -6), slice(6, -6))
    assert np.abs(ours - theirs)[inner].max() < 5e-4
    assert np.abs(ours - smooth)[inner].max() > 0.05
