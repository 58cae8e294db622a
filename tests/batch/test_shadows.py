"""What a render shows shades the water in frames of files as in arrays."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import OpenImageIO as oiio

from halocline._typing import F32
from halocline.batch.run import run_frames
from halocline.presets.preset import load_preset

if TYPE_CHECKING:
    from tests.batch.conftest import Folder

SHAFTS = ["sea.detail=256", "light.sun_elevation=60", "steps.light_shafts.rays=64"]


def test_frames_of_files_have_the_shadows_of_what_they_show(shot: Folder) -> None:
    def made(out: str, shadows: str) -> F32:
        look = load_preset("reef-flat-sunny", [*SHAFTS, f"steps.light_shafts.shadows={shadows}"])
        summary = run_frames(shot.tasks(out)[:1], look)
        assert not summary.failed
        (path,) = (shot.root / out).glob("*.exr")
        return np.asarray(oiio.ImageBuf(str(path)).get_pixels(oiio.FLOAT))

    assert np.abs(made("shaded", "true") - made("lit", "false")).max() > 1e-4
