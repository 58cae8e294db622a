"""Optics as pure functions and frozen values: no images, no files.

Five wings: `water` (what it is), `path` (light on its way to the lens), `sea` (surface and what it does to
daylight), `floating` (what drifts in it), `bending` (what bends the view).
"""
