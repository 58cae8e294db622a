"""Operators by the name under which a preset asks for them.

Halocline's own are listed here and imported when asked for. A studio adds its own from its own package
through the entry point group ``halocline.operators``: name = "package.module:Class".
"""

from __future__ import annotations

from contextlib import suppress
from functools import cache, lru_cache
from importlib import import_module
from importlib.metadata import entry_points

from halocline.errors import GraphError, did_you_mean
from halocline.graph.operator import AnyOperator, Operator, Stage, Undoing

GROUP = "halocline.operators"

BUILT_IN = {
    "attenuation": "halocline.operators.attenuation:Attenuation",
    "bubbles": "halocline.operators.bubbles:Bubbles",
    "caustics": "halocline.operators.caustics:Caustics",
    "dome_port": "halocline.operators.dome_port:DomePortOperator",
    "downwelling": "halocline.operators.downwelling:Downwelling",
    "draw_near": "halocline.operators.draw_near:DrawNear",
    "flat_port": "halocline.operators.flat_port:FlatPortOperator",
    "forward_scatter": "halocline.operators.forward_scatter:ForwardScatter",
    "grade": "halocline.operators.grade:Grade",
    "lamp_backscatter": "halocline.operators.lamp_backscatter:LampBackscatter",
    "lamps": "halocline.operators.lamps:Lamps",
    "layered_water": "halocline.operators.layered_water:LayeredWater",
    "light_shafts": "halocline.operators.light_shafts:LightShafts",
    "living_light": "halocline.operators.living_light:LivingLight",
    "measured_port": "halocline.operators.measured_port:MeasuredPort",
    "mix": "halocline.operators.mix:Mix",
    "remove_water": "halocline.operators.remove_water:RemoveWater",
    "rim_light": "halocline.operators.rim_light:RimLight",
    "sky_window": "halocline.operators.sky_window:SkyWindow",
    "suspended_matter": "halocline.operators.suspended_matter:SuspendedMatter",
    "turbid_bodies": "halocline.operators.turbid_bodies:TurbidBodies",
    "veiling_light": "halocline.operators.veiling_light:VeilingLight",
    "water_layers": "halocline.operators.water_layers:WaterLayers",
    "white_reference": "halocline.operators.white_reference:WhiteReference",
}


@cache
def _places() -> dict[str, str]:
    """Return where each operator is to be found; Halocline's own names cannot be taken over."""
    outside = {entry.name: entry.value for entry in entry_points(group=GROUP)}
    return {**outside, **BUILT_IN}


def operator_names() -> list[str]:
    """Return all known operator names, sorted.

    Returns
    -------
    list[str]
        Names, with those of other packages.
    """
    return sorted(_places())


def operators() -> dict[str, type[AnyOperator]]:
    """Return all operators by name, without those that cannot be loaded: who asks for one is told why.

    Returns
    -------
    dict[str, type[AnyOperator]]
        Classes by name.
    """
    found: dict[str, type[AnyOperator]] = {}
    for name in operator_names():
        with suppress(GraphError):
            found[name] = operator_named(name)
    return found


def users_by_key() -> dict[str, list[str]]:
    """Return the operators that obey each key of the sections that not every look obeys.

    Returns
    -------
    dict[str, list[str]]
        Names of operators, sorted, by the key with its section.
    """
    users: dict[str, list[str]] = {}
    for name, kind in operators().items():
        for key in sorted(kind.uses):
            users.setdefault(key, []).append(name)
    return users


def undone_by(how: Undoing) -> list[str]:
    """Return the operators that the removal of water takes back in one way, in the order of the light.

    Parameters
    ----------
    how
        The way of taking it back.

    Returns
    -------
    list[str]
        Names by stage.
    """
    found = {name: kind for name, kind in operators().items() if kind.undone is how}
    return sorted(found, key=lambda name: found[name].stage)


def core() -> list[str]:
    """Return the operators that make a water, and that its removal takes back: all that is not exposure.

    Returns
    -------
    list[str]
        Names, in the order of the light.
    """
    found = operators()
    names = undone_by(Undoing.TERM) + undone_by(Undoing.KEYS)
    # What has no place of its own, the halo, is made of the light that has come the way to the lens.
    return sorted(
        (name for name in names if name != exposing()),
        key=lambda name: found[name].stage or Stage.ATTENUATION,
    )


def exposing() -> str:
    """Return the operator that exposes finished pictures, and is taken back as such.

    Returns
    -------
    str
        Its name.
    """
    found = operators()
    return next(name for name in undone_by(Undoing.KEYS) if found[name].stage is Stage.EXPOSURE)


@lru_cache(maxsize=1024)
def operator_named(name: str) -> type[AnyOperator]:
    """Return the operator class of a name.

    Parameters
    ----------
    name
        As presets write it.

    Returns
    -------
    type[AnyOperator]
        The class, not yet built.

    Raises
    ------
    GraphError
        ``E-GRAPH-OPERATOR`` where there is none, or its package cannot be imported, or is no operator.
    """
    if name not in _places():
        raise GraphError(
            f'there is no operator "{name}"',
            code="E-GRAPH-OPERATOR",
            fix=f"Known operators: {', '.join(operator_names())}.{did_you_mean(name, operator_names())}",
        )
    module, _, attribute = _places()[name].partition(":")
    try:
        found = getattr(import_module(module), attribute)
    except (ImportError, AttributeError) as error:
        raise GraphError(
            f'the operator "{name}" cannot be loaded from {module}:{attribute} ({error})',
            code="E-GRAPH-OPERATOR",
            fix="Install the package that declares it, or fix its entry point.",
        ) from error
    if not (isinstance(found, type) and issubclass(found, Operator)):
        raise GraphError(
            f'"{name}" names {module}:{attribute}, which is no operator',
            code="E-GRAPH-OPERATOR",
            fix="Derive it from halocline.graph.operator.Operator.",
        )
    return found
