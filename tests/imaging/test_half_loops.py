"""Halves side by side: the nearest ones, bit by bit."""

from __future__ import annotations

import struct

import numpy as np
import pytest

from halocline._typing import F32, AnyArray
from halocline.imaging.half_loops import put_four_halves, put_halves


def halves_of(values: F32) -> AnyArray:
    """Return halves ``(rows, columns, channels)`` of planes ``(channels, rows, columns)``, one by one."""
    block = np.zeros((*values.shape[1:], len(values)), np.float16)
    for channel, plane in enumerate(values):
        put_halves(plane, channel, block.view(np.uint16))
    return block


def four_of(values: F32) -> AnyArray:
    """Return the same of four planes at once."""
    block = np.zeros((*values.shape[1:], 4), np.float16)
    put_four_halves((values[0], values[1], values[2], values[3]), block.view(np.uint64)[..., 0])
    return block


# Every finite half with those between it and the next: exact, a tie, and a float32 to each side of the tie.
EVERY = np.arange(0x7C00, dtype=np.uint16).view(np.float16).astype(np.float32)
TIES = ((EVERY[1:].astype(np.float64) + EVERY[:-1]) / 2).astype(np.float32)
BESIDE = [np.nextafter(TIES, np.float32(end)) for end in (0.0, np.inf)]
ENDS = np.array([65519.996, 65520.0, 65535.9, 65536.0, 1e30, np.inf, 1e-45, 2.0**-25, 2.0**-126], np.float32)
NUMBERS = np.concatenate([EVERY, TIES, *BESIDE, ENDS])


def test_every_half_its_ties_and_what_lies_beside_them_round_as_the_array_library_rounds() -> None:
    numbers = np.concatenate([NUMBERS, -NUMBERS])
    planes = np.stack([np.roll(numbers, 7 * shift) for shift in range(4)])[:, None]
    with np.errstate(over="ignore"):
        expected = np.moveaxis(planes.astype(np.float16), 0, -1).view(np.uint16)
    np.testing.assert_array_equal(four_of(planes).view(np.uint16), expected)
    np.testing.assert_array_equal(halves_of(planes[:3]).view(np.uint16), expected[..., :3])


def test_any_bits_round_as_the_array_library_rounds_and_nan_stays_one() -> None:
    bits = np.random.default_rng(3).integers(0, 1 << 32, (4, 50, 1999), dtype=np.uint32)
    planes = bits.view(np.float32)
    with np.errstate(all="ignore"):
        expected = np.moveaxis(planes.astype(np.float16), 0, -1)
    for made in (four_of(planes), halves_of(planes)):
        np.testing.assert_array_equal(made, expected)
        np.testing.assert_array_equal(np.signbit(made), np.signbit(expected))


@pytest.mark.parametrize("number", [0.1, -3.14159, 6.1e-5, 5.9e-8, 1.0 + 2.0**-11, 1.0 + 3.0 * 2.0**-11])
def test_one_number_rounds_as_the_language_packs_it(number: float) -> None:
    made = four_of(np.full((4, 1, 3), number, np.float32))
    assert made.tobytes() == struct.pack("<e", np.float32(number)) * 12
