"""What knows pictures but no optics: displacing, softening, drawing small things, which way surfaces face.

- `displacement`: a picture's light taken from somewhere else (Grid, displacement_maps, grown_nearest,
  normalised_map, overscan_needed, sample, sample_sharp)
- `pyramid_blur`: softening by amounts that vary (HiddenPlaces, VaryingBlur, bands_of_rows, doubled, halved)
- `halo`: spreading light by range (HaloField, HaloKernels, halo_widths)
- `globe`: pictures of all directions (Globe)
- `globe_blur`: Gaussians on the sphere
- `splat`: thousands of discs, streaks and sprites drawn to the bit (Area, Discs, Drawing, DrawnRows,
  Sprites, Surface, Textures, covered_px)
- `lens_blur`: the shape a lens gives them (ThinLens, footprint)
- `facing`: normals from distance (normals_from_range, normals_of_farther, sun_over_diffuse,
  sun_over_diffuse_of)
- `soft_window`: a slab of range or height with soft ends (within)
- `surface_fit`: slopes of what was stored in steps (facing_of, slopes_over_steps)
- `pyramid_loops`: compiled loops of displacement and softening (look_beyond, show_beyond)
- `halo_loops`: those of halos (settle_row)
- `splat_loops`: those of drawing
"""
