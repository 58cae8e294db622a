"""What looks need that takes long to make, made ahead: fits, tables, compiled loops."""

from __future__ import annotations

import numpy as np

from halocline.batch.arrays import apply
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
