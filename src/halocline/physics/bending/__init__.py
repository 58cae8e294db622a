"""What bends the view: layers of other temperature or salt, housing ports.

- `refraction`: indices and Snell's law; `layers`, `turbulence`: layers in the water and their restlessness
- `behind_a_crossing`: changing what lies beyond a layer and nothing before it
- `ports`: flat and dome windows of a housing; `distortion`: a measured lens
"""
