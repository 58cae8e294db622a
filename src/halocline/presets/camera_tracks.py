"""The file of cameras that a preset names: CSV or JSON, or a USD stage and which cameras in it."""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import Field, model_validator

from halocline.errors import CameraError, UnitError
from halocline.files.named_by_presets import NamedFile, file_problem, path_alone
from halocline.imaging.camera_file import CameraFile, read_once
from halocline.imaging.camera_metadata import Matrix
from halocline.imaging.camera_stage import StageReading, is_stage, read_stage_once, stage_digest
from halocline.quantities import SceneUnit
from halocline.units import metres_per_scene_unit

_OF_STAGES = ("prim", "prims", "unit", "lens_unit")
# Any level camera does to see whether a file of cameras can be read.
_AXES = ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0))


class TrackFile(NamedFile):
    """A file of cameras, and which of them, where it is a USD stage.

    Attributes
    ----------
    prim
        Path of the camera in a stage; not needed where there is one only.
    prims
        Paths by view, of a stereo picture.
    unit
        Length of the stage's unit, where the stage does not say it or says it wrong.
    lens_unit
        ``mm``: focal length and apertures are millimetres, and not tenths of the stage's unit, as
        UsdGeomCamera has it.
    """

    prim: str | None = None
    prims: Annotated[Mapping[str, str], Field(min_length=1)] | None = None
    unit: SceneUnit | None = None
    lens_unit: Literal["mm"] | None = None

    @model_validator(mode="after")
    def _readable(self) -> TrackFile:
        if is_stage(self.place):
            if self.prim is not None and self.prims is not None:
                raise ValueError("prim and prims are both given; prims name the camera of each view")
            return self
        for name in _OF_STAGES:
            if getattr(self, name) is not None:
                raise ValueError(f"{name} is of USD stages, and {self.path} is none")
        try:
            read_once(self.place, self.sha256, _AXES)
        except CameraError as error:
            raise _as_problem(error) from None
        return self

    @classmethod
    def digest_of(cls, place: Path, stated: dict[str, Any]) -> str:
        """Return the digest of what a file says of cameras: of a stage, that of those that are meant."""
        if not is_stage(place):
            return super().digest_of(place, stated)
        try:
            reading = _stated_reading(stated)
        except (AttributeError, TypeError, UnitError):
            # What is stated is none of what it may be, and is told of as any other key.
            return ""
        return _digest_of_stage(place, place.stat().st_mtime_ns, place.stat().st_size, reading)

    def cameras(self, level: Matrix, scene_unit_m: float, frames_per_second: float, up: str) -> CameraFile:
        """Return what the file says.

        Parameters
        ----------
        level
            Right, up and back of a level camera, by row, for files that give angles.
        scene_unit_m
            Metres in a unit of the render.
        frames_per_second
            Of the sequence.
        up
            Axis of the scene that points up, such as ``+y``.

        Returns
        -------
        CameraFile
            The cameras.

        Raises
        ------
        CameraError
            ``E-CAMERA-TRACK``.
        """
        if not is_stage(self.place):
            return read_once(self.place, self.sha256, level)
        views = self.prims or ({} if self.prim is None else {"": self.prim})
        return read_stage_once(
            self.place,
            self.sha256,
            StageReading(
                tuple(sorted(views.items())),
                scene_unit_m,
                frames_per_second,
                up,
                self.unit,
                self.lens_unit == "mm",
            ),
        )


AnyTrack = Annotated[
    TrackFile,
    *path_alone(
        prim={"type": "string", "description": "Path of the camera in a USD stage."},
        prims={"type": "object", "additionalProperties": {"type": "string"}},
        unit={"type": ["number", "string"]},
        lens_unit={"enum": ["mm"]},
    ),
]


def _stated_reading(stated: Mapping[str, Any]) -> StageReading:
    """Return how the cameras are read to be known by: in metres, a frame a time code at 24 a second."""
    prim, prims, unit = stated.get("prim"), stated.get("prims") or {}, stated.get("unit")
    views = dict(prims) or ({} if prim is None else {"": prim})
    return StageReading(
        tuple(sorted((view, str(path)) for view, path in views.items())),
        unit_m=None if unit is None else metres_per_scene_unit(unit),
        lens_in_mm=stated.get("lens_unit") == "mm",
    )


@lru_cache(maxsize=64)
def _digest_of_stage(place: Path, modified_ns: int, size: int, reading: StageReading) -> str:  # noqa: ARG001 - a changed file is read anew
    try:
        return stage_digest(place, reading)
    except CameraError as error:
        raise _as_problem(error) from None


def _as_problem(error: CameraError) -> Exception:
    return file_problem(f"{error.where}: {error.message}. {error.fix}")
