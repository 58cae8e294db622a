"""The scenes of `benchmarks.edge_scenes` as deep renders, put under water as deep pictures are.

Either every sample comes by itself, or those of a pixel that lie close behind one another are one, as
renderers merge them: its colour, depth and normal are their mean, its coverage is their share of what is
left.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
from benchmarks.edge_scenes import Samples, Scene

from halocline._typing import F32, F64
from halocline.batch.deep import wet_flat
from halocline.graph.engine import Evaluation, evaluate
from halocline.graph.graph import Graph
from halocline.graph.shot import Shot
from halocline.imaging.camera_track import CameraTrack
from halocline.imaging.deep import Samples as DeepSamples
from halocline.imaging.deep import flattened, tidied
from halocline.imaging.deep_load import DeepPicture
from halocline.imaging.frame import Frame, Window
from halocline.imaging.load import View
from halocline.presets.build import make_shot
from halocline.presets.preset import Preset
from halocline.rgb import LINEAR_REC709


def deep_of(every: Samples, samples: int, *, merged: float | None = None) -> DeepSamples:
    """Return a frame of many samples a pixel as a deep picture, depths in metres along the view ray.

    Parameters
    ----------
    every
        So many samples along each side of a pixel.
    samples
        Their number.
    merged
        Samples that lie behind one another by less than this share of their range become one; each stays by
        itself where None.
    """
    rows, columns = (size // samples for size in every.range_m.shape)
    count = samples * samples

    def by_pixel(plane: F32) -> F32:
        split = plane.reshape(*plane.shape[:-2], rows, samples, columns, samples)
        return np.moveaxis(split, -3, -2).reshape(*plane.shape[:-2], rows * columns, count)

    range_m = by_pixel(every.range_m)
    order = np.argsort(range_m, axis=-1, kind="stable")
    range_m = np.take_along_axis(range_m, order, axis=-1)
    seen = np.isfinite(range_m)
    first = np.ones_like(seen)
    if merged is not None:
        with np.errstate(invalid="ignore"):
            first[:, 1:] = range_m[:, 1:] > range_m[:, :-1] * (1.0 + merged)
    # Of each sample, the number of the one that it is part of.
    group = np.cumsum(first & seen) - 1
    group, pixel = group.reshape(seen.shape)[seen], np.nonzero(seen)[0]
    size = int(group[-1]) + 1 if group.size else 0
    parts = np.bincount(group, minlength=size)
    begins = np.cumsum(parts) - parts
    # Which of the pixel's samples each begins with: what lies before it covers as many.
    before = np.nonzero(seen)[1][begins]
    alpha = parts / (count - before)

    def mean(plane: F32) -> F64:
        values = np.take_along_axis(by_pixel(plane), order, axis=-1)[seen]
        return np.bincount(group, weights=values, minlength=size) / parts

    depth = mean(every.range_m).astype(np.float32)
    rgb = np.stack([mean(plane) for plane in np.moveaxis(every.rgb, -1, 0)]) * alpha
    normal = np.stack([mean(plane) for plane in every.normal])
    normal /= np.maximum(np.sqrt(np.square(normal).sum(axis=0)), 1e-6)
    counts = np.bincount(pixel[begins], minlength=rows * columns).reshape(rows, columns)
    found = DeepSamples(
        counts,
        rgb.astype(np.float32),
        alpha.astype(np.float32),
        depth,
        depth,
        {"normal": normal.astype(np.float32)},
    )
    return tidied(found)


def wet_deep(preset: Preset, deep: DeepSamples, scene: Scene, number: int) -> F32:
    """Put a deep picture under water, ``(rows, columns, 3)``, as deep files are, written flat."""
    flat = flattened(deep)
    planes = {
        "rgb": flat.rgb,
        "alpha": flat.alpha,
        "range": flat.of_main(deep.front, np.inf),
        "normal": flat.of_main(deep.passes["normal"], 0.0),
    }
    picture, shot, graph = _laid_out(preset, planes, scene, number)
    samples = DeepPicture(deep, np.ones_like(flat.alpha))
    view = View("", picture, shot.camera, LINEAR_REC709, (), {}, deep=samples)
    wet, _ = wet_flat(view, graph, shot, Evaluation(None))
    return np.ascontiguousarray(np.moveaxis(wet["rgb"], 0, -1))


def wet_one_by_one(preset: Preset, every: Samples, scene: Scene, number: int) -> F32:
    """Put a frame under water of which each pixel is one surface, whatever is beside it."""
    planes = {
        "rgb": np.ascontiguousarray(np.moveaxis(every.rgb, -1, 0)),
        "alpha": every.alpha,
        "range": every.range_m,
        "normal": every.normal,
    }
    picture, shot, graph = _laid_out(preset, planes, scene, number)
    wet = evaluate(graph, picture, replace(shot, samples_face=True), wanted=("rgb",))["rgb"]
    return np.ascontiguousarray(np.moveaxis(wet, 0, -1))


def _laid_out(
    preset: Preset, planes: Mapping[str, F32], scene: Scene, number: int
) -> tuple[Frame, Shot, Graph]:
    rows, columns = planes["range"].shape
    window = Window(0, 0, columns, rows)
    picture = Frame(dict(planes), data_window=window, display_window=window)
    camera = scene.camera(window, number)
    preset = preset.with_lens(camera)
    shot = make_shot(
        preset,
        1001 + number,
        CameraTrack({1001 + number: camera}),
        space=LINEAR_REC709,
        display_window=window,
        data_window=window,
        surfaces=picture,
    )
    return picture, shot, preset.at(1001 + number).graph
