"""Text from files, names and presets, made safe to show: nothing in it moves the cursor or begins a new line.

A file name or a title may hold anything. Shown as it is, an escape sequence changes a terminal's colours, its
title or its clipboard, a line end makes a line of a log that no program wrote, and a mark for right-to-left
text turns names around.
"""

from __future__ import annotations

import re

# Control characters (Unicode Cc), line and paragraph separators, marks and overrides of direction (UAX #9),
# and the stand-ins for bytes that are no text (PEP 383).
_UNSAFE = re.compile(
    "[\x00-\x1f\x7f-\x9f\u061c\u200e\u200f\u2028\u2029\u202a-\u202e\u2066-\u2069\ud800-\udfff]"
)


def one_line(text: str) -> str:
    r"""Return text on one line, whatever could do more than be read as an escape.

    Parameters
    ----------
    text
        Any text.

    Returns
    -------
    str
        Text without line ends and control characters.

    Examples
    --------
    >>> one_line("wet\x1b[2J\nfjord")
    'wet\\x1b[2J\\nfjord'
    """
    return _UNSAFE.sub(_escape, text)


def lines(text: str) -> str:
    """Return text with its line ends as they are, and every line as `one_line` has it.

    Parameters
    ----------
    text
        Any text.

    Returns
    -------
    str
        Text that can be shown on a terminal.
    """
    return "\n".join(map(one_line, text.split("\n")))


def _escape(found: re.Match[str]) -> str:
    sign = found[0]
    if "\udc80" <= sign <= "\udcff":
        return f"\\x{ord(sign) - 0xDC00:02x}"
    return sign.encode("unicode_escape", "backslashreplace").decode("ascii")
