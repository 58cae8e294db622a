"""Pixels along creases: two sides at one depth, each with its colour, its facing and its share."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

import halocline
from halocline._typing import F32
from halocline.filters.facing import normals_of_farther
from halocline.imaging.edge_creases import add_creases
from halocline.imaging.frame import Window
from halocline.presets.preset import preset_from_text

WALL, FLOOR = np.array([0.0, 0.0, 1.0]), np.array([0.0, 1.0, 0.0])
DARK, BRIGHT = np.array([0.1, 0.08, 0.06]), np.array([0.8, 0.7, 0.6])
RANGE_M = np.float32(3.0)
SIDE, SHAPE = 16, (24, 40)
LAMP = """
format = 1
[water]
jerlov_type = "I"
[light]
veil_brightness = 0.0
[[light.lamps]]
position = [0.0, 0.3, 0.0]
brightness = 2.0
shadows = false
[steps.lamps]
daylight = 0.0
"""


def corner(
    rows: int = 24, columns: int = 40, slope: float = 0.13, lower: float = 0.0
) -> tuple[F32, F32, F32]:
    """A dark wall over a bright floor: colours filtered over a pixel, normals of middles, the wall's share.

    The share comes of SIDE x SIDE samples a pixel, and the colour of it.
    """
    rows, columns = SHAPE
    y, x = (np.arange(size * SIDE) + 0.5 for size in (rows, columns))
    wall = y[:, None] / SIDE < 0.5 * rows + lower + slope * (x[None, :] / SIDE - 0.5 * columns)
    share = wall.reshape(rows, SIDE, columns, SIDE).mean(axis=(1, 3))
    middle = np.arange(rows)[:, None] + 0.5 < 0.5 * rows + lower + slope * (
        np.arange(columns) + 0.5 - 0.5 * columns
    )
    rgb = share * DARK[:, None, None] + (1.0 - share) * BRIGHT[:, None, None]
    normal = np.where(middle, WALL[:, None, None], FLOOR[:, None, None])
    return rgb.astype(np.float32), normal.astype(np.float32), share.astype(np.float32)


def planes_of(rgb: F32, normal: F32) -> dict[str, F32]:
    shape = rgb.shape[1:]
    return creases(rgb, np.ones(shape, np.float32), np.full(shape, RANGE_M), normal)


def creases(rgb: F32, alpha: F32, range_m: F32, normal: F32) -> dict[str, F32]:
    planes: dict[str, F32] = {}
    add_creases(rgb, alpha, range_m, normal, planes)
    return planes


@pytest.mark.parametrize(("slope", "lower"), [(0.0, 0.3), (0.0, -0.2), (0.13, 0.0), (0.45, 0.1), (-0.3, 0.0)])
def test_shares_are_those_of_many_samples(slope: float, lower: float) -> None:
    rgb, normal, share = corner(slope=slope, lower=lower)
    found = planes_of(rgb, normal)
    inner = slice(3, -3), slice(3, -3)
    far_is_wall = (normal[1] == 1.0)[inner]
    far = np.where(far_is_wall, share[inner], 1.0 - share[inner])
    assert (far > 0.1).sum() > 8, "the crease has mixed pixels"
    np.testing.assert_allclose(found["far_share"][inner], far, atol=0.03)
    light = far * np.where(far_is_wall, DARK.sum(), BRIGHT.sum()) / rgb.sum(axis=0)[inner]
    # Less than a fiftieth of a pixel is taken for none.
    seen = far > 0.03
    np.testing.assert_allclose(found["far_light"][inner][seen], light[seen], atol=0.03)
    assert (found["far_range"] == RANGE_M).all()


def test_creases_are_found_whichever_way_they_run() -> None:
    rgb, normal, _ = corner(slope=-0.3)
    level = planes_of(rgb, normal)
    turns: tuple[Callable[[F32], F32], ...] = (
        lambda plane: plane.swapaxes(-1, -2),
        lambda plane: plane[..., ::-1, :],
        lambda plane: plane[..., ::-1],
    )
    for turned in turns:
        found = planes_of(np.ascontiguousarray(turned(rgb)), np.ascontiguousarray(turned(normal)))
        # Stairs as long both ways have two places, of which the first is taken.
        apart = np.abs(found["far_share"] - turned(level["far_share"]))
        assert (apart < 1e-5).mean() > 0.99
        assert apart.max() < 0.05


def test_a_crease_between_two_rows_of_pixels_mixes_none() -> None:
    rgb, normal, _ = corner(slope=0.0)
    assert planes_of(rgb, normal) == {}


def test_the_other_side_of_a_crease_faces_as_it_does() -> None:
    rgb, normal, _ = corner()
    found = planes_of(rgb, normal)
    where = np.nonzero(found["far_share"])
    far_m = found["far_range"][where]
    range_m = np.full(rgb.shape[1:], RANGE_M)
    other = normals_of_farther(normal, range_m, found["far_share"], where, far_m)
    own = normal[:, where[0], where[1]]
    np.testing.assert_allclose(
        other, np.where(own == WALL[:, None], FLOOR[:, None], WALL[:, None]), atol=1e-6
    )


def test_sides_of_one_colour_are_shared_by_place() -> None:
    _, normal, share = corner(slope=0.13)
    found = planes_of(np.full((3, *share.shape), 0.4, np.float32), normal)
    inner = slice(3, -3), slice(6, -6)
    far = np.where(normal[1] == 1.0, share, 1.0 - share)[inner]
    # Of stairs as long as these, the outline is known to a few hundredths of a pixel.
    np.testing.assert_allclose(found["far_share"][inner], far, atol=0.06)


def test_round_things_steps_in_depth_and_open_water_have_no_creases() -> None:
    rgb, normal, share = corner()
    shape, one = share.shape, np.ones(share.shape, np.float32)
    flat = np.full(shape, RANGE_M)
    # A rod lying level, a few pixels thick: it turns from pixel to pixel.
    turn = np.clip((np.arange(shape[0]) - 12.0) / 4.0, -1.0, 1.0)[:, None] * np.ones(shape)
    rod = np.stack([0.0 * turn, -turn, np.sqrt(1.0 - turn**2)]).astype(np.float32)
    assert creases(rgb, one, flat, rod) == {}
    step = np.where(normal[1] == 1.0, RANGE_M, np.float32(1.3) * RANGE_M)
    assert creases(rgb, one, step, normal) == {}
    assert creases(rgb, 0.5 * one, flat, normal) == {}
    assert creases(rgb, one, np.full(shape, np.float32(np.inf)), normal) == {}


def test_pixels_that_show_two_depths_are_left_as_they_are() -> None:
    rgb, normal, share = corner()
    alone = planes_of(rgb, normal)
    first = tuple(axis[0] for axis in np.nonzero(alone["far_share"]))
    so_far = {"far_range": np.full(share.shape, RANGE_M), "far_share": np.zeros_like(share)}
    so_far["far_light"] = np.zeros_like(share)
    so_far["far_range"][first], so_far["far_share"][first], so_far["far_light"][first] = 9.0, 0.25, 0.5
    kept = {name: plane.copy() for name, plane in so_far.items()}
    add_creases(rgb, np.ones_like(share), np.full(share.shape, RANGE_M), normal, so_far)
    for name, plane in so_far.items():
        assert plane[first] == kept[name][first]
        assert (plane != kept[name]).any() == (name != "far_range")


def test_the_foot_of_a_wall_in_a_lamp_is_the_mean_of_its_samples() -> None:
    rgb, normal, share = corner()
    camera = halocline.pinhole(Window(0, 0, 40, 24), focal_length_mm=30, film_width_mm=36)
    preset = preset_from_text(LAMP)

    def lit(light: F32, faces: F32) -> F32:
        return halocline.apply(
            preset,
            np.moveaxis(light, 0, -1),
            np.full(share.shape, RANGE_M),
            camera=camera,
            planes={"normal": faces},
        ).rgb

    def whole(colour: F32, facing: F32) -> F32:
        plane = np.ones((3, *share.shape), np.float32)
        return lit(
            (colour[:, None, None] * plane).astype(np.float32),
            (facing[:, None, None] * plane).astype(np.float32),
        )

    wall, floor = whole(DARK, WALL), whole(BRIGHT, FLOOR)
    true = share[..., None] * wall + (1.0 - share[..., None]) * floor
    made = lit(rgb, normal)[3:-3, 3:-3]
    np.testing.assert_allclose(made, true[3:-3, 3:-3], atol=0.03 * float(true.max()))


@pytest.mark.parametrize("foot", [12.4, 12.7])
def test_the_underside_of_a_roller_and_the_floor_that_it_lies_on_are_told_apart(foot: float) -> None:
    """A roller along the rows: it turns by 19 degrees from a pixel to the next, the floor does not."""
    rows, columns = SHAPE
    radius, y = 5.0, (np.arange(rows * SIDE) + 0.5) / SIDE
    down = np.clip((y - foot + 0.8 * radius) / radius, -1.0, 1.0)
    roller = np.stack([0.0 * y, -down, np.sqrt(1.0 - down * down)])
    share = (y < foot).reshape(rows, SIDE).mean(axis=1)
    rgb = share * DARK[:, None] + (1.0 - share) * BRIGHT[:, None]
    faces = np.where(y < foot, roller, FLOOR[:, None])[:, SIDE // 2 :: SIDE]
    rgb, normal = (np.repeat(plane[..., None], columns, axis=2).astype(np.float32) for plane in (rgb, faces))
    found = planes_of(rgb, normal)
    np.testing.assert_array_equal(np.flatnonzero(found["far_share"].any(axis=1)), [12])
    np.testing.assert_allclose(found["far_share"][12], min(share[12], 1.0 - share[12]), atol=0.05)
    where = np.nonzero(found["far_share"])
    range_m = np.full(SHAPE, RANGE_M)
    other = normals_of_farther(normal, range_m, found["far_share"], where, found["far_range"][where])
    # Where the pixel's middle shows the floor, the other side is the lowest of the roller that is seen alone.
    true = roller[:, int(11.5 * SIDE)] if share[12] < 0.5 else FLOOR
    assert ((other * true[:, None]).sum(axis=0) > np.cos(np.radians(8.0))).all()
