"""
Open water, looking up, level and down
======================================

Which way is up decides where water is bright. The camera tells; without one, the view is taken as level.
"""

import math

import matplotlib.pyplot as plt
import numpy as np

import halocline
from halocline.imaging.colour import display_pixels
from halocline.imaging.frame import Window
from halocline.rgb import LINEAR_REC709

rows, columns = 90, 160
nothing = np.zeros((rows, columns, 3), np.float32)
open_water = np.full((rows, columns), np.inf, np.float32)
preset = halocline.load_preset("ocean-archway")


def tilted(degrees: float) -> halocline.Camera:
    """Return a camera tilted up about the horizontal."""
    matrix = np.eye(4)
    sine, cosine = math.sin(math.radians(degrees)), math.cos(math.radians(degrees))
    matrix[1:3, 1:3] = [[cosine, -sine], [sine, cosine]]
    return halocline.pinhole(
        Window(0, 0, columns, rows), focal_length_mm=24.0, film_width_mm=36.0, camera_to_world=matrix
    )


figure, places = plt.subplots(1, 3, figsize=(9, 2.2))
brightness = []
for place, (name, degrees) in zip(places, {"up": 35.0, "level": 0.0, "down": -35.0}.items(), strict=True):
    picture = halocline.apply(preset, nothing, open_water, camera=tilted(degrees)).rgb
    brightness.append(float(picture.mean()))
    place.imshow(display_pixels(np.moveaxis(picture, -1, 0), LINEAR_REC709))
    place.set_title(name)
    place.set_axis_off()
figure.tight_layout()

assert brightness[0] > brightness[1] > brightness[2]
