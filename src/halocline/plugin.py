"""The stable face for operators of other packages: all that one needs, under names that stay.

What stands here keeps its name and meaning from one version to the next, as a preset's keys do; the modules
it comes from may move. An operator is a class derived from `Operator`, named in its package's entry point
group ``halocline.operators``; DEVELOPERS.md shows a whole one.

    Operator, Planes, PlaneUse, Tile, Shot   the protocol, and what an operator is given
    Stage, Source, WHOLE                     where it belongs, what it needs, how far it looks
    Plane, Form                              a plane of its own, described
    Strict and the quantities                its keys in a preset, with units and ranges
    compiled                                 loops over pixels, compiled and kept on disk
    in_parallel, bands_of_rows               work split over as many threads as the job allows
    F32, F64                                 array types
    GraphError                               for what a person can fix
"""

from __future__ import annotations

from halocline._typing import F32, F64
from halocline.compute.compiled import compiled
from halocline.compute.threads import in_parallel
from halocline.errors import GraphError
from halocline.filters.pyramid_blur import bands_of_rows
from halocline.graph.operator import WHOLE, Operator, Planes, PlaneUse, Source, Stage, Tile
from halocline.graph.planes import Form, Plane
from halocline.graph.shot import Shot
from halocline.quantities import (
    Angle,
    Colour,
    Distance,
    Duration,
    Factor,
    Length,
    Period,
    PerMetre,
    Position,
    Ratio,
    Share,
    Strict,
)

__all__ = [
    "F32",
    "F64",
    "WHOLE",
    "Angle",
    "Colour",
    "Distance",
    "Duration",
    "Factor",
    "Form",
    "GraphError",
    "Length",
    "Operator",
    "PerMetre",
    "Period",
    "Plane",
    "PlaneUse",
    "Planes",
    "Position",
    "Ratio",
    "Share",
    "Shot",
    "Source",
    "Stage",
    "Strict",
    "Tile",
    "bands_of_rows",
    "compiled",
    "in_parallel",
]
