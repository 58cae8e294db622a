"""What floats as deep samples of its own: flattened, merged with elements by OpenImageIO, read by OpenEXR."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from tests.batch.test_deep import COLUMNS, FISH, ROWS, WALL, colours, cover, picture, sample, wet
from tests.deep_files import BARE_WATER, Deep, flat_by_openimageio, read_by_openexr, write_deep_pixels

from halocline.batch.first_look import look_first
from halocline.batch.memory_budget import frame_need
from halocline.batch.output_look import uneven_samples
from halocline.batch.task import FrameTask, InputFiles
from halocline.errors import FrameError, GraphError, HaloclineError
from halocline.imaging import deep_file
from halocline.presets.preset import preset_from_text
from halocline.presets.remarks import remarks

FLECKS = """
[steps.suspended_matter]
haze = 0.2
most_particles = 4000
[[steps.suspended_matter.classes]]
name = "grit"
kind = "grain"
per_litre = 2.0
smallest = 0.004
largest = 0.012
sinking = 0.0
"""
CLOUD = """
[steps.turbid_bodies]
rays = 32
[[steps.turbid_bodies.bodies]]
name = "cloud"
position = [0.0, 0.0, -4.0]
size = [5.0, 4.0, 3.0]
softness = 1.0
visibility = 3.0
clumping = 0.0
"""
BUBBLES = """
[steps.bubbles]
turbulence = 0.0
[[steps.bubbles.sources]]
name = "vent"
track = [{ frame = 900, position = [0.0, -2.0, -3.0], per_second = 60.0 }]
median_diameter = "20 mm"
source_radius = 0.3
"""
LOOKS = {"flecks": FLECKS, "cloud": CLOUD, "bubbles": BUBBLES, "all": CLOUD + FLECKS + BUBBLES}
FLOATING = ("output.deep=true", "output.floating_samples=true")
ELEMENT = (*FLOATING, "output.element=true")


def frame(y: int, x: int) -> list[tuple[float, ...]]:
    """A wall, in part thin; a slab of smoke before its middle; open water at the right."""
    smoke = [sample(FISH, 0.3, 4.0, 4.4)] if 8 <= x < 11 else []
    return smoke if x >= 18 else [*smoke, sample(WALL, 1.0 if x < 14 else 0.25, 7.0)]


def fish_at(metres: float) -> Deep:
    return picture(lambda y, x: [sample(FISH, cover(y, x), metres)] if cover(y, x) else [])


@pytest.mark.parametrize("what", list(LOOKS))
def test_flattened_it_is_the_flat_frame(tmp_path: Path, what: str) -> None:
    text = BARE_WATER + LOOKS[what]
    source = write_deep_pixels(tmp_path / "frame.exr", picture(frame))
    flat = colours(wet(source, text=text)[0])
    plain = colours(wet(source, text=BARE_WATER)[0])
    out, _ = wet(source, "output.deep=true", "output.floating_samples=true", text=text)
    np.testing.assert_allclose(flat_by_openimageio(out), flat, atol=1e-6)
    # What floats is seen, and more than the render's samples and open water are there.
    assert np.abs(flat - plain).max() > 1e-3
    found = read_by_openexr(out)
    assert sum(map(len, found["Z"].ravel())) > 3 * ROWS * COLUMNS
    for y, x in ((2, 3), (6, 9), (5, 19)):
        front, back, alpha = (found[name][y, x].astype(np.float64) for name in ("Z", "ZBack", "A"))
        # In order, none over another, and no slab thicker than a tenth of an optical depth.
        assert (back >= front).all()
        assert (front[1:] >= back[:-1] * (1.0 - 1e-6)).all()
        slabs = (back > front) & ((front < 3.999) | (back > 4.401))
        assert (-np.log1p(-alpha[slabs]) < 0.1 + 1e-6).all()


def test_a_cloud_lies_where_it_is_and_flecks_are_points(tmp_path: Path) -> None:
    source = write_deep_pixels(tmp_path / "frame.exr", picture(frame))
    found = read_by_openexr(wet(source, *FLOATING, text=BARE_WATER + CLOUD)[0])
    front, back, alpha = (found[name][6, 4].astype(np.float64) for name in ("Z", "ZBack", "A"))
    cloud = (alpha > 5e-3) & (back < 7.0)
    # The ellipsoid goes from 2.5 m to 5.5 m before the lens; ranges are half a metre apart.
    assert cloud.sum() > 5
    assert front[cloud].min() > 1.7
    assert back[cloud].max() < 6.3
    assert 2.4 < front[np.argmax(alpha * cloud)] < 4.5
    found = read_by_openexr(wet(source, *FLOATING, text=BARE_WATER + FLECKS)[0])
    front, back, alpha = (
        np.concatenate([each.astype(np.float64) for each in found[name].ravel()])
        for name in ("Z", "ZBack", "A")
    )
    flecks = (alpha > 1e-3) & (front < 6.9) & ~((front > 3.999) & (back < 4.401) & (back > front))
    assert flecks.sum() > 20
    assert (front[flecks] == back[flecks]).mean() > 0.95


@pytest.mark.parametrize(("what", "off"), [("flecks", 1e-4), ("bubbles", 1e-4), ("cloud", 8e-4)])
def test_an_element_merged_later_is_what_both_rendered_together_are(
    tmp_path: Path, what: str, off: float
) -> None:
    """In either order, to what one sample holds of what is met between two ranges.

    Within a slab of a cloud matter is taken as even; flecks before and behind the fish may be one; and
    bubbles mirror the mean of the picture.
    """
    text = BARE_WATER + LOOKS[what]
    back = write_deep_pixels(tmp_path / "frame.exr", picture(frame))
    alone = colours(wet(back, text=text)[0])
    water, _ = wet(back, *FLOATING, text=text)
    # The cloud's soft edge begins between two ranges, at 2.5 m: 2.34 m is where it is worst.
    for metres in (2.34, 3.7, 6.0):
        fish = write_deep_pixels(tmp_path / f"fish{metres}.exr", fish_at(metres))
        of_fish = fish_at(metres)
        joined = [[[*frame(y, x), *of_fish[y][x]] for x in range(COLUMNS)] for y in range(ROWS)]
        both = write_deep_pixels(tmp_path / f"both{metres}.exr", joined)
        element, _ = wet(fish, *ELEMENT, text=text)
        together = colours(wet(both, text=text)[0])
        merged = flat_by_openimageio(water, element)
        np.testing.assert_allclose(flat_by_openimageio(element, water), merged, atol=1e-6)
        np.testing.assert_allclose(merged, together, atol=off)
        # The fish is seen, however dimly behind the cloud.
        assert np.abs(merged - alone).max() > 5.0 * off or what == "cloud"


def test_by_rows_of_any_height_it_is_the_same_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    source = write_deep_pixels(tmp_path / "frame.exr", picture(frame))
    text = BARE_WATER + LOOKS["all"]
    whole = wet(source, *FLOATING, text=text)[0].read_bytes()
    monkeypatch.setattr(deep_file, "_ROWS", 3)
    assert wet(source, *FLOATING, text=text)[0].read_bytes() == whole


def test_a_job_is_sized_for_the_ranges_of_a_few_rows(tmp_path: Path) -> None:
    """7 kB a pixel of sixteen rows, measured; none of a whole frame."""
    source = write_deep_pixels(tmp_path / "frame.exr", picture(frame))
    with_them, without = (
        frame_need([FrameTask(1, source, None, source)], preset_from_text(BARE_WATER + FLECKS, settings))
        for settings in (FLOATING, FLOATING[:1])
    )
    assert with_them is not None
    assert without is not None
    assert with_them.write - without.write == 7000 * 16 * COLUMNS
    assert with_them.held - without.held == 7000 * 16 * COLUMNS


def test_an_element_holds_nothing_of_what_floats(tmp_path: Path) -> None:
    fish = write_deep_pixels(tmp_path / "fish.exr", fish_at(6.0))
    clear = read_by_openexr(wet(fish, *ELEMENT, text=BARE_WATER)[0])
    cloudy = read_by_openexr(wet(fish, *ELEMENT, text=BARE_WATER + CLOUD + BUBBLES)[0])
    for name in ("R", "G", "B", "A", "Z"):
        assert np.array_equal(
            np.concatenate(clear[name].ravel()[110:114]), np.concatenate(cloudy[name].ravel()[110:114])
        )


@pytest.mark.parametrize(
    ("settings", "told"),
    [
        (("output.floating_samples=true",), "set deep = true"),
        ((*FLOATING, 'output.layers=["veil"]'), "leave out layers"),
    ],
)
def test_what_cannot_be_asked_together_is_refused(settings: tuple[str, ...], told: str) -> None:
    with pytest.raises(HaloclineError, match=told):
        preset_from_text(BARE_WATER, settings)


def test_steps_whose_drawing_cannot_be_told_are_refused_by_name(tmp_path: Path) -> None:
    source = write_deep_pixels(tmp_path / "frame.exr", picture(frame))
    with pytest.raises(GraphError, match="draws within a matte or a window") as refused:
        wet(source, *FLOATING, "steps.turbid_bodies.amount=0.5", text=BARE_WATER + CLOUD)
    assert (refused.value.code, refused.value.where) == ("E-DEEP-STEP", 'step "turbid_bodies"')
    twice = CLOUD + CLOUD.replace("steps.turbid_bodies", "steps.more").replace(
        "[steps.more]", '[steps.more]\noperator = "turbid_bodies"'
    )
    with pytest.raises(GraphError, match="another step of its kind draws too"):
        wet(source, *FLOATING, text=BARE_WATER + twice)


GRADE = '[steps.warmth]\noperator = "grade"\nacts_on = "subject"\n'


@pytest.mark.parametrize(
    ("steps", "settings", "typed"),
    [
        (CLOUD + GRADE + "contrast = 1.4\n", (), "--set steps.warmth.contrast=1"),
        (
            CLOUD + GRADE + 'contrast = { curve = "linear", keys = [[1001, 1.0], [1004, 2.0]] }\n',
            (),
            "--set steps.warmth.contrast=1",
        ),
        (CLOUD, ('output.gamut_compression="full"',), '--set output.gamut_compression="none"'),
    ],
    ids=["grade", "grade that comes in", "gamut"],
)
def test_what_keeps_samples_from_merging_is_told_before_the_first_frame(
    tmp_path: Path, steps: str, settings: tuple[str, ...], typed: str
) -> None:
    look = preset_from_text(BARE_WATER + steps, (*FLOATING, *settings))
    (remark,) = (each for each in remarks(look) if "as if rendered together" in each.text)
    assert typed in remark.fix
    source = write_deep_pixels(tmp_path / "frame.exr", picture(frame))
    tasks = [
        FrameTask(number, source, None, tmp_path / "out.exr", references=(InputFiles(source, None, 1001),))
        for number in (1001, 1004)
    ]
    seen = look_first(tasks, look)
    assert [typed in line for line in seen.output].count(True) == 1
    with pytest.raises(FrameError, match="none such") as refused:
        seen.refuse_doubts()
    assert refused.value.code == "E-OUTPUT-DOUBT"
    # As it says, nothing is told any more; nor where no samples of what floats are asked for.
    for mended in ((*FLOATING, *settings, typed.removeprefix("--set ")), ("output.deep=true", *settings)):
        sound = look_first(tasks, preset_from_text(BARE_WATER + steps, mended))
        sound.refuse_doubts()
        assert not sound.uneven


def test_a_grade_before_what_floats_or_of_colour_alone_merges() -> None:
    before = preset_from_text(BARE_WATER + GRADE + "contrast = 1.4\n" + CLOUD, FLOATING)
    colour = preset_from_text(BARE_WATER + CLOUD + GRADE + "saturation = 0.5\n", FLOATING)
    assert not [each for look in (before, colour) for each in uneven_samples(look, [1001])]
