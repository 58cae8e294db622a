"""Libraries that are imported when the first of their functions is called.

Some take longer to import than a small frame takes to render, and most frames never call them.
"""

from __future__ import annotations

from importlib import import_module
from typing import Any


class OnDemand:
    """Stands for a module, which is imported when something in it is asked for.

    Parameters
    ----------
    name
        The module's full name.

    Examples
    --------
    >>> special = OnDemand("scipy.special")
    >>> float(special.erf(0.0))
    0.0
    """

    def __init__(self, name: str) -> None:
        self._name = name

    def __getattr__(self, attribute: str) -> Any:
        found = getattr(import_module(self._name), attribute)
        # The next time it is found here, without this function.
        setattr(self, attribute, found)
        return found
