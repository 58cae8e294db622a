"""Operators joined into a graph, a plan for one frame, and its evaluation in tiles of rows on threads.

The same bits come out for any height of tiles and any number of threads.

- `operator`: what an operator is (Drawn, Operator, PlaneUse, RowsOf, Source, Stage, Tile,
  Undoing)
- `planes`: every plane there is (Form, Plane, is_pass, key_of, plane_named)
- `graph`: how steps are joined (Graph, Step, used_steps)
- `limits`: where a step acts, and how much (HeightWindow, RangeWindow, StepLimits, share_before)
- `origins`: places that things are given from (Bound, KnownOrigin, WorldHeading, WorldHeight, WorldLength,
  WorldLight, WorldLineMass, WorldMass, WorldPoint, WorldWay, level_ahead, lies_outside, origins_named,
  placed, tracked_from_origins)
- `shot`: what a frame's steps have around them (Shot)
- `sea`: its surface (Sea)
- `plan`: which steps run and how long each plane lives
- `engine`: running them (Evaluation, HeldReady, NoLongerWanted, ReadyGraph, evaluate)
- `kept_tiles`: a picture kept as the tiles it was computed in
- `parts`: pictures of which parts have a look of their own (PlacedLook, joined, reads_of)
- `light_form`: RGB or bands (combine)
"""
