"""Lamp backscatter: the haze that lamps light in the water between lens and subject.

A lamp near the lens puts a bright fog over the picture; one held off to the side shows its cone instead.
Place it after ``attenuation`` and before ``veiling_light``, which closes the picture's open places.
"""

from __future__ import annotations

import numpy as np

from halocline._typing import F32
from halocline.graph.operator import Operator, Planes, PlaneUse, Source, Stage, Tile
from halocline.graph.shot import Shot
from halocline.physics.path.lamps import NODES_AWAY, NODES_TOWARDS, Lamp, backscatter
from halocline.quantities import Ratio, Strict


class LampBackscatterParameters(Strict):
    """Parameters of lamp backscatter. The lamps themselves stand in ``[[light.lamps]]``.

    Attributes
    ----------
    strength
        Art: multiplies the haze; 1 is physical.
    """

    strength: Ratio = 1.0


class LampBackscatter(Operator[LampBackscatterParameters, None]):
    """Adds int b p(psi) I exp(-k r - c t) / (r^2 + rho^2) dt to each band."""

    Parameters = LampBackscatterParameters
    stage = Stage.LAMP_HAZE
    layer = "lamp_haze"
    uses = frozenset({"light.lamps"})

    def planes(self) -> PlaneUse:
        """Read light, coverage and range; write light, and the haze by itself."""
        return PlaneUse(
            reads=frozenset({"bands", "alpha", "range", "downward"}),
            optional=frozenset({"far_range", "far_share"}),
            writes=frozenset({"bands", "lamp_haze"}),
            adds=frozenset({"lamp_haze"}),
        )

    def needs(self) -> frozenset[Source]:
        """It is all lamp light."""
        return frozenset({Source.LAMPS})

    def idle(self, shot: Shot) -> bool:
        """Without lamps there is no haze."""
        return not shot.lamps or self.parameters.strength == 0.0

    def apply(self, planes: Planes, tile: Tile, shot: Shot, prepared: None) -> Planes:  # noqa: ARG002
        """Add the haze of all lamps."""
        alpha = np.clip(planes["alpha"], np.float32(0.0), np.float32(1.0))
        direction = shot.camera.directions(tile.region)
        open_length = shot.path.open_length(planes["downward"])
        covered = alpha > 0
        ends = np.where(covered, np.minimum(planes["range"], open_length), open_length)
        haze = self._haze(shot, direction.reshape(3, -1), ends.ravel()).reshape(-1, *ends.shape)
        for share, behind in _behind(planes, alpha, open_length):
            rows, columns = np.nonzero(share)
            if rows.size:
                rays = np.ascontiguousarray(direction[:, rows, columns])
                here, there = haze[:, rows, columns], self._haze(shot, rays, behind[rows, columns])
                haze[:, rows, columns] = here + share[rows, columns] * (there - here)
        return {"bands": planes["bands"] + haze, "lamp_haze": haze}

    def _haze(self, shot: Shot, direction: F32, ends_m: F32) -> F32:
        """Return the haze of rays ``(3, n)`` up to their ends, ``(K, n)``."""
        lens, bands = shot.camera.position_m, shot.path.bands
        total = np.zeros((bands.count, ends_m.size), np.float32)
        for lamp in shot.lamps:
            nodes = NODES_TOWARDS if _in_front(lamp, shot) else NODES_AWAY
            backscatter(lamp, bands, lens, direction, ends_m, nodes=nodes, out=total)
        total *= np.float32(self.parameters.strength)
        return total


def _behind(planes: Planes, alpha: F32, open_length: F32) -> list[tuple[F32, F32]]:
    """Return what else edge pixels show: the farther surface, then open water; share and length of each."""
    found = []
    if "far_share" in planes:
        found.append((planes["far_share"], np.minimum(planes["far_range"], open_length)))
    uncovered = np.where(alpha > 0, np.float32(1.0) - alpha, np.float32(0.0))
    return [*found, (uncovered, open_length)]


def _in_front(lamp: Lamp, shot: Shot) -> bool:
    """Tell whether the lens may look into the lamp: whether it stands before the lens's own plane."""
    ahead = -shot.camera.rotation[:, 2]
    return float((lamp.position_m - shot.camera.position_m) @ ahead) > 0.0
