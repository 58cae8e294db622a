"""Write the small demo frames that are packed with Halocline: three frames, a quarter of the pixels.

Light and alpha are means over 2 x 2 pixels. Depth is never averaged: it is that of the nearest surface of the
four, so it is finite exactly where alpha is above 0.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np

from halocline.imaging.exr import read_header, read_into
from halocline.imaging.exr_write import PartPixels, write_exr
from halocline.imaging.frame import Window

ROOT = Path(__file__).parents[1]
SMALL = ROOT / "src" / "halocline" / "demo_frames"
FRAMES = (1001, 1002, 1003)


def main() -> None:
    """Write the frames."""
    SMALL.mkdir(exist_ok=True)
    for frame in FRAMES:
        source = ROOT / "demo_frames" / f"arch.{frame}.exr"
        part = read_header(source).parts[0]
        planes = {name: np.empty(part.data_window.shape, np.float32) for name in "RGBAZ"}
        read_into(source, part, planes)
        height, width = part.data_window.height // 2, part.data_window.width // 2
        fours = {name: plane.reshape(height, 2, width, 2) for name, plane in planes.items()}
        small = {name: fours[name].mean(axis=(1, 3)) for name in "RGBA"} | {"Z": fours["Z"].min(axis=(1, 3))}
        assert np.array_equal(np.isfinite(small["Z"]), small["A"] > 0.0)
        window = Window(0, 0, width, height)
        described = replace(
            part,
            channels={name: part.channels[name] for name in small},
            data_window=window,
            display_window=window,
            compression="zip",
        )
        write_exr(SMALL / source.name, [PartPixels(described, small)], overwrite=True)


if __name__ == "__main__":
    main()
