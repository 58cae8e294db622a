"""Exponential, logarithm, sine and cosine for compiled loops, in float32.

They are a handful of additions and multiplications each, so a loop that calls them runs on all lanes of the
processor at once; the C library's take one number at a time. Being that, they give the same bits on every
machine that rounds as IEEE 754 says.
"""

from __future__ import annotations

import numpy as np

from halocline.compute.compiled import compiled

# ln 2 in two parts: n times the first is exact for every n here.
_LN2_HIGH = np.float32(0.693359375)
_LN2_LOW = np.float32(-2.12194440e-4)
_PER_LN2 = np.float32(1.4426950408889634)
# Below and above, 2^n leaves float32.
_LEAST, _MOST = np.float32(-87.0), np.float32(88.0)
_ZERO, _HALF, _ONE = np.float32(0.0), np.float32(0.5), np.float32(1.0)
# Added to a number of less than 2^22 and taken off again it leaves the nearest whole one, which stands in the
# last bits of the sum.
_TO_WHOLE = np.float32(1.5 * 2.0**23)
_MANTISSA_BITS, _BITS_OF_ONE = np.int32(23), np.int32(0x3F800000)
# (exp(f) - 1 - f)/f^2 for f up to ln(2)/2 either side, by the powers of f: what is least off exp(f), by 4e-9,
# found by linear programming.
_E0, _E1, _E2, _E3, _E4 = (
    np.float32(number)
    for number in (0.4999999312, 0.1666651776, 0.04166845373, 0.008368924998, 0.001381107445)
)

# 2 ln(m) by the odd powers of (m - 1)/(m + 1); the bits of the root of 1/2, where m begins.
_L1, _L3, _L5, _L7, _L9 = (np.float32(2.0 / n) for n in (1, 3, 5, 7, 9))
_ROOT_HALF_BITS = np.int32(0x3F3504F3)
_LN2 = np.float32(0.6931471805599453)

# cos(2 pi t) - 1 by the even powers of t for t up to a half either side: what is least off, by 8e-7, found by
# linear programming.
_T2, _T4, _T6, _T8, _T10 = (
    np.float32(number) for number in (-19.73904602, 64.93016929, -85.28565919, 58.84716351, -21.15402639)
)

# 1/n!
_F2, _F3, _F4, _F5, _F6, _F7 = (np.float32(1.0 / n) for n in (2, 6, 24, 120, 720, 5040))
_F8, _F9, _F10, _F11, _F12 = (np.float32(1.0 / n) for n in (40320, 362880, 3628800, 39916800, 479001600))


@compiled
def exponential(x: np.float32) -> np.float32:
    """Return exp(x), within 1.3e-7 of it, for x from -87 to 88; 0 for less, exp(88) for more.

    exp(x) = 2^n exp(f) with f at most ln(2)/2 either side, and there a polynomial of the sixth power.

    Parameters
    ----------
    x
        Any number.

    Returns
    -------
    np.float32
        0 or more, finite.
    """
    power, rest = _parts(x)
    result: np.float32 = power * (_ONE + rest)
    return result if x >= _LEAST else _ZERO


@compiled
def exponential_less_one(x: np.float32) -> np.float32:
    """Return exp(x) - 1 for x as `exponential` takes it, within 2e-7 of it however small; -1 for less.

    Parameters
    ----------
    x
        Any number.

    Returns
    -------
    np.float32
        -1 or more, finite.
    """
    power, rest = _parts(x)
    result: np.float32 = power * rest + (power - _ONE)
    return result if x >= _LEAST else -_ONE


@compiled
def _parts(x: np.float32) -> tuple[np.float32, np.float32]:
    """Return 2^n and exp(f) - 1, see `exponential`."""
    within = min(max(x, _LEAST), _MOST)
    whole = np.float32(within * _PER_LN2 + _TO_WHOLE)
    n = whole - _TO_WHOLE
    f = within - n * _LN2_HIGH
    f = f - n * _LN2_LOW
    p = _E3 + f * _E4
    p = _E2 + f * p
    p = _E1 + f * p
    p = _E0 + f * p
    # The bits of 2^n: all but n's are shifted out.
    power = np.int32((whole.view(np.int32) << _MANTISSA_BITS) + _BITS_OF_ONE).view(np.float32)
    return power, f + (f * f) * p


@compiled
def logarithm(x: np.float32) -> np.float32:
    """Return ln(x), within 2e-7 of it or of its size, for any x above 1.2e-38.

    ln(x) = n ln(2) + ln(m) with m from the root of 1/2 to that of 2: the series of the inverse hyperbolic
    tangent to the ninth power is within 1e-9 there.

    Parameters
    ----------
    x
        Above 1.2e-38, finite.

    Returns
    -------
    np.float32
        Of either sign, finite.
    """
    bits = np.float32(x).view(np.int32)
    n = np.int32((bits - _ROOT_HALF_BITS) >> _MANTISSA_BITS)
    m = np.int32(bits - np.int32(n << _MANTISSA_BITS)).view(np.float32)
    s = (m - _ONE) / (m + _ONE)
    y = s * s
    p = _L7 + y * _L9
    p = _L5 + y * p
    p = _L3 + y * p
    p = _L1 + y * p
    return s * p + np.float32(n) * _LN2


@compiled
def sine(x: np.float32) -> np.float32:
    """Return sin(x), within 2.5e-7, for x from -pi/2 to pi/2: Taylor's series to the eleventh power.

    Parameters
    ----------
    x
        Radians, -pi/2 to pi/2.

    Returns
    -------
    np.float32
        -1 to 1.
    """
    y = x * x
    p = _F9 - y * _F11
    p = _F7 - y * p
    p = _F5 - y * p
    p = _F3 - y * p
    return x * (_ONE - y * p)


@compiled
def cosine(x: np.float32) -> np.float32:
    """Return cos(x), within 2e-7, for x from -pi/2 to pi/2: Taylor's series to the twelfth power.

    Parameters
    ----------
    x
        Radians, -pi/2 to pi/2.

    Returns
    -------
    np.float32
        0 to 1.
    """
    y = x * x
    p = _F10 - y * _F12
    p = _F8 - y * p
    p = _F6 - y * p
    p = _F4 - y * p
    p = _F2 - y * p
    return _ONE - y * p


@compiled
def cosine_of_turns(turns: np.float32) -> np.float32:
    """Return cos(2 pi turns), within 2e-6 of that of the nearest turns, for any number of them.

    Parameters
    ----------
    turns
        Whole ones do not count; of 1000 the rest is known to 6e-5 only.

    Returns
    -------
    np.float32
        -1 to 1, within rounding.
    """
    t = turns - np.floor(turns + _HALF)
    y = t * t
    p = _T8 + y * _T10
    p = _T6 + y * p
    p = _T4 + y * p
    p = _T2 + y * p
    result: np.float32 = _ONE + y * p
    return result
