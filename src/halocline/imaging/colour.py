"""The working colour space of a file, and display pictures of scene-linear planes."""

from __future__ import annotations

from dataclasses import dataclass

from halocline.errors import ColourError
from halocline.imaging.exr import Part
from halocline.rgb import LINEAR_REC709, RGBSpace, space_from_chromaticities, space_named


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
            warnings.append(f'the file names a colour space "{named}" that is not known here')
    if by_numbers is not None and by_name is not None and by_numbers != by_name:
        warnings.append(
            f"the file's chromaticities say {by_numbers.name}, its colour space name says {by_name.name}; "
            "the chromaticities were taken. State the colour space if that is wrong."
        )
    if by_numbers is not None:
        return FoundSpace(by_numbers, "chromaticities", tuple(warnings))
    if by_name is not None:
        return FoundSpace(by_name, "colour space name", tuple(warnings))
    warnings.append("no colour space in the metadata: taken as linear Rec.709; state it if that is wrong")
    return FoundSpace(LINEAR_REC709, "assumed", tuple(warnings))


def _by_chromaticities(part: Part) -> tuple[RGBSpace | None, list[str]]:
    if part.chromaticities is None:
        return None, []
    try:
        return space_from_chromaticities(part.chromaticities), []
    except ColourError as error:
        return None, [f"chromaticities ignored: {error.message}"]
