"""Frames of named planes, windows, cameras, depth kinds, colour and EXR files, sequences. No optics.

- `load`, `save`: a frame from files and back; `exr`, `exr_attributes`, `exr_write`: the files themselves
- `channels`: which channels are the picture; `survey`, `report`: what a file holds, told to people
- `depth`, `depth_inference`, `depth_edges`, `edge_mixture`: range from a depth pass; pixels that show two
  surfaces
- `camera`, `camera_metadata`, `camera_track`: the lens, from metadata, over time
- `frame`, `colour`, `sequence`, `sprite`, `repair`: planes and windows, display colour, files by number,
  small
  pictures of things, repairing bad pixels
"""
