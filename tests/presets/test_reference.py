"""The reference pages say what the code says."""

from __future__ import annotations

from pathlib import Path

import pytest

from halocline.graph.limits import StepLimits
from halocline.operators.registry import BUILT_IN, operator_named
from halocline.presets.reference import operators_page, presets_page
from halocline.presets.sections import SECTIONS, OriginSection, PartSection, StepHead
from halocline.quantities import Strict, meanings

DOCS = Path(__file__).parents[2] / "docs"
STALE = "the page is not what the code says: run tools/write_reference.py"


@pytest.mark.parametrize(("page", "made"), [("presets", presets_page), ("operators", operators_page)])
def test_committed_page_is_up_to_date(page: str, made: object) -> None:
    assert callable(made)
    assert (DOCS / f"{page}.md").read_text(encoding="utf-8") == made(), STALE


def test_every_key_of_every_section_is_on_the_page_with_its_meaning() -> None:
    page = presets_page()
    models: dict[str, type[Strict]] = {
        **SECTIONS,
        "steps.NAME": StepHead,
        "origins.NAME": OriginSection,
        "parts.NAME": PartSection,
    }
    for key in StepLimits.model_fields:
        assert f"| `{key}` |" in page
    for name, model in models.items():
        assert f"## `[{name}]`" in page
        assert set(meanings(model)) == set(model.model_fields), name
        for key in model.model_fields:
            assert f"| `{key}` |" in page


def test_every_operator_is_on_the_page_with_every_key() -> None:
    page = operators_page()
    for name in BUILT_IN:
        assert f"## `{name}`" in page
        for key in operator_named(name).Parameters.model_fields:
            assert f"| `{key}` |" in page


def test_types_limits_and_defaults_are_told() -> None:
    page = presets_page()
    assert "| `sun_elevation` | degrees ≥ 0 ≤ 90 | `45` | Degrees above the horizon, in air. |" in page
    assert "| `near` | metres ≥ 0 | none |" in page
    assert '| `up` | `"+x"` or `"-x"` or' in page
    assert "| `veil_tint` | 3 of number | `[1, 1, 1]` |" in page
    assert '| `open_water` | `"fill"` or `"leave"` | `"fill"` | `fill` puts water' in operators_page()
