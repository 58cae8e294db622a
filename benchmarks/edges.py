"""How far a frame's edges are from what many samples a pixel would have given, and how much they pop.

    python -m benchmarks.edges [--frames N] [--samples N] [--write FOLDER]

*Truth* is Halocline on every sample by itself, at its own depth, filtered down to pixels. Beside it stand
frames of the same scene as renders deliver them, a row each:

- *ordinary*: colour and alpha filtered, and depth, normal and position of the one sample in the middle of
  each pixel
- *both depths told*: the farther depth and the nearer surface's share of each pixel as well
  (`input.far_depth_channel`, `input.near_coverage_channel`)
- *deep, merged*: a deep picture with normals, samples of a pixel merged that lie within 2 % of their range
- *deep*: every sample by itself

Told are, over pixels that see more than one surface (in the light of a lamp, or two sides of one), the error
in 8-bit display codes (mean and 99th percentile), and popping: how far a frame departs from the mean of its
neighbours in time, against how far the truth does (ratio of 99th percentiles). Nothing is timed; it takes
minutes.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import OpenImageIO as oiio
from benchmarks.edge_deep import deep_of, wet_deep, wet_one_by_one
from benchmarks.edge_scenes import SCENES, Samples, Scene

from halocline._typing import F32
from halocline.batch.arrays import apply
from halocline.imaging.colour import display_pixels
from halocline.imaging.depth_edges import fill_partly_covered
from halocline.imaging.edge_creases import edge_planes
from halocline.imaging.edge_mixture import ToldSurfaces
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
    "lamps": """
        extends = "jerlov-1c"
        [light]
        daylight = 0.02
        [[light.lamps]]
        position = ["-0.6 m", "0.5 m", "0.2 m"]
        target = [0.0, -0.3, 3.0]
        cone_angle = 80.0
        edge_angle = 10.0
        brightness = 12.0
        shadows = false
        [steps.lamps]
        after = "downwelling"
        """,
}
# The scene of which one lamp lights each side otherwise, and which is looked at in no other light.
LAMPLIT = "the foot of a wall"
# Samples of a pixel that lie within this share of their range are one in a merged deep picture.
_MERGED = 0.02
# Over a slope no gap between samples is more than so many times as wide as the third widest.
_GAP = 2.0
# Neighbouring samples of one surface differ less than this in one over range, relative.
_STEP = 0.05
# Sides of one surface face different ways where the mean of a pixel's normals is shorter than this.
_TURN = 0.97


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
    parser.add_argument("--scene", choices=list(SCENES), help="one scene instead of all")
    parser.add_argument(
        "--write", type=Path, help="folder for pictures: truth, what was made, eight times the difference"
    )
    given = parser.parse_args()
    print(f"{SIZE.width} x {SIZE.height}, {given.samples} x {given.samples} samples, {given.frames} frames")
    print(f"{'':<44} edges    mean   99 %   most  popping")
    for scene_name, scene in SCENES.items():
        if given.scene not in (None, scene_name):
            continue
        for look_name, look in LOOKS.items():
            if (look_name == "lamps") != (scene_name == LAMPLIT):
                continue
            print(f"{scene_name}, {look_name}")
            for render, told in measured(scene, _preset(look), given.frames, given.samples).items():
                print(f"    {render:<40}{told.row()}", flush=True)
                if given.write:
                    _write(given.write, f"{scene_name}, {look_name}, {render}", told)


def measured(scene: Scene, preset: Preset, frames: int, samples: int) -> dict[str, Told]:
    """Return truth and frames of a scene, by how they were rendered."""
    truth, edges = [], []
    made: dict[str, list[F32]] = {}
    fine = Window(0, 0, SIZE.width * samples, SIZE.height * samples)
    for number in range(frames):
        every = scene.samples(fine, number)
        truth.append(_shown(_filtered(wet_one_by_one(preset, every, scene, number), samples)))
        edges.append(_edges(every, samples, creases=scene is SCENES[LAMPLIT]))
        for render, wet in _renders(preset, every, scene, number, samples):
            made.setdefault(render, []).append(_shown(wet))
    true, around = np.stack(truth), np.stack(edges)
    return {render: Told(true, np.stack(frames), around) for render, frames in made.items()}


def _renders(
    preset: Preset, every: Samples, scene: Scene, number: int, samples: int
) -> Iterator[tuple[str, F32]]:
    """Yield what becomes of a frame's samples, rendered in each of the ways."""
    middle = scene.samples(SIZE, number)
    light, cover = _filtered(every.rgb, samples), _filtered(every.alpha[..., None], samples)[..., 0]
    yield "ordinary", _wet(preset, middle, light, cover, scene, SIZE, number)
    yield (
        "both depths told",
        _wet_as_told(preset, (middle, every), light, cover, scene, number, samples),
    )
    yield "deep, merged", wet_deep(preset, deep_of(every, samples, merged=_MERGED), scene, number)
    yield "deep", wet_deep(preset, deep_of(every, samples), scene, number)


def _told(every: Samples, samples: int) -> tuple[F32, ToldSurfaces]:
    """Return what a render can tell beside: the nearest surface's range and share, the farther one's range.

    Samples belong to two surfaces where one over their range leaves a gap as wide as Halocline asks for, and
    much wider than others: ground that runs away from the lens is one.
    """
    near = 1.0 / every.range_m
    rows, columns = near.shape
    split = near.reshape(rows // samples, samples, columns // samples, samples)
    ordered = np.sort(np.moveaxis(split, 2, 1).reshape(rows // samples, columns // samples, -1), axis=-1)
    gaps = np.diff(ordered, axis=-1)
    widest = gaps.argmax(axis=-1)[..., None]
    below, above = (np.take_along_axis(ordered, widest + more, axis=-1)[..., 0] for more in (0, 1))
    least, most = ordered[..., 0], ordered[..., -1]
    usual = np.partition(gaps, -3, axis=-1)[..., -3]
    mixed = (above - below > np.maximum(LOW_STEP * most, _GAP * usual)) & (least > 0.0)
    middle = 0.5 * (below + above)
    nearer = (split >= middle[:, None, :, None]) | ~mixed[:, None, :, None]

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
    assert told.near_share is not None
    assert told.far_range is not None
    # Where a pixel shows one surface, depth is as it is elsewhere.
    one = told.near_share == 1.0
    for plane in (near, told.far_range):
        np.copyto(plane, middle.range_m, where=one)
    fill_partly_covered(near, alpha)
    planes = edge_planes(np.ascontiguousarray(np.moveaxis(rgb, -1, 0)), alpha, near, middle.normal, told)
    nearest, normal = planes.pop("range", near), planes.pop("normal")
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


def _edges(every: Samples, samples: int, *, creases: bool) -> np.ndarray:
    """Tell which pixels see more than one surface, or as well two sides of one."""
    near = 1.0 / every.range_m
    rows, columns = near.shape
    split = near.reshape(rows // samples, samples, columns // samples, samples)
    least, most = split.min(axis=(1, 3)), split.max(axis=(1, 3))
    seen = most - least > _STEP * most
    if creases:
        split = every.normal.reshape(3, rows // samples, samples, columns // samples, samples)
        seen |= (least > 0.0) & (np.square(split.mean(axis=(2, 4))).sum(axis=0) < _TURN**2)
    return np.asarray(seen)


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
