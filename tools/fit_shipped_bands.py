"""Fit the bands of every water that ships, and write them as package data.

Run from the repository: ``python tools/fit_shipped_bands.py``. Every Jerlov type of every source, at the
default count and interval. The bands are kept for linear Rec.709; other RGB spaces follow by a matrix.
"""

from __future__ import annotations

import json
from pathlib import Path

from halocline.physics.water.band_fit import fit
from halocline.physics.water.fitted_bands import DEFAULT_COUNT, fit_key
from halocline.physics.water.water import JERLOV_SOURCES, jerlov_water

TARGET = Path(__file__).parents[1] / "src/halocline/physics/water/data/bands.json"


def main() -> None:
    """Write the table and print how good each fit is."""
    table = {}
    for source, types in JERLOV_SOURCES.items():
        for water_type in types:
            water = jerlov_water(water_type, source=source)
            bands = fit(water, count=DEFAULT_COUNT, range_m=100.0, depth_m=40.0)
            key = fit_key(water, count=DEFAULT_COUNT, range_m=100.0, depth_m=40.0)
            table[key] = bands.to_dict()
            print(  # noqa: T201 - the tool's report
                f"{source:16} {water_type:4} worst {bands.worst_delta_e:.3f} mean {bands.mean_delta_e:.3f}"
                f" veil {bands.worst_veil_delta_e:.3f}"
            )
    rows = [f"{json.dumps(key)}: {json.dumps(value)}" for key, value in sorted(table.items())]
    TARGET.write_text("{\n" + ",\n".join(rows) + "\n}\n", encoding="utf-8")


if __name__ == "__main__":
    main()
