"""A ratio between coarse rays and steps, against scipy's interpolation on a regular grid."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.interpolate import RegularGridInterpolator

from halocline._typing import F32
from halocline.compute.row_ratios import RowRatios, ratios_along
from halocline.physics.sea.ray_volume import RayVolume, ShaftRays, ShaftSteps, ShaftWater

ROWS, COLUMNS = 31, 9
STEPS = ShaftSteps(0.5, 0.2, 12)


class AnyVolume(RayVolume):
    """Random numbers in place of a ratio; the same for one ray in all blocks."""

    numbers = np.random.default_rng(3).random((ROWS, COLUMNS, STEPS.count + 1, 3), np.float32)

    def fill(self, directions: F32, rows: slice, edges: F32, block: F32) -> None:  # noqa: ARG002
        block[...] = self.numbers[rows]


@pytest.fixture
def volume() -> AnyVolume:
    rays = ShaftRays(np.zeros((3, ROWS, COLUMNS), np.float32), (0.0, 0.0), 5.0)
    return AnyVolume(rays, STEPS, ShaftWater((0.2,) * 3, (0.1,) * 3))


def _ranges(kind: str, shape: tuple[int, int]) -> F32:
    rng, far = np.random.default_rng(5), float(STEPS.edges[-1])
    if kind == "noise":
        return (rng.random(shape) * 1.2 * far).astype(np.float32)
    across = np.linspace(0.1, 1.2 * far, shape[1], dtype=np.float32)
    ground = across[:: -1 if kind == "nearer" else 1] + np.linspace(0.0, 2.0, shape[0])[:, None]
    return np.asarray(np.inf * np.ones(shape) if kind == "open" else ground, np.float32)


@pytest.mark.parametrize("kind", ["nearer", "farther", "open", "noise"])
def test_pixels_lie_between_rays_and_steps(volume: AnyVolume, kind: str) -> None:
    """Of any run of ranges along a row, and beyond the grid its edge goes on."""
    row = np.linspace(0.0, ROWS - 1.0, 47, dtype=np.float32)
    column = np.linspace(-0.5, COLUMNS - 0.5, 203, dtype=np.float32)
    range_m = _ranges(kind, (row.size, column.size))
    edges = STEPS.edges
    known = RegularGridInterpolator((np.arange(ROWS), np.arange(COLUMNS), edges), volume.numbers)
    places = np.broadcast_arrays(
        row[:, None], np.clip(column, 0, COLUMNS - 1), np.clip(range_m, 0.0, edges[-1])
    )
    np.testing.assert_allclose(
        volume.gain(column, row, range_m), np.moveaxis(known(np.stack(places, axis=-1)), -1, 0), atol=2e-5
    )


class HalfFrom(RayVolume):
    """All is left along rays above a row, half along those from it on."""

    first = 24

    def fill(self, directions: F32, rows: slice, edges: F32, block: F32) -> None:  # noqa: ARG002
        block[...] = 1.0
        block[max(0, self.first - rows.start) :] = 0.5


@pytest.mark.parametrize("first", [10, 24, 25])
def test_rows_between_a_ray_that_takes_nothing_and_one_that_does_are_half_way_to_it(
    first: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    # Also where the two lie in two blocks, which end at row 24.
    monkeypatch.setattr(HalfFrom, "first", first)
    rays = ShaftRays(np.zeros((3, ROWS, COLUMNS), np.float32), (0.0, 0.0), 5.0)
    made = HalfFrom(rays, STEPS, ShaftWater((0.2,) * 3, (0.1,) * 3))
    row = np.array([first - 1.5, first - 1.0, first - 0.5, first, first + 0.25], np.float32)
    column = np.linspace(0.0, COLUMNS - 1.0, 40, dtype=np.float32)
    range_m, each = np.full((row.size, column.size), 3.0, np.float32), np.eye(3, dtype=np.float32)
    assert made.along_rows(column, row[:1], range_m[:1], each) is None
    left = made.along_rows(column, row, range_m, each)
    assert left is not None
    line, found = np.empty(column.size, np.float32), []
    for number in range(row.size):
        found.append(float(line.mean()) if ratios_along(left, 1, number, 0, line) else 1.0)
    np.testing.assert_allclose(found, [1.0, 1.0, 0.75, 0.5, 0.5], rtol=1e-6)


@pytest.mark.parametrize("changed", ["column", "row", "range_m", "weights", "range_m in place"])
def test_what_was_told_last_along_rows_is_told_only_of_the_same(volume: AnyVolume, changed: str) -> None:
    """It is kept for a tile's next step; what differs in anything, in the caller's own array too, is new."""
    asked = {
        "column": np.linspace(0.0, COLUMNS - 1.0, 40, dtype=np.float32),
        "row": np.linspace(0.0, 4.0, 5, dtype=np.float32),
        "range_m": np.full((5, 40), 3.0, np.float32),
        "weights": np.eye(3, dtype=np.float32),
    }
    first = volume.along_rows(**asked)
    assert volume.along_rows(**{name: array.copy() for name, array in asked.items()}) is first
    name = changed.removesuffix(" in place")
    other = asked[name] if name != changed else asked[name].copy()
    other.flat[other.size // 2] += np.float32(0.25)
    asked[name] = other
    left = volume.along_rows(**asked)
    fresh = AnyVolume(volume.rays, STEPS, volume.water).along_rows(**asked)
    told = [_told(each) for each in (first, left, fresh)]
    np.testing.assert_array_equal(told[1], told[2])
    assert not np.array_equal(told[0], told[2])


def _told(left: RowRatios | None) -> F32:
    """Return what is left of three bands along five rows of forty pixels."""
    assert left is not None
    out = np.empty((3, 5, 40), np.float32)
    for band, row in np.ndindex(3, 5):
        assert ratios_along(left, band, row, 0, out[band, row])
    return out
