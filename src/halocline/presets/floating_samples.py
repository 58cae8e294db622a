"""What is done to light after what floats was drawn, where that is to be samples of its own.

Samples are added up when a deep picture is flattened or merged, after all steps. A step that makes of two
lights together something else than of each (a power of the light) then makes something else of the samples
than of the picture.
"""

from __future__ import annotations

from collections.abc import Iterator

from halocline.graph.graph import used_steps
from halocline.late_dataclass import dataclass
from halocline.presets.lines import KeyPath
from halocline.presets.preset import Look


@dataclass(frozen=True)
class Uneven:
    """What makes merged elements inexact.

    Attributes
    ----------
    key
        The key that does.
    text, fix
        What it does, and what to type.
    """

    key: KeyPath
    text: str
    fix: str

    def __str__(self) -> str:
        return f"{self.text}. {self.fix}"


def uneven_after_floating(look: Look) -> Iterator[Uneven]:
    """Yield what makes of lights together something else than of each, after samples of what floats.

    Parameters
    ----------
    look
        The look on a frame.

    Yields
    ------
    Uneven
        None where ``output.floating_samples`` is not asked for.
    """
    output = look.output
    if not output.floating_samples:
        return
    steps = {step.name: step for step in look.graph.steps}
    drawing = {name for name, step in steps.items() if step.operator.draws is not None}
    for name, step in steps.items():
        even = step.operator.even_at()
        before = {each.name for source in step.inputs.values() for each in used_steps(steps, source)}
        if even is None or not before & drawing:
            continue
        typed = " ".join(f"--set steps.{name}.{key}={value:g}" for key, value in even.items())
        yield Uneven(
            ("steps", name, next(iter(even))),
            f"the step {name} makes of light together something else than of each part of it, after what "
            "floats was drawn: samples of what floats and elements that are merged among them will not look "
            "as if rendered together",
            f"Set {typed}, put it before the first step that draws what floats, or leave it out (--set "
            f"steps.{name}.enabled=false) and do it when all is merged.",
        )
    if drawing and output.gamut_compression not in (None, "none"):
        yield Uneven(
            ("output", "gamut_compression"),
            "each sample is brought into the gamut by itself, so that samples of what floats and elements "
            "that are merged among them will not look as if rendered together",
            'Set --set output.gamut_compression="none" and compress when all is merged, or write a space '
            'that holds all colours: output.colour_space = "ACEScg".',
        )
