"""Where a plane of truths is true, where that is in few of its rows."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray


def places_of(mask: NDArray[np.bool_]) -> tuple[NDArray[np.intp], ...]:
    """Return where a mask is true, row by row, as ``numpy.nonzero`` does.

    That looks at all places one by one if any is true, and at least at all rows if none is: edges of things
    lie in few rows of most tiles, and are asked for by each step.

    Parameters
    ----------
    mask
        Of one axis or more, true or false.

    Returns
    -------
    tuple[NDArray[np.intp], ...]
        Indices along each axis, ``(n,)``, ascending.

    Examples
    --------
    >>> [where.tolist() for where in places_of(np.array([[False, False], [True, False], [True, True]]))]
    [[1, 2, 2], [0, 0, 1]]
    """
    if mask.ndim == 1:
        return np.nonzero(mask)
    rows = np.flatnonzero(mask.any(axis=tuple(range(1, mask.ndim))))
    if not rows.size:
        return tuple(np.zeros(0, np.intp) for _ in range(mask.ndim))
    first = int(rows[0])
    found = np.nonzero(mask[first : int(rows[-1]) + 1])
    found[0][...] += first
    return found
