"""Preset files: reading, checking with lines, inheritance, animation, and building a frame's surroundings.

- `preset`: a look, checked; `document`, `lines`, `curves`, `edit`, `renamed`: its text, where each key
  stands, keys over time, former names
- `sections`: every key, its unit and range; `schema`, `reference`: the same for editors and for people
- `problems`, `remarks`, `story`, `story_costs`, `difference`: what is wrong, what is worth saying, what
  it costs
- `build`: from a preset to a frame's surroundings; `water_choice`, `lamps`: its water and its lights
"""
