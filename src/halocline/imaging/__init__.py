"""Frames of named planes, windows, cameras, depth kinds, colour and EXR files, sequences. No optics.

- `frame`: planes and windows (Frame, Window)
- `load`: a frame from files (Loaded, Template, View, load, load_beauty, load_buffer, load_surfaces)
- `save`: and back (DeepByRows, DeepRowsWritten, FileForm, Picture, PictureByRows, carried_channels, save)
- `exr`: the files themselves (Header, Part, file_threads, header_of_buffer, read_header, readable_name,
  set_file_threads)
- `deep`: samples of deep pictures: tidy, cut, merged, flat (Samples, split_evenly, uncovered_before)
- `deep_file`: those in files (MAX_SAMPLES)
- `deep_load`: and as a frame has them (HELD_SAMPLES, DeepPicture, DeepRows)
- `exr_attributes`: their metadata, and whether they are whole (is_cut_off)
- `exr_write`: writing them (can_write, refuse_compression)
- `exr_zip`: their zipped scan lines, read faster
- `exr_zip_write`: and written
- `half_loops`: half floats side by side
- `channels`: layers and views of a file (view_names)
- `id_mattes`: mattes by the names of things
- `passes`: which channels are the picture, depth and the rest
- `channel_plan`: which become which planes (plan_channels)
- `names`: words in names, and what they say
- `input_spec`: what a person says of the input (FAR_DEPTH, InputSpec, NEAR_COVERAGE, SECOND_SURFACE)
- `survey`: what is there, without pixels (cameras_in, mattes_there, not_read, planes_in, planes_of,
  planes_there)
- `report`: the same told to people (inspect)
- `picture_statistics`: what a picture's values tell (count_below_zero)
- `depth`: range from a depth pass (DepthSpec)
- `depth_inference`: which kind it is
- `flat_parts`: which it can only be, by surfaces that are flat
- `seen_positions`: in what space positions lie where they are seen
- `depth_edges`: pixels with averaged depth
- `depth_steps`: in what steps it was stored
- `edge_steps`: which pixels lie where one surface steps in front of another (along_steps)
- `edge_places`: a pixel's share of the nearer one, by its neighbours' middles (shares_by_place)
- `edge_mixture`: pixels that show two surfaces (mixture_planes, compared_colours)
- `edge_normals`: which way their nearer one faces (normals_of_nearer)
- `edge_creases`: pixels that show two sides of one depth, and all that is found of edges (edge_planes)
- `motion`: motion vectors, as they are meant (MotionVectors)
- `glows`: light where alpha is 0
- `camera`: the lens (Camera, pinhole, turned_axes)
- `panorama`: cameras that see all directions (Panorama, around, continued)
- `camera_file`: from plain files (CameraFile, read_camera_file, read_once)
- `camera_stage`: from USD stages (StageReading, is_stage, read_stage_once, stage_digest)
- `camera_metadata`: from metadata (CameraStatement, Eye, frozen_rows)
- `sun_depth`: what the sun sees (SunView, read_sun_depth)
- `camera_track`: over time (CameraTrack, blend)
- `matte_track`: a matte's thing over time, in a file (Contact, FollowedThing, MatteTrack,
  read_matte_track_once)
- `followed`: that thing on one frame (FloorAround, followed)
- `colour`: spaces of files, display colour (check_input_space, display_pixels, png_bytes, space_attributes,
  write_png)
- `display_grid`: display colour looked up, nearly (DisplayGrid)
- `gamut`: colours that a space cannot hold (Delivery)
- `compression`: compressions by name (compression_problem, name_of)
- `sequence`: files by number (Sequence, find_sequence, frame_text, output_sequence, parse_frames,
  parse_pattern)
- `sprite`: small pictures of things (read_sprite)
- `repair`: bad pixels
"""
