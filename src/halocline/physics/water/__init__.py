"""What the water is: coefficients by wavelength, where they come from, and the few bands that stand for them.

- `water`: absorption and scattering of Jerlov types and measured waters; `bio_optics`: by constituents
- `spectra`: spectra on one grid; `bands`: the few bands of the pixel path
- `fitted_bands`, `band_fit`: where a water's bands come from; `path_integral`: light added along a ray
"""
