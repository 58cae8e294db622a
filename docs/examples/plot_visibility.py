"""
One water at several visibilities
=================================

``water.visibility`` scales a water so that a small black object vanishes at that range; its hue stays that of
the type. The curve is what is left of the contrast of a small black object, read from the pictures. A large
one is seen farther: the water's blur (the step ``forward_scatter``) is left out here, since the rows below
stand for single points and not for a wall, and so is the shade that a wall would throw (``light.shadows``).
"""

import matplotlib.pyplot as plt
import numpy as np

import halocline

metres = np.geomspace(1.0, 30.0, 400, dtype=np.float32)
range_m = np.tile(metres, (2, 1))
black = np.zeros((*range_m.shape, 3), np.float32)
luminance = np.array([0.2126, 0.7152, 0.0722])

figure, place = plt.subplots(figsize=(6, 3.4))
for visibility in (6, 12, 24):
    asked = [
        f'water.visibility="{visibility} m"',
        "steps.forward_scatter.enabled=false",
        "light.shadows=false",
    ]
    preset = halocline.load_preset("jerlov-1c", asked)
    seen = halocline.apply(preset, black, range_m).rgb[0] @ luminance
    # Open water is not equally bright everywhere: each pixel is compared with the water in its own direction.
    water = halocline.apply(preset, black, np.full_like(range_m, np.inf)).rgb[0] @ luminance
    contrast = 1.0 - seen / water
    place.semilogy(metres, contrast, label=f"{visibility} m")
    # Koschmieder's law: 2 % is left at the visibility asked for.
    at = float(np.interp(visibility, metres, contrast))
    assert 0.015 < at < 0.025, at
place.axhline(0.02, color="0.6", linewidth=0.8)
place.set(xlabel="range, m", ylabel="contrast of black", ylim=(1e-3, 1.0))
place.legend(title="visibility")
figure.tight_layout()
