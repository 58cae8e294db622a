"""A preset's text under change: nothing invalid, nothing lost, nothing written over."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from halocline.errors import HaloclineError, PresetError
from halocline.presets.preset import load_preset
from halocline.tuning import session as module
from halocline.tuning.keys import model, value_at
from halocline.tuning.session import Session, problems_of, toml_text

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
    assert (overcast["changed"], overcast["own"], sun["changed"], sun["own"]) == (True, True, False, True)
    assert (sun["unit"], sun["origin"]) == ("degrees", "harbour.toml, line 6")
    assert not keys["water.jerlov_type"]["own"]


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
    session.change([rows["add"]])
    assert lamps() == ["left", "right", "lamps 3"]
    session.change([keys_of(session)["light.lamps"]["take_out"][1]])
    assert lamps() == ["left", "lamps 3"]
    assert first in session.state.text, "with its comment"
    for _ in range(2):
        session.change([keys_of(session)["light.lamps"]["take_out"][0]])
    assert lamps() == []
    session.change([keys_of(session)["light.lamps"]["add"]])
    assert lamps() == ["lamps 1"]
    for _ in range(5):
        session.undo()
    assert session.state.text == path.read_text(encoding="utf-8")


def test_inherited_rows_are_added_to_and_none_is_left_of_the_last() -> None:
    session = Session("night-dive", "unused")
    before = session.state.preset.at(0).light.lamps
    session.change([keys_of(session)["light.lamps"]["add"]])
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
    session.change([rows["add"]])
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
    session.change([rows["add"]])
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
