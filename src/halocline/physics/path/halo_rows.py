"""Light with its halo, in one pass over it: what a row gets of the halo stays in a near cache."""

from __future__ import annotations

import numpy as np

from halocline._typing import F32
from halocline.compute.compiled import compiled
from halocline.compute.sums import sum_of_rows
from halocline.filters.halo_loops import settle_row
from halocline.physics.path.loops import give_back


@compiled
def add_halo_to_light(
    energy: F32,
    arrived: F32,
    stays: tuple[F32, ...],
    back: F32,
    first: int,
    held: tuple[F32, F32, F32],
    light: F32,
    halo: F32,
    out: F32,
) -> None:
    """Write some rows of light with the halo that they get.

    Parameters
    ----------
    energy, arrived
        What all pixels of a picture give to the halo, and what of it arrives elsewhere, at half resolution,
        ``(C, rows, columns)``.
    stays
        Share of the halo that stays in its pixel, at half resolution: one for all planes, or one for each.
    back
        How bands are made of planes, ``(K, C)``.
    first
        The row of the picture with which these rows begin.
    held
        The veil, of which a halo takes no more than there is, ``(K, rows, columns)``, empty where there is
        none; bands to colours, and back: as `give_back` takes them.
    light
        ``(K, rows, columns)``.
    halo
        The halo by itself, likewise, written; empty where nobody wants it.
    out
        Likewise, written.
    """
    (veil, down, up), bands, columns = held, len(light), light.shape[2]
    line, got = np.empty(arrived.shape[2] + 2, np.float32), np.empty((len(energy), columns), np.float32)
    more, there = np.empty((bands, columns), np.float32), np.empty((bands, columns), np.float32)
    for y in range(light.shape[1]):
        row = first + y
        for plane in range(len(energy)):
            kept = stays[plane if len(stays) > 1 else 0]
            settle_row(energy[plane, row], kept[row >> 1], arrived[plane], row, line, got[plane])
        for band in range(bands):
            sum_of_rows(got, back[band], more[band])
        if veil.size:
            for band in range(bands):
                _copy(veil[band, y], there[band])
            give_back(more, down, up, there, more)
        for band in range(bands):
            before, changed, lit = light[band, y], more[band], out[band, y]
            for x in range(columns):
                lit[x] = before[x] + changed[x]
            if halo.size:
                _copy(changed, halo[band, y])


@compiled
def _copy(row: F32, out: F32) -> None:
    for x in range(out.size):
        out[x] = row[x]
