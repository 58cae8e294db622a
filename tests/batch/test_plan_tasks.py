"""Planning finds everything that would go wrong before anything is rendered."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from halocline.batch.plan_tasks import MissingFrames, plan_shot, plan_tasks
from halocline.errors import JobError, SequenceError, WriteError

if TYPE_CHECKING:
    from tests.batch.conftest import Folder


def test_a_folder_as_output_keeps_the_names_of_the_input(shot: Folder) -> None:
    tasks = shot.tasks()
    assert [task.frame for task in tasks] == [1001, 1002, 1003, 1004]
    assert [task.out for task in tasks] == [shot.out / f"arch.{frame}.exr" for frame in range(1001, 1005)]


def test_a_name_without_the_ending_of_a_picture_is_a_folder(shot: Folder) -> None:
    tasks = plan_tasks(shot.pattern, out=str(shot.root / "v001"))
    assert tasks[0].out == shot.root / "v001" / "arch.1001.exr"


def test_a_pattern_as_output_renames_the_frames(shot: Folder) -> None:
    tasks = plan_tasks(shot.pattern, out=shot.root / "wet shot ü.%06d.exr", frames="1002-1003")
    assert [task.out.name for task in tasks] == ["wet shot ü.001002.exr", "wet shot ü.001003.exr"]


def test_one_file_of_a_sequence_has_the_same_neighbours_as_in_the_sequence(shot: Folder) -> None:
    alone = plan_tasks(shot.clean / "arch.1002.exr", out=shot.root / "one.exr")[0]
    within = shot.tasks(frames="1002")[0]
    assert alone.neighbours == within.neighbours
    assert set(within.neighbours) == {1001, 1003}
    assert alone.references == within.references


def test_a_version_number_is_no_frame(tmp_path: Path, shot: Folder) -> None:
    for name in ("still_v001.exr", "still_v002.exr"):
        (shot.clean / name).write_bytes((shot.clean / "arch.1001.exr").read_bytes())
    task = plan_tasks(shot.clean / "still_v002.exr", out=tmp_path / "x.exr")[0]
    assert not task.neighbours


def test_a_chunk_knows_neighbours_and_reference_outside_its_range(shot: Folder) -> None:
    whole, chunk = shot.tasks(), shot.tasks(frames="1003-1004")
    assert chunk == whole[2:]


def test_writing_over_an_input_is_refused_under_whatever_name(shot: Folder) -> None:
    with pytest.raises(WriteError, match="is one of the inputs"):
        plan_tasks(shot.pattern, out=shot.clean, overwrite=True)
    link = shot.root / "elsewhere"
    link.symlink_to(shot.clean)
    with pytest.raises(WriteError, match="is one of the inputs") as caught:
        plan_tasks(shot.pattern, out=link, overwrite=True)
    assert caught.value.code == "E-WRITE-INPUT"
    (shot.root / "wet").mkdir()
    (shot.root / "wet" / "arch.1002.exr").symlink_to(shot.clean / "arch.1002.exr")
    with pytest.raises(WriteError, match="is one of the inputs"):
        shot.tasks(overwrite=True)


def test_writing_over_a_neighbour_outside_the_range_is_refused(shot: Folder) -> None:
    """Frame 1002 alone: its neighbour 1003 is read for its camera, so nothing may be written there."""
    with pytest.raises(WriteError, match="is one of the inputs"):
        plan_tasks(shot.pattern, out=shot.clean / "arch.1003.exr", frames="1002", overwrite=True)


def test_outputs_that_are_there_are_refused_and_named(shot: Folder) -> None:
    shot.out.mkdir()
    for frame in (1001, 1002, 1004):
        (shot.out / f"arch.{frame}.exr").touch()
    with pytest.raises(
        WriteError, match=r"frames 1001-1002,1004 are already there; nothing was rendered"
    ) as caught:
        shot.tasks()
    assert "--resume" in str(caught.value)
    assert len(shot.tasks(overwrite=True)) == 4


def test_a_gap_in_the_sequence_is_an_error_unless_told_otherwise(shot: Folder) -> None:
    (shot.clean / "arch.1003.exr").unlink()
    with pytest.raises(SequenceError, match=r"1 of 4 frames are not there: beauty 1003") as caught:
        shot.tasks()
    assert "--missing skip" in str(caught.value)
    skipping = plan_shot(shot.pattern, out=shot.out, missing=MissingFrames.skip)
    assert [task.frame for task in skipping.tasks] == [1001, 1002, 1004]
    assert [each.frame for each in skipping.skipped] == [1003]
    holding = plan_shot(shot.pattern, out=shot.out, missing=MissingFrames.hold)
    held = holding.tasks[2]
    assert (held.frame, held.held_from, held.beauty.name) == (1003, 1002, "arch.1002.exr")
    assert held.out.name == "arch.1003.exr"


def test_held_frames_are_the_same_in_a_chunk_of_missing_frames_alone(shot: Folder) -> None:
    for frame in (1002, 1003):
        (shot.clean / f"arch.{frame}.exr").unlink()
    whole = plan_shot(shot.pattern, out=shot.out, frames="1001-1004", missing=MissingFrames.hold)
    chunk = plan_shot(shot.pattern, out=shot.out, frames="1002-1003", missing=MissingFrames.hold)
    assert chunk.tasks == whole.tasks[1:3]
    assert [task.held_from for task in chunk.tasks] == [1001, 1004]


def test_depth_that_lacks_frames_is_found_before_rendering(shot: Folder) -> None:
    depth = shot.root / "depth"
    depth.mkdir()
    for frame in (1001, 1002, 1004):
        (depth / f"z.{frame}.exr").write_bytes((shot.clean / f"arch.{frame}.exr").read_bytes())
    with pytest.raises(SequenceError, match=r"1 of 4 frames are not there: depth 1003"):
        shot.tasks(depth=str(depth / "z.####.exr"))
    plan = plan_shot(shot.pattern, depth=depth / "z.####.exr", out=shot.out, missing=MissingFrames.hold)
    assert plan.tasks[2].depth == depth / "z.1002.exr"
    with pytest.raises(SequenceError, match="is one file, but the beauty has 4 frames"):
        shot.tasks(depth=str(depth / "z.1001.exr"))


@pytest.mark.parametrize("policy", MissingFrames)
def test_a_pass_of_which_nothing_is_there_is_a_wrong_name_and_no_gap(
    shot: Folder, policy: MissingFrames
) -> None:
    with pytest.raises(SequenceError, match="no file of the pass arch is there") as caught:
        plan_shot(
            shot.pattern, passes={"arch": "mattes/arch.####.exr"}, out=shot.out, frames="1002", missing=policy
        )
    assert (caught.value.code, caught.value.where) == ("E-SEQUENCE-EMPTY", "mattes/arch.####.exr")


def test_two_frames_for_one_file_are_refused(shot: Folder) -> None:
    from halocline.batch.plan_tasks import refuse_inputs

    first, second, *_ = shot.tasks()
    with pytest.raises(JobError, match=r"frame 1001 .* and frame 1002 .* would both be written"):
        refuse_inputs([first, second.__class__(1002, second.beauty, None, first.out)])


@pytest.mark.parametrize("frames", ["", "1001-", "abc", "1-99999999999999", "1001-1004x0", "1.5"])
def test_a_range_that_is_none_is_refused(shot: Folder, frames: str) -> None:
    with pytest.raises(SequenceError):
        shot.tasks(frames=frames)


def test_frame_numbers_far_apart_do_not_fill_the_memory(shot: Folder) -> None:
    (shot.clean / "arch.999999999999999.exr").write_bytes(b"")
    assert len(shot.tasks()) == 5


def test_empty_output_is_refused_and_not_taken_for_the_root_of_the_file_system(tmp_path: Path) -> None:
    (tmp_path / "clean.1001.exr").touch()
    with pytest.raises(SequenceError, match="the output is empty"):
        plan_tasks(str(tmp_path / "clean.####.exr"), out="")
