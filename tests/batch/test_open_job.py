"""Templates are valid by the standard's own package, and its command line runs them here."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from halocline.batch.job_file import Job, read_job
from halocline.batch.manifest import read_manifest
from halocline.batch.open_job import ShotNeeds, frame_range, job_template
from halocline.batch.run import run_frames
from halocline.errors import JobError

if TYPE_CHECKING:
    from tests.batch.conftest import Folder

    from halocline.presets.preset import Preset

openjd = pytest.importorskip("openjd.model")


@pytest.fixture
def job(shot: Folder) -> Job:
    path = shot.root / "night.toml"
    path.write_text(
        'format = 1\ntitle = "Fjord {{night}}\\n1"\npreset = "jerlov-1c"\n'
        '[shots.arch_010]\nbeauty = "clean/arch.####.exr"\nout = "wet/"\n'
        '[shots.arch_020]\nbeauty = "clean/arch.####.exr"\nout = "wet 020/"\nframes = "1001,1003-1004"\n'
    )
    return read_job(path)


FRAMES = [ShotNeeds([1001, 1002, 1003, 1004]), ShotNeeds([1001, 1003, 1004])]


@pytest.mark.parametrize("frames_a_task", [1, 3])
def test_the_standards_own_package_accepts_the_template(job: Job, frames_a_task: int) -> None:
    made = job_template(job, FRAMES, folder=job.path.parent, frames_a_task=frames_a_task)
    extensions = ["TASK_CHUNKING"] if frames_a_task > 1 else []
    checked = openjd.decode_job_template(template=made, supported_extensions=extensions)
    created = openjd.create_job(
        job_template=checked,
        job_parameter_values=openjd.preprocess_job_parameters(
            job_template=checked,
            job_parameter_values={},
            job_template_dir=job.path.parent,
            current_working_dir=job.path.parent,
        ),
    )
    assert created.name == "Fjord  night  1"
    assert [step.name for step in created.steps] == [
        "arch_010",
        "arch_010 review",
        "arch_020",
        "arch_020 review",
    ]
    space = openjd.StepParameterSpaceIterator(space=created.steps[2].parameterSpace)
    tasks = [next(iter(task.values())).value for task in space]
    if frames_a_task == 1:
        assert tasks == ["1001", "1003", "1004"]
    else:
        assert tasks == ["1001-1001", "1003-1004"]


def test_what_a_worker_must_have_stands_where_the_standard_looks_for_it(job: Job) -> None:
    root = job.path.parent
    needs = [
        ShotNeeds([1001], (3 << 30) + 1, 4, [root / "clean", root / "clean/passes"], [root / "wet"]),
        ShotNeeds([1002], None, None, [root.parent / "elsewhere"], [root / "wet 020"]),
    ]
    made = job_template(job, needs, folder=root, frames_a_task=1, seconds=900)
    checked = openjd.decode_job_template(template=made)
    steps = {step.name: step for step in checked.steps}
    found = {amount.name: amount.min for amount in steps["arch_010"].hostRequirements.amounts}
    # The standard's unit of memory is MiB.
    assert found == {"amount.worker.vcpu": 4, "amount.worker.memory": 3073}
    assert steps["arch_020"].hostRequirements is None
    assert steps["arch_010 review"].hostRequirements is None
    assert {step.script.actions.onRun.timeout for step in checked.steps} == {900}
    folders = {
        each.name: (each.dataFlow.value, each.default)
        for each in checked.parameterDefinitions
        if each.name not in ("JobFile", "Halocline")
    }
    assert folders == {"Renders1": ("IN", "clean"), "Frames1": ("OUT", "wet"), "Frames2": ("OUT", "wet 020")}


def test_more_folders_than_the_standard_has_room_for_are_declared_by_what_holds_them(job: Job) -> None:
    root = job.path.parent
    many = [root / "renders" / str(number) for number in range(60)]
    needs = [ShotNeeds([1001], reads=many, writes=many), ShotNeeds([1001])]
    checked = openjd.decode_job_template(template=job_template(job, needs, folder=root, frames_a_task=1))
    assert [each.default for each in checked.parameterDefinitions[2:]] == ["renders", "renders"]


def test_a_template_without_chunks_needs_no_extension(job: Job) -> None:
    assert "extensions" not in job_template(job, FRAMES, folder=job.path.parent, frames_a_task=1)


def test_a_job_file_elsewhere_must_be_named_when_the_job_is_submitted(job: Job, tmp_path: Path) -> None:
    made = job_template(job, FRAMES, folder=tmp_path / "elsewhere")
    assert "default" not in made["parameterDefinitions"][0]
    openjd.decode_job_template(template=made, supported_extensions=["TASK_CHUNKING"])


@pytest.mark.parametrize(
    ("frames", "text"),
    [([5], "5"), ([3, 1, 2, 2], "1-3"), ([1, 3, 5], "1,3,5"), ([-3, -2, 0, 1], "-3--2,0-1")],
)
def test_ranges_are_written_as_the_standard_reads_them(frames: list[int], text: str) -> None:
    assert frame_range(frames) == text
    assert list(openjd.IntRangeExpr.from_str(text)) == sorted(set(frames))


def test_what_the_standard_has_no_room_for_is_refused(job: Job) -> None:
    with pytest.raises(JobError, match="it has 0 frames"):
        job_template(job, [ShotNeeds([1]), ShotNeeds([])], folder=job.path.parent)
    many = Job(job.path, "x", job.shots * 30)
    with pytest.raises(JobError, match="60 shots are more than a template has room for"):
        job_template(many, [ShotNeeds([1])] * 60, folder=job.path.parent)


def test_the_standards_command_line_runs_a_shot_and_its_review(
    job: Job, shot: Folder, look_with_shade: Preset
) -> None:
    command = Path(sys.executable).with_name("openjd")
    if not command.exists() and shutil.which("openjd") is None:
        pytest.skip("openjd-cli is not installed")
    template = shot.root / "night.template.json"
    made: dict[str, Any] = job_template(job, FRAMES, folder=shot.root, frames_a_task=2)
    template.write_text(json.dumps(made))
    launcher = shot.root / "halocline"
    launcher.write_text(f'#!/bin/sh\nexec "{sys.executable}" -m halocline.cli.main "$@"\n')
    launcher.chmod(0o755)
    ran = subprocess.run(
        [
            str(command),
            *("run", str(template), "--step", "arch_010 review", "--run-dependencies"),
            *("-p", f"Halocline={launcher}"),
        ],
        capture_output=True,
        text=True,
        check=False,
        cwd=shot.root,
    )
    assert ran.returncode == 0, ran.stdout + ran.stderr
    run_frames(shot.tasks("plain"), look_with_shade)
    assert shot.digests() == shot.digests("plain")
    kinds = [record["kind"] for record in read_manifest(shot.out)]
    assert kinds.count("job") == 2
    assert kinds.count("frame") == 4
    assert kinds[-1] == "checks"


@pytest.mark.parametrize(
    "name", ["arch\n010", "arch\x1b[2J", "{{Task.Param.Frames}}", "}}", "arch\x85", "a" * 60, "\udcff"]
)
def test_a_shot_name_that_the_standard_would_refuse_or_fill_in_is_refused(job: Job, name: str) -> None:
    hostile = replace(job, shots=(replace(job.shots[0], name=name),))
    with pytest.raises(JobError) as caught:
        job_template(hostile, FRAMES[:1], folder=job.path.parent)
    assert caught.value.code == "E-JOB-TEMPLATE"


def test_two_braces_in_a_folder_are_refused_and_not_filled_in(job: Job) -> None:
    for allowed in ("/renders/{{Param.Halocline}}", "/renders/a\nb"):
        with pytest.raises(JobError, match="two braces"):
            job_template(job, FRAMES, folder=job.path.parent, allowed=[allowed])
    moved = replace(job, path=job.path.parent / "{{x}}" / "night.toml")
    with pytest.raises(JobError, match="two braces"):
        job_template(moved, FRAMES, folder=moved.path.parent)


# What is not refused the standard's own model must take, and give back as it was.
@pytest.mark.parametrize(
    "name", ["arch 010", "å水", "{a}", "'; rm -rf ~", "$(reboot)", "-h", " ", "a{", "%s"]
)
@pytest.mark.parametrize("title", ["{{{night}}}", "\x1b]0;x\x07", "\x9b2J", "\n", "x" * 120, "水" * 100])
def test_hostile_names_and_titles_make_templates_that_the_standard_accepts(
    job: Job, name: str, title: str
) -> None:
    hostile = replace(job, title=title, shots=(replace(job.shots[0], name=name),))
    made = job_template(hostile, FRAMES[:1], folder=job.path.parent, frames_a_task=1)
    checked = openjd.decode_job_template(template=made)
    assert checked.steps[0].name == name
