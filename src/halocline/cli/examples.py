"""Examples at the foot of a command's help, one a line."""

from __future__ import annotations


def examples(*lines: str) -> str:
    """Return the foot of a help text: each example on a line of its own, to be copied whole."""
    # The sign tells the help formatter to leave the line breaks of this paragraph alone.
    return "\n".join(("\b", "Examples:" if len(lines) > 1 else "Example:", *(f"  {line}" for line in lines)))
