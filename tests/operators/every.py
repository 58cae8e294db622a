"""Every operator that is registered, with keys that make it do something: what the laws are tried on.

What an operator needs for that, and the rows of its keys, may stand in its own test file,
``tests/operators/test_NAME.py``, as ``KEYS`` and ``ROWS``: nothing else then knows of it.
"""

from __future__ import annotations

from importlib import import_module
from importlib.util import find_spec
from typing import Any

from halocline.graph.operator import AnyOperator
from halocline.operators.registry import operator_named

_LAYER = {"depth": 9.2, "turbulence": {"strength": 0.5}}
_SOURCE = {
    "name": "vent",
    "track": ({"frame": 960.0, "position": (0.0, -0.2, -1.5), "per_second": 20.0},),
    "median_diameter": 0.02,
}
# Beside its defaults. An operator without an entry is tried as it comes.
KEYS: dict[str, list[dict[str, Any]]] = {
    "bubbles": [{"sources": (_SOURCE,)}],
    "caustics": [{"surface": {"detail": 256, "patch": 8.0}}, {"key_light": "sun"}],
    "draw_near": [
        {"nearest": 1.0},
        {"matte": "arch"},
        {"matte": "arch", "contrast": 0.5, "subject_range": 20.0},
    ],
    "flat_port": [{}, {"mode": "remove"}],
    "lamps": [{}, {"grey": 0.5, "daylight": 0.2}],
    "layered_water": [{"layer": _LAYER, "other_water": {"side": "above", "turbidity": 3.0}}],
    "light_shafts": [{"surface": {"detail": 256, "patch": 8.0}, "rays": 32, "steps": 16}],
    "measured_port": [{"water": {"radial": (0.1, 0.0, 0.0)}, "photograph": (61, 43)}],
    "mix": [{"amount": 0.4}, {"matte": "arch"}],
    "rim_light": [{}, {"matte": "arch"}],
    "sky_window": [{"surface": {"detail": 256, "patch": 8.0}}],
    "suspended_matter": [{"turbulence": 0.0}],
    "veiling_light": [{}, {"open_water": "leave"}],
    "water_layers": [{"layers": (_LAYER,)}],
}


def told_by_its_tests(name: str, table: str) -> Any:
    """Return a table of an operator's own test file; None where it has none."""
    module = f"tests.operators.test_{name}"
    return None if find_spec(module) is None else getattr(import_module(module), table, None)


def steps_of(name: str) -> list[AnyOperator]:
    """Return an operator as the laws try it."""
    kind = operator_named(name)
    keys = KEYS.get(name) or told_by_its_tests(name, "KEYS") or [{}]
    return [kind(kind.Parameters(**each)) for each in keys]
