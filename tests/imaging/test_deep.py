"""Deep samples: tidied, cut, merged and flattened as OpenImageIO's DeepData does it."""

from __future__ import annotations

from typing import Any

import numpy as np
import OpenImageIO as oiio
import pytest

from halocline._typing import F32
from halocline.errors import FrameError
from halocline.imaging.deep import Samples, flattened, over, split_evenly, tidied

SHAPE = (6, 7)


def crowded(seed: int = 3, *, opaque: float = 0.1) -> Samples:
    """Points and slabs in any order, on depths so few that many overlap."""
    random = np.random.default_rng(seed)
    counts = random.integers(0, 6, SHAPE)
    size = int(counts.sum())
    alpha = np.where(random.random(size) < opaque, 1.0, random.uniform(0.0, 0.9, size)).astype(np.float32)
    front = random.integers(1, 8, size).astype(np.float32)
    back = front + random.integers(0, 3, size).astype(np.float32)
    rgb = (random.uniform(0.0, 1.0, (3, size)) * alpha).astype(np.float32)
    return Samples(counts, rgb, alpha, front, back, {"pass.id": np.arange(size, dtype=np.float32)})


def shuffled(samples: Samples) -> Samples:
    random = np.random.default_rng(8)
    counts = samples.counts.ravel()
    order = [start + random.permutation(n) for start, n in zip(samples.starts, counts, strict=True)]
    return samples.taken(np.concatenate(order).astype(np.intp), samples.counts)


def by_openimageio(samples: Samples) -> list[list[list[float]]]:
    """Return each pixel's samples when the library has split, sorted and merged them."""
    data: Any = oiio.DeepData()
    data.init(samples.counts.size, 6, "float", ("R", "G", "B", "A", "Z", "ZBack"))
    made = []
    values = np.stack([*samples.rgb, samples.alpha, samples.front, samples.back])
    for pixel, (start, count) in enumerate(zip(samples.starts, samples.counts.ravel(), strict=True)):
        own = values[:, start : start + count]
        data.set_samples(pixel, int(count))
        for number in range(count):
            for channel in range(6):
                data.set_deep_value(pixel, channel, number, float(own[channel, number]))
        for bound in np.unique(own[4:]):
            data.split(pixel, float(bound))
        data.sort(pixel)
        data.merge_overlaps(pixel)
        made.append([[data.deep_value(pixel, c, s) for c in range(6)] for s in range(data.samples(pixel))])
    return made


def test_tidied_samples_are_those_of_the_library() -> None:
    """Against OpenImageIO 3.2: DeepData.split, sort and merge_overlaps."""
    found, expected = tidied(crowded()), by_openimageio(crowded())
    assert found.counts.ravel().tolist() == [len(pixel) for pixel in expected]
    assert found.counts.sum() > crowded().size
    values = np.stack([*found.rgb, found.alpha, found.front, found.back]).T
    np.testing.assert_allclose(values, [sample for pixel in expected for sample in pixel], atol=1e-6)


def test_the_order_in_which_samples_come_does_not_matter() -> None:
    one, other = tidied(crowded()), tidied(shuffled(crowded()))
    for name in ("counts", "rgb", "alpha", "front", "back"):
        np.testing.assert_array_equal(getattr(one, name), getattr(other, name))
    assert tidied(one) is one


def test_what_is_merged_keeps_the_pass_of_what_covers_most() -> None:
    ones = np.ones(2, np.float32)
    alpha = np.array([0.2, 0.6], np.float32)
    samples = Samples(np.array([[2]]), np.zeros((3, 2), np.float32), alpha, ones, ones, {"id": 4 * alpha})
    assert tidied(samples).passes["id"].tolist() == [np.float32(2.4)]


def test_flat_pictures_are_those_of_a_hand_calculation() -> None:
    """Over, front to back: .5 of red 1, then half of what green .5 gives: 0.5, 0.25, coverage 0.75."""
    rgb = np.array([[0.5, 0.0], [0.0, 0.5], [0.0, 0.0]], np.float32)
    half, depth = np.full(2, 0.5, np.float32), np.array([4.0, 10.0], np.float32)
    flat = flattened(Samples(np.array([[2, 0]]), rgb, half, depth, depth))
    np.testing.assert_allclose(flat.rgb[:, 0], [[0.5, 0.0], [0.25, 0.0], [0.0, 0.0]], atol=1e-7)
    np.testing.assert_allclose(flat.alpha, [[0.75, 0.0]], atol=1e-7)
    assert flat.main.tolist() == [0, -1]
    assert flat.of_main(depth, np.nan)[0, 0] == 4.0


@pytest.mark.parametrize("parts", [1, 2, 7])
def test_slabs_cut_into_parts_are_seen_as_the_whole(parts: int) -> None:
    samples = tidied(crowded())
    number = np.where(samples.back > samples.front, parts, 1)
    cut = split_evenly(samples, number)
    assert cut.size == number.sum()
    np.testing.assert_allclose(flattened(cut).rgb, flattened(samples).rgb, atol=1e-6)
    np.testing.assert_allclose(flattened(cut).alpha, flattened(samples).alpha, atol=1e-6)
    assert tidied(cut) is cut


def test_half_a_slab_covers_as_openexr_says() -> None:
    """Interpreting OpenEXR Deep Pixels, splitting: 1 - (1 - a)^(1/2); 0.75 makes two of 0.5."""
    one = np.ones(1, np.float32)
    slab = Samples(np.array([[1]]), np.full((3, 1), 0.75, np.float32), 0.75 * one, 2 * one, 4 * one)
    cut = split_evenly(slab, np.array([2]))
    np.testing.assert_allclose(cut.alpha, 0.5, atol=1e-7)
    np.testing.assert_allclose(cut.rgb, 0.5, atol=1e-7)
    assert (cut.front.tolist(), cut.back.tolist()) == ([2.0, 3.0], [3.0, 4.0])


def test_planes_of_other_sizes_are_refused() -> None:
    one = np.zeros(1, np.float32)
    with pytest.raises(FrameError, match=r"E-FRAME-PLANE.*1 values for 2 samples"):
        Samples(np.array([[2]]), np.zeros((3, 2), np.float32), one, one, one)


def test_any_plane_is_seen_over_another() -> None:
    samples = tidied(crowded())
    plane: F32 = np.stack([samples.alpha, samples.alpha])
    np.testing.assert_array_equal(over(samples, plane)[1], flattened(samples).alpha)
