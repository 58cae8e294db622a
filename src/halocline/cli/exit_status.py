"""Exit statuses of the command."""

ALL_DONE = 0
SOME_FAILED = 1
NOTHING_POSSIBLE = 2
INTERRUPTED = 130
