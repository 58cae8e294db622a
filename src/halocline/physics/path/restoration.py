"""What can be had back of a colour that went through water, by damped least squares.

A colour x of three numbers has become M x, M a sum over spectral bands of what each kept. Far away M is near
singular: red is gone, and dividing by what is left of it would only raise noise. Damping weighs what the
picture says against what any picture is likely to hold (tikhonov1963; with noise and spread as variances it
is the Wiener estimate).
"""

from __future__ import annotations

import numpy as np

from halocline._typing import F32, F64

# Variation of reflectances in a picture, standard deviation: what a pixel could be if nothing is seen of it.
USUAL_SPREAD = 0.25


def damped_inverse(kept: F32, up: F64, down: F64, wet: F32, grey: float, damping: float) -> tuple[F32, F32]:
    """Return the colour that water would have made ``wet``, and the share of it that the water left.

    Minimises |M x - wet|^2 + damping |x - grey|^2 with M = down diag(kept) up, by the explicit inverse of the
    symmetric 3 x 3 of its normal equations.

    Parameters
    ----------
    kept
        What is kept of each band, ``(K, rows, columns)``.
    up, down
        The bands' matrices.
    wet
        ``(3, rows, columns)``, the veil taken off.
    grey
        What x tends to where nothing is left.
    damping
        (noise / spread of colours)^2.

    Returns
    -------
    tuple[F32, F32]
        ``(3, rows, columns)``, and ``(rows, columns)`` from 0 (nothing was left) to 1.
    """
    matrix = [[_weighted(down[i] * up[:, j], kept) for j in range(3)] for i in range(3)]
    damp = np.float32(damping)
    # Normal equations A x = r.
    a = {
        (i, j): _sum_of_products([row[i] for row in matrix], [row[j] for row in matrix])
        for i in range(3)
        for j in range(i, 3)
    }
    for i in range(3):
        a[i, i] += damp
    right = [_sum_of_products([row[i] for row in matrix], list(wet)) for i in range(3)]
    for plane in right:
        np.add(plane, np.float32(damping * grey), out=plane)
    inverse = _symmetric_inverse(a)
    colour = np.stack(
        [_sum_of_products([inverse[min(i, j), max(i, j)] for j in range(3)], right) for i in range(3)]
    )
    trace = inverse[0, 0] + inverse[1, 1] + inverse[2, 2]
    recovered = np.float32(1.0) - trace * (damp / np.float32(3.0))
    return colour, np.clip(recovered, np.float32(0.0), np.float32(1.0))


def _symmetric_inverse(a: dict[tuple[int, int], F32]) -> dict[tuple[int, int], F32]:
    """Return the inverse of a symmetric positive 3 x 3, given and returned by its upper triangle."""
    # Rounding in a product of three would drown a determinant of dark pixels in float32.
    xx, xy, xz, yy, yz, zz = (
        a[key].astype(np.float64) for key in ((0, 0), (0, 1), (0, 2), (1, 1), (1, 2), (2, 2))
    )
    c00, c01, c02 = yy * zz - yz * yz, xz * yz - xy * zz, xy * yz - xz * yy
    c11, c12, c22 = xx * zz - xz * xz, xy * xz - xx * yz, xx * yy - xy * xy
    determinant = xx * c00 + xy * c01 + xz * c02
    cofactors = {(0, 0): c00, (0, 1): c01, (0, 2): c02, (1, 1): c11, (1, 2): c12, (2, 2): c22}
    return {key: (value / determinant).astype(np.float32) for key, value in cofactors.items()}


def _weighted(weights: F64, planes: F32) -> F32:
    total = planes[0] * np.float32(weights[0])
    for weight, plane in zip(weights[1:], planes[1:], strict=True):
        total += plane * np.float32(weight)
    return np.asarray(total, np.float32)


def _sum_of_products(first: list[F32], second: list[F32]) -> F32:
    total = first[0] * second[0]
    for one, other in zip(first[1:], second[1:], strict=True):
        total += one * other
    return np.asarray(total, np.float32)
