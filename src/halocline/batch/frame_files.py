"""Files of one frame, read together."""

from __future__ import annotations

from collections.abc import Iterable

from halocline.batch.task import FrameTask, InputFiles
from halocline.files.unchanged import read_still
from halocline.imaging.input_spec import InputSpec
from halocline.imaging.load import Loaded, load


def load_files(
    files: InputFiles | FrameTask, spec: InputSpec, wanted: Iterable[str], *, judged: bool = False
) -> Loaded:
    """Read the files of a frame.

    Parameters
    ----------
    files
        Which.
    spec, wanted, judged
        See `halocline.imaging.load.load`.

    Raises
    ------
    HaloclineError
        As `load`.
    """
    return load(
        files.beauty,
        spec,
        depth_path=files.depth,
        pass_paths=dict(files.passes),
        wanted=sorted(wanted),
        judged=judged,
    )


def load_still_files(
    files: InputFiles, spec: InputSpec, wanted: Iterable[str], *, judged: bool = False
) -> Loaded:
    """Read them so that they are of one picture; see `halocline.files.unchanged.read_still`."""
    return read_still(files.by_role.values(), lambda _: load_files(files, spec, wanted, judged=judged))
