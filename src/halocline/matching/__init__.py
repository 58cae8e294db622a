"""Finding the water from pictures taken in it or from a dive's log, and taking it out of pictures again.

- `match`: the water that explains samples (Match, match, preset_text, report_lines)
- `fit`: how it is searched
- `model`: what a water would show (Setting)
- `solved_light`: daylight of one water after another
- `samples`: what is known of a picture (chart_colours, decoded, parse_place)
- `surroundings`: what a picture shows about a place, and its halo there
- `reference_picture`: reading one (ReferenceLens, ReferencePicture, read_still,
  samples_of)
- `range_maps`: how far away its places are
- `daylight`: the light it was taken in
- `dive_data`: a water from measurements (DiveData, water_from)
- `remove`: taking water out (removal_of)
- `port_grid`: a housing port from a picture of a grid taken through it (fit_port, photographed)
"""
