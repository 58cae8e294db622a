"""Types of preset and operator parameters: numbers with units, and the strict model that holds them."""

from __future__ import annotations

import inspect
from collections.abc import Callable, Iterable, Mapping
from typing import Annotated, Any, ClassVar

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, WithJsonSchema
from pydantic_core import PydanticCustomError

from halocline import units
from halocline.errors import UnitError


class Strict(BaseModel):
    """A frozen model that refuses unknown keys and does not guess types.

    What each key means stands in the "Attributes" section of the class's docstring and nowhere else; schema,
    reference and messages take it from there (`meanings`).

    ``RENAMED`` gives the key of today for each name that a key had in a former version: presets that say the
    old one load, with a remark.
    """

    RENAMED: ClassVar[Mapping[str, str]] = {}

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, allow_inf_nan=False)


def meanings(model: type[BaseModel]) -> dict[str, str]:
    """Return what each key of a model means: the "Attributes" of its docstring and of its bases.

    Parameters
    ----------
    model
        A model of parameters.

    Returns
    -------
    dict[str, str]
        Meaning by key; keys without one are left out.
    """
    found: dict[str, str] = {}
    for kind in reversed(model.__mro__):
        if issubclass(kind, BaseModel):
            found.update(_attributes(vars(kind).get("__doc__") or ""))
    return found


def model_within(annotation: Any) -> type[Strict] | None:
    """Return the model of what a key holds: itself, one that may be left out, or each of several.

    Parameters
    ----------
    annotation
        The type of a key.

    Returns
    -------
    type[Strict] | None
        The first model found, or None.
    """
    if isinstance(annotation, type) and issubclass(annotation, Strict):
        return annotation
    for argument in getattr(annotation, "__args__", ()):
        if (found := model_within(argument)) is not None:
            return found
    return None


def _attributes(docstring: str) -> dict[str, str]:
    lines = inspect.cleandoc(docstring).splitlines()
    if "Attributes" not in lines:
        return {}
    found: dict[str, list[str]] = {}
    names: list[str] = []
    for line in lines[lines.index("Attributes") + 2 :]:
        if line and not line.startswith(" "):
            names = [name.strip() for name in line.split(",")]
            found.update({name: [] for name in names})
        elif line:
            for name in names:
                found[name].append(line.strip())
    return {name: " ".join(text) for name, text in found.items()}


def _reader(read: Callable[[str | float], float]) -> Callable[[Any], Any]:
    def convert(value: Any) -> Any:
        try:
            return read(value)
        except UnitError as error:
            text = f"{error.message}. {error.fix}"
            # Braces would be taken for places to fill in.
            raise PydanticCustomError("unit", "{text}", {"text": text}) from None

    return convert


def _quantity(
    read: Callable[[str | float], float], unit: str, example: str, known: Iterable[str]
) -> tuple[Any, ...]:
    number = r"[+-]?([0-9]+(\.[0-9]*)?|\.[0-9]+)([eE][+-]?[0-9]+)?"
    pattern = rf"^\s*({number})?\s*({'|'.join(known)})?\s*$"
    schema = {
        "anyOf": [{"type": "number"}, {"type": "string", "pattern": pattern}],
        "description": f'In {unit}; text may carry another unit, such as "{example}".',
    }
    return BeforeValidator(_reader(read)), WithJsonSchema(schema)


_LENGTH = _quantity(units.metres, "metres", "12 ft", units.METRES_PER_UNIT)
_ANGLE = _quantity(units.degrees, "degrees", "0.5 rad", units.DEGREES_PER_UNIT)
_TIME = _quantity(units.seconds, "seconds", "40 ms", units.SECONDS_PER_UNIT)

# A length in metres: any, at least 0, above 0. (mypy reads the alias, pydantic the annotation.)
Position = Annotated[float, *_LENGTH]
Length = Annotated[float, Field(ge=0.0), *_LENGTH]
Distance = Annotated[float, Field(gt=0.0), *_LENGTH]
# An angle in degrees.
Angle = Annotated[float, *_ANGLE]
# A span of time in seconds: at least 0, above 0.
Duration = Annotated[float, Field(ge=0.0), *_TIME]
Period = Annotated[float, Field(gt=0.0), *_TIME]
# Metres in one unit of a scene: "cm", "ft", or a number of metres.
_SCENE_UNIT = _quantity(units.metres_per_scene_unit, "metres", "cm", units.METRES_PER_UNIT)
SceneUnit = Annotated[float, Field(gt=0.0), *_SCENE_UNIT]
# Pure numbers: 0 to 1; at least 0; above 0.
Share = Annotated[float, Field(ge=0.0, le=1.0)]
Ratio = Annotated[float, Field(ge=0.0)]
Factor = Annotated[float, Field(gt=0.0)]
# A coefficient in 1/m.
PerMetre = Annotated[float, Field(ge=0.0)]
# Scene-linear RGB in the working space.
Colour = tuple[float, float, float]
