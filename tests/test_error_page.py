"""The page of error codes is that of the code, and each of them is in a test."""

from __future__ import annotations

import ast
import importlib.util
import re
import sys
from functools import lru_cache
from pathlib import Path
from types import ModuleType

import pytest
from tests.trees import MODULES, nodes_of

from halocline.errors import HaloclineError
from halocline.units import metres

ROOT = Path(__file__).parents[1]
CODE = re.compile(r"\bE(?:-[A-Z0-9]+){2,}\b")


@pytest.fixture(scope="module")
def error_codes() -> ModuleType:
    path = ROOT / "tools" / "error_codes.py"
    if not path.exists():
        pytest.skip("the tools are not in this copy of the tests")
    spec = importlib.util.spec_from_file_location("error_codes", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["error_codes"] = module
    spec.loader.exec_module(module)
    return module


def test_the_page_of_codes_is_up_to_date(error_codes: ModuleType) -> None:
    page = ROOT / "docs" / "errors.md"
    assert page.read_text(encoding="utf-8") == error_codes.errors_page(), "run tools/write_reference.py"


def test_every_code_has_a_plain_name_and_says_something(error_codes: ModuleType) -> None:
    found = error_codes.codes()
    assert len(found) > 100
    for code in found:
        assert code.replace("-", "").replace("E", "", 1).isupper(), code
    assert "E-PRESET-KEY" in found


@lru_cache(maxsize=1)
def _expected_codes(tests: Path) -> set[str]:
    """Return the codes that tests expect: all they name, but for those of errors that a test makes itself."""
    found: set[str] = set()
    for path in tests.rglob("*.py"):
        text = path.read_text(encoding="utf-8")
        if not CODE.search(text):
            continue
        nodes = list(ast.walk(ast.parse(text)))
        made = {
            id(inside)
            for call in nodes
            if isinstance(call, ast.Call)
            for keyword in call.keywords
            if keyword.arg == "code"
            for inside in ast.walk(keyword.value)
        }
        texts = (node for node in nodes if isinstance(node, ast.Constant) and id(node) not in made)
        found.update(code for node in texts for code in CODE.findall(str(node.value)))
    for path in (tests / "invalid_presets").glob("*.txt"):
        found.update(CODE.findall(path.read_text(encoding="utf-8")))
    return found


def test_every_code_in_the_code_is_on_the_page(error_codes: ModuleType) -> None:
    """However a code is handed on: it is a text of its own, outside docstrings."""
    written = {
        node.value
        for path in MODULES
        for node in nodes_of(path)
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and CODE.fullmatch(node.value)
    }
    assert written == set(error_codes.codes())


def test_every_code_is_expected_by_a_test(error_codes: ModuleType) -> None:
    """That tests provoke it is seen where all of them are run: `pytest --every-code` (tests/conftest.py)."""
    assert set(error_codes.codes()) <= _expected_codes(ROOT / "tests")


def test_codes_that_tests_expect_are_there(error_codes: ModuleType) -> None:
    """A code that was renamed or removed leaves no test that waits for it in vain."""
    of_this_house = {code for code in _expected_codes(ROOT / "tests") if not code.startswith("E-TEST-")}
    assert of_this_house <= set(error_codes.codes())


def test_errors_of_the_package_are_noted_as_provoked_and_those_of_tests_are_not(
    provoked_codes: set[str],
) -> None:
    before = set(provoked_codes)
    HaloclineError("by hand", code="E-TEST-HAND")
    assert provoked_codes == before
    with pytest.raises(HaloclineError):
        metres("9 parsecs")
    assert "E-UNIT-NAME" in provoked_codes
