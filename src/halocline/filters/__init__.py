"""What knows pictures but no optics: displacing, softening, drawing small things, which way surfaces face.

- `displacement`: a picture's light taken from somewhere else; `pyramid_blur`: softening by amounts that vary
- `splat`: thousands of discs, streaks and sprites drawn to the bit; `lens_blur`: the shape a lens gives them
- `facing`: normals from distance; `pyramid_loops`, `splat_loops`: the compiled loops of these
"""
