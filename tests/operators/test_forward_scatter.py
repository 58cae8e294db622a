"""Forward scatter in a graph: what is lost to scattering comes back as a halo, by range."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from tests.conftest import Builders, chain
from tests.operators.every import steps_of
from tests.operators.scene import HEAD, camera, made, posts_before_a_wall

from halocline._typing import F32, F64, AnyArray
from halocline.filters.halo import HaloField, HaloKernels, halo_widths
from halocline.graph.engine import Evaluation, evaluate
from halocline.graph.light_form import combine
from halocline.imaging.camera import Camera
from halocline.imaging.camera_track import CameraTrack
from halocline.imaging.frame import Frame, Window
from halocline.operators import forward_scatter
from halocline.physics.path.halo_loops import give
from halocline.physics.path.transport import LightPath, OpenRays
from halocline.physics.path.water_halo import band_bends, band_kernels
from halocline.physics.water.path_integral import path_integral
from halocline.presets.build import make_shot, story_path
from halocline.presets.document import shipped_names
from halocline.presets.preset import load_preset, preset_from_text
from halocline.rgb import LINEAR_REC709

WINDOW = Window(0, 0, 240, 136)
LENS = camera(WINDOW)
PLAIN = "[steps.attenuation]\n"
# By the subject's light alone, without the water's own.
SCATTERED = PLAIN + '[steps.forward_scatter]\nacts_on = "subject"\n'
VEILED = PLAIN + "[steps.forward_scatter]\n[steps.veiling_light]\n"
VEILED_BEFORE = PLAIN + "[steps.veiling_light]\n[steps.forward_scatter]\n"


def level_scene(range_m: float, value: float = 0.5) -> Frame:
    shape = WINDOW.shape
    planes = {
        "rgb": np.full((3, *shape), value, np.float32),
        "alpha": np.ones(shape, np.float32),
        "range": np.full(shape, range_m, np.float32),
    }
    return Frame(planes, WINDOW, WINDOW)


def test_constant_scene_comes_out_constant_times_what_is_regained() -> None:
    direct = made(PLAIN, level_scene(6.0), LENS, wanted=("bands",))["bands"]
    planes = made(SCATTERED, level_scene(6.0), LENS, wanted=("bands", "halo"))
    for band, whole, halo in zip(direct, planes["bands"], planes["halo"], strict=True):
        assert np.ptp(whole) < 1e-4 * whole.mean()
        np.testing.assert_allclose(whole, band + halo, rtol=1e-6)
        assert 1.0 < whole.mean() / band.mean() < 20.0


def test_light_is_never_made() -> None:
    # Direct light and halo together are less than what left the surface.
    for range_m in (0.5, 3.0, 12.0, 60.0):
        wet = made(SCATTERED, level_scene(range_m), LENS, wanted=("bands",))["bands"]
        assert (wet.mean(axis=(1, 2)) < 0.5).all()


def test_near_posts_stay_sharp_before_a_far_wall_and_do_not_bleed_into_it() -> None:
    frame = posts_before_a_wall(WINDOW, near_m=0.5, far_m=15.0)
    # White posts before a black wall: whatever lights the wall has crept there.
    post = (frame.planes["rgb"][:1] / 0.9).repeat(3, axis=0)
    frame = frame.with_planes(rgb=post)
    direct = made(PLAIN, frame, LENS)["rgb"]
    wet = made(SCATTERED, frame, LENS)["rgb"]
    # Half a metre of clear water returns little.
    crept = (wet - direct)[1]
    wall = cv2.erode((frame.planes["range"] > 1).astype(np.uint8), np.ones((1, 9), np.uint8)) > 0
    assert crept[wall].max() < 0.02 * direct[1].max()
    edge = np.abs(np.diff(direct[1], axis=1)).max()
    assert np.abs(np.diff(wet[1], axis=1)).max() > 0.95 * edge


def test_a_lamp_blooms_through_murk_and_more_so_from_afar() -> None:
    def bloom(range_m: float) -> float:
        frame = level_scene(range_m, 0.0)
        rgb = np.zeros((3, *WINDOW.shape), np.float32)
        rgb[:, 66:70, 118:122] = 500.0
        lit = made(SCATTERED, frame.with_planes(rgb=rgb), LENS, wanted=("halo", "bands"))
        halo, whole = lit["halo"].sum(axis=0), lit["bands"].sum(axis=0)
        return float(halo.sum() / whole.sum())

    near, far = bloom(2.0), bloom(14.0)
    assert 0.0 < near < far < 1.0


def test_open_water_gives_no_halo_and_no_nan() -> None:
    # Looking down, where no ray ends at the surface.
    down = camera(WINDOW, pitch_deg=-60.0)
    halo = made(SCATTERED, level_scene(np.inf), down, wanted=("halo",))["halo"]
    assert (halo == 0).all()


def test_a_veil_that_is_already_there_is_left_out() -> None:
    frame = posts_before_a_wall(WINDOW)
    one, two = (made(text, frame, LENS)["rgb"] for text in (VEILED, VEILED_BEFORE))
    np.testing.assert_allclose(one, two, atol=2e-5)


def test_the_storys_remap_is_kept_to() -> None:
    story = '[story]\nsoftness = "2 m"\nnear_limit = "1 m"\n'
    frame = level_scene(20.0)
    physical = made(SCATTERED, frame, LENS, wanted=("bands", "halo"))
    told = made(story + SCATTERED, frame, LENS, wanted=("bands", "halo"))
    # Drawn near, more direct light arrives and less is scattered.
    assert told["halo"].mean() / told["bands"].mean() < physical["halo"].mean() / physical["bands"].mean()


@pytest.mark.parametrize("law", ["smooth", "empirical"])
def test_other_laws_scatter_too(law: str) -> None:
    # In bands: light beyond the working space's colours is below 0 in them.
    text = SCATTERED + f'law = "{law}"\ndetail = "bands"\n'
    halo = made(text, posts_before_a_wall(WINDOW), LENS, wanted=("halo",))["halo"]
    assert halo.min() >= -1e-6
    assert halo.max() > 0


def test_strength_scales_the_halo_and_nothing_leaves_the_step_out() -> None:
    frame = posts_before_a_wall(WINDOW)
    full = made(SCATTERED, frame, LENS, wanted=("halo",))["halo"]
    half = made(SCATTERED + "strength = 0.5\n", frame, LENS, wanted=("halo",))["halo"]
    np.testing.assert_allclose(half, 0.5 * full, rtol=1e-4, atol=1e-7)
    none = made(SCATTERED + "strength = 0.0\n", frame, LENS)["rgb"]
    np.testing.assert_array_equal(none, made(PLAIN, frame, LENS)["rgb"])


@pytest.mark.parametrize("threads", [1, 2, 3])
@pytest.mark.parametrize("steps", [SCATTERED, VEILED_BEFORE])
def test_same_bits_for_any_threads_and_tiles(steps: str, threads: int) -> None:
    frame = posts_before_a_wall(WINDOW)
    reference = made(steps, frame, LENS, how=Evaluation(1, 136))["rgb"]
    before = cv2.getNumThreads()
    try:
        cv2.setNumThreads(threads)
        other = made(steps, frame, LENS, how=Evaluation(threads, 11))["rgb"]
    finally:
        cv2.setNumThreads(before)
    np.testing.assert_array_equal(other, reference)


def wall(range_m: float, rgb: F32 | float, cover: F32 | float = 1.0) -> Frame:
    """Return a scene at one range that covers some share of each pixel, premultiplied."""
    shape = WINDOW.shape
    alpha = np.broadcast_to(np.float32(cover), shape).copy()
    light = np.broadcast_to(np.float32(rgb), (3, *shape)) * alpha
    slant = np.where(alpha > 0, np.float32(range_m), np.float32(np.inf))
    return Frame({"rgb": light, "alpha": alpha, "range": slant}, WINDOW, WINDOW)


def water_at(range_m: float, lens: Camera, text: str = HEAD + VEILED) -> F32:
    """Return the light of endless water in each band, as it is seen from a place along each ray."""
    preset = preset_from_text(text)
    shot = make_shot(
        preset,
        1001,
        CameraTrack({1001: lens}),
        space=LINEAR_REC709,
        display_window=WINDOW,
        data_window=WINDOW,
    )
    mu, cos_sun = (shot.view_plane(name, WINDOW) for name in ("downward", "sun_cosine"))
    path = shot.path
    rays = OpenRays.of(path, path.veil_rays(), mu, cos_sun)
    source, rate = np.split(rays.numbers[[0, 2, 1, 3]].astype(np.float64), 2)
    rest = np.maximum(path.open_length(mu).astype(np.float64) - range_m, 0.0)
    lost = path.beam_rate.reshape(-1, 1, 1)
    # What comes to the lens from beyond, without what the water before the place takes of it.
    light = (source * np.exp((lost - rate) * range_m) * path_integral(rate, rest)).sum(axis=0)
    return np.asarray(light, np.float32)


@pytest.mark.parametrize("range_m", [0.3, 2.0, 8.0, 30.0])
@pytest.mark.parametrize("pitch_deg", [0.0, -50.0, 30.0])
def test_a_wall_with_the_waters_own_light_vanishes(range_m: float, pitch_deg: float) -> None:
    lens = camera(WINDOW, pitch_deg=pitch_deg)
    empty = made(VEILED, wall(range_m, 0.0, 0.0), lens)["rgb"]
    # Half the picture is wall, so that an edge would show.
    half = (np.arange(WINDOW.width) < 120).astype(np.float32) * np.ones(WINDOW.shape, np.float32)
    planes = dict(wall(range_m, 0.0, half).planes)
    del planes["rgb"]
    # In bands: the three colours of a render say less of its light.
    planes["bands"] = water_at(range_m, lens) * half
    seen = made(VEILED, Frame(planes, WINDOW, WINDOW), lens)["rgb"]
    # Against the brightest channel: of red there is next to nothing in this water.
    assert (np.abs(seen - empty).max(axis=0) / empty.max(axis=0)).max() < 0.01


@pytest.mark.parametrize("water", [name for name in shipped_names() if name.startswith("jerlov")])
def test_a_wall_with_the_light_of_any_shipped_water_vanishes(water: str) -> None:
    """As the lens looks down, level and up, near and far, in every type's own light ten metres down."""
    text = f'format = 2\nextends = "{water}"\nwithout = ["steps.sky_window", "steps.white_reference"]\n'
    preset = preset_from_text(text)
    half = (np.arange(WINDOW.width) < 120).astype(np.float32) * np.ones(WINDOW.shape, np.float32)
    for pitch_deg in (-20.0, 0.0, 20.0):
        lens = camera(WINDOW, pitch_deg=pitch_deg)
        track = CameraTrack({1001: lens})
        shot = make_shot(preset, 1001, track, space=LINEAR_REC709, display_window=WINDOW, data_window=WINDOW)
        graph = chain([(step.name, step.operator) for step in preset.at(1001).graph.steps[1:]])
        for range_m in (1.0, 5.0, 20.0):
            planes = dict(wall(range_m, 0.0, half).planes)
            del planes["rgb"]
            planes["bands"] = water_at(range_m, lens, text) * half
            nothing = {**planes, "bands": 0.0 * planes["bands"], "alpha": 0.0 * half}
            nothing["range"] = np.full(WINDOW.shape, np.inf, np.float32)
            seen, empty = (
                evaluate(graph, Frame(each, WINDOW, WINDOW), shot)["rgb"] for each in (planes, nothing)
            )
            off = np.abs(seen - empty).max(axis=0) / empty.max(axis=0)
            assert off.max() < 0.01, (pitch_deg, range_m)


def test_a_large_dark_thing_stays_dark_and_a_small_one_fills_with_light() -> None:
    empty = made(VEILED, wall(12.0, 0.0, 0.0), LENS)["rgb"][1]
    contrasts = []
    for half_width in (2, 12, 60):
        cover = np.zeros(WINDOW.shape, np.float32)
        cover[68 - half_width : 68 + half_width, 120 - half_width : 120 + half_width] = 1.0
        seen = made(VEILED, wall(12.0, 0.0, cover), LENS)["rgb"][1]
        contrasts.append(1.0 - float(seen[68, 120] / empty[68, 120]))
    assert contrasts[0] < contrasts[1] < contrasts[2]
    assert contrasts[2] > 2.0 * contrasts[0]


def test_a_dark_thing_dims_the_water_beside_it_and_far_off_leaves_it_alone() -> None:
    empty = made(VEILED, wall(12.0, 0.0, 0.0), LENS)["rgb"][1]
    cover = np.zeros(WINDOW.shape, np.float32)
    cover[48:88, 20:60] = 1.0
    change = made(VEILED, wall(12.0, 0.0, cover), LENS)["rgb"][1] / empty - 1.0
    assert change.max() < 1e-5
    assert change[68, 63] < 3.0 * change[68, 160] < 0


DEEP = """
format = 2
[water]
jerlov_type = "IA"
[place]
camera_depth = 40.0
[light]
sun_elevation = 60.0
sun_azimuth = -40.0
"""


@pytest.mark.parametrize("detail", ["colours", "bands"])
def test_a_hull_overhead_takes_no_more_than_the_water_before_it_has(detail: str) -> None:
    # The difference of open water about the sun and a black hull is spread to where the water is darker. No
    # colour that the veil has is taken away whole: .08 of it stays at least, as before the widest black
    # squares that photons were followed for, and where little is taken nothing is given back.
    lens = camera(WINDOW, focal_length_mm=18.0, pitch_deg=55.0)
    rays = lens.directions(WINDOW)
    way = 8.0 / np.maximum(rays[1], np.float32(0.05))
    hull = (rays[1] > 0.05) & (np.abs(rays[0] * way + 0.5) < 2.0) & (rays[2] * way > -9.0)
    planes = {
        "rgb": np.zeros((3, *WINDOW.shape), np.float32),
        "alpha": hull.astype(np.float32),
        "range": np.where(hull, way, np.inf).astype(np.float32),
    }
    blur = f'[steps.attenuation]\n[steps.forward_scatter]\ndetail = "{detail}"\n[steps.veiling_light]\n'
    found = {}
    for name, steps in (("all", blur), ("veil", "[steps.attenuation]\n[steps.veiling_light]\n")):
        preset = preset_from_text(DEEP + steps)
        shot = make_shot(
            preset,
            1,
            CameraTrack({1: lens}),
            space=LINEAR_REC709,
            display_window=WINDOW,
            data_window=WINDOW,
        )
        wanted = ("rgb", "halo") if name == "all" else ("rgb",)
        found[name] = evaluate(preset.at(1).graph, Frame(planes, WINDOW, WINDOW), shot, wanted=wanted)
    before, after, halo = (
        found["veil"]["rgb"],
        found["all"]["rgb"],
        combine(shot.path.bands.down, found["all"]["halo"]),
    )
    plain = hull & (before > 0.25 * before.max(axis=0))
    taken = -halo / np.where(plain, before, np.float32(1.0))
    assert (taken[plain] > 1.0).sum() > 300
    assert (after[plain] > 0.079 * before[plain]).all()
    little = plain.all(axis=0) & (taken < 0.75).all(axis=0)
    assert little.sum() > 100
    np.testing.assert_allclose(after[:, little], (before + halo)[:, little], rtol=1e-3, atol=1e-5)


def test_an_edge_of_half_coverage_lies_between_its_neighbours() -> None:
    cover = np.zeros(WINDOW.shape, np.float32)
    cover[:, 100:140] = 1.0
    cover[:, 99] = cover[:, 140] = 0.5
    seen = made(VEILED, wall(2.0, 0.02, cover), LENS)["rgb"]
    for edge, inside, outside in ((99, 101, 97), (140, 138, 142)):
        low, high = np.sort([seen[:, :, inside], seen[:, :, outside]], axis=0)
        # Within a hundredth of the water's red light, as which the wall is nearly as bright.
        assert np.all(seen[:, :, edge] > low - 2e-4)
        assert np.all(seen[:, :, edge] < high + 2e-4)


def test_spreading_bands_and_spreading_colours_differ_little_and_in_no_light() -> None:
    frame = posts_before_a_wall(WINDOW, near_m=2.0, far_m=15.0)
    colours = made(VEILED, frame, LENS)["rgb"]
    bands = made(VEILED.replace("[steps.veil", 'detail = "bands"\n[steps.veil'), frame, LENS)["rgb"]
    np.testing.assert_allclose(bands, colours, rtol=0.05, atol=2e-3)
    assert np.abs(bands - colours).max() > 1e-4
    np.testing.assert_allclose(bands.mean(axis=(1, 2)), colours.mean(axis=(1, 2)), rtol=4e-3)


def test_bands_that_scatter_more_have_wider_halos() -> None:
    """After as many metres, light was turned more often: Wells 1969, b(s) times the turns' mean square."""
    path = story_path(load_preset("jerlov-7c"), 1001, LINEAR_REC709)
    kernels = band_kernels(path, None, shape=(270, 480), focal_px=400.0)
    scattering = path.bands.scattering * path.attenuation_scale
    slopes = np.minimum(halo_widths((270, 480)) / 400.0, 2.0)
    mean = []
    for kernel in kernels:
        at = np.interp(np.log(3.0), np.log(kernel.ranges_m), np.arange(len(kernel.ranges_m)))
        low = min(int(at), len(kernel.ranges_m) - 2)
        row = (1.0 - at + low) * kernel.weights[low] + (at - low) * kernel.weights[low + 1]
        mean.append(row @ slopes)
    assert np.all(np.diff(np.array(mean)[np.argsort(scattering)]) > 0)
    assert max(mean) > 1.3 * min(mean)


def test_mixed_pixels_give_what_both_their_surfaces_give() -> None:
    frame = posts_before_a_wall(WINDOW, near_m=2.0, far_m=15.0)
    mixed = made(VEILED, frame, LENS, wanted=("halo",))["halo"]
    planes = {name: plane for name, plane in frame.planes.items() if not name.startswith("far_")}
    single = made(VEILED, Frame(planes, WINDOW, WINDOW), LENS, wanted=("halo",))["halo"]
    # Edges are a small part of the picture, and neither bright nor dark lines run along them.
    assert np.abs(mixed - single).max() < 0.1 * np.abs(single).max()
    assert np.abs(mixed - single).max() > 0


def test_a_pixel_of_two_surfaces_that_are_alike_gives_and_hides_what_one_does() -> None:
    """What the farther hides beyond its own light, by cells, counts as what the nearer does."""
    cover = np.zeros(WINDOW.shape, np.float32)
    cover[41:97, 51:130] = 1.0
    one = wall(12.0, 0.02, cover)
    halves = {
        "far_range": one.planes["range"],
        "far_share": 0.5 * cover,
        "far_light": 0.5 * cover,
    }
    single, mixed = (
        made(VEILED, frame, LENS, wanted=("halo",))["halo"] for frame in (one, one.with_planes(**halves))
    )
    assert np.abs(mixed - single).max() < 2e-3 * np.abs(single).max()


def test_light_without_cover_alone_is_scattered_as_a_number(monkeypatch: pytest.MonkeyPatch) -> None:
    """A glow before open water: no water behind it is reckoned, and what nobody wrote must not be read."""

    def poisoned(shape: int | tuple[int, ...], dtype: type[np.float32 | np.int8]) -> AnyArray:
        return np.full(shape, np.nan if dtype is np.float32 else 99, dtype)

    monkeypatch.setattr(np, "empty", poisoned)
    nothing, even = np.zeros((0, 0), np.float32), np.full((1, 5), 0.02, np.float32)
    out, hidden = np.zeros((1, 1, 8), np.float32), np.zeros((1, 1, 1), np.float32)
    unlit = np.zeros((0, 0, 0), np.float32)
    give.loop(
        (np.ones((1, 1, 8), np.float32), unlit, unlit),
        np.full((1, 8), 5.0, np.float32),
        np.zeros((1, 8), np.float32),
        nothing,
        nothing,
        np.full((4, 1, 1, 8), 0.1, np.float32),
        np.zeros((1, 8), np.float32),
        1,
        0,
        1,
        np.array([1e30, 100.0, 40.0, 10.0], np.float32),
        np.zeros(1, np.float32),
        even,
        even,
        np.ones((1, 1), np.float32),
        out,
        hidden,
        0,
        8,
    )
    assert not hidden.any()
    # The rate at hardly any t is 0.02 1/m: exp(0.02 x 5) - 1.
    np.testing.assert_allclose(out, np.expm1(0.1), rtol=1e-5)


def test_a_picture_whose_windows_begin_elsewhere_has_the_same_halo() -> None:
    """Windows that begin at x 5, y 8, as those of cropped frames do, move pixels and no light."""
    pictures = []
    for window in (Window(0, 0, 96, 60), Window(5, 8, 96, 60)):
        frame = posts_before_a_wall(Window(0, 0, 96, 60))
        moved = replace(frame, data_window=window, display_window=window)
        pictures.append(made(SCATTERED, moved, camera(window))["rgb"])
    np.testing.assert_allclose(pictures[1], pictures[0], rtol=1e-5, atol=1e-6)


@pytest.mark.parametrize(("down", "across"), [(1, 2), (2, 1)])
@pytest.mark.parametrize("detail", ["colours", "bands"])
def test_the_halo_of_a_squeezed_picture_is_that_of_the_picture(detail: str, down: int, across: int) -> None:
    """A picture on pixels that are no squares, such as one made for an anamorphic lens, shows the same water.

    Against the picture on square pixels, averaged over those that each of its pixels covers.
    """
    text = VEILED.replace("scatter]", f'scatter]\ndetail = "{detail}"')
    window, squeezed = Window(0, 0, 192, 120), Window(0, 0, 192 // across, 120 // down)
    planes = {
        "rgb": np.full((3, *window.shape), 0.02, np.float32),
        "alpha": np.ones(window.shape, np.float32),
        "range": np.full(window.shape, 7.0, np.float32),
    }
    # Blocks that the squeezed pixels' sides divide: a bright one, and one across the picture.
    planes["rgb"][:, 36:60, 60:84] = 6.0
    planes["rgb"][0, 84:96] = 1.0
    lens = camera(window)
    narrow = replace(
        lens,
        tangent_per_px=(lens.tangent_per_px[0] * across, lens.tangent_per_px[1] * down),
        centre_px=(lens.centre_px[0] / across, lens.centre_px[1] / down),
    )
    small = {name: np.ascontiguousarray(plane[..., ::down, ::across]) for name, plane in planes.items()}
    whole = made(text, Frame(planes, window, window), lens, wanted=("halo",))["halo"]
    found = made(text, Frame(small, squeezed, squeezed), narrow, wanted=("halo",))["halo"]
    wanted = whole.reshape(*whole.shape[:-2], squeezed.height, down, squeezed.width, across).mean(
        axis=(-3, -1)
    )
    off = np.abs(found - wanted) / wanted.max()
    # A pixel along the blocks' edges, which the squeezed picture shows half as finely, differs by more.
    assert np.median(off) < 2e-4
    assert np.percentile(off, 99) < 0.012


def test_the_empirical_halo_is_as_wide_as_stated() -> None:
    """Within its width w lies 1 - 1/sqrt 2 of its light, within 3 w 1 - 1/sqrt 10 (mcglamery1980)."""
    frame = level_scene(5.0, 0.0)
    frame.planes["rgb"][:, 68, 120] = 1000.0
    text = PLAIN + '[steps.forward_scatter]\nacts_on = "subject"\nlaw = "empirical"\nwidth = 0.01\ngain = 1\n'
    halo = made(text, frame, LENS, wanted=("halo",))["halo"].sum(axis=0, dtype=np.float64)
    # What the point itself loses stands at its own pixel.
    halo[68, 120] = 0.0
    rows, columns = np.indices(WINDOW.shape)
    angle = np.hypot(rows - 68, columns - 120) / LENS.focal_px
    within = [halo[angle <= share * 0.01 * 5.0].sum() for share in (1.0, 3.0)]
    assert within[0] / within[1] == pytest.approx((1 - 0.5**0.5) / (1 - 0.1**0.5), rel=0.1)


@pytest.mark.parametrize("pitch_deg", [-50.0, 55.0])
def test_the_halo_follows_the_waters_light_about_the_view(
    pitch_deg: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """How the water's light bends about a ray is asked for the ray through the picture's centre."""
    asked: list[F32] = []

    def bends(path: LightPath, direction: F64) -> F64:
        asked.append(np.asarray(direction))
        return band_bends(path, direction)

    monkeypatch.setattr(forward_scatter, "band_bends", bends)
    lens = camera(WINDOW, pitch_deg=pitch_deg)
    made(VEILED, level_scene(5.0), lens)
    ahead = lens.directions(WINDOW)[:, WINDOW.height // 2, WINDOW.width // 2]
    np.testing.assert_allclose(asked[0], ahead, atol=0.01)


@pytest.mark.parametrize("name", ["suspended_matter", "bubbles"])
def test_what_floats_before_the_blur_is_not_taken_for_a_subject_far_off(name: str, build: Builders) -> None:
    """Divided by what the way to open water leaves, a flake would be a sun: order changes little, not all."""
    window = Window(0, 0, 48, 30)
    shot = build.shot(window, path=build.path(depth_m=8.0), camera=build.camera(window, tilt_deg=5.0))
    range_m = np.full(window.shape, 4.0, np.float32)
    range_m[:12] = np.inf
    alpha = np.isfinite(range_m).astype(np.float32)
    planes = {
        "rgb": np.broadcast_to(0.3 * alpha, (3, *window.shape)).copy(),
        "alpha": alpha,
        "range": range_m,
    }
    frame = Frame(planes, window, window)
    water = [(each, build.operator(each)) for each in ("attenuation", "veiling_light")]
    operator = steps_of(name)[0]
    if name == "bubbles":
        track = ({"frame": 900.0, "position": (0.0, -1.5, -3.0), "per_second": 60.0},)
        source = {"name": "vent", "track": track, "median_diameter": 0.02}
        operator = type(operator)(type(operator.parameters)(sources=(source,)))
    floats, blur = (name, operator), ("forward_scatter", build.operator("forward_scatter"))
    first, last = (
        build.run(chain([*water, *order]), frame, shot)["rgb"] for order in ((floats, blur), (blur, floats))
    )
    none = build.run(chain([*water, blur]), frame, shot)["rgb"]
    assert np.abs(last - none).max() > 1e-4
    assert np.abs(first - last).max() < 0.1 * np.abs(last - none).max() + 0.02 * none.max()


def thin_things_before_a_black_wall(times: int, near_m: float, *, fence: bool) -> Frame:
    """Return bright rods half a pixel wide before black, so many times as fine as a picture of 120 x 64.

    Each of the finest pixels shows one thing. A fence has gaps of half a pixel, through which water shows.
    """
    rows, columns = np.mgrid[: 4 * 64, : 4 * 120]
    rod = columns % 32 < 2
    black = (columns > 120) & (columns < 360) & (rows > 64) & ~rod
    if fence:
        black &= rows % 4 < 2
    size = 4 // times
    rod_part, black_part = (
        each.reshape(64 * times, size, 120 * times, size).mean((1, 3)) for each in (rod, black)
    )
    cover = rod_part + black_part
    planes = {
        "rgb": np.repeat(0.8 * rod_part[None], 3, axis=0),
        "alpha": cover,
        "range": np.where(rod_part > 0, near_m, np.where(black_part > 0, 12.0, np.inf)),
        "far_range": np.where(black_part > 0, 12.0, np.where(rod_part > 0, near_m, np.inf)),
        "far_share": np.where(rod_part > 0, black_part / np.maximum(cover, 1e-9), 0.0),
        "far_light": np.zeros_like(cover),
    }
    window = Window(0, 0, 120 * times, 64 * times)
    return Frame({name: plane.astype(np.float32) for name, plane in planes.items()}, window, window)


@pytest.mark.parametrize("fence", [False, True])
@pytest.mark.parametrize("near_m", [2.0, 6.0])
def test_a_black_wall_behind_thin_things_hides_what_it_does_in_a_finer_picture(
    near_m: float, *, fence: bool
) -> None:
    """Its mixed pixels have none of its light and all of its area: means of four by four finer ones."""
    seen = []
    for times in (1, 4):
        frame = thin_things_before_a_black_wall(times, near_m, fence=fence)
        lens = camera(frame.data_window)
        rgb = made(VEILED, frame, lens)["rgb"].reshape(3, 64, times, 120, times).mean((2, 4))
        # From one rod to the next; blue and green, for of red nothing is left.
        seen.append(rgb[1:, 40:56, 40:80].reshape(2, 2, 8, 5, 8).mean((2, 4)))
    np.testing.assert_allclose(seen[0], seen[1], rtol=4e-3)


@pytest.mark.parametrize("detail", ["colours", "bands"])
def test_of_a_wall_that_nobody_sees_nothing_comes_through_pixels_that_it_shares(detail: str) -> None:
    """Of light from 16 m in type 7C a hundredth of the water's is left at most: it might as well be black.

    By its share of all the light some of the near post's in a band that fades fast would count as the wall's,
    whose halo gives back e^30 times what is left of it.
    """
    frame = posts_before_a_wall(Window(0, 0, 120, 64), near_m=2.0, far_m=16.0)
    cover, share = frame.planes["rgb"][:1] / np.float32(0.9), frame.planes["far_share"]
    # Alike in colour, as mixed pixels are taken to be.
    colour = np.array([0.9, 0.6, 0.3], np.float32)[:, None, None]
    post, wall = 0.3 * colour * cover, colour * (1.0 - cover)
    far_light = 1.0 - post[0] / (post[0] + wall[0])
    keys = ('water.jerlov_type="7C"', f'steps.forward_scatter.detail="{detail}"', "light.shadows=false")
    bright, black = (
        made(
            VEILED,
            replace(frame, planes={**frame.planes, "rgb": rgb, "far_light": light}),
            camera(frame.data_window),
            sets=keys,
        )["rgb"]
        for rgb, light in ((post + wall, np.where(share > 0, far_light, 0)), (post, 0.0 * share))
    )
    np.testing.assert_allclose(bright, black, rtol=0.012)


def test_each_plane_of_a_halo_keeps_in_its_pixels_what_its_own_kernel_says() -> None:
    shape, planes = (24, 40), np.random.default_rng(6).uniform(0.2, 1.0, (4, 24, 40)).astype(np.float32)
    widths = len(halo_widths(shape))
    weights = [np.eye(widths)[:1], np.full((1, widths), 1.0 / widths)]
    fields = tuple(
        HaloField.of(np.full(shape, 4.0, np.float32), HaloKernels(np.array([4.0]), each)) for each in weights
    )
    given = forward_scatter.Given(planes[:2], np.zeros((2, 3, 5), np.float32))
    spread = forward_scatter.SpreadHalo.of(fields, given)
    nothing, out = np.zeros((0, 0, 0), np.float32), np.empty((2, 20, 40), np.float32)
    held = nothing, np.zeros((3, 2), np.float32), np.zeros((2, 3), np.float32)
    spread.add_to(planes[2:, 4:], 4, np.eye(2, dtype=np.float32), held, nothing, out)
    # All of the first plane's stays where it is given; of the second it is softened.
    np.testing.assert_allclose(out[0], planes[2, 4:] + planes[0, 4:], rtol=1e-6)
    np.testing.assert_allclose(out[1], planes[3, 4:] + spread.rows(slice(4, 24))[1], rtol=1e-6)
    assert np.std(spread.rows(slice(0, 24))[1]) < 0.5 * np.std(planes[1])
