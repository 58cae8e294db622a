"""Living light on pictures: where wakes went, hidden and attenuated as all else, each frame by itself."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from pydantic import ValidationError
from tests.conftest import Builders
from tests.presets.moved_keys import Row, amount, change, detail, middle_of_change, motion

from halocline import apply
from halocline._typing import F32
from halocline.graph.operator import AnyOperator
from halocline.imaging.frame import Frame, Window
from halocline.operators.living_light import LivingLight, LivingLightParameters
from halocline.presets.preset import preset_from_text

WINDOW = Window(-3, -2, 48, 30)
WAKE: dict[str, Any] = {
    "radius": 0.2,
    "settle": 1.0,
    "track": ({"frame": 980, "nose": (-0.9, 0.0, -3.0)}, {"frame": 1001, "nose": (0.9, 0.1, -2.6)}),
}
SPARKS: dict[str, Any] = {"name": "sparks", "per_litre": 20.0, "brightness": 60.0}
KEYS = [
    {"classes": (SPARKS,), "wakes": (WAKE,)},
    {
        "classes": (
            {**SPARKS, "name": "steady", "kind": "steady", "per_litre": 0.5},
            {**SPARKS, "name": "now and then", "kind": "flashing", "per_litre": 0.5, "every": 0.3},
        ),
        "most_particles": 500,
        "glow": 0.0,
    },
]
_TRACK = (
    "[{ radius = 0.2, settle = 1.0, track = [{ frame = 990, nose = [%s, 0.0, -1.2] }, "
    "{ frame = 1001, nose = [%s, 0.1, -1.2] }] }]"
)
_CLASS = "[{ name = 'a', per_litre = 40.0, brightness = %s }]"
_STEP = "[steps.downwelling]\n[steps.living_light]\n"
_ALIVE = _STEP + f"classes = {_CLASS % '40.0'}\n"
_WAKE = _ALIVE + f"wakes = {_TRACK % ('0.1', '0.5')}\n"
_STEADY = (
    "[steps.living_light]\nglow = 0.0\n"
    "classes = [{ name = 'a', kind = 'steady', per_litre = 2.0, brightness = 60.0 }]\n"
)
ROWS = {
    "classes": Row(
        _WAKE.replace(f"classes = {_CLASS % '40.0'}\n", ""), (_CLASS % "4.0", _CLASS % "40.0"), amount, "up"
    ),
    "wakes": Row(_ALIVE, (_TRACK % ("0.1", "0.2"), _TRACK % ("0.4", "0.5")), middle_of_change, "up"),
    "lens": Row(_STEADY, (None, "{ f_number = 1.0, focus = 0.5 }"), detail, "down"),
    "density": Row(_WAKE, ("1.0", "0.2"), amount, "down"),
    "brightness": Row(_WAKE, ("1.0", "3.0"), amount, "up"),
    "glow": Row(_WAKE, ("1.0", "6.0"), amount, "up"),
    "on_subject": Row(_WAKE, ("0.0", "30.0"), amount, "up"),
    "farthest": Row(_STEADY, (None, "1.0"), amount, "down"),
    "nearest": Row(_STEADY, (None, "1.5"), amount, "down"),
    "most_particles": Row(_WAKE, (None, "200"), change, "redrawn"),
    "current": Row(_STEADY, (None, "[0.5, 0.0, 0.0]"), motion, "up"),
    "surge": Row(_STEADY, (None, "[0.5, 0.0, 0.0]"), motion, "up"),
    "surge_period": Row(_STEADY + "surge = [0.3, 0.0, 0.0]\n", ("8.0", "1.5"), motion, "up"),
    "turbulence": Row(_STEADY, ("0.0", "0.5"), motion, "up"),
    "turbulence_scale": Row(_STEADY + "turbulence = 0.3\n", (None, "0.3"), change, "redrawn"),
}


def living(**keys: Any) -> LivingLight:
    return LivingLight(LivingLightParameters.model_validate({"classes": (SPARKS,), "wakes": (WAKE,), **keys}))


def steps(build: Builders, *more: tuple[str, AnyOperator]) -> list[tuple[str, AnyOperator]]:
    return [(name, build.operator(name)) for name in ("downwelling", "attenuation", "veiling_light")] + list(
        more
    )


def wall(range_m: float) -> Frame:
    shape = WINDOW.shape
    planes = {
        "rgb": np.full((3, *shape), 0.2, np.float32),
        "alpha": np.ones(shape, np.float32),
        "range": np.full(shape, range_m, np.float32),
    }
    return Frame(planes, WINDOW, WINDOW)


@pytest.fixture(scope="module")
def night(build: Builders) -> Any:
    """What living light makes of a wall at night: the picture, and the light that the water threw in."""

    def run(operator: LivingLight, range_m: float = 5.0, frame: int = 1001, **planes: F32) -> Any:
        picture = wall(range_m)
        picture = replace(picture, planes={**picture.planes, **planes})
        shot = build.shot(WINDOW, frame=frame, path=build.path(daylight_level=0.0))
        chain = steps(build, ("living", operator))
        return build.run(chain, picture, shot, wanted=("rgb", "living_light", "alpha"))

    return run


def test_a_frame_is_the_same_alone_and_after_others(night: Any) -> None:
    operator = living(current=(0.1, 0.0, 0.0), turbulence=0.1)
    alone = night(operator, frame=1006)["rgb"]
    night(operator, frame=995)
    assert np.array_equal(night(operator, frame=1006)["rgb"], alone)
    assert alone.max() > 0.01


def test_it_glows_where_the_wake_went_and_fades(night: Any, build: Builders) -> None:
    light = [night(living(), frame=frame)["living_light"].sum(axis=0) for frame in (985, 1001, 1060)]
    columns = np.arange(WINDOW.width)
    middle = [float((each.sum(axis=0) * columns).sum() / each.sum()) for each in light]
    assert middle[0] < middle[1] - 4.0
    assert light[2].sum() < 0.2 * light[1].sum()
    operator = living()
    assert operator.idle(build.shot(WINDOW, frame=970))
    assert operator.idle(build.shot(WINDOW, frame=1001 + 24 * 6))
    assert operator.idle(build.shot(WINDOW, frame=1001)) is False
    # Blue: in the working space, all but none of it red.
    blue = night(living(), frame=1001)["living_light"].sum(axis=(1, 2))
    assert np.argmax(blue) < len(blue)


def test_things_hide_it_and_water_takes_it(night: Any, build: Builders) -> None:
    lit = living(glow=0.0, on_subject=0.0)
    behind, before = (float(night(lit, range_m)["living_light"].sum()) for range_m in (1.5, 5.0))
    assert behind == 0.0
    assert before > 0.0
    # Ten metres farther off, it has lost more than the inverse square.
    away = tuple(
        {**key, "nose": (key["nose"][0], key["nose"][1], key["nose"][2] - 6.0)} for key in WAKE["track"]
    )
    far = living(glow=0.0, on_subject=0.0, wakes=({**WAKE, "track": away},))
    ratio = float(night(far, 20.0)["living_light"].sum()) / float(night(lit, 20.0)["living_light"].sum())
    assert ratio < 0.8 * (2.8 / 8.8) ** 2


def test_a_cloud_hides_what_glows_beyond_it_and_nothing_before(build: Builders) -> None:
    text = """
format = 2
[light]
daylight = 0.0
[steps.downwelling]
[steps.attenuation]
[steps.veiling_light]
[steps.bodies]
operator = "turbid_bodies"
after = "veiling_light"
[[steps.bodies.bodies]]
name = "silt"
kind = "box"
position = [%s, 0.0, -3.0]
size = [0.8, 20.0, 20.0]
softness = 0.05
visibility = 0.4
[steps.living_light]
after = "bodies"
nearest = %s
farthest = %s
glow = %s
classes = [{ name = "a", kind = "steady", per_litre = 0.2, brightness = 60.0 }]
"""
    picture = wall(8.0)
    camera = build.camera(WINDOW)

    def light(place: float, nearest: float, farthest: float, glow: float = 0.0) -> float:
        preset = preset_from_text(text % (place, nearest, farthest, glow))
        made = apply(
            preset, np.moveaxis(picture.planes["rgb"], 0, -1), picture.planes["range"], camera=camera
        )
        return float(made.rgb.sum())

    aside, before = 50.0, 0.0
    # A wall's worth of silt: eight lengths.
    assert light(before, 4.5, 7.0) < 0.01 * light(aside, 4.5, 7.0)
    assert light(before, 1.0, 2.0) == pytest.approx(light(aside, 1.0, 2.0), rel=0.02)
    # Of those that are not drawn one by one a third of the way lies before it.
    assert 0.1 < light(before, 0.2, 0.3, 1.0) / light(aside, 0.2, 0.3, 1.0) < 0.9
    assert light(before, 7.9, 8.0, 1.0) < 0.01 * light(aside, 0.2, 0.3, 1.0)


def test_it_lights_the_subject_by_its_normals(night: Any) -> None:
    facing = np.zeros((3, *WINDOW.shape), np.float32)
    facing[2, :, :24], facing[2, :, 24:] = 1.0, -1.0
    dark, lit = (night(living(on_subject=level), 3.5, normal=facing)["rgb"] for level in (0.0, 50.0))
    gain = (lit - dark).sum(axis=0)
    assert gain[:, :23].mean() > 1e-4
    # But for what has passed behind the wall's edge.
    assert gain[:, 25:].mean() < 0.05 * gain[:, :23].mean()


def test_what_bodies_hide_of_the_subject_they_hide_of_its_light(night: Any) -> None:
    hidden = np.zeros(WINDOW.shape, np.float32)
    hidden[:, 24:] = 0.75
    dark, free, behind = (
        night(living(on_subject=level), 3.5, body_alpha=hides)["rgb"]
        for level, hides in ((0.0, 0.0 * hidden), (50.0, 0.0 * hidden), (50.0, hidden))
    )
    gain = (free - dark).sum(axis=0)
    assert gain[:, 24:].mean() > 1e-4
    np.testing.assert_allclose((behind - dark).sum(axis=0), gain * (1.0 - hidden), rtol=1e-3, atol=1e-6)


def test_it_warns_of_flashes_but_not_of_what_glows_steadily(build: Builders) -> None:
    shot = build.shot(WINDOW)
    (told,) = living().warnings(shot)
    assert "photosensitive" in told
    assert "halocline check" in told
    assert living(classes=({**SPARKS, "kind": "steady"},)).warnings(shot) == ()


def test_classes_of_one_name_and_sizes_the_wrong_way_round_are_refused() -> None:
    with pytest.raises(ValidationError, match="two classes have the same name"):
        living(classes=(SPARKS, SPARKS))
    with pytest.raises(ValidationError, match="is not below largest"):
        living(classes=({**SPARKS, "smallest": 0.01, "largest": 0.001},))
