"""What looks need that takes long to make, made ahead: fits, tables, compiled loops."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from halocline.batch.arrays import apply
from halocline.batch.loops_of_looks import all_loops
from halocline.compute.ahead import Wanted, compiling_ahead
from halocline.compute.machine_code import is_kept
from halocline.presets.preset import Preset

ROWS, COLUMNS = 90, 160


def warm(preset: Preset) -> None:
    """Put a small frame under a look, so that what it needs for that is kept on disk.

    Parameters
    ----------
    preset
        The look.

    Raises
    ------
    HaloclineError
        Where the look cannot be rendered.
    """
    down, across = np.mgrid[0:ROWS, 0:COLUMNS].astype(np.float32)
    # A slope, half covered at one side and open water at the other: every kind of pixel there is.
    alpha = np.clip((COLUMNS - 8 - across) / 8, 0, 1)
    light = np.repeat((0.2 * alpha)[..., np.newaxis], 3, axis=2)
    apply(preset, light, np.where(alpha > 0, 2.0 + 0.1 * down, np.inf), alpha)


def make_loops(wanted: Sequence[Wanted] | None = None, processes: int | None = None) -> None:
    """Compile loops that are not on disk, several at once.

    Parameters
    ----------
    wanted
        The loops, those that take longest first; of all looks that ship where not given.
    processes
        How many processes; as many as there are processors where not given.
    """
    missing = [each for each in (all_loops() if wanted is None else wanted) if is_kept(*each) is False]
    with compiling_ahead(missing, processes) as wait:
        wait()
