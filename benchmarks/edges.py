"""How far a frame's edges are from what many samples a pixel would have given, and how much they pop.

    python -m benchmarks.edges [--frames N] [--samples N] [--write FOLDER]

*Truth* is Halocline on every sample by itself, at its own depth, filtered down to pixels. Beside it stand
ordinary frames of the same scene: colour and alpha filtered, and depth, normal and position of the one sample
in the middle of each pixel, as renderers deliver them. Told are, over pixels that see more than one surface,
the error in 8-bit display codes (mean and 99th percentile), and popping: how far a frame departs from the
mean of its neighbours in time, against how far the truth does (ratio of 99th percentiles). A second row says
what a render adds that delivers the farther depth and the nearer surface's share of each pixel
(`input.far_depth_channel`, `input.near_coverage_channel`). Nothing is
timed; it takes minutes.
"""

from __future__ import annotations

import argparse
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import OpenImageIO as oiio
from benchmarks.edge_scenes import SCENES, Samples, Scene

from halocline._typing import F32
from halocline.batch.arrays import apply
from halocline.imaging.colour import display_pixels
from halocline.imaging.depth_edges import fill_partly_covered
from halocline.imaging.edge_mixture import ToldSurfaces, mixture_planes
from halocline.imaging.edge_normals import normals_of_nearer
from halocline.imaging.edge_steps import LOW_STEP
from halocline.imaging.frame import Window
from halocline.presets.preset import Preset, load_preset, preset_from_text
from halocline.rgb import LINEAR_REC709

SIZE = Window(0, 0, 240, 136)
# Looks by what they put to the test; each without anything that floats, which covers edges and has none.
LOOKS = {
    "attenuation and veil": "jerlov-1c",
    "caustics": """
        extends = "reef-flat-sunny"
        [steps.light_shafts]
        contrast = 0
        """,
}
# Neighbouring samples of one surface differ less than this in one over range, relative.
_STEP = 0.05


@dataclass(frozen=True)
class Told:
    """Frames of one scene in one look: what is shown, in display codes, and which pixels are edges."""

    truth: F32
    made: F32
    edges: np.ndarray

    def row(self) -> str:
        """Return the figures in words."""
        error = np.abs(self.made - self.truth).max(axis=-1)[self.edges]
        popping = _popping(self.made)[self.edges[1:-1]], _popping(self.truth)[self.edges[1:-1]]
        ratio = np.percentile(popping[0], 99) / max(float(np.percentile(popping[1], 99)), 1e-6)
        return (
            f"{self.edges.mean():6.1%}{error.mean():8.2f}{np.percentile(error, 99):8.1f}"
            f"{error.max():8.1f}{ratio:9.2f}"
        )


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--frames", type=int, default=6, help="frames of each scene, 3 or more")
    parser.add_argument("--samples", type=int, default=8, help="samples along each side of a pixel")
    parser.add_argument(
        "--write", type=Path, help="folder for pictures: truth, ordinary, eight times the difference"
    )
    given = parser.parse_args()
    print(f"{SIZE.width} x {SIZE.height}, {given.samples} x {given.samples} samples, {given.frames} frames")
    print(f"{'':<44} edges    mean   99 %   most  popping")
    for scene_name, scene in SCENES.items():
        for look_name, look in LOOKS.items():
            told, both = measured(scene, _preset(look), given.frames, given.samples)
            print(f"{scene_name:<18}{look_name:<26}{told.row()}", flush=True)
            print(f"{'':<20}{'both depths told':<24}{both.row()}", flush=True)
            if given.write:
                _write(given.write, f"{scene_name}, {look_name}", told)


def measured(scene: Scene, preset: Preset, frames: int, samples: int) -> tuple[Told, Told]:
    """Return truth and ordinary frames of a scene, and truth and frames that tell both depths."""
    truth, made, both, edges = [], [], [], []
    fine = Window(0, 0, SIZE.width * samples, SIZE.height * samples)
    for number in range(frames):
        every = scene.samples(fine, number)
        wet = _wet(preset, every, every.rgb, every.alpha, scene, fine, number)
        truth.append(_shown(_filtered(wet, samples)))
        middle = scene.samples(SIZE, number)
        light, cover = _filtered(every.rgb, samples), _filtered(every.alpha[..., None], samples)[..., 0]
        made.append(_shown(_wet(preset, middle, light, cover, scene, SIZE, number)))
        both.append(_shown(_wet_as_told(preset, (middle, every), light, cover, scene, number, samples)))
        edges.append(_edges(every, samples))
    true, around = np.stack(truth), np.stack(edges)
    return Told(true, np.stack(made), around), Told(true, np.stack(both), around)


def _told(every: Samples, samples: int) -> tuple[F32, ToldSurfaces]:
    """Return what a render can tell beside: the nearest surface's range and share, the farther one's range.

    Samples belong to two surfaces where one over their range differs as much as Halocline asks for, parted in
    the middle of their range.
    """
    near = 1.0 / every.range_m
    rows, columns = near.shape
    split = near.reshape(rows // samples, samples, columns // samples, samples)
    least, most = split.min(axis=(1, 3)), split.max(axis=(1, 3))
    mixed = (most - least > LOW_STEP * most) & (least > 0.0)
    nearer = (split >= np.sqrt(least * most)[:, None, :, None]) | ~mixed[:, None, :, None]

    def range_of(part: np.ndarray) -> F32:
        mean = np.where(part, split, 0.0).sum(axis=(1, 3)) / np.maximum(part.sum(axis=(1, 3)), 1)
        with np.errstate(divide="ignore"):
            return np.asarray(1.0 / mean, np.float32)

    far = np.where(mixed, range_of(~nearer), range_of(nearer))
    share = nearer.mean(axis=(1, 3), dtype=np.float64)
    return range_of(nearer & (split > 0.0)), ToldSurfaces(far.astype(np.float32), share.astype(np.float32))


def _wet_as_told(
    preset: Preset,
    seen: tuple[Samples, Samples],
    rgb: F32,
    alpha: F32,
    scene: Scene,
    number: int,
    samples: int,
) -> F32:
    """Put a frame under water of which the render tells both depths and their shares, as files are read."""
    middle, every = seen
    near, told = _told(every, samples)
    fill_partly_covered(near, alpha)
    planes = mixture_planes(np.ascontiguousarray(np.moveaxis(rgb, -1, 0)), alpha, near, told)
    nearest = planes.pop("range", near)
    normal = normals_of_nearer(middle.normal, middle.range_m, nearest)
    told_samples = Samples(middle.rgb, nearest, normal, middle.position)
    return _wet(preset, told_samples, rgb, alpha, scene, SIZE, number, planes)


def _wet(
    preset: Preset,
    samples: Samples,
    rgb: F32,
    alpha: F32,
    scene: Scene,
    window: Window,
    number: int,
    farther: Mapping[str, F32] | None = None,
) -> F32:
    # A pixel that something covers in part has a depth even where the sample in its middle missed it: as it
    # is found for files.
    range_m = samples.range_m.copy()
    fill_partly_covered(range_m, alpha)
    alpha = np.where(np.isfinite(range_m), alpha, 0.0).astype(np.float32)
    planes = {"normal": samples.normal, "position": samples.position, **(farther or {})}
    camera = scene.camera(window, number)
    return apply(
        preset,
        rgb * (alpha > 0)[..., None],
        range_m,
        alpha,
        frame=1001 + number,
        camera=camera,
        planes=planes,
    ).rgb


def _filtered(plane: F32, samples: int) -> F32:
    rows, columns, channels = plane.shape
    split = plane.reshape(rows // samples, samples, columns // samples, samples, channels)
    return np.asarray(split.mean(axis=(1, 3), dtype=np.float64), np.float32)


def _edges(every: Samples, samples: int) -> np.ndarray:
    """Tell which pixels see more than one surface."""
    near = 1.0 / every.range_m
    rows, columns = near.shape
    split = near.reshape(rows // samples, samples, columns // samples, samples)
    least, most = split.min(axis=(1, 3)), split.max(axis=(1, 3))
    return np.asarray(most - least > _STEP * most)


def _shown(rgb: F32) -> F32:
    return display_pixels(np.ascontiguousarray(np.moveaxis(rgb, -1, 0)), LINEAR_REC709).astype(np.float32)


def _popping(frames: F32) -> F32:
    apart = np.abs(frames[1:-1] - 0.5 * (frames[:-2] + frames[2:]))
    return np.asarray(apart.max(axis=-1))


def _preset(look: str) -> Preset:
    return preset_from_text(f"format = 1\n{look}") if "\n" in look else load_preset(look)


def _write(folder: Path, name: str, told: Told) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    apart = np.clip(128 + 8 * (told.made - told.truth), 0, 255)
    sheet = np.concatenate(
        [np.concatenate([told.truth[k], told.made[k], apart[k]], axis=1) for k in range(2)]
    )
    picture = oiio.ImageBuf(np.ascontiguousarray(sheet.astype(np.uint8)))
    path = folder / f"{name.replace(' ', '_')}.png"
    if not picture.write(str(path)):
        raise OSError(f"{path}: {picture.geterror()}")


if __name__ == "__main__":
    main()
