"""Files that appear under their name only when they are complete."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO

from halocline.errors import WriteError


@contextmanager
def whole_file(path: Path) -> Iterator[BinaryIO]:
    """Open a file for writing that takes its name, and the place of an older one, once all is on the disk.

    Raises
    ------
    WriteError
        ``E-WRITE-FILE`` where the folder cannot be written to or is full; nothing is left behind then.
    """
    temporary = path.with_name(f".{path.name}.{os.getpid()}.tmp")
    try:
        with temporary.open("wb") as stream:
            yield stream
            stream.flush()
            os.fsync(stream.fileno())
        temporary.replace(path)
    except OSError as error:
        raise WriteError(
            f"the file cannot be written ({error.strerror or error})",
            code="E-WRITE-FILE",
            where=str(path),
            mend="Check that the folder is there, may be written to and has space.",
        ) from error
    finally:
        temporary.unlink(missing_ok=True)
