"""The water that a preset asks for, and its fitted bands."""

from __future__ import annotations

import csv
import io
from pathlib import Path
from typing import Any

import numpy as np

from halocline.errors import HaloclineError, PresetError
from halocline.files.regular import read_text
from halocline.late_dataclass import dataclass
from halocline.physics.water.bands import Bands
from halocline.physics.water.bio_optics import bio_optical_water
from halocline.physics.water.fitted_bands import fit_bands
from halocline.physics.water.water import (
    Water,
    jerlov_water,
    scaled_to_attenuation,
    scaled_to_secchi,
    scaled_to_visibility,
    tabulated_water,
)
from halocline.presets.document import Document
from halocline.presets.sections import BandsSection, WaterSection

DEFAULT_TYPE = "1C"
LARGEST_TABLE_BYTES = 1 << 22


@dataclass(frozen=True)
class FittedWater:
    """Bands and what is to be told of the water they stand for.

    Attributes
    ----------
    bands
        Fitted, for linear Rec.709.
    name, source
        Which water, and whose data.
    caveats
        What the user must know of the data.
    source_notes
        What the source says of its data as a whole; not kept in a resolved preset.
    visibility_m, secchi_depth_m
        What this water really shows.
    """

    bands: Bands
    name: str
    source: str
    caveats: tuple[str, ...]
    visibility_m: float
    secchi_depth_m: float
    source_notes: tuple[str, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """Return plain values, for a resolved preset."""
        return {
            "name": self.name,
            "source": self.source,
            "caveats": list(self.caveats),
            "visibility_m": self.visibility_m,
            "secchi_depth_m": self.secchi_depth_m,
            "bands": self.bands.to_dict(),
        }

    @classmethod
    def from_dict(cls, data: Any) -> FittedWater:
        """Return what `to_dict` wrote.

        Raises
        ------
        PresetError
            ``E-PRESET-BANDS`` where it is not that.
        """
        try:
            return cls(
                Bands.from_dict(data["bands"]),
                str(data["name"]),
                str(data["source"]),
                tuple(str(caveat) for caveat in data["caveats"]),
                float(data["visibility_m"]),
                float(data["secchi_depth_m"]),
            )
        except (HaloclineError, KeyError, TypeError, ValueError) as error:
            raise PresetError(
                f"the fitted bands in the preset are damaged ({error})",
                code="E-PRESET-BANDS",
                where="bands.fitted",
                fix="Take bands.fitted out to have them fitted again.",
            ) from error


def fitted_water(water: WaterSection, bands: BandsSection, document: Document) -> FittedWater:
    """Return the water of a preset with its bands.

    Raises
    ------
    PresetError
        ``E-PRESET-TABLE`` where a table cannot be read. Errors of the water name its line.
    """
    if bands.fitted is not None:
        return FittedWater.from_dict(bands.fitted)
    try:
        chosen = chosen_water(water, document)
        fit = fit_bands(chosen, count=bands.count, range_m=bands.range, depth_m=bands.depth)
    except HaloclineError as error:
        raise document.located(error, ("water",), section=("water",)) from error
    return FittedWater(
        fit,
        chosen.name,
        chosen.source,
        chosen.caveats,
        chosen.visibility_m,
        chosen.secchi_depth_m,
        chosen.source_notes,
    )


def chosen_water(section: WaterSection, document: Document) -> Water:
    """Return the water that a preset asks for, as spectra.

    Parameters
    ----------
    section
        The preset's ``[water]``.
    document
        Where the preset stands, for tables that it names.

    Returns
    -------
    Water
        Coefficients by wavelength.

    Raises
    ------
    HaloclineError
        Where it cannot be had, or its table cannot be read.
    """
    return _scaled(_unscaled(section, document.folder), section)


def _unscaled(section: WaterSection, folder: Path) -> Water:
    if section.table is not None:
        return _table_water(folder, section.table)
    if section.constituents is not None:
        constituents = section.constituents
        return bio_optical_water(
            constituents.chlorophyll, constituents.dissolved_organic, constituents.mineral
        )
    return jerlov_water(section.jerlov_type or DEFAULT_TYPE, source=section.source)


def _scaled(water: Water, section: WaterSection) -> Water:
    if section.attenuation_550 is not None:
        return scaled_to_attenuation(water, section.attenuation_550)
    if section.secchi_depth is not None:
        return scaled_to_secchi(water, section.secchi_depth)
    if section.visibility is not None:
        return scaled_to_visibility(water, section.visibility)
    return water


def _table_water(folder: Path, name: str) -> Water:
    # A preset from a stranger must not read other files.
    try:
        path = (folder / name).resolve()
        inside = path.is_relative_to(folder.resolve())
    except (OSError, ValueError, RuntimeError):
        inside = False
    if not inside:
        raise _table_error(
            f"{name} lies outside the preset's folder", name, "Put the table beside the preset."
        )
    try:
        lines = io.StringIO(read_text(path, LARGEST_TABLE_BYTES), newline="")
        rows = [row for row in csv.reader(lines) if row and not row[0].lstrip().startswith("#")]
        numbers = np.array([[float(cell) for cell in row] for row in rows[_header_rows(rows) :]], np.float64)
    except (OSError, ValueError, csv.Error) as error:
        reason = error.strerror if isinstance(error, OSError) else str(error)
        raise _table_error(
            f"the table cannot be read: {reason or error}",
            name,
            "Write wavelength in nm, a and b in 1/m, on each line.",
        ) from error
    if numbers.ndim != 2 or numbers.shape[1] not in (3, 4):
        raise _table_error(
            "the table does not have 3 or 4 columns", name, "Columns: nm, a, b and optionally Kd."
        )
    columns = numbers.T
    kd = columns[3] if len(columns) == 4 else None
    return tabulated_water(
        columns[0], columns[1], columns[2], diffuse_attenuation_per_m=kd, name=path.stem, source=path.name
    )


def _header_rows(rows: list[list[str]]) -> int:
    """Return 1 where the first line holds names instead of numbers."""
    try:
        [float(cell) for cell in rows[0]]
    except (ValueError, IndexError):
        return 1
    return 0


def _table_error(message: str, name: str, fix: str) -> PresetError:
    return PresetError(message, code="E-PRESET-TABLE", where=f"water.table {name}", fix=fix)
