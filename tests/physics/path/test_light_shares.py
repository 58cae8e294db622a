"""What the light that water throws into view rays is made of."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from tests.conftest import Builders

from halocline._typing import F32
from halocline.physics.path.light_shares import light_shares, scattered_about, sky_share_of_scalar
from halocline.physics.path.transport import LightPath, refracted_sun


def looking_past_the_sun(
    build: Builders, water: str, depth_m: float, sun_share: float
) -> tuple[LightPath, F32, F32]:
    """Return a path, and views every half degree from 30 degrees beside the sun to 30 on the other side."""
    path = build.path(
        build.bands(water),
        depth_m=depth_m,
        sun_travel=refracted_sun(60.0, 0.0, build.up, build.ahead, 1.341),
        surface_sun_share=sun_share,
    )
    turn = np.radians(np.arange(-30.0, 30.25, 0.5))
    sun = -path.sun_travel
    aside = np.cross(sun, build.up) / np.linalg.norm(np.cross(sun, build.up))
    views = np.cos(turn) * sun[:, None] + np.sin(turn) * aside[:, None]
    down, cosine = -build.up @ views, path.sun_travel @ views
    return path, down.astype(np.float32), np.clip(cosine, -1.0, 1.0).astype(np.float32)


@pytest.mark.parametrize(("water", "depth_m"), [("IA", 20.0), ("II", 15.0), ("1C", 9.0), ("3C", 5.0)])
def test_about_the_sun_no_share_has_a_kink(water: str, depth_m: float, build: Builders) -> None:
    # A hull leaves hundredths of the light: where bounds of shares crossed, a disc with an edge was seen
    # before it. From half a degree to the next, slopes of what is not the sun's change by less than 5
    # thousandths of how much of it there is; at the crossings they changed by 12 to 66.
    path, down, cosine = looking_past_the_sun(build, water, depth_m, 0.75)
    found = light_shares(path, down, cosine)
    rest = 1.0 - found.sun.astype(np.float64)
    bent = np.abs(np.diff(rest, 2, axis=1)).max(axis=1) / np.ptp(rest, axis=1)
    assert (bent < 0.005).all(), bent
    assert (found.sun + found.sky <= 1.0 + 1e-5).all()
    assert (found.sun >= 0.0).all()


@pytest.mark.parametrize("water", ["IA", "II", "1C"])
def test_at_the_sun_all_is_the_suns_but_what_the_sky_alone_sends(water: str, build: Builders) -> None:
    # Radiance is linear in the lights: what a sky by itself sends, solved by itself, is not the sun's. What
    # the sun's side does not hold of the sun's own is no more than some hundredths where it is brightest.
    path, down, cosine = looking_past_the_sun(build, water, 12.0, 0.75)
    found = light_shares(path, down, cosine)
    alone = replace(path, surface_sun_share=0.0)
    y = path.reference_depth_m
    sources = [each.veil_rays().sources(down, cosine) for each in (path, alone)]
    whole, skies = (each.once + each.source for each in sources)
    fall = np.exp(alone.water.daylight().log_downward(y) - path.water.daylight().log_downward(y))
    share = 0.25 * fall * skies[:, 60] / whole[:, 60]
    missed = 1.0 - found.sun[:, 60] - share
    assert (missed > -1e-3).all()
    assert (missed < 0.1).all()


def test_under_one_light_alone_all_is_that_lights(build: Builders) -> None:
    path, down, cosine = looking_past_the_sun(build, "II", 12.0, 0.0)
    assert (light_shares(path, down, cosine).sun < 1e-6).all()


def test_light_loses_its_direction_after_a_transport_length(build: Builders) -> None:
    # By hand: a .05, b .5, g .9: .05 + .1 * .5 = .1 a metre, half of it within ln 2 / .1 = 6.93 m.
    bands = replace(build.grey_bands(0.05, 0.5, 0.1), asymmetry=0.9)
    path = build.path(bands, depth_m=6.0)
    metres, suns, skies = scattered_about(path)
    assert metres == pytest.approx(10.0 * math.log(2.0), rel=1e-3)
    assert 0.0 < suns < 1.0
    # Of what is not the sun's.
    assert skies == pytest.approx((1.0 - suns) * sky_share_of_scalar(path))


def test_shares_do_not_go_by_the_depth_at_which_the_render_was_lit(build: Builders) -> None:
    # Each light is told relative to its own at that depth; sun and sky fall off otherwise.
    path, down, cosine = looking_past_the_sun(build, "1C", 12.0, 0.75)
    found, other = (
        light_shares(replace(path, reference_depth_m=depth), down, cosine) for depth in (0.0, 10.0)
    )
    np.testing.assert_allclose(found.sun, other.sun, atol=1e-5)


@pytest.mark.parametrize("depth_m", [600.0, 3000.0])
def test_where_no_daylight_is_left_shares_are_numbers(depth_m: float, build: Builders) -> None:
    path, down, cosine = looking_past_the_sun(build, "9C", depth_m, 0.75)
    for share in vars(light_shares(path, down, cosine)).values():
        assert np.isfinite(share).all()
