"""Living light: its colour and flashes, what a wake sets off, and what that lights, held to quadrature."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import quad
from tests.conftest import Builders

from halocline.imaging.frame import Window
from halocline.operators.shared.view_rays import spaced_rays
from halocline.physics.floating.flow import Current
from halocline.physics.floating.living import (
    ANSWERING,
    Flash,
    Shutter,
    Stirred,
    StirringTrack,
    emission,
    flashing,
    glow_in_bands,
)
from halocline.physics.floating.living_loops import lay_glow, light_on_surfaces
from halocline.physics.floating.living_view import GlowBalls, glow_along, wake_balls
from halocline.physics.floating.particles import PowerLaw
from halocline.physics.path.lamps import irradiance

FLASH = Flash(0.015, 0.08)
STIRRED = Stirred(FLASH, 0.06, 0.4, 1.5)
# A ball of light that goes along x at 2 m/s from 0 to 3 s.
TRACK = StirringTrack(
    np.array([0.0, 3.0]),
    np.array([[0.0, 0.0, -5.0], [6.0, 0.0, -5.0]]),
    np.array([[0.0, 0.0, -5.0], [6.0, 0.0, -5.0]]),
    0.5,
)
SIZES = PowerLaw(5000.0, 3.5, 0.4e-3, 1.5e-3)


def test_its_colour_is_the_published_blue() -> None:
    # Widder, Latz and Case 1983, from memory: dinoflagellates peak at 472 to 478 nm, 33 to 38 nm wide.
    nm = np.arange(400.0, 701.0)
    light = emission(nm)
    assert 472.0 <= nm[light.argmax()] <= 478.0
    assert 33.0 <= np.ptp(nm[light >= 0.5]) + 1.0 <= 38.0
    # Its main wavelength by the CIE's observer (colour-science's table): blue, not cyan.
    colour = pytest.importorskip("colour")
    observer = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"]
    xyz = light @ observer.values[np.isin(observer.wavelengths, nm)]
    assert 470.0 < colour.dominant_wavelength((xyz / xyz.sum())[:2], [1 / 3, 1 / 3])[0] < 480.0


def test_it_is_as_luminous_as_a_white_card_and_blue(build: Builders) -> None:
    path = build.path()
    light = glow_in_bands(path, 474.0, 36.0)
    rgb = path.bands.down @ light
    assert float(path.luminance @ rgb) == pytest.approx(1.0)
    assert rgb[2] > rgb[1] > rgb[0]


def test_a_flash_rises_within_hundredths_of_a_second_and_decays() -> None:
    times = np.linspace(0.0, 0.6, 60_001)
    at_once = FLASH.mean(times, times)
    assert at_once.max() == pytest.approx(1.0, abs=1e-6)
    # Published flashes of dinoflagellates reach their peak in 10 to 60 ms and last .1 to .5 s (from memory).
    assert 0.01 < times[at_once.argmax()] < 0.06
    assert 0.1 < np.ptp(times[at_once > 0.1]) < 0.5
    for begin, end in ((-0.02, 0.02), (0.01, 0.05), (0.1, 0.4)):
        whole = quad(lambda t: float(FLASH.mean(np.array(t), np.array(t))), max(begin, 0.0), end)[0]
        assert float(FLASH.mean(np.array(begin), np.array(end))) == pytest.approx(whole / (end - begin))
    assert FLASH.lasts_s < 0.6
    assert at_once[times > FLASH.lasts_s].max() < 2e-3


def test_what_flashes_by_itself_flashes_once_in_its_time() -> None:
    words = np.arange(2000, dtype=np.uint32).reshape(2, -1)
    step = 0.04
    seen = [flashing(FLASH, 2.0, 7, words, Shutter(t, t + step)) for t in np.arange(50.0, 60.0, step)]
    light = np.array(seen)
    # Five pieces of time of 2 s hold five flashes, less or more one at the ends.
    one = float(FLASH.mean(np.array(0.0), np.array(1.0)))
    flashes = light.sum(axis=0) * step / one
    assert flashes.mean() == pytest.approx(5.0, rel=0.03)
    assert flashes.min() > 3.9
    assert flashes.max() < 6.1


def test_a_wake_comes_when_it_comes_within_reach() -> None:
    points = np.array([[2.0, 0.0, -5.0], [2.0, 0.3, -5.0], [2.0, 0.6, -5.0], [5.9, 0.0, -5.0]])
    came = TRACK.came_to(points, np.ones(4), 2.5, 10.0, Current())
    # At 2 m/s within .5 m of a place at x = 2: from x = 1.5, or 2 - .4 at .3 m aside; to a step of .125 s.
    assert came[0] == pytest.approx(0.75, abs=0.13)
    assert came[1] == pytest.approx(0.80, abs=0.13)
    assert np.isinf(came[2:]).all()
    # The least ready answer only a quarter of the way out.
    assert np.isinf(TRACK.came_to(points[1:2], np.zeros(1), 2.5, 10.0, Current())).all()
    # What the water has carried since is found where it is now.
    drifted = points[:1] + np.array([0.0, 0.2 * (2.5 - 0.75), 0.0])
    moved = TRACK.came_to(drifted, np.zeros(1), 2.5, 10.0, Current((0.0, 0.2, 0.0)))
    assert moved[0] == pytest.approx(1.0, abs=0.2)
    # Of two passes the later counts.
    back = StirringTrack(
        np.array([0.0, 3.0, 6.0]),
        *(2 * (np.array([[0.0, 0.0, -5.0], [6.0, 0.0, -5.0], [0.0, 0.0, -5.0]]),)),
        0.5,
    )
    assert back.came_to(points[:1], np.ones(1), 5.9, 10.0, Current())[0] == pytest.approx(4.75, abs=0.13)


def test_stirred_water_flashes_at_once_and_less_and_less() -> None:
    words = np.arange(2000, dtype=np.uint32).reshape(2, -1)
    ages = np.arange(0.0, 5.0, 0.02)
    light = np.array([STIRRED.brightness(3, words, np.full(1000, a), np.full(1000, a + 0.02)) for a in ages])
    mean = light.mean(axis=1)
    assert 0.02 <= ages[mean.argmax()] <= 0.2
    np.testing.assert_allclose(STIRRED.mean_brightness(ages[::40], ages[::40] + 0.02), mean[::40], atol=0.03)
    # From flash to flash .4 s, of which exp(-t / 1.5 s) still come.
    one = float(FLASH.mean(np.array(0.0), np.array(1.0)))
    within = [light[(ages >= low) & (ages < low + 0.8)].sum() * 0.02 / one / 1000.0 for low in (0.8, 2.0)]
    for low, found in zip((0.8, 2.0), within, strict=True):
        expected = quad(lambda t: math.exp(-t / 1.5) / 0.4, low, low + 0.8)[0]
        assert found == pytest.approx(expected, rel=0.12)
    assert mean[-1] < 0.05 * mean.max()
    dark = STIRRED.brightness(3, words, np.full(1000, -1.0), np.full(1000, 0.0))
    assert np.abs(dark).max() == 0.0


def test_balls_of_a_wake_hold_the_mean_light_of_the_cells_in_it() -> None:
    # A ball of .5 m reach stirs pi / 4 square metres of water for each metre of its way.
    assert TRACK.swept_m3(np.array([0.0, 1.0]))[0] == pytest.approx(math.pi * 0.25 * 2.0)
    shutter = Shutter(2.0, 2.02)
    balls = wake_balls(TRACK, STIRRED, SIZES, np.ones(1), shutter, Current())

    def lit(t: float) -> float:
        return float(STIRRED.mean_brightness(np.array(2.0 - t), np.array(2.02 - t)))

    times = np.linspace(0.0, 2.01, 200)
    bright = np.trapezoid([lit(float(t)) for t in times], times)
    expected = ANSWERING * SIZES.cross_section() * math.pi * 0.25 * 2.0 * bright
    assert balls.intensity.sum() == pytest.approx(expected, rel=0.1)
    # The mean square of reaches that lie evenly between a quarter and all of it.
    assert pytest.approx(quad(lambda u: (0.25 + 0.75 * u) ** 2, 0, 1)[0]) == ANSWERING
    # All along the way so far, and no jump as a new ball begins.
    assert balls.places_m[:, 0].max() < 4.1
    sums = [
        float(wake_balls(TRACK, STIRRED, SIZES, np.ones(1), Shutter(t, t + 0.02), Current()).intensity.sum())
        for t in np.arange(1.45, 1.55, 0.01)
    ]
    assert np.abs(np.diff(sums)).max() < 0.05 * sums[0]
    assert not len(wake_balls(TRACK, STIRRED, SIZES, np.ones(1), Shutter(-1.0, -0.9), Current()))


def test_the_glow_round_a_ball_is_within_two_percent_of_quadrature(build: Builders) -> None:
    window, path = Window(0, 0, 24, 14), build.path()
    camera, lens = build.camera(window, tilt_deg=0.0), np.array([0.1, 0.0, 0.2])
    rays = spaced_rays(camera, np.eye(3), window, 2.0)
    place, rho = np.array([0.4, 0.2, -3.0]), 0.4
    balls = GlowBalls(place[None], np.full((1, path.bands.count), 2.0), np.array([rho]))
    glow = glow_along(rays, lens, path, balls)
    assert glow is not None
    lamp, band = balls.lamps()[0], 2
    for row, column, length in ((2, 3, 9.0), (4, 8, 9.0), (3, 6, 2.5), (6, 2, 4.0)):
        ray = rays[:, row, column].astype(np.float64)

        def source(t: float, ray: np.ndarray = ray) -> float:
            offset = lens + t * ray - place
            r = float(np.linalg.norm(offset))
            # A wide ball's light comes from all about its middle: the lobes lose r / sqrt(r^2 + rho^2) of g.
            narrow = r / math.hypot(r, rho)
            cosine, phase = -float(offset @ ray) / r, 0.0
            for part, own in ((0.992, 0.931), (0.008, -0.505)):
                g = own * narrow
                phase += part * (1 - g * g) / (4 * math.pi * (1 + g * g - 2 * g * cosine) ** 1.5)
            lit = float(irradiance(lamp, path.bands, offset[:, None])[band, 0])
            return lit * phase * float(path.bands.scattering[band] * np.exp(-path.beam_rate[band] * t))

        expected = quad(source, 0.0, length, limit=200, points=(2.5, 3.0, 3.5))[0]
        out = np.empty((path.bands.count, 1, 1), np.float32)
        at = np.array([column], np.float32), np.array([row], np.float32)
        lay_glow(glow.table, at, np.float32(glow.per_metre), np.full((1, 1), length, np.float32), out)
        assert out[band, 0, 0] == pytest.approx(expected, rel=0.02)


def test_surfaces_near_a_ball_are_lit_by_the_inverse_square_and_by_how_they_face_it() -> None:
    # Straight ahead at 3 m, a ball of intensity 8 two metres nearer, k = .5: 8 exp(-1) / (4 + .25) = .69247.
    sources = np.array([[0.0, 0.0, -1.0, 0.5, 8.0]], np.float32)
    ray = np.zeros((3, 1, 3), np.float32)
    ray[2] = -1.0
    range_m = np.array([[3.0, 3.0, np.inf]], np.float32)
    normal = np.zeros((3, 1, 3), np.float32)
    normal[2, 0, 0], normal[2, 0, 1] = 1.0, -1.0
    out = np.ones((1, 1, 3), np.float32)
    light_on_surfaces(sources, np.array([0.5], np.float32), np.float32(2 / 3), ray, range_m, normal, out)
    np.testing.assert_allclose(out[0, 0], [0.69247, 0.0, 0.0], atol=1e-5)
    light_on_surfaces(
        sources, np.array([0.5], np.float32), np.float32(2 / 3), ray, range_m, normal[:, :0], out
    )
    np.testing.assert_allclose(out[0, 0], [0.69247 * 2 / 3, 0.69247 * 2 / 3, 0.0], atol=1e-5)
