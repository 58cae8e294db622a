"""What differs between presets: nothing only where they come to the same on every frame."""

from __future__ import annotations

import pytest

from halocline.presets.difference import differences
from halocline.presets.preset import Preset, preset_from_text

HEAD = 'format = 1\nextends = "jerlov-1c"\n'


def preset(text: str) -> Preset:
    return preset_from_text(HEAD + text)


RISING = "[light]\novercast = { curve = 'linear', keys = [[1001, 0.2], [1024, 0.8]] }"
HELD = "[light]\novercast = { curve = 'held', keys = [[1001, 0.2], [1024, 0.8]] }"
LATER = "[light]\novercast = { curve = 'linear', keys = [[1001, 0.2], [1048, 0.8]] }"
TINTED = "[light]\nveil_tint = [1.0, { curve = 'linear', keys = [[1, 1.0], [9, 0.5]] }, 1.0]"


@pytest.mark.parametrize("text", [RISING, HELD, LATER, TINTED])
def test_a_preset_does_not_differ_from_itself(text: str) -> None:
    assert differences(preset(text), preset(text)) == []


@pytest.mark.parametrize(
    ("second", "told"),
    [
        (
            "",
            "light.overcast: linear curve, 1001: 0.2, 1024: 0.8 -> 0.2",
        ),
        (
            HELD,
            "light.overcast: linear curve, 1001: 0.2, 1024: 0.8 -> held curve, 1001: 0.2, 1024: 0.8",
        ),
        (
            LATER,
            "light.overcast: linear curve, 1001: 0.2, 1024: 0.8 -> linear curve, 1001: 0.2, 1048: 0.8",
        ),
    ],
)
def test_curves_are_compared_whole(second: str, told: str) -> None:
    """All of them have the same value on their first frame."""
    assert differences(preset(RISING), preset(second)) == [told]


def test_on_a_frame_its_own_values_are_compared() -> None:
    assert differences(preset(RISING), preset(LATER), frame=1001) == []
    assert differences(preset(RISING), preset(HELD), frame=1024) == []
    assert differences(preset(RISING), preset(HELD), frame=1023) == [
        "light.overcast: 0.773913 -> 0.2 (0.26 times)"
    ]


def test_a_curve_inside_a_colour_is_seen() -> None:
    told = differences(preset(TINTED), preset(""))
    assert told == ["light.veil_tint: [1, linear curve, 1: 1, 9: 0.5, 1] -> [1, 1, 1]"]


def test_another_operator_and_another_input_are_told() -> None:
    usual = preset("[steps.port]\noperator = 'flat_port'")
    assert "steps.port.operator: flat_port -> dome_port" in differences(
        usual, preset("[steps.port]\noperator = 'dome_port'")
    )
    one = "[steps.blend]\noperator = 'mix'\nother = 'render'"
    two = "[steps.blend]\noperator = 'mix'\nother = 'attenuation'"
    assert differences(preset(one), preset(two)) == ["steps.blend.other: render -> attenuation"]


def test_a_step_put_between_others_changes_none_of_them() -> None:
    told = differences(
        preset(""), preset("[steps.near]\noperator = 'suspended_matter'\nafter = 'attenuation'")
    )
    assert told[0] == "steps added: near"
    assert all(line.startswith(("steps added", "steps.near.")) for line in told)
