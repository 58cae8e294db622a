"""The working colour space of a file, and display pictures of scene-linear planes."""

from __future__ import annotations

import os
from dataclasses import dataclass
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


# Names by the Color Interop Forum's recommendation for texture assets and CG rendering.
_INTEROP_IDS = {
    LINEAR_REC709: "lin_rec709_scene",
    LINEAR_P3_D65: "lin_p3d65_scene",
    LINEAR_REC2020: "lin_rec2020_scene",
    ACESCG: "lin_ap1_scene",
    ACES2065_1: "lin_ap0_scene",
}


@dataclass(frozen=True)
class FoundSpace:
    """A colour space, where it comes from, and what a person should know about that."""

    space: RGBSpace
    source: str
    warnings: tuple[str, ...] = ()


def find_space(part: Part, stated: str | None = None) -> FoundSpace:
    """Return the space a part's colours are in: as stated, by its metadata, or linear Rec.709 by assumption.

    Raises
    ------
    ColourError
        ``E-COLOUR-SPACE`` where the stated space is not known.
    """
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
    config = oiio.ColorConfig(os.environ.get("OCIO") or "ocio://default")
    display = _choose(display, list(config.getDisplayNames()), config.getDefaultDisplayName(), "display")
    views = list(config.getViewNames(display))
    view = _choose(view, views, config.getDefaultViewName(display), "view")
    through, name = _scene_space(config)
    matrix = conversion_matrix(space, through).astype(np.float32)
    finite = np.nan_to_num(np.moveaxis(rgb, 0, -1), nan=0.0, posinf=65504.0, neginf=0.0)
    picture = oiio.ImageBuf(np.ascontiguousarray(cv2.transform(finite, matrix)))
    shown = oiio.ImageBufAlgo.ociodisplay(picture, display, view, name, colorconfig=config.configname())
    if shown.has_error:
        raise ColourError(
            f"no picture for display {display!r}, view {view!r}: {' '.join(shown.geterror().split())}",
            code="E-COLOUR-VIEW",
            fix="Choose another display and view, or another colour configuration (OCIO).",
        )
    return np.asarray(shown.get_pixels("uint8"), np.uint8)


def display_png(
    path: str | Path,
    rgb: F32,
    space: RGBSpace,
    *,
    view: str | None = None,
    display: str | None = None,
    width: int | None = None,
    pixel_aspect: float = 1.0,
) -> None:
    """Write scene-linear colour as a PNG for a display; an existing file is replaced.

    Parameters
    ----------
    path, rgb, space, view, display
        See `display_pixels`.
    width
        Width of the PNG in square pixels, if not the picture's.
    pixel_aspect
        Width of a pixel divided by its height.

    Raises
    ------
    ColourError
        As `display_pixels`.
    WriteError
        ``E-WRITE-OPEN`` where the file cannot be written.
    """
    across = width or round(rgb.shape[2] * pixel_aspect)
    down = max(1, round(rgb.shape[1] * across / (rgb.shape[2] * pixel_aspect)))
    if (down, across) != rgb.shape[1:]:
        rgb = np.stack([cv2.resize(plane, (across, down), interpolation=cv2.INTER_AREA) for plane in rgb])
    write_png(path, display_pixels(rgb, space, view=view, display=display))


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
