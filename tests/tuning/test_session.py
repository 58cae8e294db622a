"""A preset's text under change: nothing invalid, nothing lost, nothing written over."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from halocline.errors import HaloclineError, PresetError
from halocline.presets.preset import load_preset
from halocline.tuning import session as module
from halocline.tuning.keys import keys_of_part, model
from halocline.tuning.session import Session, problems_of, toml_text, value_at

OWN = """format = 1
title = "A harbour"  # its name
extends = "jerlov-3c"

[light]
sun_elevation = 30.0   # late
"""


@pytest.fixture
def own(tmp_path: Path) -> Path:
    path = tmp_path / "harbour.toml"
    path.write_text(OWN, encoding="utf-8")
    return path


def test_a_change_keeps_comments_and_order_and_is_undone_and_done_again(own: Path) -> None:
    session = Session(str(own), "clean.####.exr")
    session.change(["light.sun_elevation=42.0"])
    assert session.state.text == OWN.replace("30.0", "42.0")
    assert session.state.preset.at(0).light.sun_elevation == 42.0
    assert session.undo().text == OWN
    assert session.redo().text == OWN.replace("30.0", "42.0")
    assert own.read_text(encoding="utf-8") == OWN, "the file is not touched"


def test_numbers_of_states_only_rise(own: Path) -> None:
    session = Session(str(own), "clean.####.exr")
    numbers = [session.state.number]
    numbers.append(session.change(["light.overcast=0.5"]).number)
    numbers.append(session.undo().number)
    numbers.append(session.redo().number)
    numbers.append(session.change(["light.overcast=0.6"]).number)
    numbers.append(session.undo().number)
    assert numbers == sorted(set(numbers))


def test_what_is_not_valid_changes_nothing_and_names_the_key(own: Path) -> None:
    session = Session(str(own), "clean.####.exr")
    with pytest.raises(PresetError) as caught:
        session.change(["light.overcast=2"])
    (told,) = problems_of(caught.value)
    assert "overcast" in f"{told['where']} {told['text']}"
    assert told["fix"]
    assert session.state.text == OWN
    assert not session.can_undo


def test_one_drag_is_one_change_to_undo(own: Path) -> None:
    session = Session(str(own), "clean.####.exr")
    for value in range(20):
        session.change([f"light.sun_elevation={30 + value}"], gesture="first")
    session.change(["light.sun_elevation=10"], gesture="second")
    assert session.undo().preset.at(0).light.sun_elevation == 49.0
    assert session.undo().text == OWN
    assert not session.can_undo


def test_reset_takes_a_key_back_to_what_is_inherited(own: Path) -> None:
    session = Session(str(own), "clean.####.exr")
    session.change(["light.sun_elevation="])
    inherited = load_preset("jerlov-3c").at(0).light.sun_elevation
    assert session.state.preset.at(0).light.sun_elevation == inherited


def test_a_shipped_preset_is_extended_and_not_changed() -> None:
    session = Session("fjord-archway", "clean.####.exr")
    assert session.state.text == 'format = 2\nextends = "fjord-archway"\n'
    session.change(["light.sun_elevation=20"])
    assert session.state.preset.document.lineage[-2:] == ("fjord-archway.toml", "fjord-archway-tuned.toml")


def test_a_row_of_an_inherited_array_is_set_and_the_rest_of_it_stays() -> None:
    session = Session("fjord-afternoon", "clean.####.exr")
    before = value_at(session.state.preset.document.tables, ("steps", "matter", "classes"))
    session.change(["steps.matter.classes.1.per_litre=9.5"])
    after = value_at(session.state.preset.document.tables, ("steps", "matter", "classes"))
    assert after[0] == before[0]
    assert after[1] == {**before[1], "per_litre": 9.5}
    session.change(["steps.matter.classes.0.clumping=0.25"])
    last = value_at(session.state.preset.document.tables, ("steps", "matter", "classes"))
    assert last[0]["clumping"] == 0.25
    assert last[1] == after[1]


def test_steps_are_put_aside_and_moved() -> None:
    session = Session("fjord-afternoon", "clean.####.exr")
    session.change(["steps.light_shafts.enabled=false"])
    done = [step.name for step in session.state.preset.at(0).graph.steps]
    assert "light_shafts" not in done
    told = model(session)
    assert {step["name"]: step["enabled"] for step in told["steps"]}["light_shafts"] is False
    session.change(['steps.matter.before="forward_scatter"'])
    names = [step["name"] for step in model(session)["steps"]]
    assert names.index("matter") == names.index("forward_scatter") - 1


def test_each_save_is_a_new_version_that_loads(own: Path, tmp_path: Path) -> None:
    passes = {"arch": "m.####.exr"}
    session = Session(
        str(own), "clean.####.exr", depth="z.####.exr", passes=passes, save_to=tmp_path / "shot.toml"
    )
    session.change(["light.sun_elevation=42.0"])
    first = session.save()
    session.change(["light.sun_elevation=43.0"])
    second = session.save()
    assert (first.name, second.name) == ("shot.v001.toml", "shot.v002.toml")
    assert first.read_text(encoding="utf-8") == OWN.replace("30.0", "42.0")
    assert load_preset(second).at(0).light.sun_elevation == 43.0
    assert not model(session)["unsaved"]
    assert session.command(second) == (
        f"halocline apply {second} 'clean.####.exr' --depth 'z.####.exr' --pass 'arch=m.####.exr' --out wet/"
    )


def test_nothing_is_saved_without_a_name(own: Path) -> None:
    session = Session(str(own), "clean.####.exr")
    with pytest.raises(PresetError, match="for looking only") as caught:
        session.save()
    assert caught.value.code == "E-PRESET-SAVE"
    assert "--save-to look.toml" in str(caught.value)
    assert [path.name for path in own.parent.iterdir()] == ["harbour.toml"]


def test_versions_that_no_number_is_left_for_are_refused(
    own: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "MOST_VERSIONS", 2)
    session = Session(str(own), "clean.####.exr", save_to=tmp_path / "shot.toml")
    session.save()
    with pytest.raises(PresetError, match="there are 2 versions of shot") as caught:
        session.save()
    assert caught.value.code == "E-PRESET-SAVE"
    assert "another name after --save-to" in str(caught.value)


def test_a_version_that_would_not_load_where_it_goes_is_not_written(tmp_path: Path) -> None:
    base = tmp_path / "a" / "base.toml"
    base.parent.mkdir()
    base.write_text('format = 1\nextends = "jerlov-1c"\n')
    own = tmp_path / "a" / "own.toml"
    own.write_text('format = 1\nextends = "base.toml"\n')
    session = Session(str(own), "clean.####.exr", save_to=tmp_path / "b" / "own.toml")
    with pytest.raises(HaloclineError, match="base"):
        session.save()
    assert not (tmp_path / "b").exists()


def test_the_model_has_every_key_of_the_schema_with_its_place_and_meaning(own: Path) -> None:
    session = Session(str(own), "clean.####.exr")
    session.change(["light.overcast=0.75"])
    told = model(session)
    from halocline.presets.sections import SECTIONS

    assert [group["name"] for group in told["sections"]] == list(SECTIONS)
    for group in told["sections"]:
        assert {key["path"][1] for key in group["keys"]} >= set(SECTIONS[group["name"]].model_fields) - {
            "lamps"
        }
        assert all(key["meaning"] for key in group["keys"] if len(key["path"]) == 2)
    keys = {".".join(key["path"]): key for group in told["sections"] for key in group["keys"]}
    overcast, sun = keys["light.overcast"], keys["light.sun_elevation"]
    assert (overcast["least"], overcast["most"], overcast["value"]) == (0.0, 1.0, 0.75)
    assert (overcast["changed"], sun["changed"]) == (True, False)
    assert (overcast["inherit"], sun["inherit"]) == (["light.overcast="], ["light.sun_elevation="])
    assert (sun["unit"], sun["origin"]) == ("degrees", "harbour.toml, line 6")
    assert keys["water.jerlov_type"]["inherit"] == []


def test_an_origin_is_turned_key_by_key(tmp_path: Path) -> None:
    path = tmp_path / "own.toml"
    path.write_text('format = 2\nextends = "jerlov-1c"\n[origins.spot]\npoint = [0.5, 0.9]\nunit = "range"\n')
    session = Session(str(path), "unused")
    group = next(each for each in model(session)["sections"] if each["path"] == ["origins", "spot"])
    keys = {key["name"]: key for key in group["keys"]}
    assert (keys["point"]["form"], keys["point"]["value"]) == ("numbers", [0.5, 0.9])
    assert (keys["unit"]["form"], keys["unit"]["choices"]) == ("choice", ["metres", "range"])
    assert keys["lens"]["form"] == "switch"
    session.change(["origins.spot.point=[0.25, 0.9]"])
    assert session.state.preset.origins["spot"].point == (0.25, 0.9)


def test_a_lamp_is_turned_key_by_key() -> None:
    session = Session("night-dive", "unused")
    left, right = (lamp.brightness for lamp in load_preset("night-dive").at(0).light.lamps)
    light = next(each for each in model(session)["sections"] if each["path"] == ["light"])
    keys = {".".join(key["path"]): key for key in light["keys"]}
    assert keys["light.lamps.1.brightness"]["value"] == right
    assert keys["light.lamps.1.brightness"]["form"] == "number"
    assert keys["light.lamps.0.shadows"]["form"] == "switch"
    assert keys["light.reference_depth"]["unit"] == "m"
    source = next(each for each in model(session)["sections"] if each["path"] == ["input"])
    assert {key["name"]: key["unit"] for key in source["keys"]}["far_depth_channel"] == ""
    session.change(["light.lamps.1.brightness=5000.0"])
    lamps = session.state.preset.document.tables["light"]["lamps"]
    assert [lamp["brightness"] for lamp in lamps] == [left, 5000.0]


def keys_of(session: Session) -> dict[str, Any]:
    """Return all keys of the page by their dotted names."""
    told = model(session)
    return {".".join(key["path"]): key for group in told["sections"] + told["steps"] for key in group["keys"]}


def test_only_numbers_are_offered_as_curves() -> None:
    keys = keys_of(Session("night-dive", "unused"))
    moving = {name for name, key in keys.items() if key["animated"]}
    assert {"light.sun_elevation", "light.lamps.0.position", "steps.lamps.amount"} <= moving
    assert {keys[name]["form"] for name in moving} <= {"number", "numbers", "length"}
    for name in (
        "steps.lamps.invert_matte",
        "steps.lamps.matte",
        "light.lamps.0.name",
        "light.lamps.0.shadows",
    ):
        assert name in keys
        assert name not in moving


def test_a_lamp_goes_by_its_name_and_by_its_place_where_two_share_one() -> None:
    session = Session("night-dive", "unused")
    assert keys_of(session)["light.lamps.1.brightness"]["label"] == "right: brightness"
    session.change(['light.lamps.1.name="left"'])
    keys = keys_of(session)
    assert [keys[f"light.lamps.{at}.tint"]["label"] for at in (0, 1)] == ["lamps 1: tint", "lamps 2: tint"]


def test_lamps_are_added_and_taken_out_and_the_others_stay_as_they_were(tmp_path: Path) -> None:
    path = tmp_path / "own.toml"
    first = '[[light.lamps]]\nname = "left"  # the old one\nbrightness = 9.0\n'
    path.write_text(f'format = 2\nextends = "jerlov-1c"\n[light]\n{first}[[light.lamps]]\nname = "right"\n')
    session = Session(str(path), "unused")

    def lamps() -> list[str | None]:
        return [lamp.name for lamp in session.state.preset.at(0).light.lamps]

    rows = keys_of(session)["light.lamps"]
    assert (rows["form"], rows["names"]) == ("rows", ["left", "right"])
    session.change(rows["add"])
    assert lamps() == ["left", "right", "lamps 3"]
    session.change([keys_of(session)["light.lamps"]["take_out"][1]])
    assert lamps() == ["left", "lamps 3"]
    assert first in session.state.text, "with its comment"
    for _ in range(2):
        session.change([keys_of(session)["light.lamps"]["take_out"][0]])
    assert lamps() == []
    session.change(keys_of(session)["light.lamps"]["add"])
    assert lamps() == ["lamps 1"]
    for _ in range(5):
        session.undo()
    assert session.state.text == path.read_text(encoding="utf-8")


def test_inherited_rows_are_added_to_and_none_is_left_of_the_last() -> None:
    session = Session("night-dive", "unused")
    before = session.state.preset.at(0).light.lamps
    session.change(keys_of(session)["light.lamps"]["add"])
    now = session.state.preset.at(0).light.lamps
    assert now[:2] == before
    assert now[2] == before[1].model_copy(update={"name": "lamps 3"})
    for _ in range(3):
        session.change([keys_of(session)["light.lamps"]["take_out"][0]])
    assert session.state.preset.at(0).light.lamps == ()


def test_the_last_of_a_file_s_own_rows_taken_out_brings_no_inherited_ones_back(tmp_path: Path) -> None:
    path = tmp_path / "own.toml"
    light = "[light]\novercast = 0.5\n"
    path.write_text(f'format = 2\nextends = "night-dive"\n{light}[[light.lamps]]\nname = "torch"\n')
    session = Session(str(path), "unused")
    session.change([keys_of(session)["light.lamps"]["take_out"][0]])
    assert session.state.preset.at(0).light.lamps == ()
    assert session.state.text == f'format = 2\nextends = "night-dive"\n{light}lamps = []\n'


def test_classes_of_particles_are_added_and_taken_out() -> None:
    session = Session("fjord-afternoon", "unused")
    rows = keys_of(session)["steps.matter.classes"]
    session.change(rows["add"])
    tables = session.state.preset.document.tables
    assert [each["name"] for each in value_at(tables, ("steps", "matter", "classes"))][:-1] == rows["names"]
    session.change([keys_of(session)["steps.matter.classes"]["take_out"][0]])
    assert keys_of(session)["steps.matter.classes"]["names"][:-1] == rows["names"][1:]


def test_turbid_bodies_are_added_and_taken_out(tmp_path: Path) -> None:
    path = tmp_path / "own.toml"
    first = '[[steps.turbid_bodies.bodies]]\nname = "plume"  # of the thruster\nposition = [1.0, 2.0, -4.0]\n'
    path.write_text(f'format = 2\nextends = "jerlov-1c"\n{first}size = [1.0, "80 cm", 1.0]\n')
    session = Session(str(path), "unused")

    def bodies() -> Any:
        return session.state.preset.document.tables["steps"]["turbid_bodies"]["bodies"]

    rows = keys_of(session)["steps.turbid_bodies.bodies"]
    assert (rows["form"], rows["names"]) == ("rows", ["plume"])
    session.change(rows["add"])
    assert bodies()[1] == {**bodies()[0], "name": "bodies 2"}
    session.change(["steps.turbid_bodies.bodies.1.size=[2.0, 2.0, 2.0]"])
    assert [body["size"] for body in bodies()] == [[1.0, "80 cm", 1.0], [2.0, 2.0, 2.0]]
    assert first in session.state.text
    session.change([keys_of(session)["steps.turbid_bodies.bodies"]["take_out"][0]])
    assert [body["name"] for body in bodies()] == ["bodies 2"]


@pytest.mark.parametrize(
    "stated",
    ["pixel = [3.0, 4.0]", 'matte = "anchor"', "position = [1.0, 2.0, 3.0]", "lens = true\nfollows = true"],
)
@pytest.mark.parametrize("inherited", [False, True])
def test_an_origin_placed_anew_replaces_what_said_where_it_is_in_one_change(
    tmp_path: Path, stated: str, *, inherited: bool
) -> None:
    text = f'format = 2\nextends = "jerlov-1c"\n[origins.spot]\n{stated}  # as measured\n'
    path, below = tmp_path / "own.toml", tmp_path / "below.toml"
    below.write_text(text)
    path.write_text('format = 2\nextends = "below.toml"\n' if inherited else text)
    session = Session(str(path), "unused")
    session.place_origin("spot", (0.25, 1.0 / 3.0), 1003)
    spot = session.state.preset.origins["spot"]
    assert (spot.point, spot.frame) == ((0.25, 0.33333), 1003)
    assert (spot.pixel, spot.matte, spot.position, spot.lens) == (None, None, None, False)
    assert session.undo().text == path.read_text()
    assert not session.can_undo


def test_an_origin_s_limits_stay_when_it_is_placed_anew(tmp_path: Path) -> None:
    path = tmp_path / "own.toml"
    path.write_text(
        'format = 2\nextends = "jerlov-1c"\n'
        '[origins.spot]\npixel = [3.0, 4.0]\nfloor = "2 ft"\nunit = "range"\n'
    )
    session = Session(str(path), "unused")
    session.place_origin("spot", (0.5, 0.5), 1)
    assert 'floor = "2 ft"\nunit = "range"' in session.state.text


def test_a_step_s_place_said_one_way_replaces_the_other() -> None:
    session = Session("fjord-afternoon", "unused")
    session.change(['steps.matter.before="forward_scatter"'])
    session.change(['steps.matter.after="forward_scatter"'])
    assert "before" not in session.state.text
    names = [step["name"] for step in model(session)["steps"]]
    assert names.index("matter") == names.index("forward_scatter") + 1


def test_compressions_and_origins_are_lists_and_each_is_taken(tmp_path: Path) -> None:
    path = tmp_path / "own.toml"
    lamp = '[[light.lamps]]\nname = "torch"\n'
    path.write_text(f'format = 2\nextends = "jerlov-1c"\n{lamp}[origins.spot]\npoint = [0.5, 0.9]\n')
    session = Session(str(path), "unused")
    keys = keys_of(session)
    assert keys["light.lamps.0.origin"]["choices"] == ["spot"]
    for name in keys["output.compression"]["choices"]:
        session.change([f'output.compression="{name}"'])
        assert session.state.preset.at(0).output.compression == name
    session.change(['output.compression="dwaa:45"'])
    assert keys_of(session)["output.compression"]["value"] == "dwaa:45"


def test_names_of_a_fixed_set_are_a_choice_and_each_of_them_is_taken() -> None:
    session = Session("jerlov-1c", "unused")
    keys = keys_of(session)
    for name in ("water.jerlov_type", "water.source", "camera.projection", "place.up"):
        assert keys[name]["form"] == "choice", name
    # The ten types of the reader's own meaning; each is accepted as it stands in the list.
    assert len(keys["water.jerlov_type"]["choices"]) == 10
    for kind in keys["water.jerlov_type"]["choices"]:
        assert (
            f"{kind}," in keys["water.jerlov_type"]["meaning"]
            or f"{kind} (" in keys["water.jerlov_type"]["meaning"]
        )
        session.change([f'water.jerlov_type="{kind}"'])


def test_bounds_are_numbers_with_units_and_what_does_not_fit_stays_text(tmp_path: Path) -> None:
    path = tmp_path / "own.toml"
    path.write_text(
        'format = 2\nextends = "jerlov-1c"\n[steps.attenuation]\n'
        'within_range = { nearest = "3 ft", farthest = 9 }\n'
        'within_height = { lowest = { curve = "linear", keys = [[1, 0], [9, 1]] } }\n'
    )
    session = Session(str(path), "unused")
    keys = keys_of(session)
    slab = keys["steps.attenuation.within_range"]
    assert (slab["form"], slab["value"]) == ("bounds", {"nearest": "3 ft", "farthest": 9})
    assert [(each["name"], each["unit"]) for each in slab["bounds"]] == [
        ("nearest", "m"),
        ("farthest", "m"),
        ("softness", "m"),
    ]
    assert keys["steps.attenuation.within_height"]["form"] == "text"
    session.change(["steps.attenuation.within_range.farthest=8"])
    assert 'within_range = { nearest = "3 ft", farthest = 8 }' in session.state.text


def test_every_matte_of_the_schema_is_offered_the_frames_mattes(tmp_path: Path) -> None:
    path = tmp_path / "own.toml"
    path.write_text(
        'format = 2\nextends = "fjord-afternoon"\n[origins.spot]\nmatte = "arch"\n'
        '[parts.chain]\nmatte = "chain"\n[steps.rim_light]\n[steps.draw_near]\nmatte = "arch"\n'
    )
    keys = keys_of(Session(str(path), "unused"))
    mattes = {name for name, key in keys.items() if key["form"] == "matte"}
    steps = {f"steps.{name}.matte" for name in ("caustics", "rim_light", "draw_near", "attenuation")}
    assert mattes >= {"origins.spot.matte", "parts.chain.matte", "steps.caustics.shadow_matte", *steps}
    assert all(keys[name]["form"] == "switch" for name in keys if name.endswith(".invert_matte"))


def test_units_are_those_of_the_key_and_not_of_what_its_meaning_speaks_of() -> None:
    keys = keys_of(Session("night-dive", "unused"))
    assert keys["story.subject_range"]["unit"] == "m"
    # A share, though its meaning speaks of a range in metres.
    assert keys["story.silhouette_contrast"]["unit"] == ""
    assert keys["light.lamps.0.position"]["unit"] == "m"
    assert keys["sea.wind"]["unit"] == "m/s"
    assert keys["sequence.shutter_angle"]["unit"] == "degrees"


def test_what_a_render_notes_is_not_for_typing(tmp_path: Path) -> None:
    path = tmp_path / "own.toml"
    path.write_text('format = 2\nextends = "jerlov-1c"\n[origins.spot]\npoint = [0.5, 0.9]\n')
    keys = keys_of(Session(str(path), "unused"))
    assert {keys[name]["form"] for name in ("origins.spot.found", "bands.fitted")} == {"noted"}


def test_a_remark_stands_at_its_key(own: Path) -> None:
    session = Session(str(own), "clean.####.exr")
    session.change(["story.near_limit=1.0"])
    told = model(session)
    keys = {".".join(key["path"]): key for group in told["sections"] for key in group["keys"]}
    assert "nothing is remapped" in keys["story.near_limit"]["told"][0]["text"]


def test_plain_values_become_toml() -> None:
    import tomllib

    for value in (1, -2.5, True, "12 ft", 'a "b"', [1, [2.0, "x"]], {"curve": "held", "keys": [[1, "a b"]]}):
        assert tomllib.loads(f"value = {toml_text(value)}")["value"] == value


# A whole picture of one water; a part of it of another, inherited, and one of its own between other tables.
PARTS = """format = 2
extends = "below.toml"
[parts.chain]  # the links
matte = "chain"
[parts.chain.light]
overcast = 0.9
[light]
overcast = 0.3
[parts.chain.water]
visibility = "9 m"
[parts.beyond]
amount = 0.5
"""
PARTS_BELOW = """format = 2
extends = "night-dive"
[parts.beyond]
within_range = { nearest = "20 m", softness = "2 m" }
[parts.beyond.story]
subject_range = "30 m"
silhouette_contrast = 0.2
"""


@pytest.fixture
def of_parts(tmp_path: Path) -> Session:
    (tmp_path / "below.toml").write_text(PARTS_BELOW, encoding="utf-8")
    path = tmp_path / "own.toml"
    path.write_text(PARTS, encoding="utf-8")
    return Session(str(path), "unused")


def group_of(session: Session, *path: str) -> dict[str, Any]:
    told = model(session)
    return next(each for each in told["sections"] + told["steps"] if each["path"] == list(path))


def test_a_part_is_taken_out_with_all_that_it_states_and_what_is_beside_it_stays(of_parts: Session) -> None:
    chain = group_of(of_parts, "parts", "chain")
    assert chain["leave_out"] == []
    of_parts.change(chain["take_out"])
    assert list(of_parts.state.preset.parts) == ["beyond"]
    assert "chain" not in of_parts.state.text
    assert "[light]\novercast = 0.3\n" in of_parts.state.text
    assert of_parts.undo().text == PARTS


def test_an_inherited_part_is_inherited_again_or_left_out_as_a_whole(of_parts: Session) -> None:
    beyond = group_of(of_parts, "parts", "beyond")
    of_parts.change(beyond["take_out"])
    again = group_of(of_parts, "parts", "beyond")
    assert again["take_out"] == []
    (part,) = (part for part in of_parts.state.preset.at(0).parts if part.name == "beyond")
    assert part.limits.amount == 1.0
    of_parts.change(again["leave_out"])
    assert list(of_parts.state.preset.parts) == ["chain"]
    assert tomllib.loads(of_parts.state.text)["without"] == ["parts.beyond"]
    # With what the file itself states of it, in one change.
    of_parts.undo_all()
    of_parts.change(beyond["leave_out"])
    assert list(of_parts.state.preset.parts) == ["chain"]
    (left,) = model(of_parts)["left_out"]
    assert left["name"] == "part beyond"
    of_parts.change(left["settings"])
    assert "beyond" in of_parts.state.preset.parts
    assert "without" not in of_parts.state.text


def test_a_whole_step_is_left_out_beside_what_else_is_and_holds_again(tmp_path: Path) -> None:
    path = tmp_path / "own.toml"
    path.write_text(
        'format = 2\nextends = "jerlov-1c"\nwithout = ["steps.attenuation"]\n'
        "[steps.veiling_light]\namount = 0.5\n",
        encoding="utf-8",
    )
    session = Session(str(path), "unused")
    before = [name for name, _ in session.state.preset.steps]
    assert "attenuation" not in before
    session.change(group_of(session, "steps", "veiling_light")["leave_out"])
    assert tomllib.loads(session.state.text)["without"] == ["steps.attenuation", "steps.veiling_light"]
    names = [name for name, _ in session.state.preset.steps]
    assert names == [name for name in before if name != "veiling_light"]
    first, second = model(session)["left_out"]
    assert (first["name"], second["name"]) == ("step attenuation", "step veiling_light")
    session.change(first["settings"])
    assert tomllib.loads(session.state.text)["without"] == ["steps.veiling_light"]
    assert "attenuation" in dict(session.state.preset.steps)
    # A step of the file's own, in place of one that is left out, is taken out and not left out.
    session.change(["steps.veiling_light.amount=0.25"])
    step = group_of(session, "steps", "veiling_light")
    assert (step["take_out"], step["leave_out"]) == (["steps.veiling_light="], [])


def order_of(session: Session, table: str) -> list[str]:
    preset = session.state.preset
    return list(preset.parts) if table == "parts" else [name for name, _ in preset.steps]


@pytest.mark.parametrize("table", ["steps", "parts"])
def test_what_is_moved_stands_one_place_on_whatever_was_moved_before(tmp_path: Path, table: str) -> None:
    (tmp_path / "below.toml").write_text(
        'format = 2\nextends = "jerlov-1c"\n[parts.a]\namount = 0.5\n[parts.b]\namount = 0.5\n',
        encoding="utf-8",
    )
    path = tmp_path / "own.toml"
    path.write_text(
        'format = 2\nextends = "below.toml"\n[parts.c]\namount = 0.5\n[parts.d]\namount = 0.5\n',
        encoding="utf-8",
    )
    session = Session(str(path), "unused")
    random = np.random.default_rng(4)
    for _ in range(12):
        order = order_of(session, table)
        at, by = int(random.integers(len(order))), int(random.choice([-1, 1]))
        wanted = list(order)
        if 0 <= at + by < len(order):
            wanted[at], wanted[at + by] = wanted[at + by], wanted[at]
        try:
            session.move(table, order[at], by)
            order = wanted
        except PresetError as error:
            # Not every order of steps is one: light is parted before both of its parts are changed.
            assert "parts the subject's light" in str(error)  # noqa: PT017
        assert order_of(session, table) == order
    session.undo_all()
    first, *_, last = order_of(session, table)
    assert session.move(table, first, -1).text == session.move(table, last, 1).text == session.opened.text


def test_a_part_states_any_key_of_its_look_and_shows_what_holds_until_then(of_parts: Session) -> None:
    stated = keys_of(of_parts)
    assert stated["parts.chain.light.overcast"]["label"] == "light: overcast"
    assert "parts.chain.light.sun_elevation" not in stated
    more = dict(group_of(of_parts, "parts", "chain")["more"])
    assert "overcast" not in more["light"]
    assert {"sun_elevation", "lamps"} <= {*more["light"]}
    (sun,) = keys_of_part(of_parts, ("parts", "chain", "light", "sun_elevation"))
    whole = keys_of(of_parts)["light.sun_elevation"]
    assert (sun["value"], sun["inherit"], sun["changed"]) == (whole["value"], [], False)
    of_parts.change(["parts.chain.light.sun_elevation=12.0"])
    part = of_parts.state.preset.parts["chain"].at(0)
    assert (part.light.sun_elevation, part.light.overcast) == (12.0, 0.9)
    assert keys_of(of_parts)["parts.chain.light.sun_elevation"]["inherit"]
    of_parts.change(["parts.chain.light.sun_elevation="])
    assert of_parts.state.preset.parts["chain"].at(0).light.sun_elevation == whole["value"]


def test_a_step_of_a_part_s_look_is_turned_for_the_part_alone(of_parts: Session) -> None:
    more = dict(group_of(of_parts, "parts", "chain")["more"])
    assert "enabled" in more["steps.lamps"]
    assert "before" not in more["steps.lamps"]
    (amount,) = keys_of_part(of_parts, ("parts", "chain", "steps", "lamps", "amount"))
    of_parts.change([f"{'.'.join(amount['path'])}=0.25"])
    assert "[parts.chain.steps.lamps]\namount = 0.25\n" in of_parts.state.text
    assert "[parts.chain.steps]\n" not in of_parts.state.text
    steps = {step.name: step for step in of_parts.state.preset.parts["chain"].at(0).graph.steps}
    assert steps["lamps"].limits.amount == 0.25
    assert keys_of(of_parts)["parts.chain.steps.lamps.amount"]["label"] == "lamps: amount"
    of_whole = {step.name: step for step in of_parts.state.preset.at(0).graph.steps}
    assert of_whole["lamps"].limits.everywhere


def test_a_lamp_of_the_whole_picture_is_turned_for_a_part_alone(of_parts: Session) -> None:
    before = of_parts.state.preset.at(0).light.lamps
    keys = keys_of_part(of_parts, ("parts", "chain", "light", "lamps"))
    assert keys[0]["names"] == [lamp.name for lamp in before]
    (brightness,) = (key for key in keys if key["path"][-2:] == ["1", "brightness"])
    assert brightness["label"] == f"light: {before[1].name}: brightness"
    of_parts.change([f"{'.'.join(brightness['path'])}=77.0"])
    after = of_parts.state.preset.parts["chain"].at(0).light.lamps
    assert after == (before[0], before[1].model_copy(update={"brightness": 77.0}))
    assert of_parts.state.preset.at(0).light.lamps == before
    of_parts.change(keys_of(of_parts)["parts.chain.light.lamps"]["add"])
    assert len(of_parts.state.preset.parts["chain"].at(0).light.lamps) == 3


@pytest.mark.parametrize(
    "path",
    [
        ("parts", "nobody", "light", "overcast"),
        ("parts", "chain", "light", "warmth"),
        ("parts", "chain", "warmth", "light"),
        ("parts", "chain", "light"),
        ("parts", "chain", "light", "lamps", "0"),
        ("parts", "chain", "steps", "lamps"),
        ("light", "overcast", "x", "y"),
    ],
)
def test_of_a_key_that_no_part_can_have_nothing_is_told(of_parts: Session, path: tuple[str, ...]) -> None:
    assert keys_of_part(of_parts, path) == []


def test_a_part_is_added_and_taken_out_again() -> None:
    session = Session("jerlov-1c", "unused")
    before = session.state.text
    session.change(["parts.far.amount=1.0"])
    session.change(["parts.far.within_range.nearest=20"])
    assert session.state.preset.at(0).parts[0].limits.within_range is not None
    session.change(group_of(session, "parts", "far")["take_out"])
    assert session.state.preset.at(0).parts == ()
    assert session.state.text.strip() == before.strip()


def test_an_inherited_key_is_left_out_and_holds_again(of_parts: Session) -> None:
    before = of_parts.state.text
    path = "parts.beyond.within_range"
    assert (keys_of(of_parts)[path]["inherit"], keys_of(of_parts)[path]["left_out"]) == ([], False)
    # First what the file states goes, then what it extends.
    of_parts.change([f"{path}.nearest=3"])
    of_parts.change([f"{path}.nearest="])
    assert of_parts.state.preset.document.tables["parts"]["beyond"]["within_range"]["nearest"] == "20 m"
    of_parts.change([f"{path}.nearest="])
    assert of_parts.left_out == {f"{path}.nearest": ("parts", "beyond", "within_range", "nearest")}
    assert "nearest" not in of_parts.state.preset.document.tables["parts"]["beyond"].get("within_range", {})
    with pytest.raises(PresetError, match="there is no such key to take out"):
        of_parts.change([f"{path}.nearest="])
    # A second one is named beside it; a value takes the place of what was left out.
    of_parts.change(["water.jerlov_type="])
    of_parts.change([f"{path}.nearest=3"])
    assert list(of_parts.left_out) == ["water.jerlov_type"]
    of_parts.change([f"{path}.nearest="])
    of_parts.change([f"{path}.nearest="])
    keys = keys_of(of_parts)
    assert keys["water.jerlov_type"]["left_out"]
    of_parts.change(keys["water.jerlov_type"]["inherit"])
    of_parts.change(keys_of(of_parts)[path]["inherit"])
    assert of_parts.left_out == {}
    assert tomllib.loads(of_parts.state.text) == tomllib.loads(before)


def test_keys_that_say_nothing_alone_are_left_out_together() -> None:
    session = Session("far-silhouette", "unused")
    assert session.state.preset.at(0).story.subject_range is not None
    session.change(["story.subject_range="])
    assert list(session.left_out) == ["story.silhouette_contrast", "story.subject_range"]
    story = session.state.preset.at(0).story
    assert (story.subject_range, story.silhouette_contrast) == (None, None)
    # Stated anew, both are.
    session.change(["story.subject_range=9"])
    assert (session.left_out, session.state.preset.at(0).story.silhouette_contrast) == ({}, 0.1)


def test_a_key_goes_to_its_default_whatever_is_inherited(of_parts: Session) -> None:
    keys = keys_of(of_parts)
    # Stated below, or by the whole picture.
    assert keys["parts.beyond.amount"]["usual"] == "", "nothing below states it: it is inherited already"
    assert keys["parts.chain.light.overcast"]["usual"] == "parts.chain.light.overcast=0.2"
    assert keys["light.overcast"]["usual"] == "light.overcast=0.2"
    assert keys["light.reference_depth"]["usual"] == "", "it has no default"
    settings = [key["usual"] for key in keys.values() if key.get("usual")]
    assert len(settings) > 20
    for setting in settings:
        of_parts.change([setting])
    for name, key in keys_of(of_parts).items():
        assert key.get("usual", "") == "", name


def test_every_step_that_is_offered_can_be_added_and_taken_out_and_each_array_s_first_row() -> None:
    session = Session("jerlov-1c", "unused")
    for offer in model(session)["more_steps"]:
        name = offer["name"]
        before = session.state.text
        session.change(offer["settings"])
        # Behind what light meets at the same time.
        assert f'steps.{name}.before="downwelling"' not in offer["settings"]
        told = model(session, (1001, 1010))
        (step,) = (step for step in told["steps"] if step["name"] == name)
        assert name not in [each["name"] for each in told["more_steps"]]
        order = [each for each in told["remarks"] if "though light meets it" in each["text"]]
        assert order == [], name
        rows = [key for key in step["keys"] if key["form"] == "rows" and not key["names"]]
        for key in rows:
            session.change(key["add"])
            assert keys_of(session)[".".join(key["path"])]["names"], key["path"]
        session.change(step["take_out"])
        assert name not in [each["name"] for each in model(session)["steps"]]
        for _ in range(2 + len(rows)):
            session.undo()
        assert session.state.text == before


def test_a_first_body_stands_ahead_of_the_lens_or_at_an_origin_there_is(tmp_path: Path) -> None:
    path = tmp_path / "own.toml"
    text = 'format = 2\nextends = "jerlov-1c"\n[steps.turbid_bodies]\nbefore = "white_reference"\n'
    for origin, name, place in (
        ("", "lens", (0.0, 0.0, 4.0)),
        ("[origins.spot]\npoint = [0.5, 0.9]\n", "spot", (0.0, 0.5, 0.0)),
    ):
        path.write_text(text + origin, encoding="utf-8")
        session = Session(str(path), "unused")
        session.change(keys_of(session)["steps.turbid_bodies.bodies"]["add"])
        (body,) = session.state.preset.document.tables["steps"]["turbid_bodies"]["bodies"]
        assert (body["origin"], tuple(body["position"])) == (name, place)
        assert list(session.state.preset.origins) == [name]
        assert "[origins]" not in session.state.text
    assert session.state.preset.origins["spot"].point == (0.5, 0.9)


def test_what_moves_at_first_goes_through_the_frames_there_are() -> None:
    session = Session("jerlov-1c", "unused")
    session.change(["steps.living_light.enabled=true"])
    told = {
        ".".join(key["path"]): key for step in model(session, (1001, 1050))["steps"] for key in step["keys"]
    }
    session.change(told["steps.living_light.wakes"]["add"])
    (wake,) = session.state.preset.document.tables["steps"]["living_light"]["wakes"]
    assert [key["frame"] for key in wake["track"]] == [1001, 1050]


def test_an_origin_is_taken_out_unless_something_is_given_from_it(tmp_path: Path) -> None:
    path = tmp_path / "own.toml"
    lamp = '[[light.lamps]]\nname = "torch"\nspace = "world"\norigin = "spot"\n'
    path.write_text(f'format = 2\nextends = "jerlov-1c"\n{lamp}[origins.spot]\npoint = [0.5, 0.9]\n')
    session = Session(str(path), "unused")
    out = group_of(session, "origins", "spot")["take_out"]
    with pytest.raises(PresetError, match='no origin "spot"'):
        session.change(out)
    session.change(["light.lamps.0.origin="])
    session.change(out)
    assert session.state.preset.origins == {}


def test_all_is_undone_at_once_and_made_again_one_by_one(own: Path) -> None:
    session = Session(str(own), "unused")
    for value in (0.1, 0.2, 0.3):
        session.change([f"light.overcast={value}"])
    assert session.undo_all().text == OWN
    assert not session.can_undo
    assert [session.redo().preset.at(0).light.overcast for _ in range(3)] == [0.1, 0.2, 0.3]
    assert not session.can_redo


def test_versions_that_are_there_are_told_and_nothing_else(own: Path, tmp_path: Path) -> None:
    session = Session(str(own), "unused", save_to=tmp_path / "looks" / "shot.toml")
    assert session.versions() == []
    saved = [session.save(), session.save()]
    for name in ("shot.toml", "shot.v1.toml", "shots.v001.toml", "shot.v001.toml.bak", "shotxv001.toml"):
        (tmp_path / "looks" / name).write_text("")
    assert session.versions() == saved
    assert Session(str(own), "unused").versions() == []


def test_a_lamp_given_from_an_origin_stands_in_the_world(tmp_path: Path) -> None:
    path = tmp_path / "own.toml"
    lamps = '[[light.lamps]]\nname = "torch"\n[[light.lamps]]\nname = "spare"\n'
    path.write_text(f'format = 2\nextends = "jerlov-1c"\n{lamps}[origins.spot]\npoint = [0.5, 0.9]\n')
    session = Session(str(path), "unused")
    session.change(['light.lamps.0.origin="spot"'])
    tables = session.state.preset.document.tables["light"]["lamps"]
    assert tables == [{"name": "torch", "space": "world", "origin": "spot"}, {"name": "spare"}]
    session.change(["light.lamps.0.origin="])
    assert session.state.preset.document.tables["light"]["lamps"][0] == {"name": "torch", "space": "world"}
    assert session.undo_all().text == path.read_text(encoding="utf-8")


def test_a_key_that_says_nothing_alone_brings_the_other_and_takes_it_along(tmp_path: Path) -> None:
    session = Session("jerlov-1c", "unused")
    session.change(["story.subject_range=18"])
    story = session.state.preset.at(0).story
    assert (story.subject_range, story.silhouette_contrast) == (18.0, 0.1)
    session.change(["story.silhouette_contrast=0.3"])
    assert session.state.preset.at(0).story.subject_range == 18.0
    session.change(["story.subject_range="])
    story = session.state.preset.at(0).story
    assert (story.subject_range, story.silhouette_contrast) == (None, None)
    # The other choice takes the place of both, and they of it.
    session.change(["story.silhouette_contrast=0.3"])
    session.change(['story.softness="4 m"'])
    assert session.state.preset.at(0).story.subject_range is None
    session.change(["story.subject_range=18"])
    assert session.state.preset.at(0).story.softness is None
    # In a part likewise.
    session.change(["parts.far.within_range.nearest=20"])
    session.change(["parts.far.story.subject_range=30"])
    assert session.state.preset.parts["far"].at(0).story.subject_range == 30.0
    # What is inherited needs no company.
    path = tmp_path / "own.toml"
    path.write_text('format = 2\nextends = "leviathan"\n')
    session = Session(str(path), "unused")
    session.change(["parts.beyond.story.subject_range=80"])
    assert "silhouette_contrast" not in session.state.text


def test_a_choice_of_a_section_made_otherwise_replaces_the_file_s_own(tmp_path: Path) -> None:
    path = tmp_path / "own.toml"
    path.write_text('format = 2\nextends = "jerlov-1c"\n[water]\nvisibility = "9 m"  # as told\n')
    session = Session(str(path), "unused")
    session.change(["water.secchi_depth=7"])
    assert "visibility" not in session.state.text
    water = session.state.preset.document.tables["water"]
    assert (water["secchi_depth"], water["jerlov_type"]) == (7, "1C")
    session.change(["parts.far.within_range.nearest=20", "parts.far.water.secchi_depth=3"])
    session.change(['parts.far.water.visibility="4 m"'])
    assert session.state.preset.document.tables["parts"]["far"]["water"] == {"visibility": "4 m"}
    assert session.state.preset.document.tables["water"]["secchi_depth"] == 7


def test_a_second_picture_is_the_render_at_first_and_one_of_the_steps() -> None:
    session = Session("jerlov-1c", "unused")
    (offer,) = (each for each in model(session)["more_steps"] if each["name"] == "mix")
    session.change(offer["settings"])
    other = keys_of(session)["steps.mix.other"]
    assert (other["value"], other["form"]) == ("render", "choice")
    assert other["choices"][0] == "render"
    assert {*other["choices"][1:]} == {name for name, _ in session.state.preset.steps} - {"mix"}
    session.change(['steps.mix.other="attenuation"'])
    (mix,) = (step for step in session.state.preset.at(0).graph.steps if step.name == "mix")
    assert mix.inputs["other"] == "attenuation"
    # What takes one picture has no such key.
    assert "steps.attenuation.other" not in keys_of(session)
