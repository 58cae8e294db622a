"""Graphs that cannot be are refused before anything is computed, with whole messages."""

from __future__ import annotations

import pytest
from tests.conftest import Builders, chain

from halocline.errors import GraphError
from halocline.graph.graph import SOURCE, Graph, Step


def step(build: Builders, name: str, source: str = SOURCE) -> Step:
    return Step(name, build.operator("attenuation"), {"picture": source})


def refused(steps: list[Step], output: str) -> GraphError:
    with pytest.raises(GraphError) as caught:
        Graph(steps, output)
    return caught.value


def test_steps_are_put_in_an_order_in_which_each_follows_its_inputs(build: Builders) -> None:
    graph = Graph([step(build, "c", "b"), step(build, "a"), step(build, "b", "a")], "c")
    assert [s.name for s in graph.steps] == ["a", "b", "c"]


def test_ring_is_refused_and_told_in_the_direction_of_the_light(build: Builders) -> None:
    error = refused([step(build, "a", "c"), step(build, "b", "a"), step(build, "c", "b")], "c")
    assert error.code == "E-GRAPH-CYCLE"
    ring = error.message.removeprefix("steps feed each other in a ring: ").split(" -> ")
    assert ring[0] == ring[-1]
    assert "abcabc".find("".join(ring[:-1])) >= 0
    assert error.fix == "Take one of these inputs from an earlier step."


def test_step_that_feeds_itself_is_a_ring(build: Builders) -> None:
    assert refused([step(build, "a", "a")], "a").code == "E-GRAPH-CYCLE"


def test_unknown_input_is_refused_with_the_nearest_name(build: Builders) -> None:
    error = refused([step(build, "attenuation"), step(build, "veil", "atenuation")], "veil")
    assert str(error) == (
        'E-GRAPH-INPUT  step "veil": there is no step "atenuation"\n'
        '  Steps here: "render", "attenuation", "veil". Did you mean "attenuation"?'
    )


def test_unknown_output_is_refused(build: Builders) -> None:
    error = refused([step(build, "veil")], "vail")
    assert error.code == "E-GRAPH-INPUT"
    assert 'the output "vail" is no step' in str(error)
    assert 'Did you mean "veil"?' in str(error)


def test_step_whose_picture_goes_nowhere_is_refused(build: Builders) -> None:
    error = refused([step(build, "a"), step(build, "lost", "a"), step(build, "b", "a")], "b")
    assert str(error) == (
        'E-GRAPH-UNUSED  step "lost": nothing uses the picture of "lost"\n'
        "  Give it as an input to another step, make it the output, or disable it."
    )


def test_two_steps_of_one_name_are_refused(build: Builders) -> None:
    assert refused([step(build, "a"), step(build, "a")], "a").message == 'two steps are called "a"'


def test_step_may_not_take_the_name_of_the_render(build: Builders) -> None:
    error = refused([step(build, "render")], "render")
    assert error.code == "E-GRAPH-NAME"
    assert error.message == '"render" is the render itself and cannot name a step'


def test_missing_or_unknown_role_is_refused(build: Builders) -> None:
    mix = Step("mix", build.operator("mix"), {"picture": SOURCE})
    error = refused([mix], "mix")
    assert str(error) == (
        'E-GRAPH-ROLE  step "mix": its inputs are "picture", "other", given are "picture"\n'
        "  Name one step for each input."
    )
    with pytest.raises(GraphError, match="E-GRAPH-ROLE"):
        chain([("mix", build.operator("mix"))])
