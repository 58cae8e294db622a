"""What `import halocline` promises. A name that goes or comes here is a change that users notice."""

from __future__ import annotations

import inspect
import subprocess
import sys

import pytest

import halocline

PROMISED = [
    "Camera",
    "CameraTrack",
    "HaloclineError",
    "Preset",
    "WetFrame",
    "__version__",
    "apply",
    "load_preset",
    "pinhole",
    "preset_from_text",
]


def test_the_package_promises_these_names_and_no_others() -> None:
    assert halocline.__all__ == PROMISED
    assert sorted(PROMISED) == PROMISED


@pytest.mark.parametrize("name", PROMISED)
def test_every_name_is_there_and_documented(name: str) -> None:
    thing = getattr(halocline, name)
    if name == "__version__":
        assert thing.count(".") == 2
    else:
        assert thing.__name__ == name
        assert inspect.getdoc(thing)


def test_all_names_can_be_imported_at_once() -> None:
    script = f"from halocline import *\nassert not set({PROMISED!r}) - set(globals())"
    done = subprocess.run(
        [sys.executable, "-W", "error", "-c", script], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr


def test_an_unknown_name_is_an_attribute_error_as_of_any_module() -> None:
    with pytest.raises(AttributeError, match="module 'halocline' has no attribute 'aply'"):
        _ = halocline.aply


@pytest.mark.parametrize(
    ("function", "by_place"),
    [
        ("apply", ["preset", "rgb", "range_m", "alpha"]),
        ("load_preset", ["preset", "overrides"]),
        ("preset_from_text", ["text", "overrides"]),
        ("pinhole", ["display_window"]),
    ],
)
def test_only_the_main_operands_are_given_by_place(function: str, by_place: list[str]) -> None:
    parameters = inspect.signature(getattr(halocline, function)).parameters.values()
    placed = [each.name for each in parameters if each.kind is each.POSITIONAL_OR_KEYWORD]
    assert placed == by_place


def test_errors_of_the_package_are_one_family() -> None:
    with pytest.raises(halocline.HaloclineError) as caught:
        halocline.load_preset("no-such-water")
    assert caught.value.code == "E-PRESET-FIND"
