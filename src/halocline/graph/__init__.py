"""Operators joined into a graph, a plan for one frame, and its evaluation in tiles of rows on threads.

The same bits come out for any height of tiles and any number of threads.

- `operator`: what an operator is; `graph`: how steps are joined; `shot`, `sea`: what a frame's steps have
  around them
- `plan`: which steps run and how long each plane lives; `engine`: running them; `light_form`: RGB or bands
"""
