"""Daylight in water, scattered any number of times: the equation of radiative transfer, solved.

`streams` sets out directions and their harmonics, `solution` solves for one homogeneous water under a flat
sea surface, `water_light` reads light from it, `lens_light` tables what a lens at some depth needs.
"""
