"""How numbers are made: compiled loops, random numbers by name and place, series, memory that is kept.

Knows neither water nor pictures; everything above builds on it.

- `compiled`: loops compiled when first called (compiled)
- `kept_loops`: what the compiler is asked for, and where that is kept on disk
- `machine_code`: run from there without the compiler (is_kept, processor_mark)
- `ahead`: compiled by several processes at once, before they are called (Wanted, compiling_ahead)
- `sources`: digests of their source (source_digest)
- `knots`: rows looked up at every fourth pixel, or every eighth (bent_between, bent_over_two,
  between_seconds, beyond_knots, by_eights, knots_in, mark_kinked, note_knots, odd_knots, off_knots, reach_of,
  second_knots, straight_between, times_straight)
- `row_ratios`: what is left of light along rows, told at every eighth pixel (mark_told_for_each,
  ratios_along, some_taken, times_nodes, times_ratios)
- `series`: short series for loops, the same on every machine (cosine, cosine_of_turns, exponential,
  exponential_less_one, logarithm, sine)
- `error_function`: of arrays (erf, erfc)
- `sums`: sums of rows, three at a time (Three, add_one, add_three, sum_of_rows, sum_of_three)
- `random`: random numbers as pure functions of a seed and a place (normals, philox, poisson_counts,
  random_words, stream_key, uniforms)
- `root`: where a function crosses zero (crossing)
- `places`: where a mask is true (indices_of, places_of)
- `packed_spectrum`: transforms of real fields (field_of, move, packed, spectrum_of)
- `threads`: how many there may be (allowed, at_most, in_parallel, one_library_thread, pool,
  processors, rows_shared)
- `made_once`: values that threads make on demand (MadeOnce)
- `on_demand`: libraries imported at the first call (OnDemand)
- `memory`: freed memory kept for the next frame (keep_freed_memory), the first of it provided ahead
  (touch_ahead); no rings of objects looked for before all is imported (hold_rings, let_go_of_rings)
- `ending`: a program that ends as soon as all is told (ending_at_once, leave)
- `planes_on_disk`: planes too large for memory, in files without a name (copied_plane, empty_plane,
  filled_plane, planes_on_disk, room_on_disk)
- `disk_cache`: what took long to make, kept for the next run (clear, contents, kept, kept_in_passing,
  most_bytes, package_mark, place,
  why_not_kept)
- `kept_fields`: fields of one moment, kept for who makes that frame again (kept_field)
"""
