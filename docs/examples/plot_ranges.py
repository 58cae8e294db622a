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
# What a post shows against the water just beside it falls from post to post, in every water. (Against the
# same picture without posts it need not: they shade the water among them, and the farthest lacks most.)

middles = np.array([31, 73, 115, 157])
for name, picture in zip(names, wet, strict=True):
    row = picture[60]
    beside = 0.5 * (row[middles - 16] + row[middles + 16])
    stands_out = np.abs(row[middles] - beside).sum(axis=-1)
    assert (np.diff(stands_out) < 0.0).all(), (name, stands_out)
    assert stands_out[0] > 3.0 * stands_out[-1], (name, stands_out)
