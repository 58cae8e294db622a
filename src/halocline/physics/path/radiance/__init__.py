"""Daylight in water, scattered any number of times: the equation of radiative transfer, solved.

- `streams`: directions and their harmonics
- `solution`: one homogeneous water under a flat sea surface (Resolution)
- `water_light`: light read from that (molecular_phase, ray_ends)
- `lens_light`: tables for a lens at some depth (LensLight, Spectrum, WaterAndSky, depth_nodes, matching_rate)
- `bends`: by how much these are off the straight way between directions (bends_of)
- `loops`: compiled loops of these (components, end_of_kind, every_eighth, most_rising, sun_numbers, sun_veil,
  veil, veil_over_rows)
"""
