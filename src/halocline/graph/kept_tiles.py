"""A picture kept as the tiles it was computed in.

What is only taken up again tile by tile need not be put together: a whole picture of light and veil is a
gigabyte that would be written once more for nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np

from halocline._typing import F32
from halocline.graph.operator import Planes
from halocline.imaging.frame import Window


class KeptTiles:
    """Tiles of one picture, each as wide as the picture; several threads may add theirs at once."""

    def __init__(self) -> None:
        self._tiles: dict[tuple[int, int], Planes] = {}

    def over(self, region: Window, compute: Callable[[Window], Planes]) -> Planes:
        """Return the planes over a region, and keep what is not there yet.

        Parameters
        ----------
        region
            Rows of the picture.
        compute
            Returns the planes over a region; asked for all of it where any is missing.

        Returns
        -------
        Planes
            The tile itself where it was computed in these rows, else put together from tiles.
        """
        key = region.y, region.y_end
        made = self._tiles.get(key)
        if made is not None:
            return made
        parts = list(self._parts(*key))
        if parts and parts[-1][2] == region.y_end:
            return _joined(parts)
        made = compute(region)
        self._tiles[key] = made
        return made

    def _parts(self, first: int, last: int) -> Iterator[tuple[Planes, slice, int]]:
        """Yield tiles from a row on, their rows that are meant, and where these end, as far as they go."""
        # A copy: another thread may add a tile meanwhile.
        for (start, end), planes in sorted(self._tiles.copy().items(), key=lambda tile: tile[0]):
            if start <= first < end and first < last:
                stop = min(end, last)
                yield planes, slice(first - start, stop - start), stop
                first = stop


def _joined(parts: list[tuple[Planes, slice, int]]) -> dict[str, F32]:
    """Return the planes of neighbouring tiles as one; all tiles have the same ones."""
    if len(parts) == 1:
        planes, rows, _ = parts[0]
        return {name: plane[..., rows, :] for name, plane in planes.items()}
    return {
        name: np.concatenate([planes[name][..., rows, :] for planes, rows, _ in parts], axis=-2)
        for name in parts[0][0]
    }
