"""What floats in the water: particles, marine snow, haze, bubbles; where they are and how they are seen.

- `particles`, `field`, `suspended`: what there is and where; `flow`: how the water carries it
- `light`: the light they send to the lens; `exposure`: a shutter's time; `particles_as_seen`: all in a frame
- `haze`, `haze_clouds`: what is too far or too small to be drawn; `bubbles`, `bubble_view`: bubbles
- `loops`, `haze_loops`: the compiled loops of these
"""
