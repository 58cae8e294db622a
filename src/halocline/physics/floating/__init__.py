"""What floats in the water: particles, marine snow, haze, bubbles; where they are and how they are seen.

- `particles`: sizes, sinking, how many (DrawLimits, PowerLaw, aggregate_sinking_speed, grain_settling_speed,
  smooth_step)
- `field`: where they gather (Region, patchiness)
- `suspended`: all of them in a frame (Cloud, Motion, ParticleClass, affordable, slice_diameters, visible)
- `flow`: how the water carries them (Current, TurbulentFlow, Wake, WorldDrift, turbulence)
- `light`: the light they send to the lens
- `exposure`: a shutter's time (Exposure)
- `particles_as_seen`: ready to be drawn (Scene, Seen, card_side, seen)
- `scene_shade`: what things leave of its daylight (SceneShade)
- `shapes`: what near ones look like (ShapeKind, shapes)
- `haze`: what is too far or too small to be drawn (Haze, flat_planes, haze_of)
- `haze_clouds`: where that is thicker (HazeClouds, haze_clouds)
- `lamp_haze`: the same as lamps see it (clouds_at, matter_lit_by_lamps)
- `ground`: the floor as heights, from what is seen of it (Ground, cell_for, ground_below)
- `turbid`: clouds that stand somewhere (TurbidBody, TurbidShape, albedo_of, density_waves, extinction_inside,
  grown)
- `turbid_light`: what clouds keep from sun and lamps inside themselves (unturned)
- `turbid_shade`: what clouds keep from sun and sky beyond them (BodyShade)
- `turbid_sight`: what they leave of things beyond them, as a lens sees them (BodiesBefore, SeenThrough)
- `sediment`: what is kicked up from the floor (Grains, Throwing, ThrowingTrack, puffs)
- `turbid_view`: the same as a lens sees them (BodiesInLight, LaidBodies, SurfacesSeen, TurbidRays,
  TurbidVolume, sight_m)
- `living`: what glows by itself (FORGET, Flash, Shutter, Stirred, StirringTrack, flashing, glow_in_bands)
- `living_view`: how that is seen, and what it lights (GlowBalls, GlowTable, glow_along, seen_glowing,
  wake_balls)
- `living_loops`: its loops (lay_glow, light_on_surfaces)
- `bubbles`: where bubbles are (Burst, Column, Emitter)
- `bubble_optics`: what they mirror and bend
- `bubble_view`: how they are seen (BubbleLook, Floor, seen_bubbles)
- `loops`: compiled loops of particles
- `exposure_loops`: of their ways over the picture
- `haze_loops`: those of haze (lay_haze)
- `turbid_shape_loops`: those of clouds' shapes (BOX, ELLIPSOID)
- `turbid_loops`: of clouds along rays
- `turbid_lay_loops`: of clouds over pixels
- `turbid_shade_loops`: those of their shade (BodyMap, corner_share, dim_by_bodies, faded, rung_at)
"""
