"""Write which compiled loops the looks that ship call: what is compiled ahead on a machine that has none.

    python tools/write_loops.py

Every look that has other steps than those before it is put over the small demo frame and over one in memory,
in a process of its own and with nothing on disk but compiled loops. Takes minutes; to be run when loops
are new, gone, or called with other kinds of arguments. A list that is old costs time, never a bit.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import halocline
from halocline.batch.loops_of_looks import LIST, operators_of
from halocline.batch.warm import warm
from halocline.cli import shot
from halocline.cli.main import run
from halocline.compute import kept_loops
from halocline.compute.compiled import Compiled
from halocline.imaging import exr_zip
from halocline.presets.document import shipped_names
from halocline.presets.preset import load_preset

FRAME = Path(halocline.__file__).parent / "demo_frames/arch.1001.exr"


def main() -> None:
    """Write the list, or tell what one look calls."""
    if len(sys.argv) > 1:
        sys.stdout.write(json.dumps(_called(sys.argv[1])) + "\n")
        return
    looks: dict[frozenset[str], list[str]] = {}
    seconds: dict[str, float] = {}
    with tempfile.TemporaryDirectory() as folder:
        for name in shipped_names():
            steps = operators_of(load_preset(name))
            if steps in looks:
                continue
            for kind in Path(folder).glob("[a-z]*"):
                if kind.name != "compiled-loops" and kind.is_dir():
                    shutil.rmtree(kind)
            command = [sys.executable, __file__, name]
            environment = {**os.environ, "HALOCLINE_CACHE": folder}
            done = subprocess.run(command, env=environment, stdout=subprocess.PIPE, text=True, check=True)
            told = json.loads(done.stdout.splitlines()[-1])
            looks[steps] = [json.dumps(each) for each in told["loops"]]
            for loop, spent in told["seconds"]:
                seconds.setdefault(json.dumps(loop), spent)
            sys.stderr.write(f"{name}: {len(told['loops'])} loops\n")
    every = sorted(
        {loop for loops in looks.values() for loop in loops}, key=lambda loop: -seconds.get(loop, 0.0)
    )
    places = {loop: place for place, loop in enumerate(every)}
    lines = [
        json.dumps({"steps": sorted(steps), "loops": sorted(map(places.__getitem__, loops))})
        for steps, loops in looks.items()
    ]
    text = ",\n".join(every), ",\n".join(lines)
    LIST.write_text(f'{{"loops": [\n{text[0]}\n],\n"looks": [\n{text[1]}\n]}}\n', encoding="utf-8")


def _called(name: str) -> dict[str, Any]:
    """Return what a look calls, and how long what was not on disk took to compile."""
    seconds = []
    code_of = kept_loops.code_of

    def timed(loop: Any, kinds: Any) -> Any:
        start = time.thread_time()
        code = code_of(loop, kinds)
        seconds.append(([loop.__module__, loop.__qualname__, kinds], time.thread_time() - start))
        return code

    kept_loops.code_of = timed
    # The demo's frames are so small that the image library would read them.
    exr_zip.LEAST_PIXELS = 1
    # Nobody compiles ahead: how long it takes is measured here.
    shot.__dict__["loops_of"] = lambda _: []
    warm(load_preset(name))
    with tempfile.TemporaryDirectory() as folder:
        sys.argv = ["halocline", "apply", name, str(FRAME), "--out", f"{folder}/wet.exr", "--threads", "1"]
        try:
            run()
        except SystemExit as end:
            if end.code:
                raise
    values = [value for module in [*sys.modules.values()] for value in vars(module).values()]
    made = {each.loop: each for each in values if isinstance(each, Compiled)}
    loops = [
        [each.loop.__module__, each.loop.__qualname__, kinds]
        for each in made.values()
        for kinds in each.kinds
    ]
    return {"loops": loops, "seconds": seconds}


if __name__ == "__main__":
    main()
