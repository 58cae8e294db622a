"""Floor 5: running a preset over arrays, frames and sequences, and keeping the record."""
