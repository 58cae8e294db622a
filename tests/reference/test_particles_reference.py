"""Particles, bubbles, blur and random numbers against sources outside the project.

Kinds: READ from the named text; COMPUTED with a named library; MEMORY (recalled, the text was not opened: the
number guards against slips, it proves nothing until read).
"""

from __future__ import annotations

import math
from itertools import pairwise

import cv2
import numpy as np
import pytest
from scipy import stats

from halocline._typing import F64
from halocline.compute.random import poisson_counts, random_words, uniforms
from halocline.filters.lens_blur import circle_of_confusion, footprint
from halocline.filters.splat import Area, Discs, Drawing, Surface
from halocline.imaging.camera import pinhole
from halocline.imaging.frame import Window
from halocline.physics.floating.bubble_optics import appearance, around, fresnel
from halocline.physics.floating.bubbles import (
    Fluid,
    clean_rise_speed,
    contaminated_rise_speed,
    flattening,
    grown_diameter,
    wobble_hz,
)
from halocline.physics.floating.field import ViewVolume, particles_in_view, patchiness
from halocline.physics.floating.particles import (
    DrawLimits,
    PowerLaw,
    aggregate_sinking_speed,
    grain_settling_speed,
)

# --- Random numbers -------------------------------------------------------------------------------------

# salmon2011; known-answer vectors of the authors' reference implementation, philox4x32 with 10 rounds.
# Kind: MEMORY; the next test ties the algorithm to an implementation that is at hand.
KNOWN_ANSWERS = [
    ((0, 0, 0, 0), (0, 0), (0x6627E8D5, 0xE169C58D, 0xBC57AC4C, 0x9B00DBD8)),
    ((0xFFFFFFFF,) * 4, (0xFFFFFFFF,) * 2, (0x408F276D, 0x41C83B0E, 0xA20BC7C6, 0x6D5451FD)),
    (
        (0x243F6A88, 0x85A308D3, 0x13198A2E, 0x03707344),
        (0xA4093822, 0x299F31D0),
        (0xD16CFE09, 0x94FDCCEB, 0x5001E420, 0x24126EA1),
    ),
]


@pytest.mark.parametrize(("counter", "key", "words"), KNOWN_ANSWERS)
def test_generator_gives_the_published_vectors(
    counter: tuple[int, ...], key: tuple[int, int], words: tuple[int, ...]
) -> None:
    assert tuple(random_words(key[1] << 32 | key[0], *counter).tolist()) == words


def _philox(
    counter: list[int], key: list[int], bits: int, multipliers: tuple[int, int], weyl: tuple[int, int]
) -> list[int]:
    """Philox with four words of any width, in Python's whole numbers: one text for both widths."""
    low = (1 << bits) - 1
    for _ in range(10):
        first, second = counter[0] * multipliers[0], counter[2] * multipliers[1]
        counter = [
            second >> bits ^ counter[1] ^ key[0],
            second & low,
            first >> bits ^ counter[3] ^ key[1],
            first & low,
        ]
        key = [(key[i] + weyl[i]) & low for i in range(2)]
    return counter


# Multipliers and Weyl constants of both widths, salmon2011, table 2 and section 3.3. Kind: MEMORY.
WIDE = (0xD2E7470EE14C6C93, 0xCA5A826395121157), (0x9E3779B97F4A7C15, 0xBB67AE8584CAA73B)
NARROW = (0xD2511F53, 0xCD9E8D57), (0x9E3779B9, 0xBB67AE85)


def test_generator_is_the_narrow_sister_of_the_one_in_numpy() -> None:
    # COMPUTED with numpy 2: its Philox is the same construction with 64-bit words (salmon2011, table 2).
    rng = np.random.default_rng(1)
    for _ in range(20):
        wide = [int(word) for word in rng.integers(0, 2**64, 6, dtype=np.uint64)]
        theirs = np.random.Philox(counter=np.array(wide[:4], np.uint64), key=np.array(wide[4:], np.uint64))
        # It steps its counter before the first block.
        stepped = (sum(word << 64 * i for i, word in enumerate(wide[:4])) + 1) % 2**256
        counter = [stepped >> 64 * i & 2**64 - 1 for i in range(4)]
        assert _philox(counter, wide[4:], 64, WIDE[0], WIDE[1]) == [
            int(word) for word in theirs.random_raw(4)
        ]
        small = [word & 0xFFFFFFFF for word in wide]
        narrow = _philox(small[:4], small[4:], 32, NARROW[0], NARROW[1])
        assert random_words(small[5] << 32 | small[4], *small[:4]).tolist() == narrow


def test_uniforms_pass_a_kolmogorov_smirnov_test() -> None:
    # COMPUTED with scipy; the numbers are fixed, so the test passes or fails for ever.
    for word in uniforms(2024, np.arange(100_000)):
        assert stats.kstest(word, "uniform").pvalue > 1e-3


def test_poisson_counts_equal_the_quantiles_of_scipy() -> None:
    uniform = uniforms(4, np.arange(5000))[0]
    for mean in (0.01, 0.7, 5.0, 80.0, 900.0):
        assert (poisson_counts(uniform, mean) == stats.poisson.ppf(uniform, mean)).all()


# --- Sizes and abundances -------------------------------------------------------------------------------

LIMITS = DrawLimits(farthest_m=3.0, smallest_angle_rad=1e-5)


def _field(sizes: PowerLaw) -> tuple[F64, float]:
    view = ViewVolume(np.zeros(3), np.eye(3), (-0.5, 0.5, -0.5, 0.5), 3.0)
    even = patchiness(1, "even", scale_m=1.0, variation=0.0)
    found = particles_in_view(9, "slope", sizes, even, view, LIMITS)
    corner = np.random.default_rng(0).uniform(-3.0, 3.0, (400_000, 3))
    return found.diameter_m, float(view.touches(corner, 0.0).mean()) * 216.0


@pytest.mark.parametrize("exponent", [3.0, 4.0, 5.0])
def test_slope_of_a_drawn_field_is_the_stated_power_law(exponent: float) -> None:
    # bader1970, jonasz2007: dN/dD ~ D^-m with m = 3 to 5, usually about 4. Kind: MEMORY.
    # Tolerance +-0.1 for some 1e5 particles.
    diameter, _ = _field(PowerLaw(60_000.0, exponent, 1e-3, 4e-3))
    edges = np.geomspace(1e-3, 4e-3, 13)
    counts, _ = np.histogram(diameter, edges)
    density = counts / np.diff(edges)
    middle = np.sqrt(edges[1:] * edges[:-1])
    slope = np.polyfit(np.log(middle), np.log(density), 1, w=np.sqrt(counts))[0]
    assert len(diameter) > 80_000
    assert slope == pytest.approx(-exponent, abs=0.1)


@pytest.mark.parametrize("per_litre", [1.0, 10.0])
def test_marine_snow_of_the_cited_abundance_is_there_litre_for_litre(per_litre: float) -> None:
    # alldredge1988b: marine snow (> 0.5 mm) 1 to 10 a litre in surface waters. Kind: MEMORY.
    diameter, volume = _field(PowerLaw(1000.0 * per_litre, 4.0, 0.5e-3, 10e-3))
    assert diameter.min() > 0.5e-3
    assert len(diameter) / (1000.0 * volume) == pytest.approx(per_litre, rel=0.05)


def test_equal_volume_in_each_factor_of_size_at_exponent_four() -> None:
    # jonasz2007: m = 4 gives equal volume per logarithmic size interval. Kind: MEMORY, follows from algebra.
    volumes = [piece.moment(3.0) for piece in PowerLaw(1e6, 4.0, 1e-6, 1.024e-3).slices(ratio=2.0)]
    assert len(volumes) == 10
    assert volumes == pytest.approx([volumes[0]] * 10)


# --- Sinking --------------------------------------------------------------------------------------------


def test_aggregates_sink_as_measured() -> None:
    # alldredge1988: 36 aggregates of 2.4 to 75 mm sank 16 to 368, on average 74 +- 39 m/day;
    # regression 50 d^0.26 (d in mm). Kind: MEMORY.
    per_day = 86400.0 * np.asarray(aggregate_sinking_speed(np.geomspace(2.4e-3, 75e-3, 200)))
    assert per_day.min() > 16.0
    assert per_day.max() < 368.0
    assert np.exp(np.log(per_day).mean()) == pytest.approx(74.0, abs=39.0)


@pytest.mark.parametrize("diameter_um", [5.0, 20.0])
def test_fine_grains_settle_by_stokes_law(diameter_um: float) -> None:
    # Stokes 1851: w = (rho_s - rho) g D^2 / (18 mu); holds to a few percent for Re << 1.
    diameter = 1e-6 * diameter_um
    stokes = (2650.0 / 1000.0 - 1.0) * 9.81 * diameter**2 / (18.0 * 1e-6)
    speed = grain_settling_speed(diameter, water_density=1000.0, kinematic_viscosity=1e-6)
    assert speed == pytest.approx(stokes, rel=0.03)


# ferguson2004, natural quartz grains in water of 20 degrees C, their equation 4 with C1 18, C2 1.0:
# diameter mm, speed mm/s, evaluated by hand from the equation. Kind: COMPUTED from a MEMORY of the equation.
@pytest.mark.parametrize(("diameter_mm", "speed_mm_s"), [(0.063, 3.254), (0.25, 31.84), (1.0, 126.3)])
def test_sand_settles_as_the_published_equation_says(diameter_mm: float, speed_mm_s: float) -> None:
    speed = grain_settling_speed(1e-3 * diameter_mm, water_density=1000.0, kinematic_viscosity=1e-6)
    assert 1000.0 * float(speed) == pytest.approx(speed_mm_s, rel=1e-3)


# --- Bubbles --------------------------------------------------------------------------------------------

TAP_WATER = Fluid(density=998.0, viscosity=1.0e-3, surface_tension=0.072)


# clift1978, equation 7-3; MEMORY of the equation, values COMPUTED by hand, 1 %.
@pytest.mark.parametrize(
    ("diameter_mm", "speed"), [(1.3, 0.354), (2.0, 0.295), (3.0, 0.258), (5.0, 0.236), (10.0, 0.255)]
)
def test_clean_bubbles_rise_as_tabulated(diameter_mm: float, speed: float) -> None:
    assert clean_rise_speed(np.array([1e-3 * diameter_mm]), TAP_WATER)[0] == pytest.approx(speed, rel=0.01)


def test_smallest_bubbles_obey_stokes_and_hadamard() -> None:
    # Rigid g d^2 / (18 nu), mobile surface g d^2 / (12 nu), for Re << 1.
    diameter = np.array([20e-6])
    nu = 1.0e-3 / 998.0
    assert contaminated_rise_speed(diameter, TAP_WATER) == pytest.approx(
        9.81 * diameter**2 / (18 * nu), rel=0.02
    )
    assert clean_rise_speed(diameter, TAP_WATER) == pytest.approx(9.81 * diameter**2 / (12 * nu), rel=0.02)


def test_contaminated_bubbles_rise_within_the_measured_band() -> None:
    # clift1978, figure 7.3, contaminated water, 1 to 5 mm: about 0.1 to 0.25 m/s, below clean. Kind: MEMORY.
    diameter = np.linspace(1e-3, 5e-3, 50)
    speed = contaminated_rise_speed(diameter, TAP_WATER)
    assert speed.min() > 0.1
    assert speed.max() < 0.26
    assert (speed <= clean_rise_speed(diameter, TAP_WATER)).all()


def test_five_millimetre_bubble_is_flattened_as_in_the_correlation() -> None:
    # wellek1966: E = 1 / (1 + 0.163 Eo^0.757); 5 mm in tap water has Eo 3.40. Kind: MEMORY, by hand 0.708.
    assert flattening(np.array([5e-3]), TAP_WATER)[0] == pytest.approx(0.708, abs=0.002)


def test_bubble_from_ten_metres_doubles_its_volume() -> None:
    # Boyle's law: one standard atmosphere, 101325 Pa, is 10.08 m of sea water of 1025 kg/m3.
    depth = 101325.0 / (1025.0 * 9.81)
    assert (grown_diameter(np.array([1e-3]), np.array([depth]))[0] / 1e-3) ** -3 == pytest.approx(
        2.0, rel=1e-3
    )


def test_reflection_at_a_bubble_is_fresnels() -> None:
    # Straight on ((n - 1) / (n + 1))^2 = 0.0211 for n 1.34; Brewster's angle from inside atan(1 / n), where
    # only the polarisation across the plane is left.
    assert fresnel(np.array([1.0]), 1.34, 1.0)[0] == pytest.approx((0.34 / 2.34) ** 2)
    brewster = math.atan(1.0 / 1.34)
    across = (math.sin(brewster - (math.pi / 2 - brewster))) ** 2
    assert fresnel(np.array([math.cos(brewster)]), 1.34, 1.0)[0] == pytest.approx(0.5 * across, rel=1e-6)


def _column_of_a_ball(light: F64) -> tuple[F64, F64]:
    """Return how far off its middle the pixels of a ball's upper half are, and their light, seen level."""
    picture = appearance(light[:, None], 0.0, size=256)[..., 0]
    return np.asarray(1.0 - (np.arange(128) + 0.5) / 128.0, np.float64), picture[:128, 127]


def test_silver_cap_reaches_from_the_critical_angle_to_the_edge_of_snells_window() -> None:
    # By hand: reflection is total from sin i = 1/n, 0.746 of the radius (n 1.34). A ray reflected at i goes
    # on pi - 2 i higher: it meets the edge of Snell's window, 41.73 deg above the horizon, at i = 69.1 deg,
    # 0.934 of the radius. In between the whole sky is mirrored; beyond, the water under the surface is.
    above = around()[:, 2] > math.sin(math.radians(41.73))
    radius, light = _column_of_a_ball(above.astype(float))
    silver = radius[light > 0.5]
    # Directions are 5 deg apart, which are 0.02 of the radius.
    assert silver.max() == pytest.approx(0.934, abs=0.02)
    # What passes shows the sky too, from 2 (t - i) = 41.73 deg on: sin(i + 20.87 deg) = 1.34 sin i holds for
    # i = 41.29 deg, 0.660 of the radius.
    assert silver.min() == pytest.approx(0.660, abs=0.02)
    assert light[(radius > 0.76) & (radius < 0.90)] == pytest.approx(1.0)


@pytest.mark.parametrize("sine", [0.1, 0.3, 0.5])
def test_light_from_ahead_and_behind_shares_as_fresnel_says(sine: float) -> None:
    # A ray that meets a ball at i < 45 deg passes with T^2 and turns by less than 90 deg; what is reflected
    # at the front comes from behind the lens. Fresnel's equations in sines and tangents, sin t = n sin i.
    i, t = math.asin(sine), math.asin(1.34 * sine)
    across, along = math.sin(i - t) / math.sin(i + t), math.tan(i - t) / math.tan(i + t)
    reflected = 0.5 * (across**2 + along**2)
    from_behind = (around()[:, 1] < -0.02).astype(float)
    radius, light = _column_of_a_ball(from_behind)
    found = np.interp(sine, radius[::-1], light[::-1])
    # What is reflected once inside turns by pi + 2 i - 4 t; with all later orders it is T R.
    inside = (1.0 - reflected) * reflected if math.pi + 2.0 * i - 4.0 * t > 0.5 * math.pi else 0.0
    assert found == pytest.approx(reflected + inside, rel=0.03)


def test_small_bubbles_are_balls_and_large_ones_caps() -> None:
    # clift1978, section 2.II (MEMORY): spherical, minor to major axis above 0.9; spherical caps above Eo 40,
    # 0.24 for a wake angle of 50 deg, (1 - cos 50)/(2 sin 50) = 0.233.
    assert flattening(np.array([0.5e-3, 1.0e-3]), TAP_WATER).min() > 0.9
    eo_40 = math.sqrt(40.0 * TAP_WATER.surface_tension / (9.81 * TAP_WATER.density))
    cap = (1.0 - math.cos(math.radians(50.0))) / (2.0 * math.sin(math.radians(50.0)))
    assert flattening(np.array([1.2 * eo_40]), TAP_WATER)[0] == pytest.approx(cap, abs=0.05)


def test_bubble_of_five_millimetres_swings_as_lamb_says() -> None:
    # lamb1932, section 275: omega^2 = (n - 1)(n + 1)(n + 2) sigma/(rho R^3), n = 2. By hand, tap water,
    # R 2.5 mm: 12 x 0.072/(998 x 1.5625e-8) = 55407 /s2, 37.46 Hz. Kind: MEMORY of the equation.
    assert wobble_hz(np.array([5e-3]), TAP_WATER)[0] == pytest.approx(37.46, abs=0.05)


# --- Lens -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("focal_mm", "stop", "focus_m", "thing_m", "blur_mm"),
    # Thin lens: image distances v = f s / (s - f); C = A |v - v_f| / v. Worked by hand.
    [(50.0, 2.8, 3.0, 1.0, 0.6053), (35.0, 4.0, 2.0, 0.5, 0.4676), (85.0, 1.8, 5.0, 20.0, 0.6125)],
)
def test_circle_of_confusion_is_that_of_the_thin_lens(
    focal_mm: float, stop: float, focus_m: float, thing_m: float, blur_mm: float
) -> None:
    focal = 1e-3 * focal_mm
    image, sharp = (focal * s / (s - focal) for s in (thing_m, focus_m))
    by_construction = focal / stop * abs(image - sharp) / image
    found = circle_of_confusion(np.array([thing_m]), focal_length_m=focal, f_number=stop, focus_m=focus_m)[0]
    assert found == pytest.approx(by_construction, rel=1e-9)
    assert 1000.0 * found == pytest.approx(blur_mm, rel=2e-3)


def test_soft_disc_is_the_convolution_of_thing_and_blur() -> None:
    # COMPUTED with OpenCV: a disc of radius 9 px filtered by one of 4 px, on a grid eight times finer.
    fine, size = 8, 41
    grid = (np.arange(size * fine) + 0.5) / fine - size / 2
    distance = np.hypot(*np.meshgrid(grid, grid))
    kernel_grid = np.arange(-40, 41) / fine
    kernel = (np.hypot(*np.meshgrid(kernel_grid, kernel_grid)) <= 4.0).astype(np.float64)
    sharp = (distance <= 9.0).astype(np.float64)
    blurred = cv2.filter2D(sharp, -1, kernel / kernel.sum()).reshape(size, fine, size, fine).mean(axis=(1, 3))
    radius, softness = footprint(np.array([9.0]), np.array([4.0]))
    place = np.full((1, 2), size / 2)
    disc = Discs(
        place, place, radius, softness, np.array([math.pi * 81.0]), np.ones((1, 1)), np.ones(1), np.ones(1)
    )
    layer = Drawing(Area(0, size, 0, size), disc).draw(
        (0, size), Surface(np.full((size, size), 9.0, np.float32))
    )
    alpha = layer.alpha
    assert alpha.sum() == pytest.approx(blurred.sum(), rel=2e-3)
    # The ramp's shape differs from the exact overlap of two discs by a few percent of its height.
    assert np.abs(alpha - blurred).max() < 0.08


# --- Camera ---------------------------------------------------------------------------------------------


def test_particles_are_projected_as_opencv_projects_points() -> None:
    rotation = cv2.Rodrigues(np.array([0.1, -0.4, 0.05]))[0]
    matrix = np.eye(4)
    matrix[:3, :3], matrix[:3, 3] = rotation, [0.3, -8.0, 2.0]
    camera = pinhole(
        Window(0, 0, 1920, 1080), focal_length_mm=35.0, film_width_mm=36.0, camera_to_world=matrix
    )
    view = ViewVolume(camera.position_m, camera.rotation, (-0.5, 0.5, -0.3, 0.3), 3.0)
    even = patchiness(1, "even", scale_m=1.0, variation=0.0)
    points = particles_in_view(1, "p", PowerLaw(300.0, 4.0, 1e-3, 2e-3), even, view, LIMITS).home_m
    pixels, _ = camera.project(points)
    # OpenCV's camera looks along +z with y down.
    flip = np.diag([1.0, -1.0, -1.0])
    turn = flip @ camera.rotation.T
    shift = -turn @ camera.position_m
    focal = 1920 * 35.0 / 36.0
    theirs, _ = cv2.projectPoints(
        points, cv2.Rodrigues(turn)[0], shift, np.array([[focal, 0, 960], [0, focal, 540], [0, 0, 1]]), None
    )
    assert len(points) > 200
    assert np.abs(pixels - theirs[:, 0]).max() < 1e-6


def test_parallax_of_a_moving_camera_is_the_analytic_flow_field() -> None:
    # longuethiggins1980, for translation (U, V, W) and rotation (A, B, C) in a frame with z ahead:
    # u = (-U + x W)/Z + A x y - B (x^2 + 1) + C y,  v = (-V + y W)/Z + A (y^2 + 1) - B x y - C x.
    # Kind: MEMORY.
    window = Window(0, 0, 1920, 1080)
    even = patchiness(1, "even", scale_m=1.0, variation=0.0)
    view = ViewVolume(np.zeros(3), np.eye(3), (-0.4, 0.4, -0.25, 0.25), 3.0)
    points = particles_in_view(1, "p", PowerLaw(2000.0, 4.0, 1e-3, 2e-3), even, view, LIMITS).home_m
    points = points[points[:, 2] < -0.5]
    step = 1e-4
    speed, turn = np.array([0.7, -0.2, -0.9]), np.array([0.03, 0.05, -0.02])
    pixels = []
    for sign in (-0.5, 0.5):
        matrix = np.eye(4)
        matrix[:3, :3] = cv2.Rodrigues(sign * step * turn)[0]
        matrix[:3, 3] = sign * step * speed
        camera = pinhole(window, focal_length_mm=36.0, film_width_mm=36.0, camera_to_world=matrix)
        pixels.append(camera.project(points)[0])
    flow = (pixels[1] - pixels[0]) / step / 1920.0
    x, y, z = points[:, 0] / -points[:, 2], points[:, 1] / points[:, 2], -points[:, 2]
    # From x right, y up, looking down -z to x right, y down, z ahead.
    (u, v, w), (a, b, c) = speed * [1, -1, -1], turn * [1, -1, -1]
    expected_x = (-u + x * w) / z + a * x * y - b * (x**2 + 1) + c * y
    expected_y = (-v + y * w) / z + a * (y**2 + 1) - b * x * y - c * x
    assert len(points) > 1000
    assert flow[:, 0] == pytest.approx(expected_x, abs=1e-5)
    assert flow[:, 1] == pytest.approx(expected_y, abs=1e-5)


def test_near_layers_of_a_field_stream_past_faster_in_the_stated_proportion() -> None:
    # A sideways move: image speed is f U / Z, so its mean over a slab is f U <1/Z>.
    even = patchiness(1, "even", scale_m=1.0, variation=0.0)
    view = ViewVolume(np.zeros(3), np.eye(3), (-0.4, 0.4, -0.25, 0.25), 3.0)
    points = particles_in_view(1, "p", PowerLaw(40_000.0, 4.0, 1e-3, 2e-3), even, view, LIMITS).home_m
    depth = -points[:, 2]
    for near, far in pairwise([0.5, 1.0, 1.5, 2.0]):
        slab = depth[(depth > near) & (depth < far)]
        # Particles are even in space, so a slab holds Z^2 dZ of them: <1/Z> = 3/2 (f^2 - n^2)/(f^3 - n^3).
        expected = 1.5 * (far**2 - near**2) / (far**3 - near**3)
        assert (1.0 / slab).mean() == pytest.approx(expected, rel=0.02)
