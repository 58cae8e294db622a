"""The sea's surface and the light it makes below: waves, sky through them, caustics, shafts.

- `waves`: the moving surface (SeaState, Swell, cox_munk_slopes)
- `slope_lookup`: its slopes as a pixel sees them (Footprint)
- `surface`: refraction and reflection at it (SunBeam, direct_sun_share)
- `sky`: what is seen through it (SeenSurface, Sky, drawn_in, look_up_over, sky_over, widening)
- `caustics`: light focused by it (CausticOptics)
- `light_field`: that light anywhere (CausticField, CausticSetup)
- `light_lookup`: compiled loops of it
- `shafts`: along view rays (ShaftRays, ShaftShade, ShaftSteps, ShaftVolume, ShaftWater)
- `shade`: what things keep from the sun (Casters, fades_out)
"""
