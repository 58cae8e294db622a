"""The working colour space of a file, and display pictures of scene-linear planes."""

from __future__ import annotations

import os
from functools import lru_cache
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import OpenImageIO as oiio
from numpy.typing import NDArray

from halocline._typing import F32
from halocline.errors import ColourError, did_you_mean
from halocline.files.whole import write_whole
from halocline.imaging.exr import Attribute, Part
from halocline.late_dataclass import dataclass
from halocline.rgb import (
    ACES2065_1,
    ACESCG,
    LINEAR_P3_D65,
    LINEAR_REC709,
    LINEAR_REC2020,
    RGBSpace,
    conversion_matrix,
    space_from_chromaticities,
    space_named,
)

U8 = NDArray[np.uint8]
# Rows handed to the colour library in one piece: it copies what it is given, several times.
_ROWS_AT_ONCE = 128


# Names by the Color Interop Forum's recommendation for texture assets and CG rendering.
_INTEROP_IDS = {
    LINEAR_REC709: "lin_rec709_scene",
    LINEAR_P3_D65: "lin_p3d65_scene",
    LINEAR_REC2020: "lin_rec2020_scene",
    ACESCG: "lin_ap1_scene",
    ACES2065_1: "lin_ap0_scene",
}


# What colours are converted to where they come in a space that is no working space.
_DEFAULT_WORKING = ACESCG


@dataclass(frozen=True)
class FoundSpace:
    """A colour space, where it comes from, and what a person should know about that.

    ``given`` names the space of the file's pixels, where they have to be converted first.
    """

    space: RGBSpace
    source: str
    warnings: tuple[str, ...] = ()
    given: str = ""


def find_space(part: Part, stated: str | None = None, given: str | None = None) -> FoundSpace:
    """Return the space a part's colours are worked in: as stated, by its metadata, or linear Rec.709.

    Parameters
    ----------
    part
        Its metadata speaks where nothing is stated.
    stated
        The working space.
    given
        Space of the pixels as they are in the file: one that is known here, or one of the colour
        configuration.

    Returns
    -------
    FoundSpace
        The working space, and what the pixels are to be converted from.

    Raises
    ------
    ColourError
        ``E-COLOUR-SPACE`` where a stated space is not known.
    """
    if given is not None:
        return _converted(given, None if stated is None else space_named(stated))
    if stated is not None:
        return FoundSpace(space_named(stated), "stated")
    by_numbers, warnings = _by_chromaticities(part)
    named = part.colour_space
    by_name = None
    if named is not None:
        try:
            by_name = space_named(named)
        except ColourError:
            warnings.append(
                f'the file names a colour space "{named}" that is not known here; set colour.working_space'
            )
    if by_numbers is not None and by_name is not None and by_numbers != by_name:
        warnings.append(
            f"the file's chromaticities say {by_numbers.name}, its colour space name says {by_name.name}; "
            f'the chromaticities were taken. If that is wrong, set colour.working_space = "{by_name.name}".'
        )
    if by_numbers is not None:
        return FoundSpace(by_numbers, "chromaticities", tuple(warnings))
    if by_name is not None:
        return FoundSpace(by_name, "colour space name", tuple(warnings))
    warnings.append(
        "no colour space in the metadata: taken as linear Rec.709; if that is wrong, set "
        'colour.working_space, such as "ACEScg"'
    )
    return FoundSpace(LINEAR_REC709, "assumed", tuple(warnings))


def _converted(given: str, working: RGBSpace | None) -> FoundSpace:
    try:
        known = space_named(given)
    except ColourError:
        config = _config()
        name = _of_config(config, given)
        space = working or _DEFAULT_WORKING
        return FoundSpace(space, f"converted from {name} of {config.configname()}", given=name)
    if working in (None, known):
        return FoundSpace(known, "stated")
    return FoundSpace(working or known, f"converted from {known.name}", given=known.name)


def check_input_space(name: str) -> None:
    """Refuse a name that no frame could be converted from.

    Parameters
    ----------
    name
        As presets give it in ``colour.input_space``.

    Raises
    ------
    ColourError
        ``E-COLOUR-SPACE`` where neither this library nor the colour configuration knows it.
    """
    _converted(name, None)


def to_working(rgb: F32, alpha: F32 | None, found: FoundSpace) -> None:
    """Convert premultiplied colours as they were given to the working space, in place.

    A space that is known here is converted by its matrix, any other by the colour configuration, as colour
    that is not multiplied by its coverage: a curve is none of a part of a pixel. Light without coverage is
    converted as it stands.

    Parameters
    ----------
    rgb
        ``(3, rows, columns)``.
    alpha
        ``(rows, columns)``.
    found
        From `find_space`; where it names no given space nothing is done.

    Raises
    ------
    ColourError
        ``E-COLOUR-SPACE`` where the configuration cannot convert from that space.
    """
    if not found.given:
        return
    try:
        known = space_named(found.given)
    except ColourError:
        known = None
    if known is not None:
        rgb[...] = _linear(rgb, known, found.space)
        return
    config = _config()
    through, name = _scene_space(config)
    for top in range(0, rgb.shape[1], _ROWS_AT_ONCE):
        rows = slice(top, top + _ROWS_AT_ONCE)
        share = None if alpha is None else np.where(alpha[rows] > 0.0, alpha[rows], np.float32(1.0))
        straight = rgb[:, rows] if share is None else rgb[:, rows] / share
        picture = oiio.ImageBuf(np.ascontiguousarray(np.moveaxis(straight, 0, -1)))
        made = oiio.ImageBufAlgo.colorconvert(picture, found.given, name, **_by(config))
        if made.has_error:
            raise ColourError(
                f'cannot be converted from "{found.given}": {" ".join(made.geterror().split())}',
                code="E-COLOUR-SPACE",
                where="colour.input_space",
                fix="Name a space that holds colours, or another colour configuration (OCIO).",
            )
        light = np.moveaxis(np.asarray(made.get_pixels("float"), np.float32), -1, 0)
        light = _linear(light, through, found.space)
        rgb[:, rows] = light if share is None else light * share


def _linear(rgb: F32, source: RGBSpace, target: RGBSpace) -> F32:
    if source == target:
        return rgb
    matrix = conversion_matrix(source, target).astype(np.float32)
    mixed = cv2.transform(np.ascontiguousarray(np.moveaxis(rgb, 0, -1)), matrix)
    return np.asarray(np.moveaxis(np.asarray(mixed, np.float32), -1, 0))


def _config() -> Any:
    """Return the studio's colour configuration, which OCIO names, or the built-in one."""
    return _config_named(os.environ.get("OCIO") or "ocio://default")


def _by(config: Any) -> dict[str, Any]:
    """Return how the library is told of a configuration: by a name it loads it anew at each call.

    That takes longer than a small picture; the one it has loaded for itself it takes where none is named.
    """
    name = str(config.configname())
    return {} if oiio.ColorConfig.default_colorconfig().configname() == name else {"colorconfig": name}


@lru_cache(maxsize=4)
def _config_named(named: str) -> Any:
    own = oiio.ColorConfig.default_colorconfig()
    config = own if own.configname() == named else oiio.ColorConfig(named)
    if told := config.geterror():
        # The library would go on with a configuration of its own.
        raise ColourError(
            f"the colour configuration cannot be read: {' '.join(told.split())}",
            code="E-COLOUR-CONFIG",
            where=named,
            fix="Correct the environment variable OCIO, or unset it for the built-in configuration.",
        )
    return config


def _of_config(config: Any, wanted: str) -> str:
    """Return a configuration's own name for one of its spaces, in any case, or by an alias or a role."""
    known = list(config.getColorSpaceNames())
    for name in known:
        if name.lower() == wanted.lower():
            return str(name)
    resolved = str(config.resolve(wanted))
    if resolved in known:
        return resolved
    raise ColourError(
        f'neither a space known here nor one of the colour configuration is called "{wanted}"',
        code="E-COLOUR-SPACE",
        where="colour.input_space",
        fix=f"{config.configname()} has: {', '.join(known)}.{did_you_mean(wanted, known)} The environment "
        "variable OCIO names another configuration.",
    )


def _by_chromaticities(part: Part) -> tuple[RGBSpace | None, list[str]]:
    if part.chromaticities is None:
        return None, []
    try:
        return space_from_chromaticities(part.chromaticities), []
    except ColourError as error:
        return None, [f"chromaticities ignored: {error.message}"]


def space_attributes(space: RGBSpace) -> dict[str, Attribute]:
    """Return the metadata that states a space: its chromaticities, its white, and its name where it has one.

    Source: OpenEXR's standard attributes ``chromaticities`` and ``adoptedNeutral``.

    Parameters
    ----------
    space
        The space.

    Returns
    -------
    dict[str, Attribute]
        Attributes by name, as OpenEXR types them.
    """
    numbers = tuple(float(number) for pair in (*space.primaries, space.white) for number in pair)
    stated = {
        "chromaticities": Attribute("float[8]", numbers),
        "adoptedNeutral": Attribute("vector2", space.white),
    }
    if space in _INTEROP_IDS:
        stated["oiio:ColorSpace"] = Attribute("string", _INTEROP_IDS[space])
    return stated


def display_pixels(rgb: F32, space: RGBSpace, *, view: str | None = None, display: str | None = None) -> U8:
    """Return scene-linear colour as display pixels ``(rows, columns, 3)``, 8 bits.

    OpenColorIO's built-in configuration does it, or the one that the environment variable OCIO names.

    Parameters
    ----------
    rgb
        ``(3, rows, columns)``. What is no number is shown black.
    space
        The space of the colours.
    view
        A view of the configuration, in any case; by default its first, which tone-maps in the built-in one.
        ``un-tone-mapped`` is the bare display curve there.
    display
        A display of the configuration; its first by default.

    Returns
    -------
    U8
        ``(rows, columns, 3)``, 0 to 255.

    Raises
    ------
    ColourError
        ``E-COLOUR-VIEW`` where the configuration has no such display or view.
    """
    config = _config()
    display = _choose(display, list(config.getDisplayNames()), config.getDefaultDisplayName(), "display")
    views = list(config.getViewNames(display))
    view = _choose(view, views, config.getDefaultViewName(display), "view")
    through, name = _scene_space(config)
    matrix = conversion_matrix(space, through).astype(np.float32)
    finite = np.nan_to_num(np.moveaxis(rgb, 0, -1), nan=0.0, posinf=65504.0, neginf=0.0)
    picture = oiio.ImageBuf(np.ascontiguousarray(cv2.transform(finite, matrix)))
    shown = oiio.ImageBufAlgo.ociodisplay(picture, display, view, name, **_by(config))
    if shown.has_error:
        raise ColourError(
            f"no picture for display {display!r}, view {view!r}: {' '.join(shown.geterror().split())}",
            code="E-COLOUR-VIEW",
            fix="Choose another display and view, or another colour configuration (OCIO).",
        )
    return np.asarray(shown.get_pixels("uint8"), np.uint8)


def write_png(path: str | Path, pixels: U8, *, overwrite: bool = False) -> None:
    """Write display pixels ``(rows, columns, 3)`` as a PNG, whole or not at all.

    Parameters
    ----------
    path
        The file.
    pixels
        ``(rows, columns, 3)``, red first.
    overwrite
        Whether a file that is there may be replaced.

    Raises
    ------
    WriteError
        ``E-WRITE-OPEN`` where the file cannot be written, ``E-WRITE-EXISTS`` where it is there and may not
        be replaced.
    """
    write_whole(Path(path), png_bytes(pixels), overwrite=overwrite)


def png_bytes(pixels: U8) -> bytes:
    """Return display pixels ``(rows, columns, 3)`` as the bytes of a PNG file.

    Parameters
    ----------
    pixels
        ``(rows, columns, 3)``, red first.

    Returns
    -------
    bytes
        The file's bytes.
    """
    _, encoded = cv2.imencode(".png", pixels[..., ::-1])
    return encoded.tobytes()


def _choose(wanted: str | None, known: list[str], default: str, what: str) -> str:
    if wanted is None:
        return default
    for name in known:
        if name.lower() == wanted.lower():
            return name
    raise ColourError(
        f'the colour configuration has no {what} "{wanted}"',
        code="E-COLOUR-VIEW",
        fix=f"It has: {', '.join(known)}.{did_you_mean(wanted, known)}",
    )


def _scene_space(config: Any) -> tuple[RGBSpace, str]:
    """Return a space that the configuration surely has, and its name there, to hand colours over in."""
    names = set(config.getColorSpaceNames())
    for space, alias in ((ACESCG, "ACEScg"), (ACES2065_1, "ACES2065-1"), (ACES2065_1, "aces_interchange")):
        name = config.resolve(alias)
        if name in names:
            return space, name
    raise ColourError(
        "the colour configuration has neither ACEScg nor ACES2065-1",
        code="E-COLOUR-VIEW",
        fix="Use a configuration with one of them, or none (the built-in one).",
    )
