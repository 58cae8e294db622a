"""Finding the water from pictures taken in it or from a dive's log, and taking it out of pictures again.

- `match`, `fit`, `model`, `samples`: the water that explains samples of a picture; `reference_picture`:
  reading one
- `daylight`: the light it was taken in; `dive_data`: a water from measurements; `remove`: taking water out
- `port_grid`: a housing port from a picture of a grid taken through it
"""
