"""What happens to light between things and the lens: attenuation, the veil, forward scatter, lamps.

`radiance` is a wing of its own: daylight in water, solved.

- `transport`: the light path round a lens (LightPath, VeilGeometry, VeilRays, abeam, attenuate,
  daylight_gain, open_water_beyond, refracted_sun, veiling_light)
- `phase`: how light is scattered (henyey_greenstein, lobe, lobe_numbers)
- `scattering`: forward scatter
- `point_spread`: where scattered light arrives
- `water_halo`: the halo of one water in one picture (WaterHalo, empirical_water_halo, light_bend, water_halo)
- `lamps`: lights in the water (Lamp, backscatter, irradiance, lit_surfaces, relative_power)
- `visibility`: how far one sees, and the story's remap (RangeRemap, remap_through)
- `seen_contrast`: how dark a black thing looks (seen_contrast)
- `restoration`: the way back (damped_inverse)
- `water_masses`: more than one water along a ray (Lengths, TwoWaters, lengths_to, other_bands)
- `lit_edge`: the bright side of a subject (bright_side, depth_edges, rim_contrast, rim_share, side_radiance)
- `loops`: compiled loops of light paths
- `lamp_loops`: those of lamps
- `halo_loops`: those of halos
"""
