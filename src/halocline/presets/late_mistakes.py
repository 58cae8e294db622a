"""Mistakes that a preset's sections do not show by themselves: no such water, no such colour space.

A run meets them where it fits the water and reads a frame. Where a preset is checked, or refused for other
mistakes, they are looked for at once, so that one run tells all.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping

from halocline.errors import HaloclineError
from halocline.presets.document import Document
from halocline.presets.sections import BandsSection, ColourSection, WaterSection
from halocline.presets.water_choice import chosen_water
from halocline.quantities import Strict
from halocline.rgb import space_named


def late_mistakes(sections: Mapping[str, Strict | None], document: Document) -> list[HaloclineError]:
    """Return what is wrong with the water and the colour spaces that sections name.

    Parameters
    ----------
    sections
        By name; those that are None are wrong in themselves, and not looked at.
    document
        Where they stand.

    Returns
    -------
    list[HaloclineError]
        Each with its place.
    """
    found: list[HaloclineError] = []
    water, bands, colour = (sections.get(name) for name in ("water", "bands", "colour"))
    # Bands that are stated are those of a water that was there.
    if isinstance(water, WaterSection) and not (isinstance(bands, BandsSection) and bands.fitted is not None):
        try:
            chosen_water(water, document)
        except HaloclineError as error:
            found.append(document.located(error, ("water",), section=("water",)))
    if isinstance(colour, ColourSection):
        for key, look_for in _spaces(colour):
            try:
                look_for()
            except HaloclineError as error:
                found.append(document.located(error, ("colour", key)))
    return found


def _spaces(colour: ColourSection) -> Iterator[tuple[str, Callable[[], object]]]:
    """Yield the keys that name a space, each with what refuses one that is not known."""
    working, given = colour.working_space, colour.input_space
    if working is not None:
        yield "working_space", lambda: space_named(working)
    if given is not None:
        # The colour library takes long to import, and few presets name such a space.
        from halocline.imaging.colour import check_input_space  # noqa: PLC0415

        yield "input_space", lambda: check_input_space(given)
