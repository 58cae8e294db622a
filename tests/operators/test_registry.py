"""Operators are found by name, also those of a studio's own package."""

from __future__ import annotations

import subprocess
import sys
import textwrap
from pathlib import Path
from typing import Any

import pytest

from halocline.errors import GraphError
from halocline.graph.operator import Operator
from halocline.operators.registry import BUILT_IN, operator_named, operator_names
from halocline.quantities import Strict, meanings


@pytest.mark.parametrize("name", sorted(BUILT_IN))
def test_every_operator_that_is_listed_can_be_loaded_and_says_what_it_does(name: str) -> None:
    kind = operator_named(name)
    assert issubclass(kind, Operator)
    assert issubclass(kind.Parameters, Strict)
    assert kind.__doc__
    assert sys.modules[kind.__module__].__doc__


@pytest.mark.parametrize("name", sorted(BUILT_IN))
def test_every_parameter_of_every_operator_is_documented(name: str) -> None:
    parameters = operator_named(name).Parameters
    assert set(meanings(parameters)) == set(parameters.model_fields)
    assert all(text for text in meanings(parameters).values())


def test_names_are_listed_in_order() -> None:
    assert operator_names() == sorted(operator_names())
    assert set(BUILT_IN) <= set(operator_names())
    assert list(BUILT_IN) == sorted(BUILT_IN)


def test_unknown_operator_is_refused_with_the_nearest_name() -> None:
    with pytest.raises(GraphError) as caught:
        operator_named("veiling_lite")
    assert str(caught.value).startswith('E-GRAPH-OPERATOR  there is no operator "veiling_lite"\n')
    assert str(caught.value).endswith('Did you mean "veiling_light"?')


OUTSIDE = '''
from halocline.graph.operator import Operator, PlaneUse
from halocline.quantities import Ratio, Strict


class DimParameters(Strict):
    """How much.

    Attributes
    ----------
    factor
        What is left of the light, a ratio.
    """

    factor: Ratio = 0.5


class Dim(Operator[DimParameters, None]):
    """Takes light away."""

    Parameters = DimParameters

    def planes(self):
        return PlaneUse(frozenset({"rgb"}), frozenset({"rgb"}))

    def apply(self, planes, tile, shot, prepared):
        return {"rgb": planes["rgb"] * type(planes["rgb"].flat[0])(self.parameters.factor)}


class NotOne:
    pass
'''
ENTRY_POINTS = """
[halocline.operators]
dim = harbour_effects.dim:Dim
attenuation = harbour_effects.dim:Dim
broken = harbour_effects.nowhere:Gone
thing = harbour_effects.dim:NotOne
"""
PRESET = """
format = 1
[steps.darker]
operator = "dim"
factor = 0.25
"""
SCRIPT = """
import numpy as np
from halocline.errors import GraphError
from halocline.graph.engine import evaluate
from halocline.imaging.camera import pinhole
from halocline.imaging.camera_track import CameraTrack
from halocline.imaging.frame import Frame, Window
from halocline.operators.registry import operator_named, operator_names
from halocline.presets.build import make_shot
from halocline.presets.preset import load_preset
from halocline.rgb import LINEAR_REC709

assert "dim" in operator_names()
# Nobody takes over a name of Halocline's own.
assert operator_named("attenuation").__module__ == "halocline.operators.attenuation"
for name in ("broken", "thing"):
    try:
        operator_named(name)
    except GraphError as error:
        print(str(error).splitlines()[0])

preset = load_preset("shot.toml")
window = Window(0, 0, 8, 4)
planes = {"rgb": np.ones((3, 4, 8), np.float32), "alpha": np.ones((4, 8), np.float32)}
frame = Frame({**planes, "range": np.ones((4, 8), np.float32)}, window, window)
track = CameraTrack({1: pinhole(window, focal_length_mm=35, film_width_mm=36)})
shot = make_shot(preset, 1, track, space=LINEAR_REC709, display_window=window, data_window=window)
print(evaluate(preset.at(1).graph, frame, shot)["rgb"].mean())
"""


def test_studio_adds_an_operator_from_its_own_package_without_a_fork(tmp_path: Path) -> None:
    site = tmp_path / "site"
    package, metadata = site / "harbour_effects", site / "harbour_effects-1.0.dist-info"
    package.mkdir(parents=True)
    metadata.mkdir()
    (package / "__init__.py").write_text("")
    (package / "dim.py").write_text(OUTSIDE)
    (metadata / "METADATA").write_text("Metadata-Version: 2.1\nName: harbour-effects\nVersion: 1.0\n")
    (metadata / "entry_points.txt").write_text(textwrap.dedent(ENTRY_POINTS))
    (tmp_path / "shot.toml").write_text(PRESET)
    # A fresh process: entry points are read once, and this one has read its own.
    done: Any = subprocess.run(
        [sys.executable, "-W", "error", "-c", f"import sys; sys.path.insert(0, {str(site)!r})\n{SCRIPT}"],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    broken, thing, mean = done.stdout.splitlines()
    assert broken.startswith(
        'E-GRAPH-OPERATOR  the operator "broken" cannot be loaded from harbour_effects.nowhere:Gone'
    )
    assert thing == 'E-GRAPH-OPERATOR  "thing" names harbour_effects.dim:NotOne, which is no operator'
    assert float(mean) == 0.25
