"""The commands of the farm: exit statuses, what is printed where, what is left on disk."""

from __future__ import annotations

import json
import os
import re
import socket
import subprocess
import sys
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from halocline.cli.main import run
from halocline.imaging.exr import Attribute, Part
from halocline.imaging.exr_write import PartPixels, write_exr
from halocline.imaging.frame import Window

REC709 = Attribute("float[8]", (0.64, 0.33, 0.3, 0.6, 0.15, 0.06, 0.3127, 0.329))


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    window = Window(0, 0, 40, 24)
    part = Part(
        index=0,
        name="",
        view="",
        channels={**dict.fromkeys("RGBA", "half"), "Z": "float"},
        data_window=window,
        display_window=window,
        attributes={
            "nominalFocalLength": Attribute("float", 28.0),
            "sensorOverallDimensions": Attribute("float2", (36.0, 24.0)),
            "chromaticities": REC709,
        },
    )
    (tmp_path / "clean").mkdir()
    for frame in range(1001, 1005):
        planes = {name: np.full(window.shape, 0.2, np.float32) for name in "RGB"}
        planes |= {"A": np.ones(window.shape, np.float32), "Z": np.full(window.shape, 6.0, np.float32)}
        write_exr(tmp_path / "clean" / f"a.{frame}.exr", [PartPixels(part, planes)])
    (tmp_path / "night.toml").write_text(
        'format = 1\ntitle = "Fjord"\npreset = "jerlov-1c"\n'
        '[shots.arch_010]\nbeauty = "clean/a.####.exr"\nout = "wet/010/"\n'
        '[shots.arch_020]\nbeauty = "clean/a.####.exr"\nout = "wet/020/"\nframes = "1002-1003"\n'
    )
    monkeypatch.chdir(tmp_path)
    return tmp_path


def status(*arguments: str) -> int:
    with pytest.raises(SystemExit) as caught:
        run(list(arguments))
    code = caught.value.code
    return code if isinstance(code, int) else 0


def apply(*arguments: str, source: str = "clean/a.####.exr") -> int:
    return status("apply", "jerlov-1c", source, "--out", "wet/", *arguments)


def frames(folder: Path, where: str = "wet") -> list[str]:
    return sorted(path.name for path in (folder / where).glob("*.exr"))


def test_all_done_is_0_and_a_second_run_is_refused_until_asked(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert apply() == 0
    told = capsys.readouterr().err
    assert "4 of 4 frames written" in told
    assert re.search(r"\d+ process(es)? of", told)
    assert "check  bad pixels: nothing found" in told
    assert apply() == 2
    assert "frames 1001-1004 are already there" in capsys.readouterr().err
    assert apply("--resume") == 0
    assert "0 of 4 frames written, 4 kept" in capsys.readouterr().err
    assert apply("--overwrite") == 0
    assert len(frames(folder)) == 4


def test_some_failed_is_1_and_the_frames_are_listed(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (folder / "clean" / "a.1002.exr").write_bytes(b"junk")
    (folder / "clean" / "a.1003.exr").write_bytes(b"junk")
    assert apply() == 1
    told = capsys.readouterr().err
    assert "failed: 1002-1003" in told
    assert "E-READ-OPEN  frame 1002" in told
    assert frames(folder) == ["a.1001.exr", "a.1004.exr"]


def test_nothing_possible_is_2(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for path in (folder / "clean").iterdir():
        path.write_bytes(b"junk")
    assert apply() == 2
    assert apply(source="nowhere/a.####.exr") == 2
    assert "no file of this sequence is there" in capsys.readouterr().err
    assert apply("--memory", "3M") == 2
    assert status("apply", "no-such-look", "clean/a.####.exr", "--out", "wet/") == 2


def test_a_dry_run_shows_the_plan_and_does_nothing(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert apply("--dry-run") == 0
    told = capsys.readouterr().out
    assert told.count("render") == 4
    assert not (folder / "wet").exists()
    apply("--no-check")
    (folder / "wet" / "a.1002.exr").unlink()
    capsys.readouterr()
    assert apply("--dry-run", "--resume") == 0
    told = capsys.readouterr().out
    assert told.count("keep") == 3
    assert "render  1002  wet/a.1002.exr  not there" in told


def test_the_log_for_machines_is_json_lines_and_nothing_else(folder: Path) -> None:
    (folder / "clean" / "a.1003.exr").write_bytes(b"junk")
    ran = subprocess.run(
        [
            *(sys.executable, "-m", "halocline.cli.main", "apply", "jerlov-1c", "clean/a.####.exr"),
            *("--out", "wet/", "--log", "json", "--processes", "1"),
        ],
        capture_output=True,
        text=True,
        check=False,
    )
    assert ran.returncode == 1
    records: list[dict[str, Any]] = [json.loads(line) for line in ran.stdout.splitlines()]
    assert [record["event"] for record in records] == ["start", *["frame"] * 4, "end", "checks"]
    assert [record.get("status") for record in records[1:5]] == ["done", "done", "failed", "done"]
    assert records[3]["error"]["code"] == "E-READ-OPEN"
    # When, where, by whom, how long and with what memory: enough to watch a night by.
    times = [datetime.fromisoformat(record["time"]) for record in records]
    assert times == sorted(times)
    assert records[1]["host"] == socket.gethostname()
    assert records[1]["began"] <= times[1].timestamp()
    assert records[1]["process"] > 0
    assert set(records[1]["seconds"]) == {"read", "render", "write"}
    assert records[1]["peak_memory_bytes"] > 1 << 20
    assert set(records[3]["seconds"]) == {"read"}
    assert {record["process"] for record in records[1:5]} == {records[1]["process"]}
    assert records[5]["failed"] == [1003]
    assert records[5]["interrupted"] is None
    assert ran.stderr == ""


def test_every_frame_in_the_log_for_machines_has_a_time_a_place_and_what_it_took(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (folder / "clean" / "a.1002.exr").unlink()
    (folder / "clean" / "a.1003.exr").write_bytes(b"junk")
    assert apply("--frames", "1001") == 0
    capsys.readouterr()
    assert apply("--resume", "--missing", "skip", "--log", "json", "--processes", "1") == 1
    records = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    told = {record["frame"]: record for record in records if record["event"] == "frame"}
    statuses = {frame: record["status"] for frame, record in told.items()}
    assert statuses == {1001: "kept", 1002: "skipped", 1003: "failed", 1004: "done"}
    for record in told.values():
        assert datetime.fromisoformat(record["time"])
        assert (record["host"], record["process"]) == (socket.gethostname(), os.getpid())
        assert record["peak_memory_bytes"] > 1 << 20
        assert all(value >= 0.0 for value in record["seconds"].values())
    stages = {frame: list(record["seconds"]) for frame, record in told.items()}
    assert stages == {1001: [], 1002: [], 1003: ["read"], 1004: ["read", "render", "write"]}


def test_missing_frames_are_treated_as_told(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (folder / "clean" / "a.1003.exr").unlink()
    assert apply() == 2
    assert "--missing hold" in capsys.readouterr().err
    assert apply("--missing", "skip") == 0
    assert "left out, no input: 1003" in capsys.readouterr().err
    assert frames(folder) == ["a.1001.exr", "a.1002.exr", "a.1004.exr"]
    assert apply("--missing", "hold", "--resume") == 0
    assert len(frames(folder)) == 4


def test_a_job_runs_all_its_shots(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert status("farm", "check", "night.toml") == 0
    assert "arch_020: 2 frames, jerlov-1c -> wet/020/" in capsys.readouterr().out
    assert status("farm", "run", "night.toml", "--no-check") == 0
    assert (len(frames(folder, "wet/010")), len(frames(folder, "wet/020"))) == (4, 2)
    assert status("farm", "run", "night.toml", "--resume") == 0
    assert "2 kept" in capsys.readouterr().err
    assert status("farm", "review", "night.toml") == 0


def test_a_shot_that_cannot_begin_does_not_stop_the_others(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = (folder / "night.toml").read_text().replace('"1002-1003"', '"1002-1009"')
    (folder / "night.toml").write_text(text)
    assert status("farm", "run", "night.toml") == 1
    assert "shot arch_020" in capsys.readouterr().err
    assert len(frames(folder, "wet/010")) == 4
    assert status("farm", "check", "night.toml") == 1
    assert status("farm", "run", "night.toml", "--shot", "arch_020") == 2
    assert status("farm", "run", "night.toml", "--shot", "arch_030") == 2


def test_checking_a_job_tells_what_is_wrong_with_every_shots_render_in_one_run(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for name, setting in (
        ("matte", "steps.attenuation.matte='rope'"),
        ("depth", "input.depth_channel='far.Z'"),
    ):
        with (folder / "night.toml").open("a") as job:
            job.write(
                f'[shots.{name}]\nbeauty = "clean/a.####.exr"\nout = "wet/{name}/"\nset = ["{setting}"]\n'
            )
    assert status("farm", "check", "night.toml") == 1
    told = capsys.readouterr()
    assert [line.split(":")[0] for line in told.out.splitlines()] == [
        "arch_010",
        "arch_020",
        "matte",
        "depth",
    ]
    # Good shots are told how they are read; each of the others what it lacks.
    assert "reads beauty R G B; alpha A; depth Z" in told.err
    assert "shot matte" in told.err
    assert "rope" in told.err
    assert "shot depth" in told.err
    assert "far.Z" in told.err
    assert not (folder / "wet").exists()


def test_checking_a_job_tells_mistakes_of_the_file_and_of_its_shots_in_one_run(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (folder / "cut").mkdir()
    for frame in (1001, 1002):
        whole = (folder / "clean" / f"a.{frame}.exr").read_bytes()
        (folder / "cut" / f"a.{frame}.exr").write_bytes(whole[: len(whole) * 2 // 3])
    clean = 'beauty = "clean/a.####.exr"\n'
    shots = {
        "half": 'beuty = "clean/a.####.exr"\nout = "/elsewhere/"\nmemory = "much"\n',
        "many": f'{clean}out = "wet/many/"\nprocesses = "four"\nset = ["steps.attenuation.matte=\'rope\'"]\n',
        "beyond": f'{clean}out = "wet/beyond/"\nframes = "1001-x"\n',
        "same": f'{clean}out = "wet/010/"\nset = ["steps.attenuation.matte=\'ivy\'"]\n',
        "onto": f'{clean}out = "clean/"\n',
        "lost": 'beauty = "lost/a.####.exr"\nout = "wet/lost/"\n',
        "look": f'{clean}out = "wet/look/"\npreset = "no-such-look"\n',
        "cut": 'beauty = "cut/a.####.exr"\nout = "wet/cut/"\n',
    }
    with (folder / "night.toml").open("a") as job:
        job.writelines(f"[shots.{name}]\n{keys}" for name, keys in shots.items())
    # Of a job file that is wrong, and of shots in one place, nothing would be run.
    assert status("farm", "check", "night.toml") == 2
    told = capsys.readouterr().err
    for words in (
        '[shots.half]: unknown key "beuty"',
        'half: "much" is no amount of memory',
        "half: /elsewhere/ lies outside",
        "shots.many.processes: input should be a valid integer",
        "E-CHANNEL-MISSING  shot many, ",
        "E-JOB-OUTPUT  shot same, wet/010/a.1001.exr: ",
        "E-CHANNEL-MISSING  shot same, ",
        "E-WRITE-INPUT  shot onto, clean/a.1001.exr: ",
        "E-SEQUENCE-EMPTY  shot lost, ",
        "E-PRESET-FIND  shot look: ",
        "E-READ-PIXELS  shot cut, cut/a.1001.exr: ",
    ):
        assert told.count(words) == 1, words
    # A range that is wrong is told by its line, not once more by its shot.
    assert told.count("E-SEQUENCE-RANGE") == 1
    assert status("farm", "run", "night.toml") == 2
    assert not (folder / "wet").exists()


@pytest.mark.parametrize("key", ["beauty", "out"])
def test_a_shot_that_lacks_where_it_reads_or_writes_is_told_once_and_others_are_looked_at(
    folder: Path, capsys: pytest.CaptureFixture[str], key: str
) -> None:
    stated = {"beauty": '"clean/a.####.exr"', "out": '"wet/half/"'}
    del stated[key]
    with (folder / "night.toml").open("a") as job:
        job.writelines(["[shots.half]\n", *(f"{name} = {text}\n" for name, text in stated.items())])
    # All else is right: the file's own mistake is what makes it 2.
    assert status("farm", "check", "night.toml") == 2
    out, err = capsys.readouterr()
    assert err.count("error: ") == 1
    assert err.count("half") == 1
    assert f'[shots.half]: the key "{key}" is missing' in err
    assert [line.partition(":")[0] for line in out.splitlines()] == ["arch_010", "arch_020"]


def test_checking_a_job_tells_of_a_frame_that_is_cut_off_among_good_ones(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = folder / "clean" / "a.1004.exr"
    path.write_bytes(path.read_bytes()[:-100])
    assert status("farm", "check", "night.toml") == 1
    told = capsys.readouterr().err
    assert "E-READ-PIXELS  shot arch_010, clean/a.1004.exr: frame 1004: cut off" in told
    assert told.count("error: ") == 1


@pytest.mark.parametrize("command", [("check",), ("run", "--dry-run"), ("run",)])
def test_a_water_that_is_not_there_is_told_for_every_shot_and_part_before_any_frame(
    folder: Path, capsys: pytest.CaptureFixture[str], command: tuple[str, ...]
) -> None:
    near = "parts.near = { within_range = { farthest = 5.0 }, water = { jerlov_type = 'QQ' } }"
    (folder / "own.toml").write_text(f"format = 2\n{near}\n[steps.attenuation]\n")
    with (folder / "night.toml").open("a") as job:
        job.write(
            '[shots.part]\nbeauty = "clean/a.####.exr"\nout = "wet/part/"\npreset = "own.toml"\n'
            '[shots.both]\nbeauty = "clean/a.####.exr"\nout = "wet/both/"\npreset = "own.toml"\n'
            "set = [\"water.jerlov_type='WW'\", \"parts.near.water.jerlov_type='RR'\"]\n"
        )
    assert status("farm", *command, "night.toml") == 1
    said = capsys.readouterr().err
    assert said.count("E-WATER-TYPE  shot part, ") == 1
    assert said.count("E-WATER-TYPE  shot both, ") == 2
    for kind in ("QQ", "WW", "RR"):
        assert said.count(f'there is no Jerlov water type "{kind}"') == 1
    # Both shots that are right go on, and of the others nothing is begun.
    made = sorted(path.name for path in (folder / "wet").iterdir()) if (folder / "wet").exists() else []
    assert made == (["010", "020"] if command == ("run",) else [])


def test_checking_a_job_none_of_whose_frames_can_be_read_ends_in_2(folder: Path) -> None:
    for path in (folder / "clean").iterdir():
        path.write_bytes(path.read_bytes()[:-100])
    assert status("farm", "check", "night.toml") == 2


def test_shots_in_one_place_end_a_check_in_2_and_each_is_still_looked_at(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with (folder / "night.toml").open("a") as job:
        job.write('[shots.same]\nbeauty = "clean/a.####.exr"\nout = "wet/020/"\nframes = "1003-1004"\n')
    assert status("farm", "check", "night.toml") == 2
    told = capsys.readouterr().err
    assert "E-JOB-OUTPUT  shot same, wet/020/a.1003.exr: " in told
    assert told.count("reads beauty R G B; alpha A; depth Z") == 3


def test_what_is_wrong_or_in_doubt_is_told_with_its_shot(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for name, setting in (("kilo", "water.secchi_depth=6 kg"), ("far", "input.depth_unit=1 km")):
        with (folder / "night.toml").open("a") as job:
            job.write(
                f'[shots.{name}]\nbeauty = "clean/a.####.exr"\nout = "wet/{name}/"\nset = ["{setting}"]\n'
            )
    assert status("farm", "check", "night.toml") == 1
    told = capsys.readouterr().err
    assert "error: E-PRESET-VALUE  shot kilo, --set water.secchi_depth=6 kg: " in told
    assert "warning: far, frame 1001: the nearest surface is " in told
    warnings = [line for line in told.splitlines() if line.startswith("warning: ")]
    assert {line.split()[1].rstrip(",") for line in warnings} <= {"arch_010", "arch_020", "far"}


def test_a_preset_that_is_nearly_called_so_is_named(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text = (folder / "night.toml").read_text().replace("jerlov-1c", "fjord-archwey")
    (folder / "night.toml").write_text(text)
    assert status("farm", "check", "night.toml") == 2
    assert 'Did you mean "fjord-archway"?' in capsys.readouterr().err


def test_one_chunk_of_one_shot_can_be_run(folder: Path) -> None:
    chunk = ["farm", "run", "night.toml", "--shot", "arch_010", "--frames", "1003-1004", "--resume"]
    assert status(*chunk) == 0
    assert frames(folder, "wet/010") == ["a.1003.exr", "a.1004.exr"]


def test_a_template_is_written(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert status("farm", "template", "night.toml", "--chunk", "1") == 0
    printed = json.loads(capsys.readouterr().out)
    assert printed["specificationVersion"] == "jobtemplate-2023-09"
    assert status("farm", "template", "night.toml", "--out", "t.json") == 0
    assert json.loads((folder / "t.json").read_text())["extensions"] == ["TASK_CHUNKING"]


def test_a_report_tells_of_failures_by_its_exit_status(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    apply()
    capsys.readouterr()
    assert status("report", "wet") == 0
    told = capsys.readouterr().out
    assert "4 made: 1001-1004" in told
    assert "check     flicker: nothing found" in told
    (folder / "clean" / "a.1002.exr").write_bytes(b"junk")
    apply("--resume")
    capsys.readouterr()
    assert status("report", "wet", "--json") == 1
    assert json.loads(capsys.readouterr().out)["failed"][0]["frame"] == 1002
    assert status("report", "nowhere") == 2


def test_check_tells_what_it_finds_by_its_exit_status(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    apply("--no-check")
    assert status("check", "wet/a.####.exr") == 0
    assert "does not replace a certified test" in capsys.readouterr().out
    (folder / "wet" / "a.1002.exr").unlink()
    assert status("check", "wet/a.####.exr", "--json") == 1
    assert json.loads(capsys.readouterr().out)["findings"][0]["text"] == "not there: 1002"
    assert status("check", "nowhere/a.####.exr") == 2


def test_a_template_never_takes_the_place_of_its_job_file(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    before = (folder / "night.toml").read_bytes()
    for more in ((), ("--overwrite",)):
        assert status("farm", "template", "night.toml", "--out", "night.toml", *more) == 2
        assert "is the job file itself" in capsys.readouterr().err
    assert (folder / "night.toml").read_bytes() == before


def test_a_template_is_put_in_a_new_folder_and_over_another_only_if_asked(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    where = ("farm", "template", "night.toml", "--out", "new/t.json")
    assert status(*where) == 0
    assert status(*where) == 2
    assert "--overwrite" in capsys.readouterr().err
    assert status(*where, "--overwrite") == 0
