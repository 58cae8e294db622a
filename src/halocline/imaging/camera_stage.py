"""Cameras over time from a USD stage, read through ``usd-core``, which need not be installed.

What UsdGeomCamera states is taken as its schema has it: focal length, apertures and their offsets in tenths
of a unit of the stage, the clipping range in units, the camera looking down -z of its own axes. The stage
says how long a unit is (``metersPerUnit``), which way is up (``upAxis``) and how many time codes a second
has. Its values are taken at every frame and at every time sample between, so that nothing is left to chance
within the shutter; between those place and lens move linearly, as in other files of cameras.

Where the picture has another shape than the film back, the film is widened or heightened until it has the
picture's, which is UsdRender's default (``aspectRatioConformPolicy = "expandAperture"``).

Source: the schemas of UsdGeom and UsdRender in usd-core 26.11, read.
"""

from __future__ import annotations

import hashlib
import math
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np

from halocline._typing import F64
from halocline.errors import CameraError, did_you_mean
from halocline.imaging.camera_file import CameraFile
from halocline.imaging.camera_metadata import CameraStatement, frozen_rows
from halocline.late_dataclass import dataclass

_ENDINGS = frozenset({".usd", ".usda", ".usdc", ".usdz"})
# Of a camera over time; at 24 frames a second more than an hour.
_MOST_MOMENTS = 100_000
_MOST_LISTED = 20
# Frame numbers reckoned from seconds are whole where they are so to this.
_WHOLE = 1e-6
# Films beyond these are units mixed up: the narrowest in use is 8 mm, the widest some 70 (common practice).
_FILM_MM = (2.0, 400.0)
# Axes may be off by this much before a matrix is said to shear.
_SHEAR = 1e-3


@dataclass(frozen=True)
class StageReading:
    """Which cameras of a stage are wanted, and what the rest of the look says of its units.

    Attributes
    ----------
    prims
        View and path of its camera; one path for the view "" is for whatever view there is, and without any
        it is the only camera of the stage.
    scene_unit_m
        Metres in a unit of the render, in which places are given on.
    frames_per_second
        Of the sequence: frame n is the time code n times ``timeCodesPerSecond`` by this.
    up
        Axis that points up in the scene, such as ``+y``; None where that is not to be compared.
    unit_m
        Metres in a unit of the stage, in place of what it states.
    lens_in_mm
        Whether focal length and apertures are millimetres, whatever the stage's unit.
    """

    prims: tuple[tuple[str, str], ...] = ()
    scene_unit_m: float = 1.0
    frames_per_second: float = 24.0
    up: str | None = None
    unit_m: float | None = None
    lens_in_mm: bool = False


def is_stage(path: Path) -> bool:
    """Tell whether a file is a USD stage, by its ending.

    Parameters
    ----------
    path
        The file.

    Returns
    -------
    bool
        Whether it is.
    """
    return path.suffix.lower() in _ENDINGS


def read_stage(path: str | Path, reading: StageReading) -> CameraFile:
    """Read cameras over time.

    Parameters
    ----------
    path
        A stage; layers that it takes in may lie anywhere.
    reading
        Which cameras, and how.

    Returns
    -------
    CameraFile
        The cameras. One that does not move at all holds for every frame; others from their first time sample
        to the last, and as far as the stage's own start and end.

    Raises
    ------
    CameraError
        ``E-CAMERA-TRACK`` where the stage cannot be read, has no such camera, does not say what it must, or
        usd-core is not installed; ``E-CAMERA-PROJECTION`` where a camera is orthographic.
    """
    path = Path(path)
    stage = _opened(path, [prim for _, prim in reading.prims])
    cameras = _cameras(stage, path, reading.prims)
    unit_m = _unit_m(stage, path, reading)
    _refuse_other_up(stage, path, reading.up)
    scale = stage.GetTimeCodesPerSecond() / reading.frames_per_second
    told = (
        f" ({stage.GetTimeCodesPerSecond():g} time codes a second in the stage, "
        f"{reading.frames_per_second:g} frames a second by sequence.frames_per_second)"
    )
    moments, still = {}, set()
    for view, camera in cameras.items():
        codes = _codes(camera, stage, scale, path)
        moments[view] = {
            frame: _statement(camera, code, path, reading, unit_m, view) for frame, code in codes.items()
        }
        if all(code.IsDefault() for code in codes.values()):
            still.add(view)
    return CameraFile(path, moments, frozenset(still), told)


@lru_cache(maxsize=8)
def read_stage_once(path: Path, digest: str, reading: StageReading) -> CameraFile:  # noqa: ARG001 - a changed stage is read anew
    """Return what `read_stage` does, read once a process for each content.

    Parameters
    ----------
    path, digest
        The stage, and the digest of what it says of its cameras.
    reading
        As `read_stage` takes it.

    Returns
    -------
    CameraFile
        The cameras.

    Raises
    ------
    CameraError
        As `read_stage`.
    """
    return read_stage(path, reading)


def stage_digest(path: Path, reading: StageReading) -> str:
    """Return a digest of what a stage says of its cameras, and of nothing else that is in it.

    Parameters
    ----------
    path, reading
        As `read_stage` takes them.

    Returns
    -------
    str
        SHA-256 in hexadecimal: the same wherever the stage's layers lie, and whatever else is in them.

    Raises
    ------
    CameraError
        As `read_stage`.
    """
    found = read_stage(path, reading)
    said = [(view, sorted(known.items())) for view, known in sorted(found.moments.items())]
    return hashlib.sha256(repr(said).encode()).hexdigest()


def _opened(path: Path, prims: list[str]) -> Any:
    """Return the stage, composed no further than these cameras need."""
    try:
        from pxr import Sdf, Tf, Usd  # noqa: PLC0415 - an extra, and slow to import
    except ImportError as error:
        raise _wrong(
            "is a USD stage, and the package usd-core, which reads them, is not installed",
            path,
            'Install it: pip install "halocline[usd]"; or give the cameras as CSV or JSON.',
        ) from error
    for prim in prims:
        if not (Sdf.Path.IsValidPathString(prim) and Sdf.Path(prim).IsAbsoluteRootOrPrimPath()):
            raise _wrong(f'"{prim}" is no path of a prim', path, "Write it as /shot/camera.")
    try:
        mask = Usd.StagePopulationMask([Sdf.Path(prim) for prim in prims])
        stage = Usd.Stage.OpenMasked(str(path), mask) if prims else Usd.Stage.Open(str(path))
    except Tf.ErrorException as error:
        reason = " ".join(str(error.args[0] if error.args else error).split())
        raise _wrong(f"cannot be read as a USD stage: {reason}", path, _WRITE_AGAIN) from error
    if problems := stage.GetCompositionErrors():
        raise _wrong(
            f"does not compose: {' '.join(str(problems[0]).split())}",
            path,
            "Bring the layers that it takes in to where it looks for them.",
        )
    return stage


_WRITE_AGAIN = "Write it again, or give the cameras as CSV or JSON."


def _cameras(stage: Any, path: Path, prims: tuple[tuple[str, str], ...]) -> dict[str, Any]:
    from pxr import UsdGeom  # noqa: PLC0415

    if not prims:
        there = _all_cameras(path)
        if len(there) != 1:
            raise _wrong(
                f"which camera is not said; {_listed(there)}",
                path,
                f'Say which: track = {{ path = "{path.name}", prim = "{there[0]}" }}.'
                if there
                else _WRITE_AGAIN,
            )
        prims = (("", there[0]),)
    found = {}
    for view, name in prims:
        prim = stage.GetPrimAtPath(name)
        if not (prim and prim.IsA(UsdGeom.Camera)):
            there = _all_cameras(path)
            what = f"{name} is {prim.GetTypeName() or 'of no type'}, no camera" if prim else f"no prim {name}"
            raise _wrong(
                f"{what}; {_listed(there)}",
                path,
                f"Give the path of one of them: camera.track.prim.{did_you_mean(name, there)}",
            )
        found[view] = UsdGeom.Camera(prim)
    return found


def _all_cameras(path: Path) -> list[str]:
    from pxr import Usd, UsdGeom  # noqa: PLC0415

    # The stage at hand may hold no more than what was asked for.
    stage = Usd.Stage.Open(str(path))
    prims = stage.Traverse(Usd.TraverseInstanceProxies())
    return [str(prim.GetPath()) for prim in prims if prim.IsA(UsdGeom.Camera)]


def _listed(names: list[str]) -> str:
    more = f" and {len(names) - _MOST_LISTED} more" if len(names) > _MOST_LISTED else ""
    return f"its cameras are {', '.join(names[:_MOST_LISTED])}{more}" if names else "it has no camera"


def _unit_m(stage: Any, path: Path, reading: StageReading) -> float:
    from pxr import UsdGeom  # noqa: PLC0415

    if reading.unit_m is not None:
        return reading.unit_m
    if not UsdGeom.StageHasAuthoredMetersPerUnit(stage):
        raise _wrong(
            "does not say how long its unit is (metersPerUnit)",
            path,
            'Write metersPerUnit into the stage; or say it here: camera.track.unit = "cm".',
        )
    return float(UsdGeom.GetStageMetersPerUnit(stage))


def _refuse_other_up(stage: Any, path: Path, up: str | None) -> None:
    from pxr import UsdGeom  # noqa: PLC0415

    stated = f"+{UsdGeom.GetStageUpAxis(stage)}".lower()
    if up is not None and stage.HasAuthoredMetadata(UsdGeom.Tokens.upAxis) and stated != up:
        level = ' and place.ahead = "+y"' if stated == "+z" else ""
        raise _wrong(
            f"up is {stated} in the stage and {up} in the preset",
            path,
            f'Set place.up = "{stated}"{level}, if the render has the axes of the stage; else write the '
            "cameras in those of the render.",
        )


def _codes(camera: Any, stage: Any, scale: float, path: Path) -> dict[float, Any]:
    """Return the time codes at which a camera is looked at, by frame; every one of those it was given for."""
    from pxr import Usd  # noqa: PLC0415

    sampled = sorted(_samples(camera))
    if not sampled:
        # It stands still, whatever the frame.
        return {0.0: Usd.TimeCode.Default()}
    ends = [stage.GetStartTimeCode(), stage.GetEndTimeCode()] if stage.HasAuthoredTimeCodeRange() else []
    first, last = min([*sampled, *ends]), max([*sampled, *ends])
    codes = {_frame(code / scale): code for code in (first, *sampled, last)}
    low, high = math.ceil(_frame(first / scale)), math.floor(_frame(last / scale))
    if high - low + len(codes) > _MOST_MOMENTS:
        raise _wrong(
            f"has {high - low + 1} frames and {len(codes)} time samples, more than {_MOST_MOMENTS} together",
            path,
            "Write the camera of one shot.",
        )
    codes |= {float(frame): frame * scale for frame in range(low, high + 1) if float(frame) not in codes}
    return {frame: Usd.TimeCode(codes[frame]) for frame in sorted(codes)}


def _frame(number: float) -> float:
    nearest = float(round(number))
    return nearest if abs(number - nearest) < _WHOLE else number


def _samples(camera: Any) -> set[float]:
    """Return all times at which lens or place of a camera is given."""
    from pxr import UsdGeom  # noqa: PLC0415

    attributes = (
        camera.GetFocalLengthAttr(),
        camera.GetHorizontalApertureAttr(),
        camera.GetVerticalApertureAttr(),
        camera.GetHorizontalApertureOffsetAttr(),
        camera.GetVerticalApertureOffsetAttr(),
        camera.GetClippingRangeAttr(),
    )
    found = {float(code) for attribute in attributes for code in attribute.GetTimeSamples()}
    prim = camera.GetPrim()
    while prim and not prim.IsPseudoRoot():
        if prim.IsA(UsdGeom.Xformable):
            placed = UsdGeom.Xformable(prim)
            found |= set(map(float, placed.GetTimeSamples()))
            if placed.GetResetXformStack():
                break
        prim = prim.GetParent()
    return found


def _statement(
    camera: Any, code: Any, path: Path, reading: StageReading, unit_m: float, view: str
) -> CameraStatement:
    where = f"{path}, {camera.GetPath()}"
    if str(camera.GetProjectionAttr().Get(code)) == "orthographic":
        raise CameraError(
            "the camera is orthographic",
            code="E-CAMERA-PROJECTION",
            where=where,
            fix="Render in perspective: water needs the way of each ray.",
        )
    # Lens and film are in tenths of a unit.
    mm = 1.0 if reading.lens_in_mm else 100.0 * unit_m
    focal, width, height, right, up = (
        mm * float(attribute.Get(code))
        for attribute in (
            camera.GetFocalLengthAttr(),
            camera.GetHorizontalApertureAttr(),
            camera.GetVerticalApertureAttr(),
            camera.GetHorizontalApertureOffsetAttr(),
            camera.GetVerticalApertureOffsetAttr(),
        )
    )
    near, far = (float(distance) for distance in camera.GetClippingRangeAttr().Get(code))
    matrix = np.array(camera.ComputeLocalToWorldTransform(code), np.float64).T
    numbers = (focal, width, height, right, up, near, far, *matrix.ravel())
    if not all(map(math.isfinite, numbers)) or min(focal, width, height) <= 0.0:
        raise _wrong(
            f"at time code {code} lens or place is no number, or not above 0",
            where,
            "Write the camera again.",
        )
    if not _FILM_MM[0] <= width <= _FILM_MM[1]:
        raise _wrong(
            f"at time code {code} the film is {width:.4g} mm wide: horizontalAperture is in tenths of a unit "
            f"of {unit_m:g} m",
            where,
            'If lens and film are in millimetres, say so: camera.track.lens_unit = "mm".',
        )
    to_scene = unit_m / reading.scene_unit_m
    return CameraStatement(
        focal_length_mm=focal,
        film_width_mm=width,
        film_height_mm=height,
        film_offset_mm=(right, up),
        film_widened=True,
        near=near * to_scene if near > 0.0 else None,
        far=far * to_scene if far > near > 0.0 else None,
        camera_to_world=frozen_rows(_turned_and_moved(matrix, to_scene, where, code)),
        # The one camera of a stage is that of whatever picture there is.
        view=view or None,
        override=True,
        override_place=True,
    )


def _turned_and_moved(matrix: F64, to_scene: float, where: str, code: Any) -> F64:
    """Return a matrix without the scale that groups may have, its place in the render's units."""
    lengths = np.linalg.norm(matrix[:3, :3], axis=0)
    axes = np.divide(matrix[:3, :3], lengths, out=np.zeros((3, 3)), where=lengths > 0.0)
    if np.abs(axes.T @ axes - np.eye(3)).max() > _SHEAR or np.linalg.det(axes) < 0.0:
        raise _wrong(
            f"at time code {code} the camera is sheared, mirrored or flat",
            where,
            "Take shear and mirroring out of the groups that it stands in.",
        )
    placed = np.eye(4)
    placed[:3, :3] = axes
    placed[:3, 3] = to_scene * matrix[:3, 3]
    return placed


def _wrong(message: str, where: str | Path, fix: str) -> CameraError:
    return CameraError(message, code="E-CAMERA-TRACK", where=str(where), fix=fix)
