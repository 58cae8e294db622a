"""How numbers are made: compiled loops, random numbers by name and place, series, memory that is kept.

Knows neither water nor pictures; everything above builds on it.

- `compiled`: loops compiled when first called; `series`: short series for them, the same on every machine
- `random`: random numbers as pure functions of a seed and a place; `packed_spectrum`: transforms
  of real fields
- `made_once`: values that threads make on demand; `memory`: freed memory kept for the next frame
- `disk_cache`: what took long to make, kept on disk for the next run
"""
