"""Cameras from the metadata of a rendered file, from a statement, or as a default that says so.

OpenEXR's standard attributes (openexr_attributes): ``worldToCamera`` and ``worldToNDC`` are matrices for
row vectors (the translation stands in the last row). The standard's camera space is left-handed: x right, y
up, +z into the picture; NDC runs from 0 to 1 across the display window, y down. Many renderers write a
right-handed camera that looks down -z instead, some write matrices for column vectors, and some NDC from -1
to 1: the determinant, the place of the translation and the optical axis tell them apart.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np

from halocline._typing import F64
from halocline.errors import CameraError
from halocline.imaging.camera import Camera, pinhole
from halocline.imaging.exr import LATLONG, Part
from halocline.imaging.names import words
from halocline.imaging.panorama import PANORAMA_FOCAL_MM, PanoramaPixels, panorama
from halocline.late_dataclass import dataclass

DEFAULT_FOCAL_MM = 35.0
DEFAULT_FILM_MM = 36.0

_FOCAL_NAMES = ("pinholeFocalLength", "effectiveFocalLength", "nominalFocalLength", "Exif:FocalLength")
# Two ways of stating one lens agree to their rounding; more is a mistake in the file.
_LENS_TOLERANCE = 0.01
# Axes of a ten-thousandth to ten thousand units: beyond, a matrix is damaged.
_SMALLEST_VOLUME = 1e-12
_SCALES = "the camera matrix scales by"
# Lenses beyond these are units mixed up rather than lenses, degrees across (common practice, no source).
_NARROWEST_DEG, _WIDEST_DEG = 3.0, 130.0
_UNLIKELY = "the lens sees"
_NO_PERSPECTIVE = frozenset(
    [
        "orthographic",
        "ortho",
        "orthogonal",
        "parallel",
        "isometric",
        "fisheye",
        "spherical",
        "cylindrical",
        "panoramic",
        "panorama",
        "latlong",
        "equirectangular",
        "cubemap",
        "cube",
        "cubic",
        "environment",
        "vr",
        "omnidirectional",
    ]
)

# Rows of a matrix, as a frozen value.
Matrix = tuple[tuple[float, ...], ...]


@dataclass(frozen=True)
class Eye:
    """Where one eye of a stereo pair stands from a camera that is stated or found for both.

    The eyes look the same way; what is ``convergence_m`` ahead stands in the screen plane since the film back
    is shifted, so that no line of one eye's picture leaves its line in the other's.

    Attributes
    ----------
    shift_m
        To the right of the camera, along its axis across, metres.
    convergence_m
        Distance of the screen plane along the camera's axis, metres; None where film backs are not shifted.
    replace
        Whether it is reckoned from the view's own camera where the render has one.
    """

    shift_m: float
    convergence_m: float | None = None
    replace: bool = False

    def of(self, camera: Camera) -> Camera:
        """Return the eye's camera.

        Parameters
        ----------
        camera
            For both eyes.

        Returns
        -------
        Camera
            Moved, its optical axis elsewhere in the picture.
        """
        turned = 0.0 if self.convergence_m is None else self.shift_m / self.convergence_m
        x, y = camera.centre_px
        told = f"{camera.source}; eye: {1000 * self.shift_m:+.4g} mm across"
        return replace(
            camera,
            position_m=camera.position_m + self.shift_m * camera.rotation[:, 0],
            centre_px=(x + turned / camera.tangent_per_px[0], y),
            source=told if self.convergence_m is None else f"{told}, screen at {self.convergence_m:.4g} m",
        )


@dataclass(frozen=True)
class CameraStatement:
    """A camera as a person states it; whatever is None is left to the file.

    Attributes
    ----------
    focal_length_mm, film_width_mm
        Lens and film back (the width that the display window spans).
    hfov_deg
        Horizontal angle of view, instead of a focal length.
    camera_to_world
        ``(4, 4)``, points as columns, scene units, right-handed, looking down -z.
    near, far
        Clipping planes, scene units.
    override
        Whether the statement wins over the file. Otherwise it only fills in what the file lacks.
    override_place
        Whether the stated matrix does so, whatever becomes of the lens.
    film_height_mm
        Height of the film back, where pixels and width do not give it.
    film_widened
        Whether a film back of another shape than the picture is widened or heightened until it has that.
    film_offset_mm
        Shift of the film back, or of the lens, to the right and up: positive shows more of what is there.
    squeeze
        By how much an anamorphic lens squeezes the view on the film, horizontally.
    overscan
        How many times as wide and high as the film back the display window is.
    level
        ``(3, 3)``: right, up and back of a level camera in the scene's world, for frames that have no matrix.
    keyed
        Whether ``camera_to_world`` is ``level``, turned and moved.
    latlong
        Whether the picture is said to show all directions.
    latlong_pixels
        What of its outer pixels lies on poles and seam; as the file has it where None.
    view
        The view whose camera this is; any where None.
    eye
        Where the view's eye stands from that camera; there itself where None.
    """

    focal_length_mm: float | None = None
    film_width_mm: float | None = None
    hfov_deg: float | None = None
    camera_to_world: Matrix | None = None
    near: float | None = None
    far: float | None = None
    override: bool = False
    override_place: bool = False
    film_height_mm: float | None = None
    film_widened: bool = False
    film_offset_mm: tuple[float, float] | None = None
    squeeze: float | None = None
    overscan: float | None = None
    level: Matrix | None = None
    keyed: bool = False
    latlong: bool = False
    latlong_pixels: PanoramaPixels | None = None
    view: str | None = None
    eye: Eye | None = None

    def __post_init__(self) -> None:
        if self.hfov_deg is not None and not 0 < self.hfov_deg < 180:
            raise CameraError(
                f"a horizontal angle of view of {self.hfov_deg:g} degrees is impossible",
                code="E-CAMERA-LENS",
                where="the stated camera",
                fix="Give degrees between 0 and 180.",
            )


@dataclass(frozen=True)
class FoundCamera:
    """A camera, what to know about where it comes from, and which of that doubts its unit."""

    camera: Camera
    warnings: tuple[str, ...]
    doubts: tuple[str, ...] = ()


@dataclass(frozen=True)
class _Lens:
    """Film geometry in millimetres for a display window, and where it comes from."""

    focal_mm: float
    film_mm: float
    offset_mm: tuple[float, float]
    source: str
    film_height_mm: float | None = None

    @property
    def half_width_tangent(self) -> float:
        return self.film_mm / 2 / self.focal_mm


def find_camera(
    part: Part, *, view: str = "", statement: CameraStatement | None = None, unit_m: float = 1.0
) -> FoundCamera:
    """Return the camera of a part, or of one view in it.

    Parameters
    ----------
    part
        The part whose attributes speak; for a view, attributes named ``VIEW.worldToCamera`` come first.
    view
        Name of the view, empty where there is one only.
    statement
        What the user says.
    unit_m
        Metres in one scene unit; the file's matrices are in scene units.

    Raises
    ------
    CameraError
        ``E-CAMERA-MATRIX`` or ``E-CAMERA-LENS`` where the file's or the stated camera is impossible;
        ``E-CAMERA-VIEW`` where the statement is about another view.
    """
    said = statement or CameraStatement()
    if said.view is not None and said.view != view:
        raise CameraError(
            f"the camera file has {_called(said.view)}, the picture is {_called(view)}",
            code="E-CAMERA-VIEW",
            where="camera.track",
            fix=f'Give each view of the picture its rows in the camera file: view = "{view}".'
            if view
            else "Leave the views out of the camera file, or render the picture with them.",
        )
    warnings: list[str] = []
    found, matrix_source = _matrix(part, view, said, warnings)
    if shows_all_directions(part, said):
        return _all_around(part, said, found, matrix_source, warnings, unit_m)
    lens = _lens(part, view, said, warnings)
    if found is None:
        warnings.append(
            "no camera matrix in the metadata: taken as a level camera at the origin, "
            "so up, down and movement are not the shot's. Render the attribute worldToCamera into the "
            "files; place.camera_depth says how deep the lens is."
        )
        matrix_source = "level camera assumed"
        found = np.eye(4)
        if said.level is not None:
            found[:3, :3] = said.level
    across = math.degrees(2.0 * math.atan(lens.half_width_tangent))
    if not _NARROWEST_DEG <= across <= _WIDEST_DEG:
        warnings.append(
            f"{_UNLIKELY} {across:.3g} degrees across ({lens.focal_mm:.4g} mm on {lens.film_mm:.4g} mm): "
            "are both in millimetres? If that is wrong, set camera.horizontal_view and camera.replace = true"
        )
    placed: F64 = found.copy()
    placed[:3, 3] *= unit_m
    display = part.display_window
    camera = pinhole(
        display,
        focal_length_mm=lens.focal_mm,
        film_width_mm=lens.film_mm,
        film_height_mm=lens.film_height_mm,
        film_offset_mm=lens.offset_mm,
        pixel_aspect=part.pixel_aspect,
        camera_to_world=placed,
        near_m=_scaled(_first(said.near, _number(part, view, "near")), unit_m),
        far_m=_scaled(_first(said.far, _number(part, view, "far")), unit_m),
        source=f"matrix: {matrix_source}; lens: {lens.source}",
    )
    return FoundCamera(
        camera if said.eye is None else said.eye.of(camera),
        tuple(warnings),
        tuple(warning for warning in warnings if warning.startswith((_SCALES, _UNLIKELY))),
    )


def refuse_two_pairs(found: Mapping[str, Camera]) -> None:
    """Refuse to move eyes that have cameras of their own.

    Parameters
    ----------
    found
        By view: the cameras that eyes are reckoned from.

    Raises
    ------
    CameraError
        ``E-CAMERA-EYES`` where they are not one.
    """
    first = next(iter(found.values()))
    for view, camera in found.items():
        if not camera.stands_as(first):
            raise CameraError(
                f'the view "{view}" has a camera of its own, and views.interaxial would move it',
                code="E-CAMERA-EYES",
                where="views.interaxial",
                fix="Leave out [views] interaxial; or set views.replace = true: each eye is then reckoned "
                "from its view's camera.",
            )


def frozen_rows(matrix: F64) -> Matrix:
    """Return a matrix as a statement holds it.

    Parameters
    ----------
    matrix
        ``(rows, columns)``.

    Returns
    -------
    Matrix
        The same numbers by row.
    """
    return tuple(tuple(map(float, row)) for row in matrix)


def shows_all_directions(part: Part, statement: CameraStatement) -> bool:
    """Tell whether a picture is a panorama, by its own ``envmap`` attribute or by what is stated.

    Parameters
    ----------
    part
        The picture.
    statement
        What the user says of its camera.

    Returns
    -------
    bool
        Whether its columns are longitudes and its rows latitudes.
    """
    return statement.latlong or part.environment == LATLONG


def refuse_projection(part: Part, statement: CameraStatement) -> None:
    """Refuse a picture that is neither a pinhole camera's nor a panorama, as far as its metadata tells.

    Parameters
    ----------
    part
        The picture.
    statement
        What the user says of its camera.

    Raises
    ------
    CameraError
        ``E-CAMERA-PROJECTION`` for cube maps, for panoramas that do not show all directions, and for cameras
        that are called or are neither.
    """
    where = f'part "{part.name}"' if part.name else None
    if shows_all_directions(part, statement):
        display = part.display_window
        if display.width != 2 * display.height or display.union(part.data_window) != display:
            raise CameraError(
                f"a panorama of all directions is twice as wide as high and has no overscan; this one has "
                f"{display.width} x {display.height} pixels"
                + ("" if display.union(part.data_window) == display else " and a larger data window"),
                code="E-CAMERA-PROJECTION",
                where=where,
                fix="Render 360 x 180 degrees, or render through a perspective camera.",
            )
        return
    said = part.environment or _named_projection(part)
    if not said and _is_parallel(part):
        said = "orthographic (its worldToNDC does not depend on depth)"
    if said:
        raise CameraError(
            f"the picture is {said}: no perspective, so its depth and its view rays are not known here",
            code="E-CAMERA-PROJECTION",
            where=where,
            fix="Render through a perspective camera; or render all directions, 360 x 180 degrees, and say "
            'so: camera.projection = "latlong".',
        )


def _all_around(
    part: Part,
    said: CameraStatement,
    found: F64 | None,
    source: str,
    warnings: list[str],
    unit_m: float,
) -> FoundCamera:
    """Return the camera of a panorama."""
    if said.eye is not None:
        raise CameraError(
            "views.interaxial sets two lenses side by side, and of a panorama no direction has a side",
            code="E-CAMERA-PROJECTION",
            where="views.interaxial",
            fix="Leave it out: each eye's panorama is rendered by itself, with a camera of its own.",
        )
    by_file = part.environment == LATLONG
    matrix = np.eye(4) if found is None else found.copy()
    if found is None:
        if said.level is not None:
            matrix[:3, :3] = said.level
        middle = "along +z, as OpenEXR's documentation has it" if by_file else "along place.ahead"
        warnings.append(
            f"no camera matrix in the metadata: the middle of the panorama is taken to look {middle}, level, "
            "from the origin. Render the attribute worldToCamera into the files, or turn it by camera.pan; "
            "place.camera_depth says how deep it is."
        )
        source = "level camera assumed"
    if by_file and (found is None or (said.keyed and source == "stated")):
        # From the level camera, down -z, to the middle of the standard's picture: half a turn.
        up = np.asarray(said.level, np.float64)[:, 1] if said.level is not None else np.array([0.0, 1.0, 0.0])
        matrix[:3, :3] = (2.0 * np.outer(up, up) - np.eye(3)) @ matrix[:3, :3]
    matrix[:3, 3] *= unit_m
    pixels = said.latlong_pixels or ("centres" if by_file else "edges")
    camera = panorama(
        part.display_window,
        pixels=pixels,
        camera_to_world=matrix,
        focal_length_mm=said.focal_length_mm or PANORAMA_FOCAL_MM,
        source=f"matrix: {source}; panorama, {'envmap' if by_file else 'stated'}, {pixels} of the outer "
        "pixels on poles and seam",
    )
    doubts = tuple(warning for warning in warnings if warning.startswith(_SCALES))
    return FoundCamera(camera, tuple(warnings), doubts)


def _named_projection(part: Part) -> str:
    """Return what an attribute such as "cameraType" or "projection" calls a camera that is no perspective."""
    for name, entry in part.attributes.items():
        asked = set(words(name))
        if isinstance(entry.value, str) and (
            "projection" in asked or ("camera" in asked and asked & {"type", "model", "kind"})
        ):
            called = {*words(entry.value), "".join(words(entry.value))}
            if called & _NO_PERSPECTIVE:
                return f'"{entry.value}" ({name})'
    return ""


def _is_parallel(part: Part) -> bool:
    to_ndc = matrix_entry(part, "worldToNDC", part.view)
    if to_ndc is None or not np.isfinite(to_ndc).all():
        return False
    # In perspective, what divides depends on the place; for row or column vectors.
    return not to_ndc[:3, 3].any() and not to_ndc[3, :3].any()


def camera_to_world(world_to_camera: F64) -> F64:
    """Return the camera-to-world matrix (points as columns, right-handed, down -z) of a file's matrix.

    Raises
    ------
    CameraError
        ``E-CAMERA-MATRIX`` where the matrix cannot be inverted or shears.

    Examples
    --------
    A standard (left-handed) camera two units up, looking along -z of a y-up world:

    >>> m = np.diag([1.0, 1.0, -1.0, 1.0]); m[3, :3] = 0, -2, 0
    >>> camera_to_world(m)[:3, 3].tolist()
    [0.0, 2.0, 0.0]
    """
    columns = for_columns(world_to_camera)
    determinant = float(np.linalg.det(columns[:3, :3])) if np.isfinite(columns).all() else 0.0
    # Neither the axes nor the whole may be flat, nor so small or large that their inverse is not to be used.
    if not _SMALLEST_VOLUME < abs(determinant) < 1 / _SMALLEST_VOLUME or not columns[3, 3]:
        raise _no_inverse()
    if determinant < 0:
        # Left-handed, as the standard has it: +z is ahead. Turn z round to look down -z.
        columns = columns * np.array([[1.0], [1.0], [-1.0], [1.0]])
    try:
        return np.asarray(np.linalg.inv(columns), np.float64)
    except np.linalg.LinAlgError as error:
        raise _no_inverse() from error


def _no_inverse() -> CameraError:
    return CameraError(
        "the camera matrix cannot be inverted",
        code="E-CAMERA-MATRIX",
        where="worldToCamera",
        fix="Correct the attribute worldToCamera, or leave it out: the camera is then taken as level.",
    )


def axis_scale(camera_to_world: F64) -> float:
    """Return the length of the camera's axes in world units; 1 for a camera that only turns and moves."""
    return float(np.cbrt(abs(np.linalg.det(camera_to_world[:3, :3]))))


def for_columns(matrix: F64) -> F64:
    """Transpose a row-vector matrix; leave one that is already for columns (translation on the right).

    Parameters
    ----------
    matrix
        ``(4, 4)``, as a file has it.

    Returns
    -------
    F64
        ``(4, 4)``, for points as columns.
    """
    written_for_columns = np.any(matrix[:3, 3] != 0) and not np.any(matrix[3, :3] != 0)
    return matrix if written_for_columns else matrix.T


def _called(view: str) -> str:
    return f'the view "{view}"' if view else "one view without a name"


def _matrix(part: Part, view: str, said: CameraStatement, warnings: list[str]) -> tuple[F64 | None, str]:
    stated = None if said.camera_to_world is None else np.asarray(said.camera_to_world, np.float64)
    if stated is not None and (stated.shape != (4, 4) or abs(np.linalg.det(stated)) < 1e-12):
        raise CameraError(
            "the stated camera matrix is not 4 x 4, or cannot be inverted",
            code="E-CAMERA-MATRIX",
            where="the stated camera",
            fix="Give four rows of four numbers, the position in the last column.",
        )
    written = matrix_entry(part, "worldToCamera", view)
    if stated is not None and (said.override or said.override_place or written is None):
        return stated, "stated"
    if written is None:
        return None, ""
    matrix = camera_to_world(written)
    scale = axis_scale(matrix)
    if abs(scale - 1.0) > 1e-3:
        warnings.append(
            f"{_SCALES} {1 / scale:.4g}: one unit of the depth pass may be {scale:.4g} "
            "units of the world. The scale was taken out; check input.depth_unit and input.scene_unit."
        )
        matrix[:3, :3] *= 1.0 / scale
    return matrix, "worldToCamera"


def _lens(part: Part, view: str, said: CameraStatement, warnings: list[str]) -> _Lens:
    stated = _stated_lens(part, view, said)
    if stated is not None and said.override:
        return _with_true_pixels(stated, part, warnings)
    found = [
        lens
        for lens in (_lens_of_film(part, view, said), _lens_of_ndc(part, view), _lens_of_screen(part, view))
        if lens is not None
    ]
    if found:
        for other in found[1:]:
            ratio = other.half_width_tangent / found[0].half_width_tangent
            if abs(ratio - 1) > _LENS_TOLERANCE:
                warnings.append(
                    f"the metadata contradicts itself: {other.source} says a view {ratio:.3g} times as wide "
                    f"as {found[0].source}, which was taken"
                )
        return _with_true_pixels(_with_true_film(found[0], part, view), part, warnings)
    if stated is not None:
        return _with_true_pixels(stated, part, warnings)
    across = math.degrees(2 * math.atan(DEFAULT_FILM_MM / 2 / DEFAULT_FOCAL_MM))
    warnings.append(
        f"no lens in the metadata: taken as {DEFAULT_FOCAL_MM:g} mm on a film {DEFAULT_FILM_MM:g} mm wide "
        f"({across:.0f} degrees across); set camera.horizontal_view, or camera.focal_length_mm and "
        "camera.film_width_mm, if it is another"
    )
    return _film_lens(DEFAULT_FOCAL_MM, DEFAULT_FILM_MM, "default", part, view, said)


def _stated_lens(part: Part, view: str, said: CameraStatement) -> _Lens | None:
    if said.focal_length_mm is None and said.film_width_mm is None and said.hfov_deg is None:
        return None
    film = _first(said.film_width_mm, _film_width(part, view), DEFAULT_FILM_MM)
    if said.hfov_deg is not None:
        # The angle is the picture's as it is: neither squeeze nor overscan is left to say.
        focal = film / 2 / math.tan(math.radians(said.hfov_deg) / 2)
        return _Lens(focal, film, said.film_offset_mm or _film_offset(part, view), "stated")
    focal = _first(said.focal_length_mm, _focal_length(part, view), DEFAULT_FOCAL_MM)
    return _film_lens(focal, film, "stated", part, view, said)


def _film_lens(focal: float, film: float, source: str, part: Part, view: str, said: CameraStatement) -> _Lens:
    """Return the lens before a film back, with what is stated of that."""
    offset = _film_offset(part, view)
    if said.film_offset_mm is not None and (said.override or offset == (0.0, 0.0)):
        offset = said.film_offset_mm
    squeeze, overscan, height = said.squeeze or 1.0, said.overscan or 1.0, said.film_height_mm
    width = film * squeeze
    if height is not None and said.film_widened:
        display = part.display_window
        width, height = max(width, height * display.width * part.pixel_aspect / display.height), None
    return _Lens(
        focal,
        width * overscan,
        # The film is measured as it is, the view as it is unsqueezed.
        (offset[0] * squeeze, offset[1]),
        source,
        None if height is None else height * overscan,
    )


def _with_true_pixels(lens: _Lens, part: Part, warnings: list[str]) -> _Lens:
    """Warn where a lens's film back makes other pixels than the file says."""
    if lens.film_height_mm is not None:
        display = part.display_window
        pixel = lens.film_mm / display.width / (lens.film_height_mm / display.height)
        if abs(pixel / part.pixel_aspect - 1.0) > _LENS_TOLERANCE:
            warnings.append(
                f"by {lens.source} a pixel is {pixel:.4g} times as wide as high, by the pixel aspect in the "
                f"file {part.pixel_aspect:.4g} times; the former was taken. If that is wrong: "
                "camera.film_height_mm, camera.squeeze"
            )
    return lens


def _lens_of_film(part: Part, view: str, said: CameraStatement) -> _Lens | None:
    focal, film = _focal_length(part, view), _film_width(part, view)
    if focal is None or film is None:
        return None
    return _film_lens(focal, film, "focal length and film back", part, view, said)


def _lens_of_ndc(part: Part, view: str) -> _Lens | None:
    to_ndc, to_camera = (matrix_entry(part, name, view) for name in ("worldToNDC", "worldToCamera"))
    if to_ndc is None or to_camera is None:
        return None
    world = camera_to_world(to_camera)
    world[:3, :3] /= axis_scale(world)
    # Points on the axis, one unit beside it and one above it, one unit ahead; and on a plane twice as far.
    local = np.array([[0, 0, -1, 1], [1, 0, -1, 1], [0, 1, -1, 1], [0, 0, -2, 1], [2, 0, -2, 1]], np.float64)
    for matrix in (to_ndc, to_ndc.T):
        with np.errstate(divide="ignore", invalid="ignore"):
            projected = local @ world.T @ matrix
            axis, right, up, *farther = projected[:, :2] / projected[:, 3:]
        # In perspective, twice as far beside the axis and twice as far ahead is the same place.
        if np.allclose(farther, [axis, right], rtol=1e-3, atol=1e-3) and abs(right[0] - axis[0]) > 1e-9:
            return _lens_of_points(axis, right, up)
    return None


def _lens_of_points(axis: F64, right: F64, up: F64) -> _Lens | None:
    # The optical axis is near the middle: 0.5 in the standard's 0 to 1, 0 in -1 to 1.
    span, middle = (1.0, 0.5) if abs(axis[0] - 0.5) < abs(axis[0]) else (2.0, 0.0)
    across, high = abs(right[0] - axis[0]) / span, (up[1] - axis[1]) / span
    if not abs(high) > 1e-9:
        return None
    width, height = 1.0 / across, 1.0 / abs(high)
    # A film moved to the right sees the axis to the left of its middle; NDC's y may point either way.
    offset_x = -(axis[0] - middle) / span * width
    offset_y = -(axis[1] - middle) / span * height * math.copysign(1.0, high)
    return _Lens(1.0, width, (offset_x, offset_y), "worldToNDC", height)


def _lens_of_screen(part: Part, view: str) -> _Lens | None:
    width = _number(part, view, "screenWindowWidth")
    centre = _pair(part, view, "screenWindowCenter") or (0.0, 0.0)
    # Every EXR file has both; 1 and 0 0 are what writers put that know nothing of a camera.
    if width is None or width <= 0 or (width == 1.0 and centre == (0.0, 0.0)):
        return None
    return _Lens(1.0, width, centre, "screenWindowWidth")


def _with_true_film(lens: _Lens, part: Part, view: str) -> _Lens:
    """Scale a lens known only as an angle to millimetres of film, for the record and for lens blur."""
    if lens.focal_mm != 1.0:
        return lens
    focal, film = _focal_length(part, view), _film_width(part, view)
    scale = focal if focal is not None else (film or DEFAULT_FILM_MM) / lens.film_mm
    return replace(
        lens,
        focal_mm=lens.focal_mm * scale,
        film_mm=lens.film_mm * scale,
        offset_mm=(lens.offset_mm[0] * scale, lens.offset_mm[1] * scale),
        film_height_mm=None if lens.film_height_mm is None else lens.film_height_mm * scale,
    )


def _focal_length(part: Part, view: str) -> float | None:
    for name in _FOCAL_NAMES:
        value = _number(part, view, name)
        if value is not None and value > 0:
            return value
    return None


def _film_width(part: Part, view: str) -> float | None:
    pitch_um = _number(part, view, "sensorPhotositePitch")
    rectangle = _entry(part, view, "sensorAcquisitionRectangle")
    if pitch_um and rectangle is not None and len(rectangle) == 4 and rectangle[2] > rectangle[0]:
        return float((rectangle[2] - rectangle[0] + 1) * pitch_um / 1000)
    overall = _pair(part, view, "sensorOverallDimensions")
    return overall[0] if overall and overall[0] > 0 else None


def _film_offset(part: Part, view: str) -> tuple[float, float]:
    # The standard gives the sensor's offset in micrometres.
    offset = _pair(part, view, "sensorCenterOffset") or (0.0, 0.0)
    return offset[0] / 1000, offset[1] / 1000


def _entry(part: Part, view: str, name: str) -> Any:
    own = part.value(f"{view}.{name}") if view else None
    return part.value(name) if own is None else own


def _number(part: Part, view: str, name: str) -> float | None:
    value = _entry(part, view, name)
    good = isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)
    return float(value) if good else None


def _pair(part: Part, view: str, name: str) -> tuple[float, float] | None:
    value = _entry(part, view, name)
    if not isinstance(value, tuple) or len(value) != 2 or not all(math.isfinite(v) for v in value):
        return None
    return float(value[0]), float(value[1])


def matrix_entry(part: Part, name: str, view: str = "") -> F64 | None:
    """Return a matrix among a part's attributes as it stands there, ``(4, 4)``; None where there is none.

    Parameters
    ----------
    part
        The part.
    name
        Of the attribute.
    view
        Whose own attribute comes first.

    Returns
    -------
    F64 | None
        Sixteen numbers by row.
    """
    value = _entry(part, view, name)
    if not isinstance(value, tuple) or len(value) != 16:
        return None
    return np.asarray(value, np.float64).reshape(4, 4)


def _first(*values: Any) -> Any:
    return next((value for value in values if value is not None), None)


def _scaled(value: float | None, unit_m: float) -> float | None:
    return None if value is None else value * unit_m
