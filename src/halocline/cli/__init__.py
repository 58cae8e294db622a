"""The command line: arguments, printing, exit status; no logic of its own.

A module a command, imported when it is called, so that help answers at once.

- `main`: the way in; `commands`: which commands there are; `options`, `examples`: what they share
- `output`, `exit_status`: how progress and errors are told, and what the shell is told
- `shot`, `still`: joining preset, frames and options for the commands that need them
"""
