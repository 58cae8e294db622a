"""What a preset's water does to light, as plain numbers that the page draws."""

from __future__ import annotations

from typing import Any

import numpy as np

from halocline.imaging.colour import display_pixels
from halocline.physics.path.silhouette import before_level_water
from halocline.presets.build import scatters_forward, story_path, story_report
from halocline.presets.preset import Preset
from halocline.presets.story_costs import prices
from halocline.rgb import LINEAR_REC709

POINTS = 48
NEAREST_M = 0.1


def plots(preset: Preset, frame: int) -> dict[str, Any]:
    """Return the plots of a preset on a frame, for linear Rec.709.

    Returns
    -------
    ``white``: display colours of a white card over range. ``contrast``: of a black object, in this water and
    in the story's, with the subject. ``spectrum``: coefficients of the bands. ``story``: sentences.
    """
    path = story_path(preset, frame, LINEAR_REC709)
    report = story_report(preset, frame, LINEAR_REC709)
    subject = report.subject_range_m
    longest = min(100.0, max(1.3 * (subject or 0.0), 1.6 * report.sighting_range_m))
    ranges = np.linspace(0.0, longest, POINTS)
    bands = path.bands
    white = bands.transfer_matrix(ranges).sum(axis=-1)
    light = np.ascontiguousarray(np.clip(white, 0.0, None).T[:, np.newaxis, :], np.float32)
    colours = display_pixels(light, LINEAR_REC709)[0]
    # Of an object as large as the subject: what surrounds it scatters forward into its outline.
    size = _subject_size(preset, frame)
    slopes = [size / max(float(s), NEAREST_M) for s in ranges]
    black = before_level_water(path)
    physical = [black.at(float(s), k) for s, k in zip(ranges, slopes, strict=True)]
    near = path.remap.exact(ranges)
    as_seen = [black.at(float(s), k) for s, k in zip(near, slopes, strict=True)]
    return {
        "frame": frame,
        "ranges": _rounded(ranges),
        "white": [[int(value) for value in colour] for colour in colours],
        "contrast": {
            "physical": _rounded(physical),
            "shown": _rounded(as_seen),
            "subject": subject,
            "wanted": report.wanted_contrast,
            "sighting": float(f"{report.sighting_range_m:.4g}"),
        },
        "spectrum": {
            "nm": _rounded(bands.wavelength_nm),
            "absorption": _rounded(bands.absorption),
            "scattering": _rounded(bands.scattering),
        },
        "story": [*report.lines(), *prices(preset, frame, path)],
    }


def _subject_size(preset: Preset, frame: int) -> float:
    """Return the size that the story reckons with: 0 where the preset scatters no light forward."""
    look = preset.at(frame)
    return look.story.subject_size if scatters_forward(look) else 0.0


def _rounded(values: Any) -> list[float]:
    return [float(f"{float(value):.5g}") for value in np.ravel(values)]
