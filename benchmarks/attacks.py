"""Damaged and hostile files by the thousand: what comes of them, counted.

    python -m benchmarks.attacks [--cases 2000] [--kinds exr preset job] [--seed 1] [--keep FOLDER]

Each case is a good file with a few things changed at random: bytes set, runs copied, cut out or doubled,
numbers in the header made huge, or, in text, words, brackets, numbers and keys exchanged. Reading it (and,
for a frame, rendering and writing it) must end well or in an error of the family, within 20 processor
seconds and 4 GiB. Anything else is printed with its seed, kept where asked, and makes the exit status 1.
Cases run in processes of their own, so that a crash is counted and not the end.
"""

from __future__ import annotations

import argparse
import os
import random
import re
import resource
import signal
import sys
import tempfile
import traceback
from collections import Counter
from collections.abc import Callable
from pathlib import Path

import numpy as np

from halocline.batch.frame_task import read_inputs, render, write_result
from halocline.batch.job_file import read_job
from halocline.batch.memory_budget import refuse_oversize
from halocline.batch.plan_tasks import plan_shot
from halocline.errors import HaloclineError
from halocline.graph.engine import Evaluation
from halocline.imaging.exr import Attribute, Part, set_file_threads
from halocline.imaging.exr_write import PartPixels, write_exr
from halocline.imaging.frame import Window
from halocline.presets.preset import Preset, load_preset

SECONDS, BYTES = 20, 4 << 30
TOGETHER = 50
HUGE = (0, 1, 0x7F, 0x80, 0xFF, 0x7FFFFFFF, 0x80000000, 0xFFFFFFFF, 0x7F800000, 0x7FC00000)
NUMBERS = (
    "nan",
    "inf",
    "-inf",
    "1e999",
    "-0",
    "0",
    "1e-320",
    "9" * 23,
    "9" * 400,
    "1e400",
    "true",
    "''",
    "[]",
)
WORDS = (
    *NUMBERS,
    *("{}", "[[]]", "[0]", "{a=1}", '"x"', '"12 ft"', '"1 e"', "'\\u001b[31m'", "1979-05-27", "0x1p3"),
    *("water", "steps", "light", "story", "format", "extends", "operator", "frame", "value", "after"),
    *('"../../../../etc/passwd"', '"/dev/zero"', '"/proc/self/mem"', '"jerlov-1c"', '"self"', '"\\u0000"'),
)
JOB = """format = 1
title = "Night"
preset = "jerlov-1c"
set = ["light.overcast=0.5"]

[defaults]
missing = "hold"
threads = 2
memory = "2G"

[shots.arch_010]
beauty = "clean/arch.####.exr"
out = "wet/010/"
frames = "1001-1002"
layers = ["transmittance"]

[shots."bogen 020"]
beauty = "clean/arch.####.exr"
out = "wet/020.####.exr"
passes = { arch = "clean/arch.####.exr" }
"""


def mutated_bytes(data: bytes, chance: random.Random) -> bytes:
    """Return a file with one to six things changed, most of them in its header."""
    found = bytearray(data)
    for _ in range(chance.randint(1, 6)):
        size = len(found)
        at = chance.randrange(min(size, 1200) if chance.random() < 0.7 else size)
        match chance.randrange(6):
            case 0:
                found[at] = chance.randrange(256)
            case 1:
                found[at] ^= 1 << chance.randrange(8)
            case 2:
                found[at : at + 4] = chance.choice(HUGE).to_bytes(4, "little")
            case 3:
                del found[at : at + chance.randint(1, 40)]
            case 4:
                found[at:at] = found[at : at + chance.randint(1, 40)]
            case _:
                other = chance.randrange(size)
                length = chance.randint(1, 60)
                found[at : at + length] = found[other : other + length]
        if len(found) < 8:
            return bytes(found)
    return bytes(found)


def mutated_text(text: str, chance: random.Random) -> bytes:
    """Return a text with one to five words, signs, lines or bytes changed."""
    for _ in range(chance.randint(1, 5)):
        tokens = re.findall(r"[\w.-]+|\s+|[^\w\s]", text)
        at = chance.randrange(len(tokens))
        match chance.randrange(6):
            case 0:
                tokens[at] = chance.choice(WORDS)
            case 1:
                tokens[at] = chance.choice(tokens)
            case 2:
                del tokens[at : at + chance.randint(1, 5)]
            case 3:
                numbers = [index for index, token in enumerate(tokens) if re.fullmatch(r"-?[\d.]+", token)]
                if numbers:
                    tokens[chance.choice(numbers)] = chance.choice(NUMBERS)
            case 4:
                lines = text.splitlines(keepends=True)
                lines.insert(chance.randrange(len(lines)), chance.choice(lines))
                tokens = lines
            case _:
                tokens[at] = tokens[at] * chance.choice((2, 50))
        text = "".join(tokens) or "x"
    data = text.encode()
    if chance.random() < 0.1:
        data = mutated_bytes(data, chance)
    return data


def exr_case(folder: Path) -> Callable[[random.Random], tuple[bytes, str]]:
    """Return what makes a damaged frame; written and rendered as a job does."""
    good = []
    window = Window(-2, 0, 24, 14)
    down, across = np.mgrid[0:14, 0:24].astype(np.float32)
    planes = {
        **dict.fromkeys("RGB", 0.2 + 0.01 * across),
        "A": np.clip(20 - across, 0, 1),
        "Z": 2 + down,
        **{f"N.{axis}": np.ones_like(down) for axis in "XYZ"},
    }
    attributes = {
        "worldToCamera": Attribute("matrix", tuple(np.eye(4).ravel().tolist())),
        "framesPerSecond": Attribute("rational", (24, 1)),
        "comments": Attribute("string", "the drowned arch"),
        "chromaticities": Attribute("chromaticities", (0.64, 0.33, 0.3, 0.6, 0.15, 0.06, 0.3127, 0.329)),
    }
    for compression in ("none", "zip", "piz", "dwaa"):
        part = Part(
            index=0,
            name="",
            view="",
            channels=dict.fromkeys(planes, "half" if compression != "none" else "float"),
            data_window=window,
            display_window=Window(0, 0, 20, 14),
            compression=compression,
            attributes=attributes,
        )
        path = folder / f"good-{compression}.exr"
        write_exr(path, [PartPixels(part, planes)])
        good.append(path.read_bytes())
    return lambda chance: (mutated_bytes(chance.choice(good), chance), "clean.1.exr")


def try_exr(path: Path, look: Preset) -> None:
    """Read, render and write a frame as a job does."""
    plan = plan_shot(path, out=str(path.parent / "wet") + "/", overwrite=True)
    for task in plan.tasks:
        (path.parent / "wet").mkdir(exist_ok=True)
        refuse_oversize(task, look, BYTES // 2)
        write_result(render(read_inputs(task, look), look, Evaluation(1)), look)


def try_preset(path: Path, _look: Preset) -> None:
    """Load a preset as every command does."""
    found = load_preset(str(path))
    found.at(0)
    assert found.digest


def try_job(path: Path, _look: Preset) -> None:
    """Read a job and plan its shots, as `farm check` does."""
    for shot in read_job(path).shots:
        for step in (shot.load_preset, shot.plan):
            try:
                step()
            except HaloclineError:
                continue


def text_cases(texts: list[str], name: str) -> Callable[[random.Random], tuple[bytes, str]]:
    """Return what makes a mutated text."""
    return lambda chance: (mutated_text(chance.choice(texts), chance), name)


def campaign(
    kind: str,
    cases: int,
    seed: int,
    make: Callable[..., tuple[bytes, str]],
    attempt: Callable[..., None],
    keep: Path | None,
) -> Counter[str]:
    """Try so many cases, some in each process, and count what came of them."""
    found: Counter[str] = Counter()
    look = load_preset("jerlov-1c")
    first = 0
    while first < cases:
        receiving, sending = os.pipe()
        pid = os.fork()
        if pid == 0:
            os.close(receiving)
            _bound()
            for case in range(first, min(first + TOGETHER, cases)):
                os.write(sending, f"{case} begun\n".encode())
                os.write(sending, f"{case} {_tried(make, attempt, look, seed + case, keep, kind)}\n".encode())
            os._exit(0)
        os.close(sending)
        with os.fdopen(receiving) as told:
            lines = [line.split(" ", 1) for line in told.read().splitlines()]
        status = os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1])
        results = [(int(case), what) for case, what in lines if what != "begun"]
        found.update(what for _, what in results)
        for case, what in results:
            if not what.startswith(("good", "refused")):
                print(f"{kind} seed {seed + case}: {what}", flush=True)
        first = max((int(case) for case, _ in lines), default=first) + 1
        if status:
            found["crashed"] += 1
            print(f"{kind} seed {seed + first - 1}: the process ended with {status}", flush=True)
    return found


def _bound() -> None:
    def late(*_: object) -> None:
        raise TimeoutError(f"more than {SECONDS} processor seconds, or ten times that by the clock")

    signal.signal(signal.SIGALRM, late)
    signal.signal(signal.SIGPROF, late)
    # Addresses that the libraries' threads have set aside count too, and on many processors they are many.
    held = int(Path("/proc/self/statm").read_text().split()[0]) * resource.getpagesize()
    resource.setrlimit(resource.RLIMIT_AS, (held + BYTES, held + BYTES))


def _tried(
    make: Callable[..., tuple[bytes, str]],
    attempt: Callable[..., None],
    look: Preset,
    seed: int,
    keep: Path | None,
    kind: str,
) -> str:
    data, name = make(random.Random(seed))
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / name
        path.write_bytes(data)
        signal.setitimer(signal.ITIMER_PROF, SECONDS)
        signal.alarm(10 * SECONDS)
        try:
            attempt(path, look)
        except HaloclineError as error:
            return f"refused {error.code}"
        except BaseException as error:
            if keep is not None:
                (keep / f"{kind}-{seed}-{name}").write_bytes(data)
            last = traceback.extract_tb(error.__traceback__)[-1]
            return f"{type(error).__name__}: {str(error)[:100]!r} at {Path(last.filename).name}:{last.lineno}"
        finally:
            signal.setitimer(signal.ITIMER_PROF, 0)
            signal.alarm(0)
    return "good"


def main() -> None:
    """Run the campaigns and print the counts."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--cases", type=int, default=2000)
    parser.add_argument(
        "--kinds", nargs="+", default=["exr", "preset", "job"], choices=["exr", "preset", "job"]
    )
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--keep", type=Path, help="folder for the files that did harm")
    asked = parser.parse_args()
    if asked.keep is not None:
        asked.keep.mkdir(parents=True, exist_ok=True)
    # Before the first fork: a pool of threads that a copy does not have cannot be made smaller there.
    set_file_threads(1)
    presets = [path.read_text() for path in sorted((Path(__file__).parents[1] / "presets").glob("*.toml"))]
    harmed = False
    with tempfile.TemporaryDirectory() as name:
        ways = {
            "exr": (exr_case(Path(name)), try_exr),
            "preset": (text_cases(presets, "look.toml"), try_preset),
            "job": (text_cases([JOB], "night.toml"), try_job),
        }
        for kind in asked.kinds:
            found = campaign(kind, asked.cases, asked.seed, *ways[kind], asked.keep)
            good = found.pop("good", 0)
            refused = sum(count for what, count in found.items() if what.startswith("refused"))
            others = sum(found.values()) - refused
            harmed = harmed or bool(others)
            print(
                f"{kind}: {good + refused + others} cases, {good} good, {refused} refused, {others} did harm"
            )
            for what, count in found.most_common():
                print(f"  {count:6} {what}")
    sys.exit(harmed)


if __name__ == "__main__":
    main()
