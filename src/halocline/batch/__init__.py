"""Running a preset over arrays, frames and sequences, on one machine or many, and keeping the record.

A frame is a task; workers ask for tasks, a pipeline reads ahead and writes behind, and a manifest says of
every frame what became of it and why.

- `arrays`: arrays in, arrays out (WetFrame, apply)
- `run`: a sequence (judge_plan, run_frames)
- `element`: elements rendered after their frame (as_covering, as_layer, for_element)
- `deep`: each sample of a deep picture at its own depth
- `deep_floating`: what floats as deep samples of its own (undrawn, with_floating)
- `deep_steps`: which steps that is, and which work on the flat picture
- `task`: one frame of a job (FrameTask, camera_moments, input_spec, input_spec_of)
- `plan_tasks`: which frames there are (MissingFrames, ShotPlan, plan_shot, plan_tasks)
- `frame_files`: its files, read together
- `frame_task`: one frame from files to file (planes_of_look)
- `origins`: places of a sequence that things are bound to (origins_of_sequence)
- `follow`: a matte through a sequence (Following, follow)
- `parts`: frames of which parts have a look of their own (named_planes)
- `first_look`: what the first frame tells of all (FirstLook, look_at_lamps, look_first)
- `lamps_in_vain`: lamps that light nothing in view, told of one picture
- `headers`: those of all frames, read ahead (refuse_cut_off, refuse_lacking_passes)
- `sequence_depth`: what the depth pass of a sequence holds
- `output_folder`: whether frames will fit where they go (space_warnings)
- `output_look`: what can be known of the output (moments)
- `warm`: what takes long, made ahead (make_loops, warm)
- `loops_of_looks`: which compiled loops a look calls (all_loops, loops_of)
- `still`: single frames for the eye (Still, seen, tasks_of)
- `thinned`: frames of every so many-th pixel (Blocks)
- `pipeline`: reading, rendering and writing at once (Pipeline)
- `nursery`: the warm process that workers are copies of (Nursery)
- `workers`: processes that ask for frames
- `worker`: one of them
- `distributed`: a cluster
- `means`: who computes, chosen (Means, choose_maker)
- `memory_budget`: within which memory (parse_memory, least_memory)
- `signals`: ending early, in order
- `claims`: who makes a frame now
- `resume`: which frames are whole and up to date
- `manifest`: the record (Manifest, attempt_fields, done_fields, error_fields, failed_fields,
  read_manifest)
- `report`: what it comes to (report_on)
- `events`: what is told while a job runs (Attempt, FrameDone, FrameElsewhere, FrameFailed, FrameKept,
  FrameSkipped, Summary, as_halocline_error, status_of)
- `origin`: what a frame was made from
- `job_file`: jobs of many shots (JobShot, collisions, read_job, read_what_is_right,
  refuse_collisions)
- `open_job`: the same for render managers (job_template, ShotNeeds)
- `layers`: separable layers
"""
