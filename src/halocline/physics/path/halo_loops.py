"""What each pixel gives to the halo, in one pass over a picture."""

from __future__ import annotations

import numpy as np

from halocline._typing import F32
from halocline.compute.compiled import compiled
from halocline.compute.series import exponential, exponential_less_one


@compiled
def give(
    direct: F32,
    length_m: F32,
    cover: F32,
    beyond: F32,
    numbers: F32,
    own: F32,
    hidden: F32,
    mix: F32,
    out: F32,
) -> None:
    """Add what one band of a picture gives to the halo.

    Parameters
    ----------
    direct
        Light of the surfaces at the lens, down to exp(-c s), ``(rows, columns)``.
    length_m, cover
        Metres of water to each surface, and its share of the pixel.
    beyond
        The water's own light at the surface along the ray, ``((rows + 1) / 2, (columns + 1) / 2)``.
    numbers
        c, 1/m; the length at which half of the change of a rate is made, metres; the longest length there is,
        metres; the largest exponent.
    own, hidden
        What light brighter, and light darker than the water regains of its scattering, 1/m, as the
        coefficients of a polynomial in s / (s + half), ``(5,)``.
    mix
        What the band adds to each plane of the result, ``(C,)``.
    out
        ``(C, rows, columns)``.
    """
    zero = np.float32(0.0)
    c, half, longest, most = numbers
    columns = direct.shape[1]
    given = np.empty(columns, np.float32)
    for y in range(direct.shape[0]):
        light, length, share, back = direct[y], length_m[y], cover[y], beyond[y >> 1]
        for x in range(columns):
            s = min(length[x], longest)
            unlike = light[x] - exponential(-(c * s)) * share[x] * back[x >> 1]
            t = s / (s + half)
            brighter = own[0] + t * (own[1] + t * (own[2] + t * (own[3] + t * own[4])))
            darker = hidden[0] + t * (hidden[1] + t * (hidden[2] + t * (hidden[3] + t * hidden[4])))
            rate = brighter if unlike >= zero else darker
            given[x] = exponential_less_one(min(rate * s, most)) * unlike
        for plane in range(mix.size):
            factor, target = mix[plane], out[plane, y]
            for x in range(columns):
                target[x] += factor * given[x]
