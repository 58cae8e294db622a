"""Remove water: the core operators backwards, as far as the picture still holds anything.

Colours and contrast come back where the water left some; where nothing but veil is left, the picture goes to
a plain grey instead of to amplified noise.
"""

from __future__ import annotations

import math
from typing import Literal

import numpy as np

from halocline._typing import F32, F64
from halocline.graph.light_form import combine
from halocline.graph.operator import WHOLE, Operator, Planes, PlaneUse, Tile
from halocline.graph.shot import Shot
from halocline.late_dataclass import dataclass
from halocline.operators.forward_scatter import ForwardScatter, ForwardScatterParameters, PreparedScatter
from halocline.operators.shared.water_shade import WaterShade, water_shade
from halocline.operators.white_reference import WhiteReference, WhiteReferenceParameters, channel_gains
from halocline.physics.path.restoration import USUAL_SPREAD, damped_inverse
from halocline.physics.path.transport import (
    LONGEST_RANGE_M,
    LightPath,
    VeilGeometry,
    attenuate,
    daylight_gain,
    veiling_light,
)
from halocline.quantities import Factor, Ratio, Strict

# Rounds of correction; the last corrects what no eye finds.
ROUNDS = 8
# Fine detail draws near from one side: each round goes by so much further than large things ask for.
FURTHER = np.float32(1.25)
Undone = Literal["downwelling", "attenuation", "veiling_light"]


class RemoveWaterParameters(Strict):
    """Parameters of the removal.

    Attributes
    ----------
    undo
        Which losses and gains to undo; those the frame was never given are left out.
    noise
        Standard deviation of the frame's noise, grain or rounding, in its own scene-linear values.
    grey
        What a pixel becomes of which the water left nothing.
    brightest
        Most that things above the reference depth were given over the render's own light, a ratio, as
        ``downwelling`` has it; no limit where not given, as of a picture taken in water.
    white_reference
        The exposure and balance that the frame was given, to be taken back first.
    forward_scatter
        The halo that the frame was given, to be undone together with the rest; it takes the time of seven.
    """

    undo: tuple[Undone, ...] = ("downwelling", "attenuation", "veiling_light")
    noise: Factor = 0.002
    grey: Factor = 0.18
    brightest: Ratio | None = None
    white_reference: WhiteReferenceParameters | None = None
    forward_scatter: ForwardScatterParameters | None = None


@dataclass(frozen=True)
class _Prepared:
    gain: F64
    damping: float
    scatter: PreparedScatter | None
    shade: WaterShade | None


class RemoveWater(Operator[RemoveWaterParameters, _Prepared]):
    """Solves  wet / gain - veil = M colour  for the colour, pixel by pixel, by damped least squares."""

    Parameters = RemoveWaterParameters
    nothing_at = None
    layer = "direct"
    undoes = True

    def planes(self) -> PlaneUse:
        """Read wet colour and geometry; write colour, and the share of it that was there to be found."""
        return PlaneUse(
            reads=frozenset({"rgb", "range", "downward", "sun_cosine"}),
            writes=frozenset({"rgb", "recovered"}),
        )

    def prepare(self, shot: Shot) -> _Prepared:
        """Return the frame's gain and how far noise damps the solution."""
        card = self.parameters.white_reference
        gain = np.eye(3) if card is None else WhiteReference(card).prepare(shot)
        noise = self.parameters.noise / float(shot.path.luminance @ gain.sum(axis=1))
        scatter = self._scatter()
        halo = None if scatter is None or scatter.idle(shot) else scatter.prepare(shot)
        shade = water_shade(shot) if "veiling_light" in self.parameters.undo else None
        return _Prepared(gain, (noise / USUAL_SPREAD) ** 2, halo, shade)

    def reach(self, shot: Shot) -> int:
        """Pixel by pixel, but for a halo, which has no end."""
        scatter = self._scatter()
        return 0 if scatter is None or scatter.idle(shot) else WHOLE

    def _scatter(self) -> ForwardScatter | None:
        p = self.parameters.forward_scatter
        return None if p is None else ForwardScatter(p)

    def apply(self, planes: Planes, tile: Tile, shot: Shot, prepared: _Prepared) -> Planes:
        """Take the water out."""
        undo, path = self.parameters.undo, shot.path
        range_m, mu = planes["range"], planes["downward"]
        length = path.path_length(range_m, mu)
        kept = np.ones((path.bands.count, *range_m.shape), np.float32)
        if "attenuation" in undo:
            kept *= attenuate(path, length)
        if "downwelling" in undo:
            limit = self.parameters.brightest
            most = math.inf if limit is None else limit * path.daylight_level
            kept *= daylight_gain(path, range_m, mu, most=most)
        each, wet = channel_gains(prepared.gain), planes["rgb"]
        wet = (
            combine(np.asarray(np.linalg.inv(prepared.gain), np.float64), wet) if each is None else wet / each
        )
        if "veiling_light" in undo:
            shade = None if prepared.shade is None else prepared.shade.over(tile.window)
            geometry = VeilGeometry(
                length,
                mu,
                planes["sun_cosine"],
                shade=shade,
                neighbours=True,
            )
            wet -= combine(path.bands.down, veiling_light(path, geometry))
        if prepared.scatter is not None:
            wet -= self._halo(wet, kept, length, tile, shot, prepared, prepared.scatter)
        colour, recovered = _solved(kept, wet, path, self.parameters.grey, prepared.damping)
        return {"rgb": colour, "recovered": recovered}

    def _halo(
        self,
        wet: F32,
        kept: F32,
        length: F32,
        tile: Tile,
        shot: Shot,
        prepared: _Prepared,
        scatter: PreparedScatter,
    ) -> F32:
        """Return the halo that a picture without its veil holds, as colours.

        Large things kept more than fine detail, by their halo's gain. What a guess of the dry picture leaves
        over is corrected as if it were large: it is then right, and detail draws near step by step. The halo
        of what is still wrong in fine detail is next to nothing.
        """
        spreading, path = self._scatter(), shot.path
        assert spreading is not None  # it was prepared
        large = kept * (np.float32(1.0) + scatter.halo.gains(length))
        surface = (length < np.float32(LONGEST_RANGE_M)).astype(np.float32)
        colour, _ = _solved(large, wet, path, self.parameters.grey, prepared.damping)
        fields = scatter.fields(length, shot.camera)
        halo = np.zeros_like(wet)
        for _ in range(ROUNDS):
            bands = kept * combine(path.bands.up, colour)
            given = {"bands": bands, "alpha": surface}
            spread = spreading.spread(given, length, fields, tile, shot, scatter)
            halo = combine(path.bands.down @ scatter.back, spread.rows(slice(None)))
            over = wet - halo - combine(path.bands.down, bands)
            colour += FURTHER * _solved(large, over, path, 0.0, prepared.damping)[0]
        return halo


def _solved(kept: F32, wet: F32, path: LightPath, grey: float, damping: float) -> tuple[F32, F32]:
    return damped_inverse(kept, path.bands.up, path.bands.down, wet, grey, damping)
