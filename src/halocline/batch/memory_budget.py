"""How many processes and threads a machine carries, from its cores and its memory, not from hope.

The estimate counts planes: those a frame is read into, those of its result, and the whole pictures that
operators which look around a pixel need. It is where a job begins; what its first frame really took decides
how it goes on (see `halocline.batch.workers`). benchmarks/throughput.py compares the two.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

from halocline.batch.frame_task import planes_of_look
from halocline.batch.layers import planes_held, wanted_of
from halocline.batch.task import FrameTask, input_spec_of
from halocline.compute.planes_on_disk import RESIDENT_BYTES, room_on_disk
from halocline.compute.threads import processors
from halocline.errors import HaloclineError, JobError
from halocline.graph.engine import TILE_PIXELS, Evaluation
from halocline.graph.graph import Graph
from halocline.graph.operator import Operator
from halocline.imaging.deep_load import HELD_SAMPLES
from halocline.imaging.exr import Header, file_threads, read_header
from halocline.imaging.exr_write import ROWS_WRITTEN
from halocline.imaging.input_spec import SECOND_SURFACE
from halocline.imaging.survey import planes_in
from halocline.late_dataclass import dataclass
from halocline.presets.preset import Look, Preset

# A process before its first frame: the interpreter, its libraries, the preset (measured: 190 to 260 MB).
PROCESS_BYTES = 300 << 20
# Of what is estimated, what frames use at least: measured, .65 and .67 of it (full and plain look at UHD).
_SURELY_USED = 0.5
# Of the memory that is free now, what a job takes unless told: the system and others need some.
SHARE_OF_FREE = 0.8
# From here on a process for each processor makes the most frames: on 16, a plain UHD frame took 0.57 s of one
# process, which keeps 3 of them busy, and 0.12 s of 16 processes, for a tenth more processor time each. With
# fewer one process does, and needs least memory.
_MANY_PROCESSORS = 4
_PLANE_BYTES = 4
# Channels of passes by family or name; of all others three are reckoned with.
_CHANNELS = {"matte": 1, **dict.fromkeys(SECOND_SURFACE, 1)}
# Planes alive in one tile at once, beyond the pictures themselves.
_TILE_PLANES = 40
# For each byte of a deep file, what its samples take in memory while they are read, and what becomes of them
# beside that: measured, some 90 bytes each where they are written deep, of about 9 in the file.
_DEEP_READ_BYTES, _DEEP_WET_BYTES = 6, 4
# Of a deep picture that is not held, a few rows are; while it is read, as many samples as may be held.
_DEEP_HELD_BYTES = 48 * HELD_SAMPLES
# Rows that are made at once with what floats as samples of its own, and what each of their pixels takes:
# measured, 6.9 kB of 50 ranges and the samples between them.
_FLOATING_ROWS, _FLOATING_BYTES = 16, 7000
# Planes beside the bands that a step holds which looks its input over; the same where frames are written by
# rows, as then no light is held: measured, 28 bytes a pixel in all for six bands.
_LOOKED_OVER, _LOOKED_OVER_BY_ROWS = 11, 1
# More where other steps look around a pixel too and work on copies: measured, 10 with a halo in bands.
_COPIES = 12
# Of each pixel where planes are on disk, what is in memory for a while: measured at 16384 x 8192.
_PASSING_BYTES = 4
# What the allocator holds beyond what is asked of it.
_SLACK = 1.06
# What codecs, libraries and the look's own tables use beside that: the share of a small frame, and the most.
_BESIDE_SHARE, _BESIDE_MOST = 0.3, 120 << 20


@dataclass(frozen=True)
class Sizing:
    """How a job is spread over one machine.

    Attributes
    ----------
    processes, threads
        Processes, and computing threads in each.
    overlapped
        Whether each process reads ahead and writes behind.
    tile_rows
        Rows of a tile where memory is too short for the usual; None otherwise.
    by_rows
        Whether frames are written as they are computed, and never held whole.
    whole
        What of a frame is held whole even so, in words.
    on_disk
        Bytes of planes that are kept on disk beside the output while a frame is made; 0 where all are in
        memory.
    process_bytes, budget_bytes
        Estimated peak of each process; what all together may use.
    """

    processes: int
    threads: int
    overlapped: bool
    tile_rows: int | None
    process_bytes: int
    budget_bytes: int
    by_rows: bool = False
    whole: str = ""
    on_disk: int = 0

    @property
    def surely_used(self) -> int:
        """Bytes that a process will have used before its first frame is done; none where few are held."""
        return 0 if self.on_disk or self.by_rows else int(_SURELY_USED * self.process_bytes)

    @property
    def evaluation(self) -> Evaluation:
        """Threads and tiles of one process."""
        return Evaluation(self.threads, self.tile_rows, self.by_rows, on_disk=bool(self.on_disk))

    def __str__(self) -> str:
        plural = "es" if self.processes > 1 else ""
        ahead = "reading ahead, writing behind" if self.overlapped else "one frame at a time"
        if self.on_disk:
            ahead += ", written as it is computed, "
            ahead += f"planes on disk: {gibibytes(self.on_disk)} beside the output"
        elif self.by_rows:
            ahead += f", written as it is computed ({self.whole} held whole)"
        return (
            f"{self.processes} process{plural} of {self.threads} thread{'s' if self.threads > 1 else ''}, "
            f"{ahead}; about {gibibytes(self.processes * self.process_bytes)} of the "
            f"{gibibytes(self.budget_bytes)} allowed"
        )


@dataclass(frozen=True)
class FrameNeed:
    """Bytes that one frame needs in each stage.

    Attributes
    ----------
    pixels, width
        Of its window.
    read, compute, write
        To read it, beside that to compute it, and to write it.
    held
        What steps that look around a pixel hold of the whole picture where it is written by rows.
    read_on
        Of what is read, what is kept until all is written.
    row
        For one row of the result; None where it cannot be written by rows.
    plane_bytes
        Of one plane, of all views that are in memory at once.
    looking
        Names of the steps that hold something of the whole picture.
    in_one
        Why it cannot be written by rows; empty where it can.
    planes
        What of ``read`` and ``held`` can be on disk where it is written by rows.
    """

    pixels: int
    width: int
    read: int
    compute: int
    write: int
    held: int = 0
    read_on: int = 0
    row: int | None = None
    plane_bytes: int = 0
    looking: tuple[str, ...] = ()
    in_one: str = ""
    planes: int = 0

    @property
    def whole(self) -> str:
        """What is held whole where it is written by rows, in words."""
        steps = ", ".join(self.looking)
        return f"what is read, and the picture for {steps}, are" if steps else "what is read is"

    def peak(
        self,
        *,
        overlapped: bool,
        threads: int,
        tile_rows: int | None,
        by_rows: bool = False,
        on_disk: bool = False,
    ) -> int:
        """Return the estimated peak of a process."""
        rows = tile_rows or max(1, TILE_PIXELS // self.width)
        tiles = threads * rows * self.width * _TILE_PLANES * _PLANE_BYTES
        # Reading and computing hold the inputs; what is computed is then written, without them.
        stages = (
            2 * self.read + self.compute + self.write
            if overlapped
            else max(self.read + self.compute, self.read_on + self.write)
        )
        if by_rows and self.row is not None:
            held = self.read + self.held
            if on_disk and self.planes:
                held = max(0, held - self.planes) + RESIDENT_BYTES + _PASSING_BYTES * self.pixels
            stages = held + ROWS_WRITTEN * self.row
        asked = stages + tiles
        return PROCESS_BYTES + int(_SLACK * asked + min(_BESIDE_SHARE * asked, _BESIDE_MOST))

    def least(self, *, on_disk: bool) -> int:
        """Return the estimated peak of a process that takes as little as it can."""
        return self.peak(overlapped=False, threads=1, tile_rows=1, by_rows=True, on_disk=on_disk)


def size_job(
    tasks: Sequence[FrameTask],
    preset: Preset,
    *,
    processes: int | None = None,
    threads: int | None = None,
    memory_bytes: int | None = None,
    held_bytes: int = 0,
) -> Sizing:
    """Choose processes, threads and overlap for a job.

    Parameters
    ----------
    tasks, preset
        The frames; the first that can be opened stands for all.
    processes, threads
        Where stated they are kept, if memory allows; threads are those of each process.
    memory_bytes
        What the job may use; a share of what is free where not given.
    held_bytes
        What is not free now, but will be at the job's disposal.

    Raises
    ------
    JobError
        ``E-JOB-MEMORY`` where even one frame at a time needs more than the budget.
    """
    budget = memory_bytes
    if budget is None:
        budget = int(SHARE_OF_FREE * (free_memory_bytes() + held_bytes))
    cores = processors()
    need = frame_need(tasks, preset)
    alone = threads or (1 if cores >= _MANY_PROCESSORS else cores)
    wanted = processes or max(1, round(cores / alone))
    count = max(1, min(wanted, len(tasks)))
    if need is None:
        # No frame can be opened: there will be nothing to compute.
        return Sizing(1, threads or cores, True, None, PROCESS_BYTES, budget)
    room = room_on_disk(tasks[0].out.parent)
    # What is let go only from some size on helps no small frame.
    helps = need.least(on_disk=True) < need.least(on_disk=False)
    on_disk = need.planes if helps and need.planes <= room else 0
    while True:
        for shape in _shapes(count, threads or max(1, round(cores / count)), on_disk):
            peak = need.peak(
                overlapped=shape.overlapped,
                threads=shape.threads,
                tile_rows=shape.tile_rows,
                by_rows=shape.by_rows,
                on_disk=bool(shape.on_disk),
            )
            if count * peak <= budget:
                return replace(shape, process_bytes=peak, budget_bytes=budget, whole=need.whole)
        if count == 1:
            raise _too_little(peak, budget, need, room if helps else None)
        count -= 1


def least_memory(tasks: Sequence[FrameTask], preset: Preset) -> int | None:
    """Estimate what one process takes that makes one frame at a time.

    Parameters
    ----------
    tasks, preset
        The frames; the first that can be opened stands for all.

    Returns
    -------
    int | None
        Bytes, with its interpreter; None where no frame can be opened.
    """
    need = frame_need(tasks, preset)
    return None if need is None else need.peak(overlapped=False, threads=1, tile_rows=None)


def refuse_oversize(task: FrameTask, preset: Preset, budget_bytes: int, *, on_disk: bool = False) -> None:
    """Refuse a frame that alone needs more than the budget, judged by its header before anything is read.

    Parameters
    ----------
    task, preset
        The frame and the look.
    budget_bytes
        What the frame may use.
    on_disk
        Whether its planes are kept on disk.

    Raises
    ------
    JobError
        ``E-JOB-MEMORY``.
    """
    need = frame_need([task], preset)
    if need is None:
        return
    peak = need.least(on_disk=on_disk)
    # The process is there already; what counts is what the frame adds.
    if peak - PROCESS_BYTES > budget_bytes:
        raise JobError(
            f"its header asks for {need.pixels / 1e6:.0f} million pixels, which take about "
            f"{gibibytes(peak)}; the job may use {gibibytes(budget_bytes)}",
            code="E-JOB-MEMORY",
            where=str(task.beauty),
            fix="If the picture is that large, allow more with --memory; if not, the file is damaged.",
        )


def frame_need(tasks: Sequence[FrameTask], preset: Preset) -> FrameNeed | None:
    """Estimate what a frame needs, from the headers of the first frame that can be opened."""
    for task in tasks:
        with suppress(HaloclineError):
            headers = [read_header(path) for path in task.files]
            spec = input_spec_of(task, preset)
            look = preset.at(task.frame)
            needed, useful = planes_of_look(look)
            extra = needed | planes_in(task.files, spec, useful)
            # rgb, alpha, range; three more where pixels mix two surfaces, or where normals are fitted.
            planes = 3 + 1 + 1 + 3 + sum(_CHANNELS.get(name.partition(".")[0], 3) for name in extra)
            planes += 3 if spec.fit_surfaces and "normal" not in extra else 0
            output = look.output
            of_each = [(graph, look.bands.count) for graph in look.graphs]
            compressed = output.gamut_compression not in (None, "none")
            layers = max(
                planes_held(
                    graph,
                    wanted_of(graph, look.graphs, output.layers),
                    count,
                    compressed=compressed,
                )
                for graph, count in of_each
            )
            # Colours in another space, or compressed, are a picture of their own.
            layers += 3 if compressed or output.colour_space is not None else 0
            whole = max(_held_whole(graph, count, _LOOKED_OVER) for graph, count in of_each)
            # Each look is made by itself; what is joined so far, how much of it there is, and the picture of
            # which pixels show one part alone lie beside it.
            whole += 2 * (4 + layers) + 12 if look.parts else 0
            # A deep render is made flat as a whole.
            deep = any(part.deep for header in headers for part in header.parts)
            in_one = _made_in_one(look, deep=deep)
            by_rows = max(_held_whole(graph, count, _LOOKED_OVER_BY_ROWS) for graph, count in of_each)
            need = _need(headers, planes, 4 + layers, whole, None if in_one else by_rows)
            kept = 0
            if not (deep or in_one or output.deep):
                # Beside what stays of what is read, the depth pass and one plane that is made of it.
                kept = (planes + 2) * need.plane_bytes + (need.held if _only_survey(look) else 0)
            # They are made while they are written.
            floating = _FLOATING_ROWS * _FLOATING_BYTES * need.width * output.floating_samples
            return replace(
                need,
                write=need.write + floating,
                held=need.held + floating,
                # Samples are computed as they are written.
                read_on=need.read if output.deep else 0,
                looking=tuple(dict.fromkeys(name for graph in look.graphs for name in _looking(graph))),
                in_one=in_one,
                planes=kept,
            )
    return None


def _made_in_one(look: Look, *, deep: bool) -> str:
    """Return why a frame is made whole before any of it is written; nothing where it need not be."""
    if look.output.element:
        return "an element"
    if look.parts:
        return "a look for parts of the picture"
    return "a deep render that is written flat" if deep is not look.output.deep else ""


def _looking(graph: Graph) -> Iterator[str]:
    """Yield the names of steps that may hold something of the whole picture."""
    for step in graph.steps:
        if type(step.operator).reach is not Operator.reach:
            yield step.name


def _need(headers: list[Header], planes: int, result: int, whole: int, by_rows: int | None) -> FrameNeed:
    window = headers[0].parts[0].data_window.union(headers[0].parts[0].display_window)
    views = max(
        1, sum(any(name.rpartition(".")[2] == "R" for name in part.channels) for part in headers[0].parts)
    )
    pixels = window.width * window.height
    plane = pixels * _PLANE_BYTES * min(views, 2)
    # Scan lines are read a few at a time; of a row of tiles, the decoder's own copy of the widest run of
    # channels lies beside the planes.
    tiled = [part for header in headers for part in header.parts if part.tiled and not part.deep]
    rows = max((min(part.rows_together, window.height) for part in tiled), default=0)
    decoded = 4 * rows * window.width * _PLANE_BYTES * file_threads()
    deep = sum(header.path.stat().st_size for header in headers if any(part.deep for part in header.parts))
    return FrameNeed(
        pixels=pixels,
        width=window.width,
        read=planes * plane + decoded + min(_DEEP_READ_BYTES * deep, _DEEP_HELD_BYTES),
        compute=(result + whole) * plane + _DEEP_WET_BYTES * deep,
        write=result * plane + result * plane // 2 + _DEEP_WET_BYTES * deep,
        held=(by_rows or 0) * plane,
        plane_bytes=plane,
        # A plane, its copy as it is delivered, and as the file has it; and its samples.
        row=None
        if by_rows is None
        else 3 * result * window.width * _PLANE_BYTES + _DEEP_WET_BYTES * deep // window.height,
    )


def _held_whole(graph: Graph, bands: int, looked_over: int) -> int:
    """Return how many planes operators that may need pixels around a pixel hold whole.

    Those that only look their inputs over hold so many (``looked_over``) beside the bands. Of those that work
    on copies, such as water layers and ports, some 8 planes were measured beside what is read, and no more of
    two of them than of one: they count like those, and by themselves where there are both.
    """
    names = set(_looking(graph))
    surveys = {step.operator.surveys for step in graph.steps if step.name in names}
    if not surveys:
        return 0
    return bands + (looked_over if True in surveys else _LOOKED_OVER) + (_COPIES if len(surveys) > 1 else 0)


def _only_survey(look: Look) -> bool:
    """Tell whether steps that look around a pixel only look their input over: what they hold is planes."""
    return all(
        step.operator.surveys
        for graph in look.graphs
        for step in graph.steps
        if type(step.operator).reach is not Operator.reach
    )


def _shapes(count: int, threads: int, on_disk: int) -> list[Sizing]:
    """Return ways to run that many processes, the fastest first; tiles shrink where all else is done.

    Planes of so many bytes may go to disk, if any.
    """
    ways: list[tuple[bool, int | None, bool, int]] = [(True, None, False, 0), (False, None, False, 0)]
    if count == 1:
        ways += [(False, None, True, 0), (False, 1, True, 0)]
        ways += [(False, None, True, on_disk), (False, 1, True, on_disk)] if on_disk else []
    return [
        Sizing(count, threads, overlapped, rows, 0, 0, by_rows, on_disk=disk)
        for overlapped, rows, by_rows, disk in ways
    ]


def _too_little(peak: int, budget: int, need: FrameNeed, room: int | None) -> JobError:
    """Tell of a frame that does not fit; ``room`` is that on disk where planes there would help."""
    whole = f"{need.in_one} is made whole" if need.in_one else f"{need.whole} held whole"
    if room is not None and need.planes > room:
        whole += f"; on disk its planes would take {gibibytes(need.planes)}, "
        whole += f"and there is room for {gibibytes(room)} beside the output"
    elif room is not None:
        whole = f"with {gibibytes(need.planes)} of planes on disk already"
    return JobError(
        f"one frame at a time needs about {gibibytes(peak)}, the job may use {gibibytes(budget)}; {whole}",
        code="E-JOB-MEMORY",
        fix="Allow more with --memory, or close what else runs on this machine.",
    )


def free_memory_bytes() -> int:
    """Return the memory that is free to use now: the machine's, and its container's."""
    free = [os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES")]
    with suppress(OSError, ValueError, StopIteration):
        lines = Path("/proc/meminfo").read_text(encoding="ascii").splitlines()
        available = next(line for line in lines if line.startswith("MemAvailable"))
        free.append(int(available.split()[1]) * 1024)
    with suppress(OSError, ValueError):
        limit = int(Path("/sys/fs/cgroup/memory.max").read_text(encoding="ascii"))
        used = int(Path("/sys/fs/cgroup/memory.current").read_text(encoding="ascii"))
        free.append(limit - used)
    return min(free)


def gibibytes(count: int) -> str:
    """Return a number of bytes as people read it."""
    return f"{count / (1 << 30):.1f} GiB" if count >= 1 << 29 else f"{count / (1 << 20):.0f} MiB"


def parse_memory(text: str) -> int:
    """Read an amount of memory: ``8G``, ``512M``, ``1.5 GiB``, bytes.

    Parameters
    ----------
    text
        The amount.

    Returns
    -------
    int
        Bytes, at least 1.

    Raises
    ------
    JobError
        ``E-JOB-MEMORY``.
    """
    scales = {"": 1, "K": 1 << 10, "M": 1 << 20, "G": 1 << 30, "T": 1 << 40}
    found = re.fullmatch(r"\s*(\d+(?:\.\d*)?)\s*([KMGT]?)i?B?\s*", text, re.IGNORECASE | re.ASCII)
    amount = float(found[1]) * scales[found[2].upper()] if found else 0.0
    if not 1 <= amount < 1 << 60:
        raise JobError(
            f'"{text}" is no amount of memory',
            code="E-JOB-MEMORY",
            where="--memory",
            fix="Write it as 8G or 512M.",
        )
    return int(amount)
