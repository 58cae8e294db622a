"""Where a function of one number crosses zero, by Brent's method (brent1973).

SciPy has the same (`scipy.optimize.brentq`), and takes longer to import than most commands take in all. The
steps are those of SciPy's, so that the results are, to the last bit.
"""

from __future__ import annotations

import math
from collections.abc import Callable

# Relative tolerance: four times what two neighbouring numbers differ by.
_RELATIVE = 4.0 * 2.0**-52
# No function needs as many; one of noise would need no end.
_MOST_STEPS = 1000


def crossing(of: Callable[[float], float], low: float, high: float, *, within: float) -> float:
    """Return a place between two at which a continuous function is zero.

    Parameters
    ----------
    of
        The function; of different sign at the two places, or zero at one.
    low, high
        The places.
    within
        How near to the true place it is to be.

    Returns
    -------
    float
        The place.

    Raises
    ------
    ValueError
        Where the function has one sign at both.

    Examples
    --------
    >>> round(crossing(lambda x: x * x - 2.0, 0.0, 2.0, within=1e-12), 9)
    1.414213562
    """
    before, here = low, high
    f_before, f_here = float(of(before)), float(of(here))
    if f_before == 0.0:
        return before
    if f_here == 0.0:
        return here
    if (f_before < 0.0) == (f_here < 0.0):
        raise ValueError("the function has one sign at both ends")
    across, f_across, last, step = before, f_before, 0.0, 0.0
    for _ in range(_MOST_STEPS):
        if f_before != 0.0 and f_here != 0.0 and (f_before < 0.0) != (f_here < 0.0):
            across, f_across = before, f_before
            last = step = here - before
        if abs(f_across) < abs(f_here):
            before, here, across = here, across, here
            f_before, f_here, f_across = f_here, f_across, f_here
        near, half = (within + _RELATIVE * abs(here)) / 2.0, (across - here) / 2.0
        if f_here == 0.0 or abs(half) < near:
            return here
        tried = math.inf
        if abs(last) > near and abs(f_here) < abs(f_before):
            tried = _interpolated(before, here, across, f_before, f_here, f_across)
        if 2.0 * abs(tried) < min(abs(last), 3.0 * abs(half) - near):
            last, step = step, tried
        else:
            last = step = half
        before, f_before = here, f_here
        here += step if abs(step) > near else math.copysign(near, half)
        f_here = float(of(here))
    return here


def _interpolated(
    before: float, here: float, across: float, f_before: float, f_here: float, f_across: float
) -> float:
    """Return the step to where a line through two places, or a level parabola through three, is zero."""
    if before == across:
        return -f_here * (here - before) / (f_here - f_before)
    slope = (f_before - f_here) / (before - here)
    slope_across = (f_across - f_here) / (across - here)
    return (
        -f_here
        * (f_across * slope_across - f_before * slope)
        / (slope_across * slope * (f_across - f_before))
    )
