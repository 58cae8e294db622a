"""
Grey posts in three waters
==========================

Posts of 18 % grey stand at 1, 2, 4 and 8 m before open water. What water does with distance is all there is
to see: contrast goes, red goes first, and what is far takes the colour of the water.
"""

import matplotlib.pyplot as plt
import numpy as np

import halocline
from halocline.imaging.colour import display_pixels
from halocline.rgb import LINEAR_REC709

rows, columns = 108, 192
rgb = np.zeros((rows, columns, 3), np.float32)
range_m = np.full((rows, columns), np.inf, np.float32)
for number, metres in enumerate((1.0, 2.0, 4.0, 8.0)):
    post = slice(20 + 42 * number, 42 + 42 * number)
    rgb[20:, post], range_m[20:, post] = 0.18, metres

# %%
# Where the range is infinite nothing was hit, and open water is seen.

names = ("jerlov-1b", "jerlov-3c", "jerlov-5c")
wet = [halocline.apply(halocline.load_preset(name), rgb, range_m).rgb for name in names]

figure, places = plt.subplots(1, 3, figsize=(9, 2.2))
for place, name, picture in zip(places, names, wet, strict=True):
    place.imshow(display_pixels(np.moveaxis(picture, -1, 0), LINEAR_REC709))
    place.set_title(name)
    place.set_axis_off()
figure.tight_layout()

# %%
# The nearest post stands out from the water in its own direction more than the farthest, in every water.

for name, picture in zip(names, wet, strict=True):
    water = halocline.apply(halocline.load_preset(name), 0.0 * rgb, np.full_like(range_m, np.inf)).rgb
    difference = np.abs(picture - water).sum(axis=-1)[60]
    assert difference[30] > 2.0 * difference[156]
