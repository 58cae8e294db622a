"""Digests of ten looks on one small frame: the same bits where they are promised.

    python -m benchmarks.digests [--compare]

What is written (`tests/reference/digests.json`) holds, for each kind of processor that it was run on, the
digest of every look's picture, and every twelfth pixel of the pictures of one; where looks changed,
processors that were listed before are left out. `--compare` writes nothing and prints how far this machine's
pictures are from those, in steps of half floats (what files hold): run it on another machine to see what
differs there. `tests/reference/test_digests.py` holds them.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import platform
from pathlib import Path
from typing import Any

import llvmlite.binding as llvm
import numpy as np

from halocline._typing import F32
from halocline.batch.arrays import apply
from halocline.presets.preset import load_preset

TABLE = Path(__file__).parents[1] / "tests" / "reference" / "digests.json"
LOOKS = (
    "jerlov-1c",
    "jerlov-7c",
    "night-dive",
    "fjord-archway",
    "fjord-afternoon",
    "far-silhouette",
    "cave-torch",
    "summer-thermocline",
    "dome-port",
    "warm-vent",
)
ROWS, COLUMNS = 54, 96
FRAME = 12
# Every so many pixels of the picture are kept.
STEP = 12


def processor() -> str:
    """Return the kind of this machine's processor, as the compiler names it."""
    return f"{platform.system()} {platform.machine()} {llvm.get_host_cpu_name()}"


def picture(look: str) -> F32:
    """Return the look's picture of the frame: a slope, half covered at one side, and open water."""
    down, across = np.mgrid[0:ROWS, 0:COLUMNS].astype(np.float32)
    alpha = np.clip((COLUMNS - 8 - across) / 8, 0, 1)
    light = np.stack([0.3 * alpha, (0.1 + 0.002 * down) * alpha, 0.2 * alpha], axis=-1)
    range_m = np.where(alpha > 0, 2.0 + 0.2 * down, np.inf)
    return apply(load_preset(look), light, range_m, alpha, frame=FRAME, threads=1).rgb


def digest(pixels: F32) -> str:
    """Return the digest of a picture's bits."""
    return hashlib.sha256(np.ascontiguousarray(pixels, "<f4").tobytes()).hexdigest()


def half_steps(pixels: F32, kept: list[Any]) -> int:
    """Return how many half floats at most lie between a picture and the one that is kept."""
    ours = pixels[::STEP, ::STEP].astype(np.float16)
    theirs = np.asarray(kept, np.float16)
    return int(np.abs(_ordered(ours) - _ordered(theirs)).max())


def _ordered(values: Any) -> Any:
    """Return half floats as whole numbers in the same order."""
    bits = values.view(np.int16).astype(np.int32)
    return np.where(bits < 0, -32768 - bits, bits)


def still_true(known: dict[str, Any], here: str, digests: dict[str, str]) -> dict[str, Any]:
    """Return the processors of a table with this one's digests, less those of pictures that are no more.

    Another processor's stay where it agrees, or where nothing changed here since it was listed.
    """
    unchanged = known.get(here) == digests
    others = {name: theirs for name, theirs in known.items() if unchanged or theirs == digests}
    return others | {here: digests}


def main() -> None:
    """Write the table, or compare."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--compare", action="store_true", help="print differences, write nothing")
    compare = parser.parse_args().compare
    found = {look: picture(look) for look in LOOKS}
    table = json.loads(TABLE.read_text()) if TABLE.exists() else {"processors": {}, "pictures": {}}
    if compare:
        known = table["processors"].get(processor(), {})
        print(f"{processor()}: {'known' if known else 'new'}; numpy {np.__version__}")
        for look, pixels in found.items():
            same = any(digest(pixels) == digests[look] for digests in table["processors"].values())
            steps = half_steps(pixels, table["pictures"][look])
            print(f"  {look:20} {'same bits' if same else f'{steps} half steps at most'}")
        return
    digests = {look: digest(pixels) for look, pixels in found.items()}
    table["processors"] = still_true(table["processors"], processor(), digests)
    # As text that a person compares line by line: a look a line.
    table["pictures"] = {
        look: pixels[::STEP, ::STEP].astype(np.float16).astype(float).tolist()
        for look, pixels in found.items()
    }
    lines = ",\n".join(
        f"  {json.dumps(look)}: {json.dumps(rows)}" for look, rows in table["pictures"].items()
    )
    processors = json.dumps(table["processors"], indent=2)
    TABLE.write_text(f'{{"processors": {processors},\n"pictures": {{\n{lines}\n}}}}\n')


if __name__ == "__main__":
    main()
