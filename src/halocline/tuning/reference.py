"""A still to compare with, and the water found from samples that were marked on it."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np

from halocline.imaging.colour import display_pixels
from halocline.late_dataclass import dataclass
from halocline.matching.match import Match, preset_text, report_lines
from halocline.matching.match import match as find_match
from halocline.matching.model import Setting
from halocline.matching.reference_picture import ReferenceLens, ReferencePicture, read_still, samples_of
from halocline.matching.samples import decoded, parse_place
from halocline.review.contact_sheet import U8
from halocline.units import metres


@dataclass(frozen=True)
class Taken:
    """How a still was taken, as far as a person knows.

    Attributes
    ----------
    view_deg
        Full horizontal view of its lens, degrees; none where it is not known.
    depth
        Depth of the lens, a length with its unit.
    sun_elevation_deg, overcast
        As in a preset's ``[light]``; where the still does not tell.
    white_balanced
        Whether the camera was balanced for daylight at the surface.
    """

    view_deg: float | None = None
    depth: str = "10 m"
    sun_elevation_deg: float = 45.0
    overcast: float = 0.2
    white_balanced: bool = False


class ReferenceStill:
    """A still under the page, read once.

    Parameters
    ----------
    path
        Any picture that `halocline.matching` reads.
    """

    def __init__(self, path: Path) -> None:
        self.path = path

    @cached_property
    def _picture(self) -> ReferencePicture:
        return read_still(self.path)

    def pixels(self) -> U8:
        """Return the still for the display, ``(rows, columns, 3)``: the pixels that samples are counted in.

        Raises
        ------
        HaloclineError
            Where it cannot be read.
        """
        still = self._picture
        if still.encoding == "srgb":
            return np.round(255.0 * np.clip(still.values, 0.0, 1.0)).astype(np.uint8)
        linear = np.moveaxis(decoded(still.values, still.encoding), -1, 0).astype(np.float32)
        return display_pixels(linear, still.space)

    def match(self, samples: Sequence[str], taken: Taken) -> Match:
        """Find the water of marked samples.

        Parameters
        ----------
        samples
            Each as `halocline.matching.samples.parse_place` takes it.
        taken
            How the still was taken.

        Raises
        ------
        HaloclineError
            Where a sample cannot be read or tells nothing, or all of them cannot tell waters apart.
        """
        lens = None if taken.view_deg is None else ReferenceLens(taken.view_deg)
        still = read_still(self.path, lens=lens)
        setting = Setting(
            still.space,
            depth_m=metres(taken.depth),
            sun_elevation_deg=taken.sun_elevation_deg,
            overcast=taken.overcast,
            white_balanced=taken.white_balanced,
        )
        return find_match(samples_of([still], [parse_place(text) for text in samples]), setting)


def told_of(found: Match) -> list[str]:
    """Return what a match found, and what of a preset it would set, as sentences."""
    tables = taken_over(found)
    keys = ", ".join(f"{section}.{key}" for section, table in tables.items() for key in table)
    return [*report_lines(found), f"Taken over, it sets {keys}. Where the shot is stays as it is."]


def taken_over(found: Match) -> dict[str, Mapping[str, Any]]:
    """Return the keys that a match sets in the preset of a shot, by section.

    The sun stays the preset's own where no open water told of it; so does the depth of the camera, which is
    the still's in a match and the shot's in a preset.
    """
    tables = tomllib.loads(preset_text(found))
    light = dict(tables["light"])
    if found.daylight is None:
        for key in ("sun_elevation", "sun_azimuth", "overcast"):
            light.pop(key, None)
    # Types are matched as `source` takes them by itself.
    return {"water": {**tables["water"], "source": "best"}, **({"light": light} if light else {})}
