"""The command line: arguments, printing, exit status; no logic of its own.

A module a command, imported when it is called, so that help answers at once.

- `main`: the way in
- `commands`: which commands there are
- `options`: options that they share
- `examples`: examples in their help
- `metrics`: how far a run is, for Prometheus
- `output`: how progress and errors are told
- `exit_status`: what the shell is told
- `shot`: preset, frames and options joined
- `still`: a frame for the eye
- `inspect`: what a render delivers
- `apply`: clean renders in, wet frames out
- `check`: finished sequences looked at
- `follow`: where a matte's thing is, and where it touches the floor
- `report`: what a manifest comes to
- `preset`: presets checked, shown and listed
- `preset_edit`: presets changed and compared
- `preset_new`: a preset to begin with
- `versions`: two versions on one page
- `tune`: a preset turned by eye
- `sheet`: a sequence at a glance
- `wedge`: a frame under many settings
- `plot`: what the water does
- `match`: the water of a picture
- `port`: a housing measured from photographs
- `remove`: water taken out
- `farm`: jobs of many shots
- `cache`: what is kept on disk
- `demo`: the main job on frames of our own
"""
