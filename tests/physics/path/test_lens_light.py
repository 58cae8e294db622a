"""What a lens is told of the light about it is the solution's own at its depth."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from numpy.testing import assert_allclose

from halocline._typing import F64
from halocline.physics.path.radiance import lens_light
from halocline.physics.path.radiance.lens_light import (
    AZIMUTHS,
    DEEPEST_M,
    HEIGHTS,
    WaterAndSky,
    _lens_light,
    _light_by_depth,
    depth_nodes,
    direction_grid,
    matching_rate,
)
from halocline.physics.path.radiance.solution import Modes, Resolution, modes_of

# Two bands: clear and murky, some of it the water's own scattering.
WATER = WaterAndSky(
    attenuation=(0.15, 0.6),
    scattering=(0.06, 0.45),
    molecular_share=(0.2, 0.02),
    asymmetry=0.9,
    index=1.34,
    sun_cosine=0.85,
    sun_share=0.7,
    resolution=Resolution(6, 24, 8),
)


@pytest.mark.parametrize("end", [0.3, 4.0, 60.0, np.inf])
def test_the_rate_that_matches_gives_the_whole_path(end: float) -> None:
    source = np.array([0.5, 2.0])
    for rate in (-0.02, 1e-6, 0.1, 1.7):
        if rate < 0.0 and np.isinf(end):
            continue
        path = source * (-np.expm1(-rate * end) / rate)
        assert_allclose(matching_rate(source, path, np.asarray(end)), rate, rtol=1e-6, atol=1e-7)


@pytest.mark.parametrize("depth", [0.0, 3.0, 25.0])
def test_the_tables_are_the_solution_at_the_lens_for_a_downward_light_of_1(depth: float) -> None:
    """So is the sun's beam, and how fast it falls is what the beam itself loses on its way down."""
    found, solved = WATER.at(depth), WATER.solved()
    y = max(depth, 0.01)
    level = solved.downward(np.array([y]))[0]
    source, _ = solved.radiance(y, *direction_grid())
    tables = found.tables.reshape(2, 2, HEIGHTS, AZIMUTHS).astype(np.float64)
    assert_allclose(tables[0], np.moveaxis(source / level, -1, 0), rtol=1e-5)
    beams = solved.beam(np.array([y, y + 1.0]))
    # All levels of the solution are relative to its slowest decay.
    assert_allclose(found.sun_fall, np.log(beams[0] / beams[1]) + solved.slowest, rtol=1e-9)
    own = np.array(WATER.molecular_share)
    strength = np.array(WATER.scattering) * beams[0] / level
    assert_allclose(found.sun_strength, [strength * (1.0 - own), strength * own], rtol=1e-9)


@pytest.mark.parametrize("bottom_m", [None, 9.0])
def test_many_bands_are_solved_some_at_a_time_to_the_same_light(
    bottom_m: float | None, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The last of them fewer. Daylight of many is made of two azimuth modes; all of them give the same."""
    share = np.linspace(0.2, 0.9, 13)
    water = replace(
        WATER,
        attenuation=tuple((0.1 + share).tolist()),
        scattering=tuple((0.1 * share + share**2).tolist()),
        molecular_share=tuple((0.1 * share).tolist()),
        resolution=Resolution(4, 12, 5),
        bottom_m=bottom_m,
        bottom_reflectance=0.3,
    )
    assert len(share) > lens_light._BANDS_AT_ONCE
    at_once: list[int] = []

    def counted(albedo: F64, *rest: Any, **more: Any) -> Modes:
        at_once.append(albedo.size)
        return modes_of(albedo, *rest, **more)

    def made() -> dict[str, Any]:
        return {**vars(_lens_light(water, 3.0)), **vars(_light_by_depth(water))}

    monkeypatch.setattr(lens_light, "modes_of", counted)
    blocks = made()
    assert at_once == 2 * [lens_light._BANDS_AT_ONCE, 13 - lens_light._BANDS_AT_ONCE]
    monkeypatch.setattr(lens_light, "_BANDS_AT_ONCE", 13)
    whole = made()
    assert whole.keys() == blocks.keys()
    for name in whole:
        # Products with a vector add up in another order, by how many rows they have.
        assert_allclose(blocks[name], whole[name], rtol=1e-12, err_msg=name)


def test_daylight_by_depth_is_the_solution_and_goes_on_below_the_table() -> None:
    """At nodes exactly; the solution's levels are relative to its slowest decay."""
    solved, daylight = WATER.solved(), WATER.daylight()
    nodes = depth_nodes()
    for read, told in (
        (solved.downward, daylight.log_downward),
        (solved.scalar, daylight.log_scalar),
    ):
        assert_allclose(told(nodes), np.log(read(nodes)) - solved.slowest * nodes[:, None], rtol=1e-9)
    ends = daylight.log_downward(np.array([DEEPEST_M, DEEPEST_M + 100.0]))
    assert_allclose(ends[0] - ends[1], 100.0 * solved.slowest, rtol=1e-9)
