"""Write the spectral tables that Halocline integrates with, from colour-science's data sets.

Run from the repository: ``python tools/write_spectra.py``. The result is package data, so that rendering does
not depend on (or wait for) the library the numbers come from; a test compares the two.
"""

from __future__ import annotations

from pathlib import Path

import colour
import numpy as np
from colour.recovery import MSDS_BASIS_FUNCTIONS_sRGB_MALLETT2019

TARGET = Path(__file__).parents[1] / "src/halocline/physics/water/data/spectra.csv"

HEADER = f"""Spectra at 1 nm, from colour-science {colour.__version__} (BSD-3-Clause):
x_bar y_bar z_bar: CIE 1931 2 degree standard observer (CIE 018:2019), printed at 1 nm
d65: relative power of CIE standard illuminant D65, printed at 1 nm
red green blue: Mallett and Yuksel 2019 basis reflectances of the Rec.709 primaries
  (printed at 5 nm, straight lines between)
wavelength_nm,x_bar,y_bar,z_bar,d65,red,green,blue"""


def main() -> None:
    """Write the table."""
    wavelength = np.arange(400.0, 701.0)
    observer = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"]
    illuminant = colour.SDS_ILLUMINANTS["D65"]
    basis = MSDS_BASIS_FUNCTIONS_sRGB_MALLETT2019
    columns = [wavelength]
    columns += [np.interp(wavelength, observer.wavelengths, observer.values[:, i]) for i in range(3)]
    columns += [np.interp(wavelength, illuminant.wavelengths, illuminant.values)]
    columns += [np.interp(wavelength, basis.wavelengths, basis.values[:, i]) for i in range(3)]
    np.savetxt(TARGET, np.stack(columns, axis=1), fmt="%.9g", delimiter=",", header=HEADER)


if __name__ == "__main__":
    main()
