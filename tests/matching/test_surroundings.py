"""What a picture shows about a place, and the halo that a match expects there."""

from __future__ import annotations

import math

import numpy as np
import pytest

import halocline
from halocline._typing import F32, F64
from halocline.imaging.frame import Window
from halocline.matching.model import About, Hidden, Setting, predicted
from halocline.matching.reference_picture import ReferencePicture, samples_of
from halocline.matching.samples import Sample, SamplePlace
from halocline.matching.solved_light import NODES_NM
from halocline.matching.surroundings import RINGS, Surroundings, nearest_ranges
from halocline.physics.path.halo_about import ASIDE
from halocline.physics.path.water_halo import rings_about
from halocline.physics.water.spectra import WAVELENGTH_NM
from halocline.physics.water.water import jerlov_water
from halocline.presets.preset import preset_from_text
from halocline.rgb import LINEAR_REC709

WINDOW = Window(0, 0, 128, 72)
LENS = halocline.pinhole(WINDOW, focal_length_mm=24, film_width_mm=36)
PRESET = """
format = 1
[water]
jerlov_type = "1C"
[place]
camera_depth = 8
[light]
sun_azimuth = 60
shadows = false           # A match knows of none.
[steps.downwelling]
[steps.attenuation]
[steps.forward_scatter]
[steps.veiling_light]
[steps.white_reference]
balance = 0
"""
RANGES = (0.8, 1.6, 2.6)


def test_even_picture_is_the_same_in_every_ring() -> None:
    linear, range_m = np.full((*WINDOW.shape, 3), 0.3), np.full(WINDOW.shape, 2.0, np.float32)
    about = Surroundings.of(linear, range_m, None, LENS.focal_px).about([(5, 60)])
    assert about.rgb == pytest.approx(np.full((1, RINGS, 3), 0.3))
    assert about.share == pytest.approx(np.ones((1, RINGS, 1)))
    assert about.range_m == pytest.approx([2.0])


def test_disc_fills_the_rings_within_it_and_open_water_the_rest() -> None:
    rows, columns = np.indices(WINDOW.shape)
    slope = np.hypot(columns - 64, rows - 36) / LENS.focal_px
    range_m = np.where(slope < ASIDE[8], 3.0, np.inf).astype(np.float32)
    about = Surroundings.of(np.full((*WINDOW.shape, 3), 0.1), range_m, LENS.directions(WINDOW), LENS.focal_px)
    # Farther aside the mirrored discs beyond the frame follow.
    share = about.about([(64, 36)]).share.sum(axis=(0, 2))
    assert share[:7] == pytest.approx(1.0, abs=0.02)
    assert share[8] == pytest.approx(0.0, abs=0.05)


def test_place_is_as_far_as_the_nearest_that_is_known() -> None:
    ranges = nearest_ranges((4, 10), [(1, 1, 2.0), (8, 1, math.inf)])
    assert (ranges[:, :4] == 2.0).all()
    assert np.isinf(ranges[:, 6:]).all()


def cards_on_a_floor() -> tuple[F32, F32, list[SamplePlace]]:
    """Grey and white cards of a quarter of a metre, floating over a floor."""
    directions = LENS.directions(WINDOW).astype(np.float64)
    with np.errstate(divide="ignore"):
        range_m = np.where(directions[1] < -0.05, -0.6 / directions[1], np.inf)
    rgb = np.where(np.isfinite(range_m), 0.25, 0.0)
    places = []
    for number, s in enumerate(RANGES):
        half = round(0.125 / s * LENS.focal_px)
        for which, reflectance in enumerate((0.18, 0.9)):
            x, y = 22 + 42 * number, 22 + 26 * which
            card = np.s_[y - half : y + half + 1, x - half : x + half + 1]
            range_m[card], rgb[card] = s, reflectance
            places.append(SamplePlace(x, y, 1, None, s, (reflectance,) * 3, f"{reflectance}"))
    places += [SamplePlace(x, 3, 1, None, math.inf, None, "water") for x in (4, 43, 85, 124)]
    return np.repeat(rgb[..., None], 3, axis=2).astype(np.float32), range_m.astype(np.float32), places


@pytest.fixture(scope="module")
def samples() -> dict[str, list[Sample]]:
    rgb, range_m, places = cards_on_a_floor()
    wet = halocline.apply(preset_from_text(PRESET), rgb, range_m, camera=LENS).rgb.astype(np.float64)
    view = LENS.directions(WINDOW)
    return {
        name: samples_of(
            [ReferencePicture(wet, "linear", LINEAR_REC709, known, view, (), LENS.focal_px)], places
        )
        for name, known in (("map", range_m), ("points", None))
    }


@pytest.mark.parametrize(("ranges", "veil", "worst"), [("map", 0.04, 0.08), ("points", 0.09, 0.11)])
def test_true_water_explains_cards_with_the_halo_about_them(
    samples: dict[str, list[Sample]], ranges: str, veil: float, worst: float
) -> None:
    """The frame's own light and brightness come out: a veil that is the water's own, and every card."""
    seen = samples[ranges]
    (made,) = predicted([jerlov_water("1C")], seen, Setting(LINEAR_REC709, depth_m=8.0, sun_azimuth_deg=60.0))
    measured = np.array([sample.rgb for sample in seen])
    cards = np.array([np.zeros(3) if sample.colour is None else sample.colour for sample in seen])
    dry = np.einsum("nij,nj->ni", made.transfer, cards)
    # Light of the frame is that of the water.
    given, hidden = made.given, made.hidden.under(np.ones(3))
    for channel in range(3):
        columns = np.stack([dry[:, channel], (made.veil - hidden)[:, channel]], axis=1)
        weights = 1.0 / measured[:, channel]
        left = (measured - given)[:, channel]
        (gain, tint), *_ = np.linalg.lstsq(columns * weights[:, None], left * weights, rcond=None)
        shown = columns @ [gain, tint] + given[:, channel]
        assert tint / gain == pytest.approx(1.0, abs=veil)
        assert shown * weights == pytest.approx(1.0, abs=worst)


def test_cards_about_as_bright_as_the_water_are_shown_as_pictures_show_them() -> None:
    """They pass for water in part, and hide the less; without that green is expected a hundredth too dark."""
    ranges = (1.65, 4.14, 7.45, 2.48)
    away = np.repeat([*ranges, np.inf], 24).astype(np.float32) * np.ones((80, 1), np.float32)
    grey = np.repeat([0.18, 0.18, 0.18, 0.9, 0.0], 24).astype(np.float32)
    rgb = np.broadcast_to(grey[None, :, None], (80, 120, 3)).copy()
    window = Window(0, 0, 120, 80)
    lens = halocline.pinhole(window, focal_length_mm=18, film_width_mm=36)
    wet = halocline.apply(preset_from_text(PRESET), rgb, away, camera=lens).rgb.astype(np.float64)
    marks = [
        SamplePlace(24 * n + 12, 40, 2, None, float(s), (float(grey[24 * n]),) * 3, f"{n}")
        for n, s in enumerate(ranges)
    ]
    marks.append(SamplePlace(108, 40, 2, None, math.inf, None, "water"))
    view = lens.directions(window)
    still = ReferencePicture(wet, "linear", LINEAR_REC709, None, view, (), lens.focal_px)
    seen = samples_of([still], marks)
    (made,) = predicted([jerlov_water("1C")], seen, Setting(LINEAR_REC709, depth_m=8.0, sun_azimuth_deg=60.0))
    measured = np.array([sample.rgb for sample in seen])
    # How bright the frame is, the same picture without cards tells.
    empty = halocline.apply(preset_from_text(PRESET), 0.0 * rgb, np.full_like(away, np.inf), camera=lens).rgb
    tint = empty[40, 108] / made.veil[-1]
    dry = np.einsum("nij,nj->ni", made.transfer, [sample.colour or (0.0, 0.0, 0.0) for sample in seen])

    def off(hidden: F64) -> F64:
        shown = tint * (dry + made.veil - hidden) + made.given
        return np.asarray((shown / measured - 1.0)[:4, 1], np.float64)

    assert np.abs(off(made.hidden.under(tint))).max() < 0.008
    assert np.abs(off(made.hidden.under())).max() > 0.01


@pytest.mark.parametrize(("arrives", "beyond"), [(0.6, 0.1), (0.3, 0.12), (0.2, 0.3)])
def test_what_passes_for_water_is_told_from_how_a_wall_is_shown(arrives: float, beyond: float) -> None:
    """As pictures have it: a wall u off the water's light hides min(1, 2 |u|) of what is hidden beyond that.

    Brighter ones are told where they are shown brighter than the water.
    """
    off = np.array([-1.0, -0.7, -0.5, -0.3, -0.1, 0.02, 0.2, 0.45, 0.6, 2.0])
    hides = np.minimum(1.0, 2.0 * np.abs(off))
    shown = 1.0 + arrives * off - beyond * hides
    told = (off < 0.0) | (shown > 1.0)
    shape = (off.size, 1, 1, 1)
    hidden = Hidden(
        plain=np.zeros((off.size, 1)),
        more=np.ones(shape),
        shown=3.0 * shown.reshape(shape),
        behind=np.full(shape, 1.5),
        arrives=np.full(shape, arrives),
        beyond=np.full(shape, beyond),
    )
    np.testing.assert_allclose(hidden.under(np.array([2.0]))[told, 0], hides[told], atol=1e-9)
    np.testing.assert_array_equal(hidden.under(), 1.0)


@pytest.mark.parametrize("node_nm", [490.0, 550.0])
def test_open_water_of_one_wavelength_arrives_as_that_wavelength_does(node_nm: float) -> None:
    """Beer's law, where next to nothing is scattered: exp(-c s) of the one colour that daylight has."""
    ahead_only = np.array([[0.0, 0.0, -1.0]])
    about = About(
        range_m=np.array([4.0]),
        which=np.zeros((1, 1), np.int64),
        rgb=np.zeros((1, 1, RINGS, 3)),
        share=np.ones((1, 1, RINGS, 1)),
        views=ahead_only,
        rings=rings_about(ahead_only[0]),
    )
    attenuation = np.linspace(0.05, 0.6, WAVELENGTH_NM.size)
    optics = np.stack([attenuation, np.full_like(attenuation, 1e-7)])
    daylight = np.where(node_nm == NODES_NM, 1.0, 1e-12)
    open_water = np.ones((len(about.directions), 3))
    _, hidden, _ = about.halo(optics, open_water, daylight, LINEAR_REC709)
    left = math.exp(-4.0 * attenuation[node_nm == WAVELENGTH_NM][0])
    # What green sees of it; other colours' cells see some wavelengths not at all.
    assert hidden.arrives[0, 0, 0, 1] == pytest.approx(left, rel=1e-4)
