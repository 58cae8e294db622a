"""The sea's surface and the light it makes below: waves, sky through them, caustics, shafts.

- `waves`: the moving surface (SeaState, Swell, cox_munk_slopes)
- `slope_lookup`: its slopes as a pixel sees them (Footprint, drawn_out)
- `surface`: refraction and reflection at it (SunBeam, direct_sun_share)
- `sky`: what is seen through it (SeenSurface, Sky, drawn_in, look_up_over, sky_over, widening)
- `caustics`: light focused by it (CausticOptics)
- `light_field`: that light anywhere (CausticField, CausticSetup, window_start)
- `light_lookup`: compiled loops of it
- `ray_volume`: anything along view rays (ShaftRays, ShaftSteps, ShaftWater)
- `shafts`: that light along them (ShaftVolume)
- `shade`: what things keep from sun and sky (Casters, Shade, ShadeWater, Square, blurred,
  fades_out)
- `caster_gaps`: how far apart neighbouring points of things lie (gaps_between)
- `uppermost_loops`: compiled loops over points of things: which lie uppermost
- `own_surface`: the planes in which things under a light lie (own_surfaces)
- `shade_cells`: what stands beside a place, and light scattered about among things (Cells)
- `shade_cell_loops`: compiled loops of it
- `shade_loops`: compiled loops of it (lay_shade, light_at_places, loop_maps, shade_surfaces)
- `shade_volume`: what that leaves of the veil (RayShares, ShadeVolume, ThingsAhead)
"""
