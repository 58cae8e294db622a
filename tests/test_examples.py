"""Examples in docstrings give what they say."""

from __future__ import annotations

import doctest
from importlib import import_module
from pathlib import Path

import pytest

import halocline

HOUSE = Path(str(halocline.__file__)).parent
SHOWING = [path for path in sorted(HOUSE.rglob("*.py")) if "    >>> " in path.read_text(encoding="utf-8")]


@pytest.mark.parametrize("path", SHOWING, ids=lambda path: str(path.relative_to(HOUSE)))
def test_examples_give_what_they_say(path: Path) -> None:
    parts = path.relative_to(HOUSE.parent).with_suffix("").parts
    failed, tried = doctest.testmod(import_module(".".join(parts).removesuffix(".__init__")))
    assert tried
    assert not failed


def test_a_wrong_example_would_be_seen() -> None:
    runner = doctest.DocTestRunner(verbose=False)
    example = doctest.DocTestParser().get_doctest(">>> 1 + 1\n3\n", {}, "wrong", None, None)
    assert runner.run(example, out=lambda _: None).failed == 1
