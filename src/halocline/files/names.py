"""Hidden names beside a file, which fit wherever the file's own name fits.

File systems limit a name in bytes (255 on most, 143 on some that encrypt), and a letter may take four of
them. A hidden name therefore holds only the beginning of the file's name, for people, and a digest of the
whole, which tells names apart that begin alike.
"""

from __future__ import annotations

import hashlib
import os
from pathlib import Path

# With digest, owner and ending the longest hidden name stays below 143 bytes.
_READABLE_BYTES = 48


def name_digest(name: str) -> str:
    """Return 16 hexadecimal digits that stand for a whole file name.

    Examples
    --------
    >>> name_digest("arch.1001.exr")
    '85c4d842eda95cbe'
    """
    return hashlib.blake2b(os.fsencode(name), digest_size=8).hexdigest()


def hidden_beside(path: Path, *endings: str) -> Path:
    """Return a hidden path beside a file: the beginning of its name, the digest of the whole, the endings.

    Parameters
    ----------
    path
        The file.
    *endings
        Put after the name, each behind a dot.

    Returns
    -------
    Path
        A path in the same folder.

    Examples
    --------
    >>> hidden_beside(Path("wet/arch.1001.exr"), "claim").name
    '.arch.1001.exr.85c4d842eda95cbe.claim'
    """
    # A letter cut in the middle, and bytes that are no text, are left out.
    readable = os.fsencode(path.name)[:_READABLE_BYTES].decode("utf-8", "ignore")
    return path.with_name(".".join(("", readable, name_digest(path.name), *endings)))
