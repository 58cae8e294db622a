from __future__ import annotations

import os
from pathlib import Path

import pytest

from halocline.errors import PresetError
from halocline.presets.document import (
    LONGEST_LINEAGE,
    laid_over,
    merged,
    read_document,
    shipped_names,
    with_overrides,
)
from halocline.presets.preset import load_preset


def write(folder: Path, name: str, text: str) -> Path:
    path = folder / f"{name}.toml"
    path.write_text("format = 1\n" + text)
    return path


def test_child_overrides_single_keys_of_its_parent_and_keeps_the_rest(tmp_path: Path) -> None:
    write(tmp_path, "base", '[water]\njerlov_type = "3C"\n[light]\novercast = 0.5\nsun_elevation = 20\n')
    child = write(tmp_path, "child", 'extends = "base.toml"\n[light]\novercast = 0.9\n')
    document = read_document(child)
    assert document.tables["light"] == {"overcast": 0.9, "sun_elevation": 20}
    assert document.tables["water"] == {"jerlov_type": "3C"}
    assert document.lineage == ("base.toml", "child.toml")
    assert document.where(("light", "overcast")) == f"{child}, line 4"
    assert document.where(("light", "sun_elevation")) == f"{tmp_path / 'base.toml'}, line 6"


def test_shot_overrides_sequence_overrides_shipped_water(tmp_path: Path) -> None:
    write(
        tmp_path,
        "sequence",
        'extends = "jerlov-1c"\n[story]\nsubject_range = 20\nsilhouette_contrast = 0.2\n',
    )
    shot = write(tmp_path, "shot", 'extends = "sequence.toml"\n[story]\nsilhouette_contrast = 0.3\n')
    preset = load_preset(shot)
    look = preset.at(1)
    assert look.water.jerlov_type == "1C"
    assert (look.story.subject_range, look.story.silhouette_contrast) == (20.0, 0.3)
    assert [step.name for step in look.graph.steps][-1] == "white_reference"
    assert preset.document.lineage == ("open-water.toml", "jerlov-1c.toml", "sequence.toml", "shot.toml")


def test_title_and_notes_are_not_inherited(tmp_path: Path) -> None:
    write(tmp_path, "base", 'title = "The base"\nnotes = "for all"\n')
    child = load_preset(write(tmp_path, "child", 'extends = "base.toml"\n'))
    assert (child.title, child.notes) == ("child", "")


def test_curve_and_array_are_replaced_whole_and_a_changed_operator_starts_afresh() -> None:
    old = {"curve": "linear", "keys": [[1, 2]]}
    assert merged({"a": old}, {"a": {"curve": "held"}}) == {"a": {"curve": "held"}}
    assert merged({"a": old}, {"a": 3}) == {"a": 3}
    assert merged({"a": [1, 2]}, {"a": [3]}) == {"a": [3]}
    steps = {"haze": {"operator": "suspended_matter", "count": 3}}
    assert merged(steps, {"haze": {"operator": "bubbles"}}) == {"haze": {"operator": "bubbles"}}
    assert merged(steps, {"haze": {"count": 4}})["haze"] == {"operator": "suspended_matter", "count": 4}


SUBJECT = {"subject_range": 9, "silhouette_contrast": 0.2}
LENS = {"focal_length_mm": 35, "film_width_mm": 24}


@pytest.mark.parametrize(
    ("section", "base", "over", "left"),
    [
        ("water", {"jerlov_type": "1C", "visibility": 8}, {"table": "x.csv"}, {"table", "visibility"}),
        ("water", {"source": "best", "visibility": 8}, {"secchi_depth": 4}, {"source", "secchi_depth"}),
        ("place", {"camera_depth": 10, "up": "+z"}, {"sea_level": 30}, {"up", "sea_level"}),
        ("camera", LENS, {"horizontal_view": 60}, {"film_width_mm", "horizontal_view"}),
        ("story", SUBJECT, {"softness": 3}, {"softness"}),
        ("story", {"softness": 3}, SUBJECT, set(SUBJECT)),
        ("story", SUBJECT, {"subject_range": 8}, set(SUBJECT)),
        # Two choices made in one file stay both, and are then refused.
        ("place", {}, {"sea_level": 3, "camera_depth": 4}, {"sea_level", "camera_depth"}),
    ],
)
def test_choice_made_anew_puts_the_inherited_one_away(
    section: str, base: dict[str, object], over: dict[str, object], left: set[str]
) -> None:
    assert set(laid_over({section: base}, {section: over})[section]) == left


def test_origin_stated_anew_forgets_how_it_was_stated_and_where_it_was_found() -> None:
    base = {"origins": {"vent": {"point": [0.5, 0.9], "frame": 3, "found": {}}, "arch": {"matte": "arch"}}}
    over = {"origins": {"vent": {"position": [0, 0, -5]}}}
    assert laid_over(base, over)["origins"] == {
        "vent": {"frame": 3, "position": [0, 0, -5]},
        "arch": {"matte": "arch"},
    }


def test_ring_of_two_files_is_refused(tmp_path: Path) -> None:
    write(tmp_path, "a", 'extends = "b.toml"\n')
    write(tmp_path, "b", 'extends = "a.toml"\n')
    with pytest.raises(PresetError) as caught:
        read_document(tmp_path / "a.toml")
    assert str(caught.value) == (
        f'E-PRESET-EXTENDS  {tmp_path / "b.toml"}, line 2: "a.toml" extends, in the end, itself\n'
        "  Break the ring: one of them must stand by itself."
    )


def test_lineage_has_an_end(tmp_path: Path) -> None:
    for number in range(LONGEST_LINEAGE + 2):
        write(tmp_path, f"p{number}", f'extends = "p{number + 1}.toml"\n')
    write(tmp_path, f"p{LONGEST_LINEAGE + 2}", "")
    with pytest.raises(PresetError, match="more than 16 presets extend one another"):
        read_document(tmp_path / "p0.toml")


def test_preset_of_another_folder_is_reached_when_the_user_names_the_folder(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "shared").mkdir()
    (tmp_path / "shot").mkdir()
    write(tmp_path / "shared", "base", "[light]\novercast = 0.9\n")
    child = write(tmp_path / "shot", "child", 'extends = "../shared/base.toml"\n')
    with pytest.raises(PresetError, match="lies outside the folders"):
        read_document(child)
    monkeypatch.setenv("HALOCLINE_PRESETS", str(tmp_path / "shared"))
    assert read_document(child).tables["light"] == {"overcast": 0.9}


def test_link_out_of_the_folder_is_not_followed(tmp_path: Path) -> None:
    (tmp_path / "outside").mkdir()
    (tmp_path / "inside").mkdir()
    secret = write(tmp_path / "outside", "secret", "")
    (tmp_path / "inside" / "link.toml").symlink_to(secret)
    child = write(tmp_path / "inside", "child", 'extends = "link.toml"\n')
    with pytest.raises(PresetError, match="lies outside the folders"):
        read_document(child)


def test_override_sets_numbers_text_units_and_curves() -> None:
    document = with_overrides(
        read_document("jerlov-1c"),
        [
            "light.overcast=0.7",
            "water.jerlov_type=3C",
            "story.softness=12 ft",
            "light.sun_elevation={ curve = 'linear', keys = [[1, 20], [9, 40]] }",
            "light.veil_tint=[1.0, 0.9, 0.8]",
            "steps.white_reference.balance = 1",
        ],
    )
    assert document.tables["light"]["overcast"] == 0.7
    assert document.tables["water"]["jerlov_type"] == "3C"
    assert document.tables["story"]["softness"] == "12 ft"
    assert document.tables["light"]["sun_elevation"]["keys"] == [[1, 20], [9, 40]]
    assert document.tables["light"]["veil_tint"] == [1.0, 0.9, 0.8]
    assert document.tables["steps"]["white_reference"]["balance"] == 1
    assert document.where(("light", "overcast")) == "--set light.overcast=0.7"


@pytest.mark.parametrize("bad", ["light", "=3", ".x=3", "light..x=3", "format=2", "extends=jerlov-1"])
def test_override_that_sets_nothing_is_refused(bad: str) -> None:
    with pytest.raises(PresetError) as caught:
        with_overrides(read_document("jerlov-1c"), [bad])
    assert str(caught.value) == (
        f"E-PRESET-SET  --set: {bad!r} sets nothing\n"
        "  Write SECTION.KEY=VALUE, for example light.sun_elevation=20."
    )


def test_mistake_in_an_override_is_told_at_its_place() -> None:
    with pytest.raises(PresetError) as caught:
        load_preset("jerlov-1c", ["light.overcst=0.7"])
    assert 'E-PRESET-KEY  --set light.overcst=0.7, [light]: unknown key "overcst"' in str(caught.value)


def test_overrides_leave_the_document_they_came_from_alone() -> None:
    document = read_document("jerlov-1c")
    before = repr(document.tables)
    with_overrides(document, ["light.overcast=0.9", "steps.attenuation.enabled=false"])
    assert repr(document.tables) == before


def test_preset_that_cannot_be_found_or_read_is_told_so(tmp_path: Path) -> None:
    with pytest.raises(PresetError) as caught:
        read_document("jerlov-c1")
    assert "E-PRESET-FIND" in str(caught.value)
    assert "Did you mean" in str(caught.value)
    with pytest.raises(PresetError, match="there is no preset file"):
        read_document(tmp_path / "gone.toml")
    (tmp_path / "binary.toml").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(PresetError, match="E-PRESET-READ"):
        read_document(tmp_path / "binary.toml")
    (tmp_path / "huge.toml").write_text("#" * ((1 << 20) + 1))
    with pytest.raises(PresetError, match="it is larger than 1048576 bytes"):
        read_document(tmp_path / "huge.toml")


def test_absurdly_nested_text_is_refused_and_does_not_crash(tmp_path: Path) -> None:
    for depth in (13, 200, 100_000):
        path = write(tmp_path, f"nest{depth}", "a = " + "[" * depth + "]" * depth)
        with pytest.raises(PresetError, match=r"E-PRESET-(NEST|TOML)"):
            read_document(path)


def test_shipped_presets_are_listed() -> None:
    assert {"open-water", "jerlov-1c", "fjord-archway"} <= set(shipped_names())
    assert shipped_names() == sorted(shipped_names())


@pytest.mark.parametrize("number", ["9223372036854775808", "-9223372036854775809", "1" + "0" * 400])
def test_whole_numbers_beyond_64_bits_are_no_toml(tmp_path: Path, number: str) -> None:
    # TOML 1.0.0, "Integer": what 64 bits do not hold without loss is an error.
    path = tmp_path / "look.toml"
    path.write_text(f'format = 1\nextends = "jerlov-1c"\n[light]\nsun_elevation = {number}\n')
    with pytest.raises(PresetError, match="beyond 64 bits") as caught:
        load_preset(path)
    assert caught.value.code == "E-PRESET-TOML"
    with pytest.raises(PresetError, match="sun_elevation"):
        load_preset("jerlov-1c", [f"light.sun_elevation={number}"])


def test_a_name_without_an_ending_is_a_look_that_ships_and_never_a_file(tmp_path: Path) -> None:
    secret = tmp_path / "secret"
    secret.write_text("format = 1\nkey = 'of somebody else'\n")
    for parent in (str(secret), "secret", "./secret", "/etc/hostname", "/dev/zero"):
        path = tmp_path / "look.toml"
        path.write_text(f'format = 1\nextends = "{parent}"\n')
        with pytest.raises(PresetError, match="no preset is called") as caught:
            read_document(path)
        assert "somebody" not in str(caught.value)


def test_a_preset_that_is_a_pipe_or_a_device_is_told_at_once(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.toml")
    (tmp_path / "zero.toml").symlink_to("/dev/zero")
    for name in ("pipe.toml", "zero.toml"):
        with pytest.raises(PresetError, match="there is no preset file"):
            read_document(tmp_path / name)
        (tmp_path / "look.toml").write_text(f'format = 1\nextends = "{name}"\n')
        with pytest.raises(PresetError, match="E-PRESET-EXTENDS"):
            read_document(tmp_path / "look.toml")
