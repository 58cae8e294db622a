"""What art costs in physical terms: lit edges, subjects drawn near, grades, and what is multiplied."""

from __future__ import annotations

import numpy as np

from halocline._typing import F64
from halocline.physics.path.transport import LightPath
from halocline.presets.preset import Look, Preset


def prices(preset: Preset, frame: float, path: LightPath, axis: F64 | None = None) -> list[str]:
    """Return a sentence for each key and step that gives the picture what the water would not.

    Parameters
    ----------
    preset, frame
        The look, and a frame of it.
    path
        The water with the story's remap.
    axis
        The lens's, unit, ``(3,)``; what is seen level where it is not known.

    Returns
    -------
    list[str]
        Sentences; none for a look that is physical throughout.
    """
    look = preset.at(frame)
    told = ((step.name, step.operator.price(path, axis)) for step in look.graph.steps)
    return [*_of_sections(look, path), *(f"{name}: {price}" for name, price in told if price is not None)]


def _of_sections(look: Look, path: LightPath) -> list[str]:
    """Return what the art of the sections costs."""
    light, story, found = look.light, look.story, []
    if light.veil_brightness != 1.0:
        found.append(
            f"light.veil_brightness: the water shows {light.veil_brightness:.3g} times the light it turns."
        )
    if path.veil_tint is not None:
        water = path.bands.down @ (path.white / path.veil_tint)
        tinted = path.bands.down @ path.white
        apart = float(np.abs(tinted - water).sum() / np.abs(water).sum())
        found.append(f"light.veil_tint: {apart:.0%} of the veil's colour is art.")
    if story.attenuation_scale != 1.0:
        clear = 1.0 / max(story.attenuation_scale, 1e-6)
        found.append(f"story.attenuation_scale: things fade as in water {clear:.2g} times as clear.")
    if story.veil_scale != 1.0:
        found.append(f"story.veil_scale: the veil gathers as over {story.veil_scale:.3g} times the range.")
    if story.downwelling_scale != 1.0:
        found.append(
            f"story.downwelling_scale: daylight fades as over {story.downwelling_scale:.3g} times the depth."
        )
    return found
