"""The light of pixels that show two surfaces, as steps multiply it one after another.

Each surface has its own gain, and the pixel's is their mean by share of light. The shares change with it:
behind ten metres of water little of a far surface's light is left, and what comes after acts on nearly pure
near light.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from halocline._typing import F32
from halocline.compute.places import places_of
from halocline.filters.facing import normals_of_farther
from halocline.graph.operator import Planes, Tile
from halocline.late_dataclass import dataclass

# Optional planes of a picture that say what lies behind.
FARTHER_PLANES = frozenset({"far_range", "far_share", "far_light"})


@dataclass(frozen=True)
class Farther:
    """Pixels that show a farther surface as well, be it a black one.

    Attributes
    ----------
    share
        The farther one's share of the light, ``(rows, columns)``.
    where
        Which pixels: rows, columns, ``(n,)`` each.
    range_m
        Range of the farther surface there, ``(n,)``.
    """

    share: F32
    where: tuple[NDArray[np.intp], ...]
    range_m: F32

    @classmethod
    def of(cls, planes: Planes) -> Farther | None:
        """Return them; None where the picture has no such planes."""
        share, area = planes.get("far_light", planes.get("far_share")), planes.get("far_share")
        if share is None:
            return None
        # Of numbers it takes four times as long.
        mixed = share != 0.0
        if area is not None and area is not share:
            # What gives no light hides what is behind it all the same.
            mixed |= area != 0.0
        where = places_of(mixed)
        return cls(share, where, planes["far_range"][where])

    def at(self, plane: F32) -> F32:
        """Return a plane's values at these pixels: ``(n,)``, or ``(channels, n)``."""
        values: F32 = plane[..., self.where[0], self.where[1]]
        return values

    def facing(self, normal: F32, planes: Planes, tile: Tile) -> F32:
        """Return which way farther surfaces face, as `normals_of_farther` finds it.

        Parameters
        ----------
        normal
            Unit normals of the nearer surfaces, over the tile's window.
        planes
            What the step was handed, over the tile's window: `EDGE_REACH` pixels around the region.
        tile
            The tile.

        Returns
        -------
        F32
            ``(3, n)``; (0, 0, 0) where nothing is known.
        """
        share = planes.get("far_share", planes.get("far_light"))
        assert share is not None, "there are farther surfaces"
        rows = self.where[0] + tile.region.y - tile.window.y
        columns = self.where[1] + tile.region.x - tile.window.x
        return normals_of_farther(normal, planes["range"], share, (rows, columns), self.range_m)

    def mix(self, gain: F32, far_gain: F32, light: F32) -> dict[str, F32]:
        """Give each of these pixels the mean of both gains, in place; return the ``far_light`` left after it.

        Write that always: a plane is written in all tiles or in none.

        Parameters
        ----------
        gain
            What the step does to the nearer surfaces, ``(K, rows, columns)``.
        far_gain
            What it does to the farther ones, ``(K, n)``.
        light
            The light before, ``(K, rows, columns)``.
        """
        share, before = self.at(self.share), self.at(light)
        near = self.at(gain)
        far = share * far_gain
        mixed = near + share * (far_gain - near)
        gain[..., self.where[0], self.where[1]] = mixed
        mixed *= before
        far *= before
        return self.left(far, mixed)

    def kept(self, light: F32) -> dict[str, F32]:
        """Return the ``far_light`` left after a gain of 1 on both surfaces, as `mix` does, to the bit."""
        before = self.at(light)
        return self.left(self.at(self.share) * before, before)

    def left(self, far: F32, whole: F32) -> dict[str, F32]:
        """Return ``far_light`` for light of the farther surfaces out of the whole, ``(K, n)`` each."""
        left = self.share.copy()
        part = far.sum(axis=0) / np.maximum(whole.sum(axis=0), np.float32(1e-20))
        left[self.where] = np.clip(part, np.float32(0.0), np.float32(1.0))
        return {"far_light": left}
