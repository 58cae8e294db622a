"""One exposure: what is seen, what is left out, and what blur and shutter make of it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pytest
from tests.conftest import Builders

from halocline._typing import F64
from halocline.filters.lens_blur import ThinLens
from halocline.filters.splat import Area, Drawing, Surface
from halocline.imaging.frame import Window
from halocline.physics.floating.exposure import Exposure
from halocline.physics.floating.particles_as_seen import Shown

WINDOW = Window(0, 0, 96, 64)
AREA = Area(0, 64, 0, 96)
LENS = ThinLens(0.025, 2.0, 2.0, 96 / 0.036)


@dataclass(frozen=True)
class At:
    """Things that move on a curve about a place: half way they are off it by ``bend_m``."""

    place_m: F64
    step_m: F64 | float = 0.0
    bend_m: F64 | float = 0.0

    @property
    def opened_m(self) -> F64:
        return np.asarray(self.place_m - 0.5 * np.asarray(self.step_m))

    @property
    def middle_m(self) -> F64:
        return np.asarray(self.place_m + np.asarray(self.bend_m))

    @property
    def closed_m(self) -> F64:
        return np.asarray(self.place_m + 0.5 * np.asarray(self.step_m))


def _exposure(build: Builders, *, step_m: float = 0.0, area: Area = AREA, lens: ThinLens = LENS) -> Exposure:
    cameras = [
        replace(build.camera(WINDOW), position_m=np.array([share * step_m, 0.0, 0.0]))
        for share in (-0.5, 0.0, 0.5)
    ]
    return Exposure(cameras[0], cameras[1], cameras[2], (0.98, 1.0, 1.02), lens, area)


def _points(count: int = 6000) -> Any:
    return np.random.default_rng(2).uniform([-4, -3, -5], [4, 3, 0.5], (count, 3))


@pytest.mark.parametrize("step_m", [0.0, 0.3])
def test_everything_that_touches_the_picture_is_in_view(build: Builders, step_m: float) -> None:
    exposure = _exposure(build, step_m=step_m)
    points = _points()
    count = len(points)
    distance = np.linalg.norm(points, axis=1)
    discs = exposure.discs(
        At(points),
        range_m=np.arange(count, dtype=float),
        diameter_m=np.full(count, 2e-3),
        opacity=np.ones(count),
        light=np.ones((count, 1)),
    )
    touching = discs.range_m.astype(int)
    view = exposure.view(exposure.middle.rotation, exposure.middle.position_m, farthest_m=9.0, margin_m=0.0)
    far_enough = distance[touching] > 0.2
    assert len(touching) > 300
    assert view.touches(points[touching[far_enough]], 2e-3).all()


def test_what_is_left_out_would_not_have_been_drawn(build: Builders) -> None:
    points = _points()
    count = len(points)
    given: dict[str, Any] = {
        "range_m": np.linalg.norm(points, axis=1),
        "diameter_m": np.full(count, 4e-3),
        "opacity": np.ones(count),
        "light": np.ones((count, 1)),
    }
    wide = Area(-400, 464, -400, 496)
    kept = _exposure(build).discs(At(points), **given)
    everything = _exposure(build, area=wide).discs(At(points), **given)
    assert len(kept) < len(everything)
    open_water = Surface(np.full((64, 96), np.inf, np.float32))
    first, second = (Drawing(AREA, discs).draw((0, 64), open_water) for discs in (kept, everything))
    assert first.alpha.sum() == pytest.approx(second.alpha.sum(), rel=1e-6)


def test_things_abreast_of_the_lens_are_left_out(build: Builders) -> None:
    # Their planar depth goes to 0, and with it their discs grew over all of the picture.
    points = np.random.default_rng(1).uniform([-1.0, -1.0, -1e-4], [1.0, 1.0, 0.0], (4000, 3))
    points = points[np.hypot(points[:, 0], points[:, 1]) > 0.05]
    count = len(points)
    discs = _exposure(build).discs(
        At(points),
        range_m=np.linalg.norm(points, axis=1),
        diameter_m=np.full(count, 3e-3),
        opacity=np.ones(count),
        light=np.ones((count, 1)),
    )
    assert discs.range_m.size == 0


def test_things_behind_the_lens_are_left_out(build: Builders) -> None:
    points = np.array([[0.0, 0.0, 1.0], [0.0, 0.0, -1.0]])
    discs = _exposure(build).discs(
        At(points),
        range_m=np.ones(2),
        diameter_m=np.full(2, 1e-2),
        opacity=np.ones(2),
        light=np.ones((2, 1)),
    )
    assert len(discs) == 1


def test_a_moving_camera_smears_near_things_more(build: Builders) -> None:
    points = np.array([[0.0, 0.0, -1.0], [0.0, 0.0, -4.0]])
    discs = _exposure(build, step_m=0.04).discs(
        At(points),
        range_m=np.ones(2),
        diameter_m=np.full(2, 1e-2),
        opacity=np.ones(2),
        light=np.ones((2, 1)),
    )
    length = np.linalg.norm(discs.end_px - discs.start_px, axis=1)
    focal = build.camera(WINDOW).focal_px
    assert length == pytest.approx([focal * 0.04 / 1.0, focal * 0.04 / 4.0], rel=1e-6)


def test_a_disc_covers_the_projected_area(build: Builders) -> None:
    point = np.array([[0.0, 0.0, -2.0]])
    disc = _exposure(build).discs(
        At(point),
        range_m=np.ones(1),
        diameter_m=np.full(1, 0.05),
        opacity=np.full(1, 0.5),
        light=np.ones((1, 1)),
    )
    diameter = 0.05 * build.camera(WINDOW).focal_px / 2.0
    assert disc.covered_px[0] == pytest.approx(0.5 * np.pi / 4 * diameter**2, rel=1e-6)


def test_a_disc_off_the_axis_covers_its_solid_angle(build: Builders) -> None:
    # A ball of diameter D at range s fills pi D^2 / (4 s^2) steradian; a pixel of a flat film at an angle
    # theta off the axis sees cos(theta)^3 / f^2 (the natural law of the pinhole). Cards are as large.
    exposure = _exposure(build)
    for aside in (0.0, 0.5, 0.9):
        place = np.array([[aside, 0.0, -2.0]])
        distance = float(np.sqrt((place**2).sum()))
        cosine = 2.0 / distance
        discs = exposure.discs(
            At(place),
            range_m=np.array([distance]),
            diameter_m=np.array([0.05]),
            opacity=np.ones(1),
            light=np.ones((1, 6)),
        )
        wanted = np.pi * 0.05**2 / (4.0 * distance**2) / (cosine**3 / exposure.px_per_radian**2)
        assert discs.covered_px[0] == pytest.approx(wanted, rel=1e-6)
        ones = np.ones(1)
        shown = Shown(
            place, place, place, 0.05 * ones, distance * ones, ones, np.ones((1, 6)), np.ones((1, 6))
        )
        assert 0.25 * np.pi * shown.size_px(exposure)[0] ** 2 == pytest.approx(wanted, rel=1e-6)


def test_a_way_that_bends_is_drawn_bent_with_the_same_light(build: Builders) -> None:
    """A camera that turns, a thing that drifts: straight streaks would miss the middle of the way."""
    sharp = _exposure(build, lens=replace(LENS, f_number=1000.0))
    pixel = 2.0 / sharp.px_per_radian
    place = np.array([[0.0, 0.0, -2.0]])
    open_water = Surface(np.full((64, 96), np.inf, np.float32))
    sums = []
    for bend in (0.0, 1.0, 8.0):
        way = At(place, np.array([40.0 * pixel, 0.0, 0.0]), np.array([0.0, bend * pixel, 0.0]))
        discs = sharp.discs(
            way,
            range_m=np.full(1, 2.0),
            diameter_m=np.full(1, 2.0 * pixel),
            opacity=np.full(1, 0.8),
            light=np.ones((1, 1)),
        )
        alpha = Drawing(AREA, discs).draw((0, 64), open_water).alpha
        sums.append(float(alpha.sum()))
        rows = (alpha * np.arange(64)[:, None]).sum(axis=0) / np.maximum(alpha.sum(axis=0), 1e-9)
        # A parabola: 18 of the 20 pixels aside it is 0.81 of its bend below its middle.
        assert rows[30] - rows[48] == pytest.approx(0.81 * bend, abs=0.3)
        assert rows[48] == pytest.approx(31.5 - bend, abs=0.3)
    assert sums == pytest.approx(np.full(3, sums[0]), rel=0.01)


@pytest.mark.parametrize(("step_m", "turn_deg"), [(0.0, 0.0), (0.3, 0.0), (0.0, 8.0)])
@pytest.mark.parametrize("view_deg", [40.0, 130.0])
@pytest.mark.parametrize(
    ("size_m", "moves_m", "sharp"), [(0.05, 0.02, None), (0.6, 0.0, 1000.0), (0.01, 0.8, 1000.0)]
)
def test_what_lies_over_the_picture_at_any_moment_may_show(
    build: Builders,
    step_m: float,
    turn_deg: float,
    view_deg: float,
    size_m: float,
    moves_m: float,
    sharp: float | None,
) -> None:
    camera = build.camera(WINDOW, horizontal_view_deg=view_deg)
    cameras = []
    for share in (-0.5, 0.0, 0.5):
        angle = np.radians(share * turn_deg)
        turned = np.array(
            [[np.cos(angle), 0.0, np.sin(angle)], [0.0, 1.0, 0.0], [-np.sin(angle), 0.0, np.cos(angle)]]
        )
        place = np.array([share * step_m, 0.0, 0.0])
        cameras.append(replace(camera, rotation=turned @ camera.rotation, position_m=place))
    lens = LENS if sharp is None else replace(LENS, f_number=sharp)
    exposure = Exposure(cameras[0], cameras[1], cameras[2], (0.98, 1.0, 1.02), lens, AREA)
    points, diameter = _points(), np.full(6000, size_m)
    things = At(points, np.array([0.0, moves_m, 0.0]), np.array([0.5 * moves_m, 0.0, 0.0]))
    may = exposure.may_show(things, 0.5 * diameter)
    # By each moment's own projection, disc and blur: reckoned here, not by the test in space.
    over = np.zeros(6000, np.bool_)
    for moment, place_m in zip(cameras, (things.opened_m, things.middle_m, things.closed_m), strict=True):
        pixels, depth = moment.project(place_m)
        near = np.where(depth > 0.0, depth, np.inf)
        reach = 0.5 * diameter * exposure.px_per_radian / near + lens.blur_radius_px(near)
        x, y = np.nan_to_num(pixels, nan=1e9).T
        over |= (np.abs(x - 0.5 * AREA.columns) < 0.5 * AREA.columns + reach) & (
            np.abs(y - 0.5 * AREA.row_end) < 0.5 * AREA.row_end + reach
        )
    assert over.sum() > 200
    assert may[over].all()
    assert may.mean() < (0.9 if moves_m < 0.5 else 0.99)
