"""Files as they are met on disks: names, regular files only, written whole, locks that do not wait for ever.

Everything that Halocline writes goes through `whole`, everything that it opens by a name which somebody else
may have put there through `regular`.

- `whole`: files that are there whole or not at all (age_seconds, name_once, remove_leftovers,
  temporary_beside, whole_file, write_whole)
- `regular`: no pipes, no devices, no endless files (is_regular, open_regular, read_regular, read_text)
- `unchanged`: what must stay as it is while it is read (BeforeReading, digest_of, read_still,
  stamp_of)
- `named_by_presets`: files that a preset names (NamedFile, MatteTrackFile, file_problem, folders_context,
  path_alone)
- `names`: hidden names beside a file (hidden_beside)
- `lock`: waiting for a lock (never, take_lock)
- `process`: which process on which machine (Process, this_process)
"""
