"""An operator of another package is a full citizen: it uses `halocline.plugin` and nothing else of ours."""

from __future__ import annotations

from collections.abc import Iterator
from types import SimpleNamespace

import jsonschema
import numpy as np
import pytest
from tests.conftest import Builders

import halocline.plugin
from halocline.batch.frame_task import planes_read
from halocline.batch.layers import ALL, plan_layers
from halocline.cli.main import run
from halocline.errors import GraphError
from halocline.graph.engine import evaluate
from halocline.imaging.frame import Window
from halocline.operators import registry
from halocline.plugin import (
    F32,
    Form,
    Operator,
    Plane,
    Planes,
    PlaneUse,
    Ratio,
    Shot,
    Source,
    Stage,
    Strict,
    Tile,
    in_parallel,
)
from halocline.presets.preset import Preset, preset_from_text
from halocline.presets.reference import operator_page
from halocline.presets.remarks import remarks
from halocline.presets.schema import preset_schema

WINDOW = Window(0, 0, 20, 14)


class GlowParameters(Strict):
    """Parameters of plankton's glow.

    Attributes
    ----------
    strength
        Light where the water moves, relative to white.
    """

    strength: Ratio = 0.25


class Glow(Operator[GlowParameters, F32]):
    """Adds light where motion vectors say that things move."""

    Parameters = GlowParameters
    stage = Stage.LAMP_HAZE
    layer = "glow"
    once = True
    uses = frozenset({"light.lamps"})
    own_planes = (Plane("glow_light", Form.LIGHT, "", "Light of stirred plankton."),)

    def planes(self) -> PlaneUse:
        return PlaneUse(
            reads=frozenset({"bands", "pass.motion"}),
            writes=frozenset({"bands", "glow_light"}),
            adds=frozenset({"glow_light"}),
        )

    def needs(self) -> frozenset[Source]:
        return frozenset({Source.LAMPS})

    def prepare(self, shot: Shot) -> F32:
        return (shot.path.white * self.parameters.strength).astype(np.float32)

    def apply(self, planes: Planes, tile: Tile, shot: Shot, prepared: F32) -> Planes:  # noqa: ARG002
        speed = np.hypot(*planes["pass.motion"])
        light = np.stack(in_parallel(lambda band: prepared[band] * speed, range(shot.path.bands.count)))
        return {"bands": planes["bands"] + light, "glow_light": light}


@pytest.fixture(autouse=True)
def installed(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """The operator as an entry point says it, and another whose package is broken."""
    entries = [
        SimpleNamespace(name="glow", value=f"{__name__}:Glow"),
        SimpleNamespace(name="lost", value="no_such_package.module:Lost"),
    ]
    monkeypatch.setattr(registry, "entry_points", lambda **_: entries)
    caches = (registry._places, registry.operator_named)
    for cache in caches:
        cache.cache_clear()
    yield
    monkeypatch.undo()
    for cache in caches:
        cache.cache_clear()


CORE = "format = 2\n[steps.attenuation]\n{}[steps.veiling_light]\n{}"


def look(before: str = "", after: str = "", lamps: str = "") -> Preset:
    return preset_from_text(CORE.format(before, after) + lamps)


def test_the_face_keeps_its_names() -> None:
    assert all(hasattr(halocline.plugin, name) for name in halocline.plugin.__all__)
    promised = {"Operator", "Planes", "PlaneUse", "Tile", "Shot", "Strict", "compiled", "Stage", "Ratio"}
    assert promised <= set(halocline.plugin.__all__)


def test_order_sources_and_keys_are_remarked_on() -> None:
    told = "\n".join(map(str, remarks(look(after="[steps.glow]\n"))))
    assert "glow comes after veiling_light, though light meets it before" in told
    assert "the step glow has no lamps to work with" in told
    # With the operator there, the lamps are not set in vain; without it they are.
    assert remarks(look(before="[steps.glow]\n", lamps="[[light.lamps]]\n")) == []
    (remark,) = remarks(look(lamps="[[light.lamps]]\n"))
    assert "light.lamps is set, but no step uses it" in remark.text
    assert "[steps.glow] or [steps.lamp_backscatter] or [steps.lamps]" in remark.fix
    twice = look(before='[steps.glow]\n[steps.more]\noperator = "glow"\n', lamps="[[light.lamps]]\n")
    assert "glow and more both do glow" in str(remarks(twice)[0])


def test_its_passes_are_read_and_its_light_is_a_layer_and_a_guide(build: Builders) -> None:
    graph = look(before="[steps.glow]\n").at(1).graph
    assert planes_read(graph)[0] == {"pass.motion"}
    frame, shot = build.frame(WINDOW), build.shot(WINDOW)
    motion = np.random.default_rng(2).random((2, *WINDOW.shape), np.float32)
    planes = {**frame.planes, "pass.motion": motion}
    frame = type(frame)(planes, WINDOW, WINDOW)
    plan = plan_layers(graph, (ALL, "glow_light"))
    layers = plan.finished(evaluate(plan.graph, frame, shot, wanted=("rgb", *plan.planes)), shot)
    assert list(layers) == ["direct", "glow", "veil", "glow_light"]
    np.testing.assert_allclose(
        layers["glow"], layers["glow_light"], atol=2e-5 * np.abs(frame.planes["rgb"]).max()
    )


def test_its_light_is_known_as_the_waters_own(build: Builders) -> None:
    """Forward scatter softens the subject's light alone; what plankton gives is none of it."""
    graph = look(before="[steps.glow]\n[steps.forward_scatter]\n").at(1).graph
    shot, frame = build.shot(WINDOW), build.frame(WINDOW)
    # Plain light at one range: nothing is lost to rounding when what was added is taken off again.
    plain = {
        "rgb": frame.planes["rgb"] * 0 + frame.planes["matte.arch"],
        "range": frame.planes["alpha"] * 0 + 5,
    }
    halos = []
    for speed in (0.0, 0.5):
        motion = np.full((2, *WINDOW.shape), speed, np.float32)
        given = type(frame)({**frame.planes, **plain, "pass.motion": motion}, WINDOW, WINDOW)
        halos.append(evaluate(graph, given, shot, wanted=("rgb", "halo"))["halo"])
    assert float(np.abs(halos[0]).max()) > 1e-3
    np.testing.assert_allclose(halos[0], halos[1], atol=1e-5)


def test_a_pass_that_is_missing_is_told_with_its_key(build: Builders) -> None:
    with pytest.raises(GraphError, match=r"say which: input\.passes\.motion\."):
        evaluate(look(before="[steps.glow]\n").at(1).graph, build.frame(WINDOW), build.shot(WINDOW))


def test_schema_and_reference_know_it(capsys: pytest.CaptureFixture[str]) -> None:
    # A package that is broken keeps nobody from the others.
    registry._places()
    names = registry.operators()
    assert "glow" in names
    assert "lost" not in names
    assert "| `strength` | number ≥ 0 | `0.25` | Light where the water moves" in operator_page("glow")
    with pytest.raises(SystemExit) as left:
        run(["preset", "operator", "glow"])
    assert not left.value.code
    assert "## `glow`" in capsys.readouterr().out


def test_schema_takes_its_keys(monkeypatch: pytest.MonkeyPatch) -> None:
    entries = [SimpleNamespace(name="glow", value=f"{__name__}:Glow")]
    monkeypatch.setattr(registry, "entry_points", lambda **_: entries)
    registry._places.cache_clear()
    schema = preset_schema()
    jsonschema.validate({"format": 1, "steps": {"glow": {"strength": 0.5}}}, schema)
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate({"format": 1, "steps": {"glow": {"strength": -1}}}, schema)
