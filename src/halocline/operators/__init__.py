"""One module an operator: it reads planes, calls physics, writes planes.

`registry` says which there are, with those that other packages offer (core, exposing, users_by_key,
operator_named, operator_names, operators, undone_by); what several of them share is in `shared`.

- what water does to the subject's light: `downwelling`, `attenuation`, `forward_scatter`, `lamps`
- what it adds: `veiling_light`, `lamp_backscatter`, `turbid_bodies`, `suspended_matter` (SuspendedMatter),
  `bubbles`
- the sea's surface: `caustics`, `light_shafts`, `sky_window`
- what bends the view: `layered_water`, `water_layers`, `flat_port`, `dome_port`, `measured_port`
- help for the story and the picture: `draw_near`, `rim_light`, `grade`, `white_reference`, `mix`
- the way back: `remove_water`
"""
