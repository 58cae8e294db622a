"""The sea's surface and the light it makes below: waves, sky through them, caustics, shafts.

- `waves`: the moving surface; `surface`: refraction and reflection at it; `sky`: what is seen through it
- `caustics`: light focused by it; `light_field`, `light_lookup`: that light anywhere;
  `shafts`: along view rays
"""
