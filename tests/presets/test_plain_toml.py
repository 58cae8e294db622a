"""Plain tables as TOML: as tomlkit writes them, and as Python's own tomllib reads them."""

from __future__ import annotations

import tomllib
from typing import Any

import pytest
import tomlkit
from hypothesis import given
from hypothesis import strategies as st

from halocline.presets.document import shipped_names
from halocline.presets.plain_toml import toml_of
from halocline.presets.preset import load_preset

KEYS = st.sampled_from(["a", "b", "c-1", "d e"])
SINGLE = st.booleans() | st.integers(-(2**63), 2**63 - 1) | st.floats(allow_nan=False) | st.text(max_size=4)
ANY = st.recursive(
    SINGLE,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(KEYS, inner, max_size=3),
    max_leaves=8,
)
# As looks are: no tables among other things in a list. In such, and behind empty tables in lists, the library
# forgets a blank here and there.
AS_LOOKS = st.recursive(
    st.dictionaries(KEYS, SINGLE | st.lists(SINGLE | st.lists(SINGLE, max_size=2), max_size=3), min_size=1),
    lambda inner: st.dictionaries(KEYS, SINGLE | inner | st.lists(inner, max_size=2), min_size=1),
    max_leaves=5,
)


@pytest.mark.parametrize("name", shipped_names())
def test_a_resolved_look_is_written_as_by_tomlkit(name: str) -> None:
    # Digests of looks that are on record must not change.
    tables = load_preset(name).resolved_tables()
    assert toml_of(tables) == tomlkit.dumps(tables)


@pytest.mark.parametrize(
    "tables",
    [
        {},
        {"a": {"b": {"c": 1}}},
        {"a": {}},
        {"a": {"b": {}}},
        {"x": 1, "a": [{"k": 1}, {"k": 2, "m": {"z": 1}}], "y": 2},
        {"a": [{}]},
        {"a": {}, "b": [{}], "c": 1},
        {"a": [{"x": [{"u": {}}]}], "b": {"c": {"l": [{"p": {"q": [{"r": 1}]}}], "k": 1}}},
        {"a": {"lamps": [{"p": 1}], "k": 1, "s": {"x": [{"u": [[0, 1.5], [4, -0.0]]}]}}},
        {"a": [[{"x": 1, "y z": "t"}]]},
        {"a": [1, {"x": {}}, []]},
        {"a b": 'quoted "\\ \x00\b\t\n\f\r\x1f\x7f é \u2028', "": True, "c.d": {"e é": False}},
        {"a": 1e300, "b": 1e-7, "c": float("inf"), "d": float("-inf"), "e": float("nan"), "f": 10**12},
    ],
)
def test_a_table_is_written_as_by_tomlkit(tables: dict[str, Any]) -> None:
    assert toml_of(tables) == tomlkit.dumps(tables)


@given(AS_LOOKS)
def test_tables_as_looks_have_them_are_written_as_by_tomlkit(tables: dict[str, Any]) -> None:
    assert toml_of(tables) == tomlkit.dumps(tables)


@given(st.dictionaries(KEYS, ANY, max_size=4))
def test_what_is_written_is_read_back(tables: dict[str, Any]) -> None:
    assert tomllib.loads(toml_of(tables)) == tables
