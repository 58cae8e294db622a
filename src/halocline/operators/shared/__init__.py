"""What several operators share and no operator is.

- `seen_ground`: the floor of a frame (MOST_PIXELS, seen_ground)
- `view_rays`: directions of a tile (Rays, grid_rays, ray_spacing, spaced_rays)
- `two_surfaces`: pixels that show two surfaces (Farther)
- `pixel_stretch`: what a pixel covers of a surface in an exposure (CameraMotion, STEEPEST, Stretches,
  stretches)
- `surface_light`: the sea's light (LevelAxes, by_channel, casters_of_sun, casters_seen, channel_weights,
  light_field, sun_zenith, water_index)
- `water_shade`: what stands in the light of the water (RayGrid, RegionShade, WaterShade, scene_shade,
  shade_of_steps, shaft_water, unseen_casters, veil_reach_m, water_shade)
- `drawn_things`: small things drawn into a picture (LensParameters, SeenLamps, drawing_of, exposure_of,
  laid_over, refuse_disorder, shown_behind, surface_of, thrown_in, unhidden_by_bodies)
- `floor`: the ground that things in the water mirror (floor_seen)
- `sprite_images`: those that are pictures (cards_from)
- `housed_lens`: what all ports share (HousedLensParameters, PortOperator, PortPicture, port_picture)
- `layer_parameters`: where a layer of water is (WaterLayer)
- `body_parameters`: bodies of turbid water (PlacedBody, albedo_in_bands)
- `sediment_parameters`: sediment that is kicked up (SedimentSource)
- `wake_parameters`: bodies that stir the water (BodyWake, MovingBody, off_their_frames)
- `lamp_light`: what lamps light of the water, and surfaces in it (Passing, in_front,
  lamp_haze, lamps_far_aside, surface_planes)
"""
