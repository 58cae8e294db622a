"""What a story's lit edges and drawn-near subjects cost, in physical terms."""

from __future__ import annotations

from halocline.operators.draw_near import DrawNear
from halocline.operators.rim_light import RimLight, strength_of
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
    """
    told = []
    for step in preset.at(frame).graph.steps:
        if isinstance(step.operator, RimLight):
            told.append(_rim(step.name, step.operator, path))
        elif isinstance(step.operator, DrawNear):
            share = step.operator.parameters.share
            told.append(
                f"{step.name}: the subject looks {share:.2g} of its range away, as in water "
                f"{1.0 / max(share, 1e-6):.2g} times as clear."
            )
    return told


def _rim(name: str, rim: RimLight, path: LightPath) -> str:
    strength = strength_of(rim.parameters, path)
    wanted = rim.parameters.contrast
    asked = ""
    if wanted is not None:
        asked = f" is to outshine the water by {wanted:.0%} at {rim.parameters.subject_range:.3g} m and"
    verdict = "about what it gives" if 0.5 <= strength <= 2.0 else "which is art"
    return f"{name}: the edge{asked} is lit {strength:.2g} times as much as by the bright side, {verdict}."
