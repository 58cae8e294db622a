"""Parts of the picture with a look of their own: each has its own frame, edges lie between by area."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from halocline._typing import F32
from halocline.batch.arrays import WetFrame, apply
from halocline.errors import HaloclineError, PresetError
from halocline.presets.difference import differences
from halocline.presets.preset import Preset, load_preset, preset_from_text

ROWS, COLUMNS = 12, 40
STEPS = "[steps.attenuation]\n[steps.veiling_light]\n"
# Of one water, which takes time to be fitted and solved: that a part can have its own is held by
# tests/presets/test_every_key.py. Without shadows: they tell what else stands in the picture.
OWN = "[light]\nveil_brightness = 0.5\nshadows = false\n[story]\nattenuation_scale = 0.5\n"
PLACE = "[place]\ncamera_depth = 9.0\n"
REST = "[light]\nshadows = false\n" + PLACE
CHAIN = "[parts.chain]\nmatte = 'chain'\n"


def look(text: str) -> Preset:
    return preset_from_text(f"format = 1\n{text}")


def part(text: str, name: str = "chain") -> str:
    """The sections of a look as those of a part."""
    return text.replace("[", f"[parts.{name}.")


# A near thing before a wall, with pixels that it covers in part at its sides, and open water on the right. Of
# one colour: of how many a pixel's two things are, its shares of light do not tell.
_COVER = np.clip(3.0 - np.abs(np.arange(COLUMNS) - 14.25), 0.0, 1.0).astype(np.float32)
_ALPHA = np.clip((33.5 - np.arange(COLUMNS)), 0.0, 1.0).astype(np.float32)
_NEAR, _FAR = np.array([0.5, 0.3, 0.2], np.float32), np.array([0.15, 0.09, 0.06], np.float32)


def render(cover: F32 | float = _COVER) -> dict[str, Any]:
    """What is given to `apply`, of a thing that covers so much of each column."""
    cover = np.broadcast_to(np.asarray(cover, np.float32), (COLUMNS,))
    both = cover[:, None] * _NEAR, ((1 - cover) * _ALPHA)[:, None] * _FAR
    light = both[0] + both[1]
    alpha = np.maximum(_ALPHA, cover)
    here = (cover > 0).astype(np.float32)
    planes = {
        "matte.chain": cover,
        "matte.right": (np.arange(COLUMNS) >= 15).astype(np.float32),
        "far_range": np.full(COLUMNS, 9.0, np.float32),
        "far_share": here * np.divide(alpha - cover, alpha, out=np.zeros_like(alpha), where=alpha > 0),
        "far_light": here * np.divide(both[1].sum(1), np.maximum(light.sum(1), 1e-9)),
    }
    range_m = np.where(cover > 0, 3.0, np.where(_ALPHA > 0, 9.0, np.inf))
    return {
        "rgb": np.tile(light, (ROWS, 1, 1)),
        "range_m": np.tile(range_m, (ROWS, 1)),
        "alpha": np.tile(alpha, (ROWS, 1)),
        "planes": {name: np.tile(plane, (ROWS, 1)) for name, plane in planes.items()},
        "threads": 1,
    }


def made(text: str, given: Mapping[str, Any] | None = None, **more: Any) -> WetFrame:
    return apply(look(text), **{**(given or render()), **more})


def test_a_part_has_its_own_looks_frame_and_edges_lie_between_by_area() -> None:
    scatter = "[steps.forward_scatter]\nafter = 'attenuation'\n"
    for more in ("", scatter):
        whole = made(REST + STEPS + more)
        own = made(PLACE + OWN + STEPS + more)
        both = made(REST + STEPS + more + CHAIN + part(OWN))
        np.testing.assert_allclose(both.rgb[:, _COVER == 1], own.rgb[:, _COVER == 1], rtol=0, atol=1e-5)
        np.testing.assert_array_equal(both.rgb[:, _COVER == 0], whole.rgb[:, _COVER == 0])
        assert np.abs(own.rgb - whole.rgb).max() > 0.02
    # Opaque things beside each other in a pixel add up by area: porter1984, "plus" of disjoint coverage.
    whole, own = made(REST + STEPS, render(0.0)), made(PLACE + OWN + STEPS, render(1.0))
    both = made(REST + STEPS + CHAIN + part(OWN))
    edge = (_COVER > 0) & (_COVER < 1)
    assert edge.sum() == 2
    wanted = _COVER[:, None] * own.rgb + (1 - _COVER[:, None]) * whole.rgb
    np.testing.assert_allclose(both.rgb[:, edge], wanted[:, edge], rtol=0, atol=1e-5)


def test_a_part_keeps_another_presets_look_and_its_text_has_all_of_it(tmp_path: Path) -> None:
    (tmp_path / "v001.toml").write_text(f"format = 1\n{PLACE}{OWN}{STEPS}[steps.white_reference]\n")
    rest = tmp_path / "v002.toml"
    rest.write_text(f"format = 1\n{REST}{STEPS}{CHAIN}preset = 'v001.toml'\n")
    kept = load_preset(rest)
    both, own = apply(kept, **render()), apply(load_preset(tmp_path / "v001.toml"), **render())
    np.testing.assert_allclose(both.rgb[:, _COVER == 1], own.rgb[:, _COVER == 1], rtol=0, atol=1e-5)
    again = preset_from_text(kept.resolved_text)
    (tmp_path / "v001.toml").unlink()
    np.testing.assert_array_equal(apply(again, **render()).rgb, both.rgb)
    assert again.resolved_text == kept.resolved_text
    assert "white_reference" in " ".join(step.name for step in again.parts["chain"].at(0).graph.steps)
    # What is laid over the kept look counts; what the whole has of its own does not.
    told = differences(preset_from_text(kept.resolved_text, ["parts.chain.light.overcast=0.9"]), kept)
    assert told == ["parts.chain.light.overcast = 0.9 is gone"]


def test_the_later_part_lies_over_the_earlier_and_amounts_mix() -> None:
    dark, bright = "[light]\ndaylight = 0.5\nshadows = false\n", "[light]\ndaylight = 2.0\nshadows = false\n"
    looks = REST + STEPS
    right = "[parts.right]\nmatte = 'right'\n"
    one, two, whole = made(PLACE + dark + STEPS), made(PLACE + bright + STEPS), made(looks)
    chain_first = made(looks + CHAIN + part(dark) + right + part(bright, "right"))
    right_first = made(looks + right + part(bright, "right") + CHAIN + part(dark))
    for picture, of in ((chain_first, two), (right_first, one)):
        np.testing.assert_allclose(picture.rgb[:, 15], of.rgb[:, 15], rtol=0, atol=1e-5)
        np.testing.assert_allclose(picture.rgb[:, 14], one.rgb[:, 14], rtol=0, atol=1e-5)
        np.testing.assert_allclose(picture.rgb[:, 38], two.rgb[:, 38], rtol=0, atol=1e-5)
    half = made(looks + CHAIN + "amount = 0.5\n" + part(dark))
    np.testing.assert_allclose(half.rgb[:, 14], 0.5 * (one.rgb + whole.rgb)[:, 14], rtol=0, atol=1e-5)
    slab = made(looks + "[parts.far]\nwithin_range = { nearest = 6.0, softness = 0.1 }\n" + part(dark, "far"))
    np.testing.assert_allclose(slab.rgb[:, 14], whole.rgb[:, 14], rtol=0, atol=1e-5)
    np.testing.assert_allclose(slab.rgb[:, [4, 38]], one.rgb[:, [4, 38]], rtol=0, atol=1e-5)


def test_a_part_is_bent_as_its_picture_is() -> None:
    """Of a render that is black but for the part, all that is seen has the part's look."""
    cover = np.clip(2.5 - np.abs(np.arange(COLUMNS) - 6.25), 0.0, 1.0).astype(np.float32)
    given = render(cover)
    given["rgb"] = given["rgb"] * cover[:, None]
    given["planes"]["far_light"] = 0.0 * given["planes"]["far_light"]
    steps = "[steps.downwelling]\n[steps.flat_port]\n"
    brighter = "[light]\nreference_depth = 4.0\n"
    own, unbent = made(PLACE + brighter + steps, given).rgb, made(PLACE + steps, given).rgb
    both = made(PLACE + steps + CHAIN + part(brighter), given).rgb
    naive = cover[:, None] * own + (1 - cover[:, None]) * unbent
    assert np.abs(both - own).mean() < 0.3 * np.abs(naive - own).mean()


def test_a_part_of_the_same_look_changes_nothing() -> None:
    whole, same = made(REST + STEPS), made(REST + STEPS + CHAIN)
    np.testing.assert_allclose(same.rgb, whole.rgb, rtol=0, atol=2e-6)
    np.testing.assert_allclose(same.alpha, whole.alpha, rtol=0, atol=2e-6)


def test_a_frame_depends_on_a_part_only_where_it_has_something_of_its_own() -> None:
    curve = '{ curve = "linear", keys = [[1012, 0.0], [1016, 1.0]] }'
    moving, plain = look(REST + STEPS + CHAIN + f"amount = {curve}\n" + part(OWN)), look(REST + STEPS)
    assert moving.animated
    assert moving.digest_at(1011) == plain.digest_at(1011)
    assert len({moving.digest_at(frame) for frame in (1012, 1013, 1014, 1016)}) == 4
    assert [len(moving.at(frame).parts) for frame in (1012, 1013)] == [0, 1]
    given = render()
    del given["planes"]["matte.chain"]
    with pytest.raises(HaloclineError, match=r"(?s)matte.chain.*input.passes.chain"):
        apply(moving, **given, frame=1014)
    apply(moving, **given, frame=1011)


def test_parts_lie_over_each_other_in_the_order_that_they_say() -> None:
    """And a frame is another one where they do otherwise: a job goes by that."""
    dark, bright = "[light]\ndaylight = 0.5\n", "[light]\ndaylight = 2.0\n"
    looks = [f"[parts.{name}]\n" + part(own, name) for name, own in (("one", dark), ("two", bright))]
    in_turn, other_way = (REST + STEPS + "".join(each) for each in (looks, looks[::-1]))
    said = in_turn.replace("[parts.one]\n", '[parts.one]\nafter = "two"\n')
    digests = [look(text).digest_at(1) for text in (in_turn, other_way, said)]
    assert digests[0] != digests[1] == digests[2]
    frames = [made(text).rgb for text in (in_turn, other_way, said)]
    np.testing.assert_array_equal(frames[1], frames[2])
    assert np.abs(frames[0] - frames[1]).max() > 0.1
    # Of the parts of a part, too.
    within = [
        REST + STEPS + "[parts.chain]\n" + "".join(each).replace("parts.", "parts.chain.parts.")
        for each in (looks, looks[::-1])
    ]
    assert look(within[0]).digest_at(1) != look(within[1]).digest_at(1)
    # What a preset extends says where, and who extends it says otherwise.
    text = look(said).with_settings({"parts.one.before": "two"}).resolved_text
    assert list(preset_from_text(text).parts) == ["one", "two"]


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("[parts.chain]\nmate = 'chain'\n", 'line 3, [parts.chain]: unknown key "mate"'),
        ("[parts.chain.watr]\nx = 1\n", 'unknown key "watr"'),
        ("[parts.chain.light]\nsun_elevation = 100\n", "line 3"),
        ("[parts.chain.water]\nvisibility = { curve = 'linear', keys = [[1, 2.0]] }\n", "cannot change"),
        ("[parts.chain.steps.fog]\nx = 1\n", "fog"),
        ("[parts.chain]\nalone = true\npreset = 'jerlov-2'\n", "the look stands in one place"),
        ("parts = 3\n", "parts is not a table"),
        ("[parts.chain]\npreset = { curve = 'held', keys = [[1, 'jerlov-2'], [9, 'jerlov-3']] }\n", "line 3"),
        ("[parts.chain]\nafter = 'arch'\n", 'line 3: there is no part "arch" to come after'),
        ("[parts.chain]\nafter = 'a'\nbefore = 'b'\n[parts.a]\n[parts.b]\n", "a part has one place"),
    ],
)
def test_mistakes_in_parts_are_told_with_their_line(text: str, told: str) -> None:
    with pytest.raises(PresetError) as caught:
        look(text)
    assert told in str(caught.value)


def test_looks_that_are_parts_of_each_other_in_a_ring_are_refused(tmp_path: Path) -> None:
    for one, other in (("a", "b"), ("b", "a")):
        text = f"format = 1\n[parts.chain]\nmatte = 'chain'\npreset = '{other}.toml'\n"
        (tmp_path / f"{one}.toml").write_text(text)
    with pytest.raises(PresetError) as caught:
        load_preset(tmp_path / "a.toml")
    assert "E-PRESET-PARTS" in str(caught.value)
    assert "a part of itself" in str(caught.value)
