"""What happens to light between things and the lens: attenuation, the veil, forward scatter, lamps.

- `transport`: the light path round a lens; `phase`: how light is scattered; `scattering`: forward scatter
- `lamps`: lights in the water; `visibility`: how far one sees, and the story's remap; `restoration`: back
- `water_masses`: more than one water along a ray; `lit_edge`: the bright side of a subject
- `loops`, `lamp_loops`: the compiled loops of these
"""
