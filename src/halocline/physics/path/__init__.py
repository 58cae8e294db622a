"""What happens to light between things and the lens: attenuation, the veil, forward scatter, lamps.

`radiance` is a wing of its own: daylight in water, solved.

- `transport`: the light path round a lens (ByDepth, LightPath, OpenRays, VeilGeometry, VeilRays, abeam,
  attenuate, attenuated, daylight_gain, hold_halo, refracted_sun, sunlit_by_depth, veiling_light)
- `light_shares`: where the light in it comes from (light_shares, lobe_rad, scattered_about,
  sky_share_of_scalar, sun_share)
- `phase`: how light is scattered (asymmetry_of, henyey_greenstein, lobe, lobe_numbers, molecular_share)
- `scattering`: forward scatter
- `point_spread`: where scattered light arrives
- `water_halo`: the halo of one water in one picture (Surfaces, WaterHalo, band_kernels, empirical_water_halo,
  bend_of, band_bends, rings_about, taken_and_turned, water_halo)
- `halo_rows`: light with its halo in one pass (add_halo_to_light)
- `halo_about`: the halo at one place, from what a picture shows about it (regained_depth, halo_rings)
- `lamps`: lights in the water (Lamp, backscatter, irradiance, lit_surfaces, relative_power)
- `beam`: how much they send at each angle (Core)
- `lamp_glow`: the glow round one that is seen (Glow, LampSeen, lamp_glow)
- `lamp_shadow`: what things keep of their light (LampShadow, ThingsSeen, ends_of_rates, housing_m,
  weights_of_rates)
- `dimmed_haze`: what turbid bodies keep from what they light of the water (DimmedHaze, HazePieces,
  SightAngles)
- `scatterers`: what turns their light to the lens (LampClouds, Scatterers, table_ranges)
- `visibility`: how far one sees, and the story's remap (RangeRemap, remap_through)
- `seen_contrast`: how dark a black thing looks (ContrastSeen)
- `silhouette`: as seen by what a story asks for (before_level_water, before_water, range_for_contrast,
  tilted, view_of_subject)
- `restoration`: the way back (damped_inverse)
- `water_masses`: more than one water along a ray (MixedWaters, TwoWaters, crossed, other_bands)
- `lit_edge`: the bright side of a subject (bright_side, depth_edges, rim_contrast, rim_share, side_radiance)
- `loops`: compiled loops of light paths (fallen, less_one, less_two,
  shares_left_open)
- `lamp_loops`, `lamp_shadow_loops`: those of lamps
- `halo_loops`: those of halos
"""
