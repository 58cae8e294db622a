"""The drowned archway: every shape and colour in it, made from numbers.

World space is right-handed, in metres, Y up. The camera looks roughly along -Z; "distance" in comments means
along -Z from the world origin, which lies near the camera at the height of the sand there.
"""
