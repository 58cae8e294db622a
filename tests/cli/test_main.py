"""The command as a whole: help, version, names of commands, exit statuses, where errors go."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import pytest

from halocline import __version__
from halocline.cli import inspect
from halocline.cli.commands import COMMANDS

if TYPE_CHECKING:
    from tests.cli.conftest import Halocline, Renders


def _all_commands() -> Iterator[tuple[str, ...]]:
    for name, place in COMMANDS.items():
        within: Any = getattr(place.load(name), "commands", None)
        yield from [(name, inner) for inner in within] if within else [(name,)]


@pytest.mark.parametrize("words", list(_all_commands()), ids=" ".join)
def test_help_of_every_command_says_what_it_does_and_has_an_example(
    halocline: Halocline, words: tuple[str, ...]
) -> None:
    told = halocline(*words, "--help")
    assert told.status == 0
    assert told.out.startswith(f"Usage: halocline {' '.join(words)} ")
    body = told.out.split("\n\n")
    assert body[1].strip(), "no description"
    assert "Example" in told.out
    assert f"halocline {' '.join(words)}" in " ".join(told.out.split("Example", 1)[1].split())
    assert halocline(*words, "-h").out == told.out


def test_help_lists_every_command_in_one_line_each(halocline: Halocline) -> None:
    told = halocline("--help")
    assert told.status == 0
    listed = told.out.split("Commands:\n")[1].splitlines()
    assert [line.split()[0] for line in listed] == list(COMMANDS)
    # Said in the list without loading the command; must fit a terminal of 80 columns.
    wide = max(map(len, COMMANDS)) + 2
    for name, place in COMMANDS.items():
        assert len(f"  {name:<{wide}}{place.summary}") < 80
        assert f"{name:<{wide}}{place.summary}" in told.out


def test_help_and_version_do_not_wait_for_numerical_libraries() -> None:
    script = (
        "import sys\n"
        "from halocline.cli.main import run\n"
        "for option in ('--help', '--version'):\n"
        "    try:\n"
        "        run([option])\n"
        "    except SystemExit as left:\n"
        "        assert not left.code\n"
        "heavy = {'numpy', 'scipy', 'cv2', 'OpenImageIO', 'colour', 'pydantic', 'jerlov'}\n"
        "assert not heavy & set(sys.modules), heavy & set(sys.modules)\n"
    )
    done = subprocess.run(
        [sys.executable, "-W", "error", "-c", script], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr


def test_version_is_the_package_version(halocline: Halocline) -> None:
    told = halocline("--version")
    assert (told.status, told.out) == (0, f"halocline {__version__}\n")


def test_no_arguments_show_the_help_and_are_a_mistake(halocline: Halocline) -> None:
    told = halocline()
    assert told.status == 2
    assert "Commands:" in told.out + told.err


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("aply",), "No such command 'aply'. Did you mean 'apply'?"),
        (("apply", "jerlov-1c"), "Missing argument 'BEAUTY'"),
        (("apply", "jerlov-1c", "a.exr"), "Missing option '--out'"),
        (("apply", "jerlov-1c", "a.exr", "--out", "b/", "--fames", "1"), "No such option: --fames"),
        (("apply", "jerlov-1c", "a.exr", "--out", "b/", "--log", "xml"), "Invalid value for '--log'"),
        (("apply", "jerlov-1c", "a.exr", "--out", "b/", "--threads", "0"), "Invalid value for '--threads'"),
        (("apply", "jerlov-1c", "a.exr", "--out", "b/", "--threads", "two"), "Invalid value for '--threads'"),
        (("preset", "chek", "x"), "No such command 'chek'. Did you mean 'check'"),
    ],
)
def test_words_that_are_not_understood_are_told_on_standard_error(
    halocline: Halocline, arguments: tuple[str, ...], message: str
) -> None:
    told = halocline(*arguments)
    assert told.status == 2
    assert told.out == ""
    assert message in told.err


def test_an_interrupt_while_a_command_thinks_leaves_with_130(
    halocline: Halocline, renders: Renders, monkeypatch: pytest.MonkeyPatch
) -> None:
    def interrupted(*_arguments: object, **_options: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(inspect, "inspect_files", interrupted)
    assert halocline("inspect", renders.pattern).status == 130
