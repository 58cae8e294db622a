"""Preset files: reading, checking with lines, inheritance, animation, and building a frame's surroundings.

- `preset`: a look, checked (Look, PartOfPicture, Preset, load_preset, preset_from_text)
- `document`: its text and what it extends (Document, beyond_64_bits, document_at, document_from_text,
  preset_path, preset_text, shipped_folder, shipped_names)
- `lines`: where each key stands (KeyOrigin, key_lines)
- `curves`: keys over time (curve_text, is_curve, key_frames, moving, telling_frames)
- `plain_toml`: tables as text
- `edit`: keys set in a file (edit_file, edited, upgraded_file)
- `renamed`: keys of former names (operators_of, upgraded)
- `without`: what is left out of what is extended (dotted_key, in_keys_of_today, path_of)
- `formats`: numbers of the format, and what came to look otherwise (changes, changes_since, number_of,
  with_number_of_today)
- `new`: one to begin with (new_preset_text)
- `sections`: every key, its unit and range (LampSection, OriginSection, StepHead)
- `camera_tracks`: files of cameras
- `schema`: the same for editors (preset_schema, schema_text)
- `reference`: and for people (operator_page)
- `problems`: what is wrong (raise_problems, validated)
- `late_mistakes`: what a water and colour spaces tell only later (late_mistakes)
- `remarks`: what is worth saying (remarks, remarks_on_pictures, renamed_keys)
- `story`: what is to be seen, and how far (silhouette_contrast)
- `story_costs`: what that costs (prices)
- `floating_samples`: what keeps deep samples from merging (uneven_after_floating)
- `difference`: what two presets do otherwise (differences)
- `places`: where steps and parts stand that say it by each other (in_places, place_beside, Place)
- `parts`: the looks of parts of the picture
- `origins`: places that things are bound to (axis_named, known_origin, lens_axes, on_height)
- `build`: from a preset to a frame's surroundings (in_space, level_axes, light_path, make_shot,
  motion_vectors, outside_view, rig_of, scatters_forward, shot_of_part, story_path, story_report,
  water_around)
- `misplaced`: a lens and a scene that do not lie in the water so
- `water_choice`: its water (chosen_water)
- `lamps`: its lights (placed_lamps, things_seen)
"""
