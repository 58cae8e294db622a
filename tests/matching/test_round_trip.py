"""Frames that Halocline made in known water, with noise and 8-bit display encoding, are matched back."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest

import halocline
from halocline._typing import F32, F64
from halocline.errors import PhysicsError, UnitError
from halocline.imaging.frame import Window
from halocline.matching.dive_data import DiveData, water_from
from halocline.matching.match import Match, match, preset_text, report_lines
from halocline.matching.model import Setting
from halocline.matching.reference_picture import ReferencePicture, samples_of
from halocline.matching.samples import Sample, SamplePlace, parse_place, sample_at, samples_of_range_map
from halocline.presets.preset import Preset, preset_from_text
from halocline.rgb import LINEAR_REC709

WINDOW = Window(0, 0, 48, 32)
TEXT = """
format = 1
[place]
camera_depth = 8
[light]
sun_azimuth = 60
shadows = false           # A card that fills the frame is no wall of its size.
[steps.downwelling]
[steps.attenuation]
[steps.veiling_light]
[steps.white_reference]
card_range = 0.5
balance = 0.4
"""
# With the halo of what is about things; the cards above are pictured without, for each fills a frame.
WITH_HALO = TEXT.replace("[steps.veiling_light]", "[steps.forward_scatter]\n[steps.veiling_light]")
SETTING = Setting(LINEAR_REC709, depth_m=8.0)


def preset_of(*sets: str) -> Preset:
    return preset_from_text(TEXT, sets)


def camera() -> halocline.Camera:
    return halocline.pinhole(WINDOW, focal_length_mm=18, film_width_mm=36)


def picture(preset: Preset, range_m: float, reflectance: float = 0.18) -> F32:
    rgb = np.full((*WINDOW.shape, 3), reflectance, np.float32)
    return halocline.apply(preset, rgb, np.full(WINDOW.shape, range_m, np.float32), camera=camera()).rgb


def eight_bit(linear: F32, seed: int, *, exposure: float = 0.5, noise: float = 0.003) -> F64:
    """A camera: exposure, sensor noise, sRGB curve, 8 bits."""
    random = np.random.default_rng(seed)
    seen = np.clip(linear * exposure + random.normal(0.0, noise, linear.shape), 0.0, 1.0)
    coded = np.where(seen <= 0.0031308, 12.92 * seen, 1.055 * np.maximum(seen, 1e-9) ** (1 / 2.4) - 0.055)
    decimals: F64 = np.round(coded * 255.0) / 255.0
    return decimals


def card_samples(preset: Preset, shares: tuple[float, ...] = (0.06, 0.15, 0.3, 0.5)) -> list[Sample]:
    """Grey and white cards at shares of the visibility, and open water, as a diver would shoot them."""
    samples, directions = [], camera().directions(WINDOW)
    for number, share in enumerate(shares):
        range_m = share * preset.water.visibility_m
        for reflectance in (0.18, 0.9):
            shot = eight_bit(picture(preset, range_m, reflectance), number)
            place = SamplePlace(24, 16, 5, None, range_m, (reflectance,) * 3, f"card {reflectance}")
            samples.append(sample_at(place, shot, "srgb", directions))
    shot = eight_bit(picture(preset, math.inf), 99)
    for x, y in ((4, 4), (24, 4), (43, 4), (4, 16), (24, 16), (43, 16), (4, 27), (24, 27), (43, 27)):
        samples.append(
            sample_at(SamplePlace(x, y, 3, None, math.inf, None, "water"), shot, "srgb", directions)
        )
    return samples


@lru_cache(maxsize=8)
def matched(water_type: str) -> tuple[Preset, Match]:
    preset = preset_of(f'water.jerlov_type="{water_type}"')
    # Of the murkiest the sun cannot be told: another is assumed than shone.
    assumed = 33.0 if water_type == "9C" else SETTING.sun_elevation_deg
    return preset, match(card_samples(preset), replace(SETTING, sun_elevation_deg=assumed))


@pytest.mark.parametrize("water_type", ["II", "1C", "9C"])
def test_strength_of_the_water_comes_back_within_6_per_cent(water_type: str) -> None:
    preset, found = matched(water_type)
    true = 3.912 / preset.water.visibility_m
    assert found.chosen.attenuation_550 == pytest.approx(true, rel=0.08)
    assert found.constituents.attenuation_550 == pytest.approx(true, rel=0.06)


@pytest.mark.parametrize("water_type", ["II", "1C", "9C"])
def test_true_type_is_among_those_not_ruled_out(water_type: str) -> None:
    _, found = matched(water_type)
    assert water_type in [candidate.kind for candidate in found.possible]


def test_blue_ocean_is_not_taken_for_murky_coast() -> None:
    _, found = matched("II")
    assert not {"7C", "9C"} & {candidate.kind for candidate in found.possible}


def test_veil_brightness_comes_back_as_physical() -> None:
    for water_type in ("1C", "9C"):
        veil = matched(water_type)[1].veil_over_subject
        assert veil is not None
        # What is left is the match's: its veil of the true water is within 1 % of the frame's.
        assert veil == pytest.approx(1.0, rel=0.14)


def test_brighter_side_is_found_within_20_degrees() -> None:
    daylight = matched("1C")[1].daylight
    assert daylight is not None
    assert daylight.setting.sun_azimuth_deg == pytest.approx(60.0, abs=20.0)


def test_an_elevation_is_told_with_its_range_where_water_is_clear_enough() -> None:
    found = matched("1C")[1]
    daylight = found.daylight
    assert daylight is not None
    # The pictures' sun stands 45 degrees high, as presets have it.
    low, high = daylight.elevations_deg
    assert low < 45.0 < high
    assert low <= daylight.setting.sun_elevation_deg <= high
    assert daylight.tells_elevation
    assert f"elevation {low:.0f} to {high:.0f} deg" in "\n".join(report_lines(found))
    assert f"matched; {low:.0f} to {high:.0f} explain" in preset_text(found)


def test_an_elevation_that_murky_water_does_not_tell_is_said_to_be_assumed() -> None:
    found = matched("9C")[1]
    assert found.daylight is not None
    # What reaches the lens has been scattered so often that it comes from above, wherever the sun stands.
    assert not found.daylight.tells_elevation
    assert found.setting.sun_elevation_deg == 33.0
    low, high = found.daylight.elevations_deg
    said = "\n".join(report_lines(found))
    assert (
        f"Cannot be told: how high the sun stands, and how overcast it is: from {low:.0f} to {high:.0f}"
        in said
    )
    assert "33 deg is assumed" in said
    assert "elevation about" not in said
    assert "sun_elevation = 33.0 # degrees, assumed" in preset_text(found)


def test_preset_of_the_match_makes_the_picture_again() -> None:
    preset, found = matched("1C")
    like = ["steps.white_reference.balance=0.4", "light.shadows=false", "steps.forward_scatter.enabled=false"]
    again = preset_from_text(preset_text(found), like)
    for share in (0.1, 0.4):
        range_m = share * preset.water.visibility_m
        was, now = picture(preset, range_m), picture(again, range_m)
        # 0.079 at the picture's corners; a match's type and strength are not quite those of the water.
        assert now / now.mean() == pytest.approx(was / was.mean(), rel=0.09)


def test_exposure_does_not_change_the_match() -> None:
    _, one = matched("1C")

    def halved(light: tuple[float, float, float]) -> tuple[float, float, float]:
        return 0.5 * light[0], 0.5 * light[1], 0.5 * light[2]

    dark = [
        replace(sample, rgb=halved(sample.rgb), noise=sample.noise and halved(sample.noise))
        for sample in one.samples
    ]
    two = match(dark, SETTING)
    assert one.chosen.kind == two.chosen.kind
    assert one.chosen.attenuation_550 == pytest.approx(two.chosen.attenuation_550, rel=1e-3)


def test_one_wrong_range_does_not_spoil_the_rest() -> None:
    preset = preset_of('water.jerlov_type="1C"')
    # Cards alone: of open water nothing is wrong.
    samples = [sample for sample in card_samples(preset) if not sample.open_water]
    wrong = [*samples[:2], Sample(samples[2].rgb, 3.0 * samples[2].range_m, samples[2].colour), *samples[3:]]
    found = match(wrong, SETTING)
    assert found.chosen.attenuation_550 == pytest.approx(3.912 / preset.water.visibility_m, rel=0.12)


def test_rock_of_unknown_colour_at_four_ranges_is_enough() -> None:
    preset = preset_of('water.jerlov_type="5C"')
    visibility = preset.water.visibility_m
    rock = []
    for number, share in enumerate((0.05, 0.15, 0.3, 0.5)):
        seen = picture(preset, share * visibility, 0.35)[16, 24] * 0.6
        red, green, blue = (float(value) for value in seen * (1.0 + 0.01 * number))
        rock.append(Sample((red, green, blue), share * visibility, None, "rock"))
    found = match(rock, SETTING)
    assert found.chosen.attenuation_550 == pytest.approx(3.912 / visibility, rel=0.2)
    assert found.veil_over_subject is None
    assert any("veil's brightness" in line for line in report_lines(found))


def test_whole_frame_with_a_range_map_needs_no_known_colour() -> None:
    preset = preset_from_text(WITH_HALO, ['water.jerlov_type="1C"'])
    random = np.random.default_rng(3)
    window = Window(0, 0, 160, 90)
    lens = halocline.pinhole(window, focal_length_mm=24, film_width_mm=36)
    range_m = np.broadcast_to(np.geomspace(0.5, 6.0, 90)[::-1, None], window.shape).astype(np.float32).copy()
    range_m[:20] = np.inf
    # Stones of all reflectances from tar to chalk, at every range.
    stones = random.uniform(0.03, 0.8, (*window.shape, 1)).repeat(3, axis=2).astype(np.float32)
    wet = halocline.apply(preset, stones, range_m, camera=lens).rgb
    shot = eight_bit(wet, 5)
    still = ReferencePicture(shot, "srgb", LINEAR_REC709, range_m, lens.directions(window), (), lens.focal_px)
    found = match(samples_of([still], []), SETTING)
    assert found.chosen.attenuation_550 == pytest.approx(3.912 / preset.water.visibility_m, rel=0.15)


def test_flat_range_map_is_refused_with_a_fix() -> None:
    rgb = np.full((3, 60, 60), 0.2, np.float32)
    samples = samples_of_range_map(rgb, np.full((60, 60), 2.0, np.float32), None)
    with pytest.raises(PhysicsError, match="the same card, or the same kind of rock, at two ranges"):
        match(samples, SETTING)


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("12@3 m", "not of the form"),
        ("1,2@3 parsec=grey", "parsec"),
        ("1,2@3=patch 25", "patches 1 to 24"),
        ("1,2@0=grey", "not above 0"),
        ("1,2@3=???", "no card, patch, colour or name"),
    ],
)
def test_unreadable_sample_says_why(text: str, reason: str) -> None:
    with pytest.raises(UnitError, match=reason):
        parse_place(text)


def test_stated_sample_is_read_with_its_units() -> None:
    place = parse_place("2:412,233,6@10 ft=patch 19")
    assert (place.still, place.x, place.y, place.half_px) == (2, 412, 233, 6)
    assert place.range_m == pytest.approx(3.048)
    assert place.colour is not None
    assert place.colour[1] > 0.8


def test_dive_data_that_contradict_each_other_are_refused() -> None:
    with pytest.raises(PhysicsError, match="means an attenuation near"):
        water_from(DiveData(visibility_m=8.0, attenuation_550_per_m=3.0))


@pytest.mark.parametrize(
    "data",
    [
        DiveData(secchi_m=6.0),
        DiveData(visibility_m=12.0),
        DiveData(visibility_m=8.0, secchi_m=12.0),
        DiveData(chlorophyll_mg_m3=3.0, turbidity=2.0),
        DiveData(chlorophyll_mg_m3=1.0, secchi_m=5.0),
    ],
)
def test_preset_of_dive_data_has_the_same_water(data: DiveData) -> None:
    found = water_from(data)
    preset = preset_from_text(found.preset_text())
    assert preset.water.visibility_m == pytest.approx(found.water.visibility_m, rel=2e-3)
