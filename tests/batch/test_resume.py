"""Resuming trusts only what manifest and bytes prove, and says why it makes a frame again."""

from __future__ import annotations

import json
import os
import re
from typing import TYPE_CHECKING

import numpy as np
import OpenImageIO as oiio
import pytest

from halocline.batch import origin
from halocline.batch.manifest import MANIFEST_NAME
from halocline.batch.resume import Action
from halocline.batch.run import judge_plan, run_frames
from halocline.imaging.frame import Window
from halocline.presets.preset import load_preset, preset_from_text

if TYPE_CHECKING:
    from tests.batch.conftest import Folder
    from tests.conftest import Builders

    from halocline.presets.preset import Preset
from halocline.review.checks import check_sequence


@pytest.fixture
def made(shot: Folder, look: Preset) -> Folder:
    assert run_frames(shot.tasks(), look).complete
    return shot


def reasons(shot: Folder, look: Preset) -> dict[int, str]:
    """Why each frame would be made again."""
    verdicts = judge_plan(shot.tasks(overwrite=True), look, resume=True)
    return {each.task.frame: each.reason for each in verdicts if each.action is not Action.keep}


def test_nothing_is_made_again_where_all_is_up_to_date(made: Folder, look: Preset) -> None:
    before = {path.name: path.stat().st_mtime_ns for path in made.out.glob("*.exr")}
    summary = run_frames(made.tasks(overwrite=True), look, resume=True)
    assert summary.complete
    assert len(summary.kept) == 4
    assert {path.name: path.stat().st_mtime_ns for path in made.out.glob("*.exr")} == before


def test_only_a_missing_frame_is_made_again(made: Folder, look: Preset) -> None:
    expected = made.digests()
    (made.out / "arch.1003.exr").unlink()
    assert reasons(made, look) == {1003: "not there"}
    summary = run_frames(made.tasks(overwrite=True), look, resume=True)
    assert [record.frame for record in summary.done] == [1003]
    assert made.digests() == expected


@pytest.mark.parametrize("place", [0.1, 0.5, 0.999])
def test_one_changed_byte_is_found_and_repaired(made: Folder, look: Preset, place: float) -> None:
    expected = made.digests()
    path = made.out / "arch.1002.exr"
    data, times = bytearray(path.read_bytes()), path.stat()
    data[int(place * len(data))] ^= 1
    path.write_bytes(data)
    os.utime(path, ns=(times.st_atime_ns, times.st_mtime_ns))
    assert reasons(made, look) == {1002: "damaged: not the file that was written"}
    assert run_frames(made.tasks(overwrite=True), look, resume=True).complete
    assert made.digests() == expected


def test_another_preset_makes_all_frames_again(made: Folder, other_look: Preset) -> None:
    found = reasons(made, other_look)
    assert sorted(found) == [1001, 1002, 1003, 1004]
    assert all("made with another preset" in reason for reason in found.values())


def odd_presets(made: Folder) -> list[str]:
    found = check_sequence(str(made.out / "arch.####.exr")).findings
    return [each.text for each in found if each.kind == "metadata" and each.text.startswith("preset")]


def test_a_note_that_begins_later_leaves_earlier_frames_alone(made: Folder, look: Preset) -> None:
    keys = [[1002, 1.0], [1004, 0.5]]
    noted = look.with_settings({"light.daylight": {"curve": "linear", "keys": keys}})
    assert noted.digest != look.digest
    assert sorted(reasons(made, noted)) == [1003, 1004]
    whole = made.digests()
    run_frames(made.tasks(overwrite=True), noted, resume=True)
    changed = {name for name, digest in made.digests().items() if whole[name] != digest}
    assert changed == {"arch.1003.exr", "arch.1004.exr"}
    assert reasons(made, noted) == {}
    # Frames of two presets are one look here; frames of another look are not.
    assert not odd_presets(made)
    other = look.with_settings({"light.daylight": 0.9})
    (made.out / "arch.1001.exr").unlink()
    run_frames(made.tasks(overwrite=True)[:1], other, resume=True)
    assert odd_presets(made)


def remade(shot: Folder, look: Preset, other: Preset) -> set[int]:
    """Make all frames by one look, and again by another what is not up to date; return which those were.

    They are then what the other look alone makes of them.
    """
    assert run_frames(shot.tasks(), look).complete
    again = set(reasons(shot, other))
    before = shot.digests()
    assert run_frames(shot.tasks(overwrite=True), other, resume=True).complete
    assert run_frames(shot.tasks(out="anew"), other).complete
    for name, digest in shot.digests().items():
        kept, anew = (
            oiio.ImageBuf(str(shot.root / out / name)).get_pixels(oiio.FLOAT) for out in ("wet", "anew")
        )
        np.testing.assert_array_equal(kept, anew)
        assert (before[name] != digest) is (int(name.split(".")[1]) in again)
    return again


MOVING = "format = 1\n[water]\njerlov_type = '1C'\n[steps.attenuation]\n[steps.suspended_matter]\n"


@pytest.mark.parametrize(("end", "again"), [(60.0, set()), (50.0, {1003, 1004})])
def test_a_camera_that_moves_otherwise_later_counts_there_and_on_the_frame_before(
    shot: Folder, end: float, again: set[int]
) -> None:
    def moving(last: float) -> Preset:
        keys = [[1001, 60.0], [1003, 58.0], [1004, last]]
        stated = {"horizontal_view": {"curve": "linear", "keys": keys}, "replace": True}
        return preset_from_text(MOVING).with_settings({"camera": stated})

    assert remade(shot, moving(60.0), moving(end)) == again


def test_one_row_of_a_file_of_cameras_makes_its_frame_again_and_the_neighbours(shot: Folder) -> None:
    def by_file(place: float) -> Preset:
        xs = {1000: 0.0, 1001: 0.1, 1002: 0.2, 1003: 0.3, 1004: place, 1005: 0.5}
        rows = "".join(f"{frame},{x},0,0,0,0,0\n" for frame, x in xs.items())
        (shot.root / "lens.csv").write_text("frame,x,y,z,pan,tilt,roll\n" + rows, encoding="utf-8")
        (shot.root / "look.toml").write_text(MOVING + "[camera]\ntrack = 'lens.csv'\n", encoding="utf-8")
        return load_preset(shot.root / "look.toml")

    assert remade(shot, by_file(0.4), by_file(0.45)) == {1003, 1004}


def test_where_the_lens_was_counts_where_a_track_is_given_from_there() -> None:
    place = "origin = 'lens'\nposition = [0, 0, 0]\ntarget = [0, 0, -1]\n"
    lamp = f"[[light.lamps]]\nname = 'rig'\nspace = 'world'\n{place}"
    plume = (
        "[steps.turbid_bodies]\n[[steps.turbid_bodies.bodies]]\nname = 'trail'\nkind = 'plume'\n"
        "origin = 'lens'\ntrack = [{ frame = 1002, position = [0, 0, 2] }, "
        "{ frame = 1004, position = [0, 0, 2] }]\n"
    )

    def digest(frame: int, moved: float, more: str) -> str:
        axes = [1.0, 0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0, -1.0]
        way = [[float(each), moved * (each == 1004), 0.0, 0.0, *axes] for each in (1002, 1003, 1004)]
        text = f"{MOVING}{lamp}[origins.lens]\nlens = true\nfollows = true\nway = {way}\n{more}"
        return preset_from_text(text).digest_at(frame)

    # Before the track begins its step is absent, and the lamp needs this frame's lens alone.
    for frame, more, counts in ((1001, "", False), (1001, plume, False), (1003, plume, True)):
        assert (digest(frame, 0.0, more) != digest(frame, 0.5, more)) is counts


def test_a_title_makes_nothing_anew_and_layers_are_no_other_look(made: Folder, look: Preset) -> None:
    titled = look.with_settings({"title": "Note 7, shown on Friday", "notes": "greener"})
    assert titled.digest != look.digest
    assert reasons(made, titled) == {}
    layered = titled.with_settings({"output.layers": ["veil"]})
    assert set(reasons(made, layered).values()) == {"without the layers veil"}
    run_frames(made.tasks(overwrite=True), layered, resume=True)
    # Fewer layers than a frame has are there already.
    assert reasons(made, titled) == {}


def test_another_version_makes_all_frames_again(
    made: Folder, look: Preset, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(origin, "__version__", "9.9")
    assert "made by version" in reasons(made, look)[1001]


def test_a_changed_input_makes_its_frame_again_and_a_moved_camera_the_neighbours_too(
    made: Folder, look: Preset
) -> None:
    picture = (made.clean / "arch.1001.exr").read_bytes()
    (made.clean / "arch.1002.exr").write_bytes(picture)
    found = reasons(made, look)
    assert "the beauty has changed" in found[1002]
    assert found[1003] == "a neighbouring frame's camera has changed"
    assert found[1001] == "a neighbouring frame's camera has changed"
    assert 1004 not in found


def test_an_input_with_a_new_date_but_the_same_bytes_is_no_change(made: Folder, look: Preset) -> None:
    for path in made.clean.iterdir():
        os.utime(path)
    assert reasons(made, look) == {}


def test_a_frame_without_a_record_is_made_again(made: Folder, look: Preset) -> None:
    (made.out / MANIFEST_NAME).unlink()
    assert set(reasons(made, look).values()) == {"no record in the manifest proves it whole"}


def test_a_file_that_is_not_ours_is_left_alone(made: Folder, look: Preset) -> None:
    (made.out / MANIFEST_NAME).unlink()
    foreign = (made.clean / "arch.1001.exr").read_bytes()
    (made.out / "arch.1004.exr").write_bytes(foreign)
    summary = run_frames(made.tasks(overwrite=True), look, resume=True)
    assert [failure.error.code for failure in summary.failed] == ["E-WRITE-EXISTS"]
    assert "nothing shows to be Halocline's" in str(summary.failed[0].error)
    assert (made.out / "arch.1004.exr").read_bytes() == foreign


def test_a_failed_frame_is_tried_again(shot: Folder, look: Preset) -> None:
    path = shot.clean / "arch.1002.exr"
    whole = path.read_bytes()
    path.write_bytes(whole[:100])
    run_frames(shot.tasks(), look)
    assert 1002 in reasons(shot, look)
    path.write_bytes(whole)
    summary = run_frames(shot.tasks(overwrite=True), look, resume=True)
    # Its neighbours were made without its camera.
    assert [record.frame for record in summary.done] == [1001, 1002, 1003]
    assert summary.complete


def test_a_frame_that_was_held_is_made_anew_when_its_own_render_arrives(shot: Folder, look: Preset) -> None:
    from halocline.batch.plan_tasks import MissingFrames, plan_shot

    own = (shot.clean / "arch.1003.exr").read_bytes()
    (shot.clean / "arch.1003.exr").unlink()
    run_frames(plan_shot(shot.pattern, out=shot.out, missing=MissingFrames.hold).tasks, look)
    (shot.clean / "arch.1003.exr").write_bytes(own)
    assert "its own render is there" in reasons(shot, look)[1003]
    assert run_frames(shot.tasks(overwrite=True), look, resume=True).complete
    fresh = run_frames(shot.tasks("fresh"), look)
    assert fresh.complete
    assert shot.digests() == shot.digests("fresh")


@pytest.mark.parametrize("junk", [b"{", b"\x00\xff\xfe", b'{"kind": "frame"}', b"[1, 2]", b"null", b""])
def test_junk_in_the_manifest_is_passed_over(made: Folder, look: Preset, junk: bytes) -> None:
    path = made.out / MANIFEST_NAME
    lines = path.read_bytes().splitlines()
    path.write_bytes(b"\n".join([lines[0], junk, *lines[1:]]) + b"\n")
    assert reasons(made, look) == {}


@pytest.mark.parametrize("key", ["origin", "output"])
def test_a_record_that_lacks_its_proof_proves_nothing(made: Folder, look: Preset, key: str) -> None:
    path = made.out / MANIFEST_NAME
    records = [json.loads(line) for line in path.read_text().splitlines()]
    junk: tuple[object, ...] = ({}, None, 3)
    for wrong in junk:
        for record in records:
            if record.get("frame") == 1002:
                record[key] = wrong
        path.write_text("".join(json.dumps(record) + "\n" for record in records))
        assert reasons(made, look) == {1002: "its record is damaged"}


def test_a_dry_run_changes_nothing(shot: Folder, look: Preset) -> None:
    verdicts = judge_plan(shot.tasks(), look, resume=True)
    assert [each.reason for each in verdicts] == ["not there"] * 4
    assert not shot.out.exists()


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("frame", "1e999"),
        ("frame", "-1e999"),
        ("held_from", "1e999"),
        ("bytes", "1e999"),
        ("bytes", "NaN"),
        ("frame", "[1]"),
        ("frame", "9" * 4000),
    ],
)
def test_a_record_of_impossible_numbers_is_a_damaged_record(
    shot: Folder, look: Preset, key: str, value: str
) -> None:
    run_frames(shot.tasks(), look)
    before = shot.digests()
    manifest = shot.out / MANIFEST_NAME
    text = manifest.read_text()
    changed = re.sub(rf'"{key}": (\d+|null)', f'"{key}": {value}', text)
    assert changed != text
    manifest.write_text(changed)
    summary = run_frames(shot.tasks(overwrite=True), look, resume=True)
    assert summary.complete
    assert summary.done
    assert shot.digests() == before


def test_a_frame_that_failed_over_an_older_file_says_that_it_failed(made: Folder, look: Preset) -> None:
    path = made.clean / "arch.1002.exr"
    whole = path.read_bytes()
    path.write_bytes(whole[:100])
    run_frames(made.tasks(overwrite=True), look, overwrite=True)
    path.write_bytes(whole)
    assert (made.out / "arch.1002.exr").exists()
    assert reasons(made, look)[1002] == "failed the last time"


def test_a_link_to_nothing_in_a_frames_place_is_left_alone(made: Folder, look: Preset) -> None:
    (made.out / MANIFEST_NAME).unlink()
    out = made.out / "arch.1003.exr"
    out.unlink()
    out.symlink_to(made.out / "nowhere.exr")
    verdicts = judge_plan(made.tasks(overwrite=True), look, resume=True)
    assert {each.task.frame: each.action for each in verdicts}[1003] is Action.refuse


_CLOUD = 'name = "a"\norigin = "floor"\nposition = [0, 0, -2]\nsize = [1, 1, 1]\nbegins = 1012\n'
_WAKE = "[{ track = [{ frame = 1013, nose = [0, 0, -2] }, { frame = 1020, nose = [1, 0, -2] }] }]"
_KEYS = "[{ frame = 1012, position = [0, 0, -2] }, { frame = 1020, position = [1, 0, -2] }]"


@pytest.mark.parametrize(
    "note",
    [
        f"[steps.turbid_bodies]\n[[steps.turbid_bodies.bodies]]\n{_CLOUD}",
        f"[steps.turbid_bodies]\n[[steps.turbid_bodies.sediment]]\nname = 'a'\ntrack = {_KEYS}\n",
        f"[steps.living_light]\nwakes = {_WAKE}\n",
        '[steps.grade]\nhue = 20.0\namount = { curve = "held", keys = [[1001, 0.0], [1013, 1.0]] }\n',
    ],
)
def test_a_step_that_begins_at_a_frame_leaves_earlier_ones_up_to_date(note: str, build: Builders) -> None:
    plain = "format = 1\n[water]\njerlov_type = '1C'\n[steps.attenuation]\n[steps.veiling_light]\n"
    origin = "[origins.floor]\nposition = [0, -1, 0]\n" if "origin" in note else ""
    without, added = (
        preset_from_text(plain + more + "[steps.white_reference]\n") for more in ("", note + origin)
    )
    # What is taken for absent is idle: it is left out, to the bit.
    for frame in (1001, 1011, 1012, 1014):
        ours = next(step for step in added.at(frame).graph.steps if step.name in note.partition("]")[0])
        same = added.digest_at(frame) == without.digest_at(frame)
        assert same is (frame <= 1012)
        assert not same or ours.acting.idle(build.shot(Window(0, 0, 8, 4), frame=frame))
    # Layers would lack the step's own.
    layered = added.with_settings({"output.layers": ["all"]})
    assert layered.digest_at(1001) != without.digest_at(1001)


@pytest.mark.parametrize(
    ("note", "gone"),
    [
        # Five times the two seconds in which it fades to 1/e, at 24 frames a second.
        (
            "[steps.turbid_bodies]\n[[steps.turbid_bodies.bodies]]\nname = 'a'\nkind = 'plume'\nlasts = 2.0\n"
            f"track = {_KEYS}\n",
            1020 + 240,
        ),
        # Four times the second in which it fades, and the flash that it set off last.
        (f"[steps.living_light]\nwakes = {_WAKE.replace('track', 'settle = 1.0, track')}\n", None),
    ],
)
def test_a_step_of_which_all_has_faded_leaves_later_frames_up_to_date(
    note: str, gone: int | None, build: Builders
) -> None:
    plain = "format = 1\n[water]\njerlov_type = '1C'\n[steps.attenuation]\n[steps.veiling_light]\n"
    without, added = (preset_from_text(plain + more) for more in ("", note))
    same = {frame: added.digest_at(frame) == without.digest_at(frame) for frame in range(1000, 1400)}
    there = [frame for frame, alike in same.items() if not alike]
    assert there == list(range(there[0], there[-1] + 1))
    assert 1020 + 4 * 24 <= there[-1] < 1399
    assert gone in (None, there[-1] + 1)
    for frame in (there[-1], there[-1] + 1):
        ours = next(step for step in added.at(frame).graph.steps if step.name in note.partition("]")[0])
        assert ours.acting.idle(build.shot(Window(0, 0, 8, 4), frame=frame)) is (frame > there[-1])
