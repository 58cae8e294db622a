"""Small files, written whole or not at all, and never over another unless asked."""

from __future__ import annotations

import uuid
from pathlib import Path

from halocline.errors import WriteError


def write_whole(path: Path, data: bytes, *, overwrite: bool = False, make_folder: bool = False) -> None:
    """Write a file under a temporary name and give it its own when it is complete.

    Parameters
    ----------
    path, data
        Where, and what.
    overwrite
        Whether a file that is there may be replaced.
    make_folder
        Whether a folder that is not there is made.

    Raises
    ------
    WriteError
        ``E-WRITE-EXISTS`` where it is there and may not be replaced, ``E-WRITE-OPEN`` where it cannot be
        written.
    """
    if path.exists() and not overwrite:
        raise WriteError(
            "the file is there already",
            code="E-WRITE-EXISTS",
            where=str(path),
            mend="Say --overwrite, or choose another name.",
        )
    temporary = path.with_name(f".{path.name[:120]}.{uuid.uuid4().hex[:12]}.unfinished")
    try:
        if make_folder:
            path.parent.mkdir(parents=True, exist_ok=True)
        temporary.write_bytes(data)
        temporary.replace(path)
    except OSError as error:
        temporary.unlink(missing_ok=True)
        raise WriteError(
            f"cannot be written: {error.strerror or error}",
            code="E-WRITE-OPEN",
            where=str(path),
            mend="Check the folder, its permissions and free space.",
        ) from error
