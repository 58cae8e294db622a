"""A preset that takes away what another put on."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from halocline.errors import PresetError
from halocline.graph.graph import Step
from halocline.graph.operator import Stage, Undoing
from halocline.operators.registry import operators, undone_by
from halocline.presets.document import Document
from halocline.presets.preset import Preset
from halocline.presets.sections import StepHead

# Keys of steps that are taken back which the step that does it has, too.
_LIMITS = ("brightest",)


def removal_of(preset: Preset, *, noise: float, rebalance: bool = True) -> Preset:
    """Return the preset that removes a preset's water from its frames, or from a plate matched by it.

    Parameters
    ----------
    preset
        The water and light; of its steps the core ones are undone, all others are left in the picture.
    noise
        Standard deviation of the frames' noise, scene-linear.
    rebalance
        Whether to take back the preset's white reference too; a plate never had one.

    Returns
    -------
    Preset
        A preset whose steps take water out.

    Raises
    ------
    PresetError
        ``E-PRESET-REMOVE`` where none of its steps can be undone.
    """
    remover = next(name for name, kind in operators().items() if kind.undoes)
    own: dict[str, Any] = {"noise": noise, "undo": []}
    for step in preset.at(0).graph.steps:
        if step.operator.undone is not None and not step.limits.everywhere:
            raise PresetError(
                f"the step {step.name} acts in a part of the picture, and cannot be taken back there alone",
                code="E-PRESET-REMOVE",
                where=preset.name,
                fix=f"Remove the water without it: --set steps.{step.name}.enabled=false.",
            )
        if step.operator.undone is Undoing.TERM:
            own["undo"].append(_kind(preset, step.name))
            if rebalance:
                # A plate's light went on growing above the reference depth.
                own.update(_limits(preset, step))
        elif step.operator.undone is Undoing.KEYS and (
            rebalance or step.operator.stage is not Stage.EXPOSURE
        ):
            own.setdefault(_kind(preset, step.name), _own_keys(preset, step.name))
    if not own["undo"]:
        raise PresetError(
            "none of its steps can be undone",
            code="E-PRESET-REMOVE",
            where=preset.name,
            fix=f"Give a preset with one of {', '.join(undone_by(Undoing.TERM))}.",
        )
    document = preset.document
    tables = {**document.tables, "steps": {remover: own}, "title": f"{preset.title}, removed"}
    # Surfaces are told apart by their own colours, which the water has changed.
    tables["input"] = {**document.tables.get("input", {}), "separate_edges": False}
    name = f"{document.name}-removed"
    return Preset(Document(name, tables, document.origins, document.folder, document.lineage))


def _kind(preset: Preset, step: str) -> str:
    table: Mapping[str, Any] = preset.document.tables["steps"][step]
    return str(table.get("operator", step))


def _limits(preset: Preset, step: Step) -> dict[str, Any]:
    """Return the limits that a step had, stated or its own, which taking it back obeys as well."""
    own, parameters = _own_keys(preset, step.name), step.operator.parameters
    return {key: own.get(key, getattr(parameters, key)) for key in _LIMITS if hasattr(parameters, key)}


def _own_keys(preset: Preset, step: str) -> dict[str, Any]:
    """Return a step's own keys, without those that say where it stands."""
    table: Mapping[str, Any] = preset.document.tables["steps"][step]
    return {key: value for key, value in table.items() if key not in StepHead.model_fields}
