"""Write docs/presets.md, operators.md and errors.md from the code. Run after any change of what they tell."""

from __future__ import annotations

from pathlib import Path

from error_codes import errors_page

from halocline.presets.reference import operators_page, presets_page

DOCS = Path(__file__).parents[1] / "docs"


def main() -> None:
    """Write all three."""
    (DOCS / "presets.md").write_text(presets_page(), encoding="utf-8")
    (DOCS / "operators.md").write_text(operators_page(), encoding="utf-8")
    (DOCS / "errors.md").write_text(errors_page(), encoding="utf-8")


if __name__ == "__main__":
    main()
