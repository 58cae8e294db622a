"""What the water is: coefficients by wavelength, where they come from, and the few bands that stand for them.

- `water`: absorption and scattering of Jerlov types and measured waters (Water, jerlov_water, pure_water,
  scaled_to_attenuation, scaled_to_secchi, scaled_to_visibility, tabulated_water)
- `bio_optics`: by constituents (bio_optical_water, ocean_cdom, phytoplankton_absorption)
- `spectra`: spectra on one grid (basis, daylight, sensor_weights)
- `bands`: the few bands of the pixel path (Bands, band_value, hat_functions)
- `fitted_bands`: where a water's bands come from (fit_bands)
- `band_fit`: how they are fitted
- `veil_fit`: so that the veil has its colour
- `solved_kd`: and to which Kd
- `clear_ocean`: clear ocean water by its chlorophyll
- `path_integral`: light added along a ray (gathered, mean_share_left, path_integral,
  rate_along, share_left)
"""
