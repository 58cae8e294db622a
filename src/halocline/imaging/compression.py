"""Compressions of OpenEXR files by name, as people write them: ``zip``, ``dwaa:45``.

Source of the names: OpenEXR 3.5, ``ImfCompression.h`` (OpenEXR_Compression), as OpenImageIO spells them.
"""

from __future__ import annotations

import re

# Nothing is lost by these, and by those something is.
LOSSLESS = ("none", "rle", "zips", "zip", "piz", "zstd", "htj2k256", "htj2k32")
LOSSY = ("pxr24", "b44", "b44a", "dwaa", "dwab", "lj2k")
# These take a level: the larger, the more is lost.
WITH_LEVEL = ("dwaa", "dwab")
# What every OpenEXR 3 has; whether the others can be written, the library has to be asked.
ALWAYS_WRITABLE = ("none", "rle", "zips", "zip", "piz", "pxr24", "b44", "b44a", "dwaa", "dwab")
# What is written where a render's own compression cannot be.
FALLBACK = "zip"

_LEVEL = r"[0-9]+(\.[0-9]+)?"
PATTERN = (
    rf"^(({'|'.join(name for name in (*LOSSLESS, *LOSSY) if name not in WITH_LEVEL)})"
    rf"|({'|'.join(WITH_LEVEL)})(:{_LEVEL})?)$"
)


def name_of(compression: str) -> str:
    """Return a compression's name without its level.

    Parameters
    ----------
    compression
        A compression with or without its level.

    Returns
    -------
    str
        The name alone.

    Examples
    --------
    >>> name_of("dwaa:45")
    'dwaa'
    """
    return compression.partition(":")[0]


def compression_problem(text: str) -> str:
    """Return what is wrong with a compression that a person asks for; nothing where it is right.

    Parameters
    ----------
    text
        A compression as presets write it.

    Returns
    -------
    str
        Part of a sentence, or "".
    """
    if re.match(PATTERN, text):
        return ""
    name, colon, level = text.partition(":")
    if colon and name in (*LOSSLESS, *LOSSY):
        known = f"{' and '.join(WITH_LEVEL)} take a level, such as dwaa:45"
        return f'"{level}" is no level of {name}: {known}, others none'
    return (
        f"there is no such compression; choose {', '.join(LOSSLESS)} (nothing is lost) or {', '.join(LOSSY)}"
    )
