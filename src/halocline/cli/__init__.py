"""Floor 6: the command line. Arguments, printing, exit status; no logic of its own."""
