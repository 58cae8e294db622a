"""What bends the view: layers of other temperature or salt, housing ports.

- `refraction`: indices and Snell's law (WaterMass, fresnel_reflectance, lever_arm, sea_water_index)
- `layers`: layers in the water (InternalWaves, Layer, LayerView, blend_along, view_layer)
- `turbulence`: their restlessness (IndexEddies)
- `behind_a_crossing`: changing what lies beyond a layer and nothing before it (Change, Coverage, Mirror,
  OpenWater, changed_beyond, first_crossing, levers, share_beyond)
- `ports`: flat and dome windows of a housing (DomePort, FlatPort, Port, colour_smear, lens_tangents,
  pinhole_tangents)
- `distortion`: a measured lens (Distortion, GridFit, WaterPart, fit_grid)
"""
