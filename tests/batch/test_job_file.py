"""Job files: read strictly, every mistake told with its place, nothing reached outside the named folders."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from halocline.batch.job_file import Job, read_job, refuse_collisions
from halocline.batch.plan_tasks import MissingFrames
from halocline.errors import JobError, PresetError, WriteError

if TYPE_CHECKING:
    from tests.batch.conftest import Folder

HEAD = 'format = 1\npreset = "jerlov-1c"\n'


def job(folder: Path, text: str, **options: object) -> Job:
    path = folder / "night.toml"
    path.write_text(text, encoding="utf-8")
    return read_job(path, **options)  # type: ignore[arg-type]


def mistakes(folder: Path, text: str) -> list[str]:
    with pytest.raises(JobError) as caught:
        job(folder, text)
    return [str(problem) for problem in caught.value.problems] or [str(caught.value)]


def test_a_job_names_shots_with_their_own_settings(shot: Folder) -> None:
    read = job(
        shot.root,
        f"""{HEAD}set = ["light.overcast=0.5"]
title = "Fjord, night"

[shots.arch_010]
beauty = "clean/arch.####.exr"
out = "wet/010/"
frames = "1001-1002"

[shots."bogen 020 ü"]
beauty = "clean/arch.####.exr"
out = "wet/020.####.exr"
preset = "jerlov-3c"
missing = "hold"
set = ["light.sun_elevation=20"]
""",
    )
    first, second = read.shots
    assert (read.title, first.name, second.name) == ("Fjord, night", "arch_010", "bogen 020 ü")
    assert [task.frame for task in first.plan().tasks] == [1001, 1002]
    assert first.plan().tasks[0].out == shot.root / "wet" / "010" / "arch.1001.exr"
    assert second.plan(frames="1004").tasks[0].out == shot.root / "wet" / "020.1004.exr"
    assert second.missing is MissingFrames.hold
    look = second.load_preset()
    assert look.at(0).light.sun_elevation == 20
    assert look.at(0).light.overcast == 0.5
    assert read.shot("arch_010") is first
    with pytest.raises(JobError, match=r'there is no shot "arch_01"') as caught:
        read.shot("arch_01")
    assert 'Did you mean "arch_010"?' in str(caught.value)


def test_defaults_hold_for_shots_that_do_not_say_otherwise(shot: Folder) -> None:
    read = job(
        shot.root,
        f"""{HEAD}set = ["light.overcast=0.5", "sequence.seed=3"]

[defaults]
preset = "jerlov-3c"
frames = "1001-1002"
missing = "hold"
set = ["sequence.seed=4"]
layers = ["transmittance"]
threads = 3
memory = "2G"

[shots.plain]
beauty = "clean/arch.####.exr"
out = "wet/plain/"

[shots.own]
beauty = "clean/arch.####.exr"
out = "wet/own/"
preset = "jerlov-1c"
frames = "1003"
missing = "stop"
set = ["sequence.seed=5"]
layers = []
processes = 2
threads = 1
memory = "512M"
""",
    )
    plain, own = read.shots
    assert (plain.preset, plain.frames, plain.missing) == ("jerlov-3c", "1001-1002", MissingFrames.hold)
    assert (plain.processes, plain.threads, plain.memory_bytes) == (None, 3, 2 << 30)
    look = plain.load_preset().at(0)
    assert (look.light.overcast, look.sequence.seed, look.output.layers) == (0.5, 4, ("transmittance",))
    assert (own.preset, own.frames, own.missing) == ("jerlov-1c", "1003", MissingFrames.stop)
    assert (own.processes, own.threads, own.memory_bytes) == (2, 1, 512 << 20)
    look = own.load_preset().at(0)
    assert (look.light.overcast, look.sequence.seed, look.output.layers) == (0.5, 5, ())
    assert "is no amount of memory" in "".join(
        mistakes(shot.root, f'{HEAD}[defaults]\nmemory = "lots"\n[shots.a]\nbeauty = "b.exr"\nout = "c/"\n')
    )


def test_all_mistakes_are_told_at_once_with_line_and_fix(shot: Folder) -> None:
    found = mistakes(
        shot.root,
        """format = 1
titel = "x"

[shots.one]
beauty = "clean/arch.####.exr"
out = "wet/"
missing = "perhaps"

[shots.two]
beauty = 3
speed = 1
""",
    )
    text = "\n".join(found)
    assert 'night.toml, line 2: unknown key "titel"' in text
    assert 'Did you mean "title"?' in text
    assert "night.toml, line 7: shots.one.missing" in text
    assert 'night.toml, line 11, [shots.two]: unknown key "speed"' in text
    assert 'the key "out" is missing' in text
    assert "line 10: shots.two.beauty" in text
    assert "PRESET" not in text


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("beauty", "../outside/arch.####.exr"),
        ("beauty", "/etc/arch.####.exr"),
        ("depth", "clean/../../z.####.exr"),
        ("out", "/tmp/elsewhere/"),
        ("out", "link/wet/"),
        ("preset", "../look.toml"),
        ("preset", "../look"),
    ],
)
def test_a_path_that_leads_outside_is_refused(tmp_path: Path, key: str, value: str) -> None:
    folder = tmp_path / "job"
    folder.mkdir()
    (folder / "link").symlink_to(tmp_path)
    keys = {"beauty": "clean/arch.####.exr", "out": "wet/", key: value}
    body = "".join(f'{name} = "{text}"\n' for name, text in keys.items())
    found = mistakes(folder, f"{HEAD}[shots.one]\n{body}")
    assert len(found) == 1
    assert "lies outside the folders that this job may use" in found[0]
    assert f"line {4 + list(keys).index(key)}" in found[0]
    assert "--allow FOLDER" in found[0]


def test_a_folder_that_the_user_names_may_be_used(tmp_path: Path) -> None:
    folder = tmp_path / "job"
    folder.mkdir()
    text = f'{HEAD}[shots.one]\nbeauty = "../renders/a.####.exr"\nout = "{tmp_path}/out/"\n'
    read = job(folder, text, allowed=[tmp_path / "renders", tmp_path / "out"])
    assert read.shots[0].beauty == folder / ".." / "renders" / "a.####.exr"
    with pytest.raises(JobError):
        job(folder, text, allowed=[tmp_path / "renders"])


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("format = ", "cannot be read"),
        ("\x00", "cannot be read"),
        ("format = 2\n[shots.a]\nbeauty='a.exr'\nout='b/'", "format"),
        ("format = true\n[shots.a]\nbeauty='a.exr'\nout='b/'\npreset='jerlov-1c'", "format"),
        (HEAD, "1 to 5000 shots"),
        (f"{HEAD}shots = 3", "1 to 5000 shots"),
        (f"{HEAD}[shots]\na = 1", "not a table"),
        (f"{HEAD}[shots.a]\nbeauty=''\nout='b/'", "at least 1"),
        (f"{HEAD}[shots.a]\nbeauty='a.exr'\nout='b/'\nframes='1-'", "is no range of frames"),
        (f"{HEAD}[shots.a]\nbeauty='a.exr'\nout='b/'\nframes='1-999999999999'", "is no range of frames"),
        (f'{HEAD}[shots.a]\nbeauty="a\\u0000.exr"\nout="b/"', "null character"),
        ("format = 1\n[shots.a]\nbeauty='a.exr'\nout='b/'", "no preset"),
        (
            f"{HEAD}[shots.a]\nbeauty='a.exr'\nout='b/'\nset='water.secchi_depth=6'",
            "should be a list, such as",
        ),
        (f"{HEAD}[shots.a]\nbeauty='a.exr'\nout='b/'\npasses='m.exr'", "should be a table, such as"),
        (f"{HEAD}[shots.a]\nbeauty='a.exr'\nout='b/'\nmemory='6 ft'", "E-JOB-MEMORY"),
        ("x = " + "[" * 5000 + "]" * 5000, "cannot be read"),
        ("x = " + "[" * 20 + "]" * 20, "nested more than"),
        ("# " + "x" * (1 << 20), "larger than"),
    ],
)
def test_what_is_no_job_gets_an_error_not_the_machine(tmp_path: Path, text: str, told: str) -> None:
    assert told in "\n".join(mistakes(tmp_path, text))


def test_a_job_file_that_is_not_there_says_so(tmp_path: Path) -> None:
    with pytest.raises(JobError, match="No such file"):
        read_job(tmp_path / "none.toml")
    with pytest.raises(JobError, match="a folder"):
        read_job(tmp_path)


def test_shots_that_write_over_each_other_are_refused(shot: Folder) -> None:
    one = '[shots.{}]\nbeauty = "clean/arch.####.exr"\nout = "{}"\n'
    same = job(shot.root, HEAD + one.format("a", "wet/") + one.format("b", "wet/"))
    with pytest.raises(JobError, match="would both be written to it"):
        refuse_collisions(each.plan() for each in same.shots)


def test_a_shot_may_not_write_over_what_another_reads(shot: Folder) -> None:
    other = shot.root / "other"
    other.mkdir()
    for path in shot.clean.iterdir():
        (other / path.name).write_bytes(path.read_bytes())
    one = '[shots.{}]\nbeauty = "{}/arch.####.exr"\nout = "{}/"\n'
    read = job(shot.root, HEAD + one.format("a", "clean", "wet") + one.format("b", "other", "clean"))
    plans = [each.plan(overwrite=True) for each in read.shots]
    with pytest.raises(WriteError, match="is one of the inputs"):
        refuse_collisions(plans)


def test_a_single_frame_that_is_a_link_to_outside_is_refused(tmp_path: Path, shot: Folder) -> None:
    outside = tmp_path.parent / f"{tmp_path.name}-outside.exr"
    (shot.clean / "arch.1002.exr").rename(outside)
    (shot.clean / "arch.1002.exr").symlink_to(outside)
    path = shot.root / "night.toml"
    path.write_text(
        'format = 1\npreset = "jerlov-1c"\n[shots.a]\nbeauty = "clean/arch.####.exr"\nout = "wet/"\n'
    )
    with pytest.raises(JobError, match="is a link that leads outside") as caught:
        read_job(path).shots[0].plan()
    assert (caught.value.code, caught.value.where) == ("E-JOB-PATH", str(shot.clean / "arch.1002.exr"))
    assert len(read_job(path, allowed=[tmp_path.parent]).shots[0].plan().tasks) == 4


@pytest.mark.parametrize("extends", ["{outside}", "../outside", "/proc/kmsg", "{outside}.toml", "x\\u0000"])
def test_a_preset_beside_a_job_reaches_no_further_than_the_job(tmp_path: Path, extends: str) -> None:
    outside = tmp_path / "outside"
    for path in (outside, outside.with_suffix(".toml")):
        path.write_text("format = 1\n")
    folder = tmp_path / "job"
    folder.mkdir()
    (folder / "look.toml").write_text(f'format = 1\nextends = "{extends.format(outside=outside)}"\n')
    job = folder / "night.toml"
    job.write_text('format = 1\npreset = "look.toml"\n[shots.a]\nbeauty = "a.exr"\nout = "wet/"\n')
    with pytest.raises(PresetError) as caught:
        read_job(job).shots[0].load_preset()
    # What is there and what is not is told alike.
    assert caught.value.code in ("E-PRESET-FIND", "E-PRESET-EXTENDS")
