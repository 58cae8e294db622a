"""The page of error codes is that of the code."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import pytest

ROOT = Path(__file__).parents[1]


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
