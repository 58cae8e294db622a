"""The same job through dask.distributed: the same bytes, also when a machine is lost on the way."""

from __future__ import annotations

import os
import signal
import warnings
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from halocline._version import __version__
from halocline.batch import distributed as module
from halocline.batch.distributed import Cluster
from halocline.batch.manifest import read_manifest
from halocline.batch.plan_tasks import plan_tasks
from halocline.batch.run import run_frames
from halocline.cli.main import run
from halocline.errors import JobError

if TYPE_CHECKING:
    from tests.batch.conftest import Folder

    from halocline.presets.preset import Preset

distributed = pytest.importorskip("distributed")
pytestmark = pytest.mark.filterwarnings("ignore::ResourceWarning", "ignore::DeprecationWarning")


@pytest.fixture(scope="module")
def cluster() -> Iterator[Any]:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        local = distributed.LocalCluster(
            n_workers=2,
            threads_per_worker=1,
            processes=True,
            dashboard_address=None,
            host="127.0.0.1",
        )
        with local:
            yield local


def test_a_cluster_gives_the_same_bytes_though_a_machine_is_lost(
    empty_shot: Folder, look: Preset, cluster: Any
) -> None:
    shot = empty_shot.write(range(1001, 1017))
    run_frames(shot.tasks("alone"), look)
    lost: list[int] = []

    def lose(_event: object) -> None:
        if not lost:
            victim = next(iter(cluster.workers.values())).process.pid
            os.kill(victim, signal.SIGKILL)
            lost.append(victim)

    maker = Cluster(look, cluster.scheduler_address)
    summary = run_frames(shot.tasks(), look, maker=maker, report=lose)
    assert lost
    assert summary.complete
    assert len(summary.done) == 16
    assert shot.digests() == shot.digests("alone")
    assert not shot.leftovers()
    processes = {record["process"] for record in read_manifest(shot.out) if record["kind"] == "frame"}
    assert processes, "the books say who made each frame"
    assert os.getpid() not in processes


def test_a_damaged_frame_fails_alone_on_a_cluster_too(shot: Folder, look: Preset, cluster: Any) -> None:
    (shot.clean / "arch.1002.exr").write_bytes(b"junk")
    summary = run_frames(shot.tasks(), look, maker=Cluster(look, cluster.scheduler_address))
    assert [failure.error.code for failure in summary.failed] == ["E-READ-OPEN"]
    assert len(summary.done) == 3


def test_workers_that_were_begun_in_another_folder_read_what_was_named_here(
    shot: Folder, cluster: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(shot.root)
    (shot.root / "night.toml").write_text(
        'format = 1\npreset = "jerlov-1c"\n[shots.a]\nbeauty = "clean/arch.####.exr"\nout = "farm/"\n'
    )
    on = ("--scheduler", cluster.scheduler_address, "--no-check")
    for command in (
        ("apply", "jerlov-1c", "clean/arch.####.exr", "--depth", "clean/arch.####.exr", "--out", "wet/"),
        ("farm", "run", "night.toml"),
    ):
        with pytest.raises(SystemExit) as caught:
            run([*command, *on])
        assert not caught.value.code
    assert len(list((shot.root / "wet").glob("*.exr"))) == len(list((shot.root / "farm").glob("*.exr"))) == 4


def test_tasks_that_name_files_from_this_folder_are_made_by_workers_begun_in_another(
    shot: Folder, look: Preset, cluster: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(shot.root)
    (shot.clean / "arch.1003.exr").write_bytes(b"junk")
    clean = "clean/arch.####.exr"
    tasks = plan_tasks(clean, depth=clean, passes={"rope": clean}, out="wet/")
    assert not tasks[0].beauty.is_absolute()
    summary = run_frames(tasks, look, maker=Cluster(look, cluster.scheduler_address))
    assert sorted(record.out for record in summary.done) == [tasks[place].out for place in (0, 1, 3)]
    assert [failure.task.out for failure in summary.failed] == [tasks[2].out]
    assert not summary.not_begun
    again = run_frames(tasks, look, resume=True)
    assert (len(again.kept), len(again.failed)) == (3, 1)


def test_every_file_of_a_task_can_be_named_from_the_root(
    shot: Folder, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(shot.root)
    clean = "clean/arch.####.exr"
    near, far = (
        plan_tasks(f"{folder}{clean}", depth=f"{folder}{clean}", passes={"rope": f"{folder}{clean}"}, out=out)
        for folder, out in (("", "wet/"), (f"{Path.cwd()}/", f"{Path.cwd()}/wet/"))
    )
    assert near != far
    assert [task.from_the_root() for task in near] == far


def test_a_scheduler_that_does_not_answer_is_told(
    shot: Folder, look: Preset, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "CONNECT_SECONDS", 1)
    with pytest.raises(JobError, match="no scheduler answers") as caught:
        run_frames(shot.tasks(), look, maker=Cluster(look, "tcp://127.0.0.1:9"))
    assert (caught.value.code, caught.value.where) == ("E-JOB-SCHEDULER", "tcp://127.0.0.1:9")
    assert not shot.leftovers()


def test_workers_of_another_version_are_refused(
    shot: Folder, look: Preset, cluster: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "__version__", "9.9")
    with pytest.raises(JobError, match=r"has halocline .*, this is 9\.9"):
        run_frames(shot.tasks(), look, maker=Cluster(look, cluster.scheduler_address))


class _Asked:
    """A scheduler's client whose workers answer so, the one time and the next."""

    def __init__(self, *answers: dict[str, object]) -> None:
        self.answers = list(answers)

    def run(self, _function: object, *, on_error: str) -> dict[str, object]:
        assert on_error == "return"
        return self.answers.pop(0)

    def wait_for_workers(self, _count: int, *, timeout: float) -> None:
        assert timeout > 0


LOST = distributed.core.CommClosedError("Stream is closed")


def test_a_worker_that_dies_as_it_is_asked_is_one_less() -> None:
    module._check_workers(_Asked({"a": LOST, "b": __version__}), "tcp://here")
    module._check_workers(_Asked({"a": LOST}, {"b": __version__}), "tcp://here")


@pytest.mark.parametrize(
    ("answers", "told"),
    [
        ([{"a": LOST}] * 3, "has no workers"),
        ([{"a": LOST, "b": "9.9"}], r"worker b has halocline 9\.9"),
        ([{"a": ModuleNotFoundError("no halocline")}], r"worker a cannot run halocline \(no halocline\)"),
    ],
)
def test_workers_that_cannot_serve_are_told(answers: list[dict[str, object]], told: str) -> None:
    with pytest.raises(JobError, match=told):
        module._check_workers(_Asked(*answers), "tcp://here")


def test_without_dask_the_error_says_how_to_install_it(
    shot: Folder, look: Preset, monkeypatch: pytest.MonkeyPatch
) -> None:
    import sys

    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(JobError, match=r"dask\.distributed is not installed") as caught:
        run_frames(shot.tasks(), look, maker=Cluster(look, "tcp://127.0.0.1:9"))
    assert "halocline[dask]" in str(caught.value)
