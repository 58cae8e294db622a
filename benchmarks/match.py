"""What a match of a still costs: processor seconds from samples to water, daylight and strength.

Cards in known water, made by Halocline itself, and open water in nine directions; for each, how far the
strength found is from the true one. Run with ``python -m benchmarks.match``.
"""

from __future__ import annotations

import math
import time

import numpy as np

import halocline
from halocline._typing import F32
from halocline.imaging.frame import Window
from halocline.matching.match import match
from halocline.matching.model import Setting
from halocline.matching.samples import Sample
from halocline.presets.preset import Preset, preset_from_text
from halocline.rgb import LINEAR_REC709

WINDOW = Window(0, 0, 48, 32)
WATERS = ("II", "1C", "5C", "9C")
SHARES = (0.06, 0.15, 0.3, 0.5)
WANTED_S = 8.0
TEXT = """
format = 1
[place]
camera_depth = 8
[light]
sun_azimuth = 60
[steps.downwelling]
[steps.attenuation]
[steps.veiling_light]
"""


def main() -> None:
    """Measure and print."""
    print(f"match of a still: processor seconds, wanted {WANTED_S:g}; strength over the true one")
    for kind in WATERS:
        preset = preset_from_text(TEXT, [f'water.jerlov_type="{kind}"'])
        samples = cards(preset) + open_water(preset)
        start = time.process_time()
        found = match(samples, Setting(LINEAR_REC709, depth_m=8.0))
        spent = time.process_time() - start
        ratio = found.chosen.attenuation_550 * preset.water.visibility_m / 3.912
        print(f"  {kind:3} {spent:5.1f} s   {found.chosen.kind:3} {ratio:.3f}", flush=True)


def picture(preset: Preset, range_m: float, reflectance: float) -> F32:
    """Return an even card at a range, in water."""
    lens = halocline.pinhole(WINDOW, focal_length_mm=18, film_width_mm=36)
    card = np.full((*WINDOW.shape, 3), reflectance, np.float32)
    return halocline.apply(preset, card, np.full(WINDOW.shape, range_m, np.float32), camera=lens).rgb


def cards(preset: Preset) -> list[Sample]:
    """Return samples of grey and white cards at shares of the visibility, straight ahead."""
    found = []
    for share in SHARES:
        for grey in (0.18, 0.9):
            range_m = share * preset.water.visibility_m
            red, green, blue = picture(preset, range_m, grey)[16, 24].tolist()
            found.append(Sample((red, green, blue), range_m, (grey,) * 3))
    return found


def open_water(preset: Preset) -> list[Sample]:
    """Return samples of open water all over the picture."""
    shown = picture(preset, math.inf, 0.18)
    directions = halocline.pinhole(WINDOW, focal_length_mm=18, film_width_mm=36).directions(WINDOW)
    found = []
    for y in (4, 16, 27):
        for x in (4, 24, 43):
            red, green, blue = shown[y, x].tolist()
            right, up, back = np.asarray(directions[:, y, x], np.float64).tolist()
            found.append(Sample((red, green, blue), math.inf, None, direction=(right, up, back)))
    return found


if __name__ == "__main__":
    main()
