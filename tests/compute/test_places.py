"""Places of a mask, against numpy's own search."""

from __future__ import annotations

import numpy as np
import pytest

from halocline.compute.places import places_of


@pytest.mark.parametrize("shape", [(0,), (7,), (0, 5), (9, 0), (1, 1), (9, 13), (4, 5, 6)])
@pytest.mark.parametrize("kept", [slice(0, 0), slice(None), slice(0, 1), slice(3, 5), slice(-1, None)])
def test_places_are_those_that_numpy_finds(shape: tuple[int, ...], kept: slice) -> None:
    mask = np.zeros(shape, np.bool_)
    mask[kept] = np.random.default_rng(2).random(shape)[kept] < 0.4
    found, expected = places_of(mask), np.nonzero(mask)
    assert len(found) == len(expected)
    for mine, numpys in zip(found, expected, strict=True):
        np.testing.assert_array_equal(mine, numpys, strict=True)
