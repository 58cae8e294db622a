"""Running a preset over arrays, frames and sequences, on one machine or many, and keeping the record.

A frame is a task; workers ask for tasks, a pipeline reads ahead and writes behind, and a manifest says of
every
frame what became of it and why.

- `arrays`: arrays in, arrays out; `run`: a sequence; `task`, `plan_tasks`, `frame_task`: one frame, and
  which there are
- `pipeline`, `workers`, `worker`, `distributed`, `memory_budget`, `signals`: who computes, within which
  memory
- `claims`, `resume`, `manifest`, `report`, `events`, `origin`: what is done, by whom, and from what
- `job_file`, `open_job`: jobs for other machines; `layers`: separable layers; `means`, `sequence_depth`:
  what is
  known of a sequence only as a whole
"""
