"""Write docs/presets.md and docs/operators.md from the code. Run after any change of a preset's keys."""

from __future__ import annotations

from pathlib import Path

from halocline.presets.reference import operators_page, presets_page

DOCS = Path(__file__).parents[1] / "docs"


def main() -> None:
    """Write both pages."""
    (DOCS / "presets.md").write_text(presets_page(), encoding="utf-8")
    (DOCS / "operators.md").write_text(operators_page(), encoding="utf-8")


if __name__ == "__main__":
    main()
