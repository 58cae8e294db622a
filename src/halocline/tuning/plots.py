"""What a preset's water does to light, as plain numbers that the page draws."""

from __future__ import annotations

from typing import Any

import numpy as np

from halocline.imaging.camera import Camera
from halocline.imaging.camera_track import CameraTrack
from halocline.imaging.colour import display_pixels
from halocline.presets.build import story_path, story_report
from halocline.presets.preset import Preset
from halocline.presets.story_costs import prices
from halocline.rgb import LINEAR_REC709

POINTS = 48


def plots(preset: Preset, frame: int, lens: Camera | None = None) -> dict[str, Any]:
    """Return the plots of a preset on a frame, for linear Rec.709.

    Parameters
    ----------
    preset, frame
        The look, and the number of the frame.
    lens
        What the frame's story is reckoned for; without, as in `halocline.presets.build.story_report`.

    Returns
    -------
    ``white``: display colours of a white card over range. ``contrast``: of a black object, in this water and
    in the story's, with the subject. ``spectrum``: coefficients of the bands. ``story``: sentences.
    """
    track = None if lens is None else CameraTrack({frame: lens})
    path = story_path(preset, frame, LINEAR_REC709, track=track)
    report = story_report(preset, frame, LINEAR_REC709, track=track)
    subject = report.subject_range_m
    longest = min(100.0, max(1.3 * (subject or 0.0), 1.6 * report.sighting_range_m))
    ranges = np.linspace(0.0, longest, POINTS)
    bands = path.bands
    white = bands.transfer_matrix(ranges).sum(axis=-1)
    light = np.ascontiguousarray(np.clip(white, 0.0, None).T[:, np.newaxis, :], np.float32)
    colours = display_pixels(light, LINEAR_REC709)[0]
    physical, shown = report.contrasts(ranges)
    return {
        "frame": frame,
        "ranges": _rounded(ranges),
        "white": [[int(value) for value in colour] for colour in colours],
        "contrast": {
            "physical": _rounded(physical),
            "shown": _rounded(shown),
            "subject": subject,
            "wanted": report.wanted_contrast,
            "sighting": float(f"{report.sighting_range_m:.4g}"),
        },
        "spectrum": {
            "nm": _rounded(bands.wavelength_nm),
            "absorption": _rounded(bands.absorption),
            "scattering": _rounded(bands.scattering),
        },
        "story": [*report.lines(), *prices(preset, frame, path, None if lens is None else lens.axis)],
    }


def _rounded(values: Any) -> list[float]:
    return [float(f"{float(value):.5g}") for value in np.ravel(values)]
