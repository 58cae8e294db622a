"""Where truths are true."""

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


def indices_of(which: NDArray[np.bool_] | NDArray[np.int64]) -> NDArray[np.int64]:
    """Return which of some things are chosen, to be taken from several arrays of them.

    Numpy asks an array for rows by a mask one by one, and anew for each array.

    Parameters
    ----------
    which
        A mask ``(n,)``, or indices.

    Returns
    -------
    NDArray[np.int64]
        Indices; of a mask ascending.

    Examples
    --------
    >>> indices_of(np.array([True, False, True])).tolist()
    [0, 2]
    """
    return which.nonzero()[0] if which.dtype == np.bool_ else which.astype(np.int64, copy=False)
