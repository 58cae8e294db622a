"""What a story's lit edges and drawn-near subjects cost, in physical terms."""

from __future__ import annotations

from halocline.physics.path.transport import LightPath
from halocline.presets.preset import Preset


def prices(preset: Preset, frame: float, path: LightPath) -> list[str]:
    """Return a sentence for each step that helps a subject beyond what the water gives it.

    Parameters
    ----------
    preset, frame
        The look, and a frame of it.
    path
        The water with the story's remap.

    Returns
    -------
    list[str]
        Sentences; none for a look that helps nowhere.
    """
    steps = preset.at(frame).graph.steps
    told = ((step.name, step.operator.price(path)) for step in steps)
    return [f"{name}: {price}" for name, price in told if price is not None]
