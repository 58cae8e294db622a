"""What several operators share and no operator is.

- `view_rays`, `two_surfaces`: directions of a tile; pixels that show two surfaces; `surface_light`: the
  sea's light
- `drawn_things`, `sprite_images`: small things drawn into a picture; `housed_lens`: what all ports share
- `layer_parameters`: where a layer of water is
"""
