"""What a command costs before its first pixel: processor time against importing what every command needs.

Each figure is the processor time of a whole command, best of three, as a ratio to a reference that is
measured in the same run. What is kept on disk has been made by a run before, as on any machine in use.
"""

from __future__ import annotations

import os
import resource
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np
import OpenImageIO as oiio

REFERENCE = "import numpy, scipy.interpolate, OpenImageIO"
ROUNDS = 3
ROWS, COLUMNS = 90, 160
# The most that is wanted of each, as ratios.
WANTED = {"help": 0.2, "show fjord-afternoon": 1.2, "frame, plain water": 1.5, "frame, fjord-afternoon": 2.5}


def main() -> None:
    """Print the table."""
    with tempfile.TemporaryDirectory() as folder:
        # As installed: the bytecode of every module is there.
        os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
        os.environ["PYTHONPYCACHEPREFIX"] = f"{folder}/bytecode"
        clean = Path(folder) / "clean.exr"
        write_frame(clean)
        commands = {
            "help": ["--help"],
            "show fjord-afternoon": ["preset", "show", "fjord-afternoon"],
            "frame, plain water": apply_command("jerlov-1c", clean, folder),
            "frame, fjord-afternoon": apply_command("fjord-afternoon", clean, folder),
        }
        reference = [sys.executable, "-c", REFERENCE]
        for command in (reference, *map(halocline, commands.values())):
            seconds(command)
        best = {name: float("inf") for name in ("", *commands)}
        for _ in range(ROUNDS):
            best[""] = min(best[""], seconds(reference))
            for name, command in commands.items():
                best[name] = min(best[name], seconds(halocline(command)))
    print(f"start of a command: processor time, best of {ROUNDS}; reference {best['']:.2f} s: {REFERENCE}")
    for name, most in WANTED.items():
        print(f"  {name:24} {best[name] / best['']:5.2f}   wanted {most}")


def apply_command(preset: str, clean: Path, folder: str) -> list[str]:
    """Return the arguments that render the frame."""
    return ["apply", preset, str(clean), "--out", f"{folder}/wet.exr", "--overwrite", "--threads", "1"]


def halocline(arguments: list[str]) -> list[str]:
    """Return the command as one process, as the installed script starts it."""
    return [sys.executable, "-c", "from halocline.cli.main import main; main()", *arguments]


def seconds(command: list[str]) -> float:
    """Return the processor seconds of a command and all it starts."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run(command, check=True, capture_output=True, env=os.environ)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def write_frame(path: Path) -> None:
    """Write a small render with depth: a wall that leans away."""
    pixels = np.full((ROWS, COLUMNS, 5), 0.2, np.float32)
    pixels[..., 3] = 1.0
    pixels[..., 4] = np.linspace(12.0, 2.0, ROWS, dtype=np.float32)[:, np.newaxis]
    spec = oiio.ImageSpec(COLUMNS, ROWS, 5, "float")
    spec.channelnames = ("R", "G", "B", "A", "Z")
    image = oiio.ImageBuf(spec)
    image.set_pixels(oiio.ROI(), pixels)
    if not image.write(str(path)):
        raise OSError(image.geterror())


if __name__ == "__main__":
    main()
