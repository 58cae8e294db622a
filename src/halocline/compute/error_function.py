"""The error function of arrays, by the system's mathematics, without a library that takes long to import."""

from __future__ import annotations

import math
from typing import TypeVar

import numpy as np

from halocline._typing import F32, F64
from halocline.compute.compiled import compiled

A = TypeVar("A", F32, F64)


def erf(x: A) -> A:
    """Return the share of a normal distribution of variance 1/2 that lies within x of its middle.

    Parameters
    ----------
    x
        Numbers, any shape; negative ones give the negative.

    Returns
    -------
    A
        -1 to 1, of the type of ``x``; reckoned in double precision.

    Notes
    -----
    2 / sqrt(pi) times the integral of exp(-t^2) from 0 to x (dlmf, 7.2.1).
    Worked value: erf(0.5) = 0.5204998778.

    Examples
    --------
    >>> erf(np.array([-0.5, 0.0, 3.0])).round(6).tolist()
    [-0.5205, 0.0, 0.999978]
    """
    return _of_each(x, upper=False)


def erfc(x: A) -> A:
    """Return 1 - erf(x), to all digits also where little is left.

    Parameters
    ----------
    x
        Numbers, any shape.

    Returns
    -------
    A
        2 to 0, of the type of ``x``; reckoned in double precision.

    Notes
    -----
    As `erf` (dlmf, 7.2.2). Worked value: erfc(3) = 2.209049700e-5.

    Examples
    --------
    >>> float(f"{erfc(np.array([3.0]))[0]:.5e}")
    2.20905e-05
    """
    return _of_each(x, upper=True)


def _of_each(x: A, *, upper: bool) -> A:
    given = np.ascontiguousarray(x, np.float64).reshape(-1)
    found = np.empty_like(given)
    (_upper if upper else _inner)(given, found)
    made: A = found.reshape(x.shape).astype(x.dtype, copy=False)
    return made


@compiled
def _inner(x: F64, out: F64) -> None:
    for i in range(out.size):
        out[i] = math.erf(x[i])


@compiled
def _upper(x: F64, out: F64) -> None:
    for i in range(out.size):
        out[i] = math.erfc(x[i])
