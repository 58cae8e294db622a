"""Grade: hue, saturation and contrast of one part of the light, as art on top of the water's own.

What the water threw in, the subject's own light, or all that is far: a grade of the finished frame cannot
tell them apart. Place it after the last step that adds light to the water, before ``white_reference``.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Annotated, Any, ClassVar, Literal

import numpy as np
from pydantic import Field

from halocline._typing import F32, F64
from halocline.graph.light_form import combine
from halocline.graph.operator import Operator, Planes, PlaneUse, Tile
from halocline.graph.shot import Shot
from halocline.physics.path.transport import LightPath
from halocline.quantities import Angle, Factor, Ratio, Strict
from halocline.rgb import LINEAR_REC709

# Where there is less light than this, contrast does nothing: there is no ratio to the pivot.
_LEAST = np.float32(1e-9)
# The turn by 90 degrees about grey.
_TURN = np.array([[0.0, -1.0, 1.0], [1.0, 0.0, -1.0], [-1.0, 1.0, 0.0]]) / math.sqrt(3.0)


class GradeParameters(Strict):
    """Parameters of the grade.

    Attributes
    ----------
    acts_on
        ``veil``: light that water and what floats in it threw in, veil, shafts, lamp haze and matter alike.
        ``subject``: the rest.
        ``far_water``: all light, by the share of the subject's light that the water has taken.
    hue
        Turns the hue about grey, degrees, red towards green; 0 keeps it.
    saturation
        Multiplies what sets a colour apart from the grey of its luminance, a ratio; 1 keeps it, 0 is grey.
    contrast
        Power of the luminance over the pivot; 1 keeps it.
    pivot
        The luminance that contrast keeps, scene-linear, before exposure.
    """

    acts_on: Literal["veil", "subject", "far_water"] = "veil"
    hue: Annotated[Angle, Field(ge=-180.0, le=180.0)] = 0.0
    saturation: Annotated[Ratio, Field(le=10.0)] = 1.0
    contrast: Annotated[Factor, Field(ge=0.1, le=10.0)] = 1.0
    pivot: Factor = 0.18


class Grade(Operator[GradeParameters, F64]):
    """Adds Y^(contrast - 1) M c - c of a part c of the light, with M turning and saturating about grey."""

    Parameters = GradeParameters
    nothing_at: ClassVar = {"hue": 0.0, "saturation": 1.0, "contrast": 1.0}

    def planes(self) -> PlaneUse:
        """Read colour and what tells the parts apart; write colour."""
        needs = {"veil": "veil", "subject": "alpha", "far_water": "transmittance"}
        return PlaneUse(
            reads=frozenset({"rgb", needs[self.parameters.acts_on]}),
            optional=frozenset({"coverage"} if self.parameters.acts_on == "subject" else ()),
            writes=frozenset({"rgb"}),
            added=self.parameters.acts_on != "far_water",
        )

    def idle(self, shot: Shot) -> bool:  # noqa: ARG002 - part of the protocol
        """Without a turn, more colour or contrast, all stays."""
        p = self.parameters
        return p.hue == 0.0 and p.saturation == p.contrast == 1.0

    def even_at(self) -> Mapping[str, Any] | None:
        """Contrast is a power of all the light of a pixel."""
        return None if self.parameters.contrast == 1.0 else {"contrast": 1.0}

    def price(self, path: LightPath, axis: F64 | None = None) -> str | None:  # noqa: ARG002 - seen level
        """Return how open water, seen level, or a white card at the lens changes."""
        p = self.parameters
        across = np.cross(path.up, path.sun_travel)
        if np.linalg.norm(across) < 1e-6:
            across = np.cross(path.up, np.eye(3)[int(np.argmin(np.abs(path.up)))])
        open_water = path.veil_along(math.inf, across / np.linalg.norm(across))
        name, light = "open water", open_water
        if p.acts_on == "subject":
            name, light = "a white card at the lens", path.white * path.daylight(path.camera_depth_m)
        was = path.bands.down @ light
        row: F64 = path.luminance
        before = float(row @ was)
        if not before > 0.0:
            return None
        now = self._turn(path) @ was
        times = (before / p.pivot) ** (p.contrast - 1.0)
        apart = float(np.abs(now - was).sum() / np.abs(was).sum())
        return f"{name} is {times:.2g} times as bright as it is, and {apart:.0%} of its colour is art."

    def prepare(self, shot: Shot) -> F64:
        """Return the matrix that turns and saturates, ``(3, 3)``."""
        return self._turn(shot.path)

    def _turn(self, path: LightPath) -> F64:
        """Return the turn of Rec.709, for colours of the working space: hues lie otherwise about its grey."""
        p, there = self.parameters, path.to_rec709
        made: F64 = np.linalg.inv(there) @ turned(LINEAR_REC709.luminance_row, p.hue, p.saturation) @ there
        return made

    def apply(self, planes: Planes, tile: Tile, shot: Shot, prepared: F64) -> Planes:
        """Change the part, and leave the rest."""
        rgb, row = planes["rgb"], shot.path.luminance
        if self.parameters.acts_on == "far_water":
            weights = row @ shot.path.bands.down * shot.path.white
            left = combine((weights / weights.sum())[None], planes["transmittance"])
            change = self._graded(rgb, np.ones_like(left[0]), row, prepared) - rgb
            return {"rgb": rgb + change * (np.float32(1.0) - left)}
        part = np.zeros_like(rgb)
        for name in tile.added:
            part += combine(shot.path.bands.down, planes[name])
        cover = np.ones_like(rgb[0])
        if self.parameters.acts_on == "subject":
            part = rgb - part
            cover = planes.get("coverage", planes["alpha"])
        return {"rgb": rgb + (self._graded(part, cover, row, prepared) - part)}

    def _graded(self, light: F32, cover: F32, row: F64, matrix: F64) -> F32:
        """Return premultiplied light that covers so much of each pixel, graded."""
        made = combine(matrix, light)
        power = np.float32(self.parameters.contrast - 1.0)
        if power:
            luminance = combine(row[None], light)[0]
            there = np.maximum(cover, np.float32(1e-3)) * np.float32(self.parameters.pivot)
            ratio = np.where(luminance > _LEAST, luminance / there, np.float32(1.0))
            made *= np.power(ratio, power)
        return made


def turned(luminance_row: F64, hue_deg: float, saturation: float) -> F64:
    """Return the matrix that turns hue about grey and saturates, luminance kept, ``(3, 3)``.

    Parameters
    ----------
    luminance_row
        What luminance each primary has, ``(3,)``, of sum 1.
    hue_deg
        Turn of what is not grey, seen along the grey axis, degrees, red towards green.
    saturation
        Factor on what is not grey.

    Returns
    -------
    F64
        ``(3, 3)``.

    Notes
    -----
    A colour is the grey of its luminance and a rest without any. The rest is turned in the plane across the
    grey axis, and grey is taken off it again until it has none. Without a turn it is the saturation matrix of
    the W3C's Filter Effects Module, which is for the weights of Rec. 709.
    """
    grey = np.ones((3, 1)) @ luminance_row[None] / luminance_row.sum()
    across = np.eye(3) - np.full((3, 3), 1.0 / 3.0)
    angle = math.radians(hue_deg)
    rest = (math.cos(angle) * np.eye(3) + math.sin(angle) * _TURN) @ across
    matrix: F64 = grey + saturation * (rest - grey @ rest)
    return matrix
