"""Numbers that are a pure function of key and counter."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from halocline.compute.random import normals, poisson_counts, random_words, stream_key, uniforms


def test_a_counter_gives_the_same_words_alone_and_in_company() -> None:
    together = random_words(7, np.arange(100_000), 3, -5)
    alone = random_words(7, 54_321, 3, -5)
    assert (together[:, 54_321] == alone).all()


def test_negative_cells_have_numbers_of_their_own() -> None:
    words = random_words(7, np.arange(-1000, 1000))
    assert len(np.unique(words[0])) == 2000


def test_seeds_and_names_make_different_streams() -> None:
    keys = {
        stream_key(1),
        stream_key(2),
        stream_key(1, "snow"),
        stream_key(1, "snow", ""),
        stream_key(1, "sn", "ow"),
    }
    assert len(keys) == 5


def test_stream_keys_never_change_between_versions() -> None:
    # A tripwire: another value here moves every particle of every finished shot.
    assert stream_key(1, "marine snow") == 0xCF4DC719421C7753


@pytest.mark.parametrize("word", range(4))
def test_uniforms_fill_the_unit_interval_evenly(word: int) -> None:
    numbers = uniforms(11, np.arange(200_000), word)[word]
    counts = np.bincount((numbers * 100).astype(int), minlength=100)
    chi_squared = float(((counts - 2000.0) ** 2 / 2000.0).sum())
    # 99 degrees of freedom: mean 99, standard deviation 14; five of them.
    assert chi_squared < 99 + 70
    assert numbers.min() > 0.0
    assert numbers.max() < 1.0


def test_neighbouring_cells_indices_and_words_are_uncorrelated() -> None:
    block = uniforms(3, *np.meshgrid(np.arange(60), np.arange(60), np.arange(60), indexing="ij"))
    limit = 5.0 / np.sqrt(block[0].size)
    for axis in range(1, 4):
        first, second = block[0], np.roll(block[0], 1, axis=axis - 1)
        assert abs(np.corrcoef(first.ravel(), second.ravel())[0, 1]) < limit
    assert abs(np.corrcoef(block.reshape(4, -1)) - np.eye(4)).max() < limit


def test_one_flipped_counter_bit_flips_half_the_bits() -> None:
    base = random_words(5, np.arange(2000))
    for bit in (0, 7, 31):
        flipped = random_words(5, np.arange(2000) ^ (1 << bit))
        changed = np.bitwise_count(base ^ flipped).mean()
        assert changed == pytest.approx(16.0, abs=0.2)


def test_normals_have_mean_zero_and_unit_variance() -> None:
    numbers = normals(9, np.arange(200_000))
    assert numbers.mean(axis=1) == pytest.approx(np.zeros(4), abs=0.012)
    assert numbers.var(axis=1) == pytest.approx(np.ones(4), abs=0.02)


def test_poisson_counts_have_equal_mean_and_variance() -> None:
    counts = poisson_counts(uniforms(1, np.arange(200_000))[0], 6.5)
    assert counts.mean() == pytest.approx(6.5, abs=0.03)
    assert counts.var() == pytest.approx(6.5, abs=0.12)


def test_poisson_counts_of_means_beyond_all_reason_are_large_and_no_less() -> None:
    """A mean of 1e15 is within six times its root of itself (normal limit); warnings are errors."""
    uniform = np.array([0.01, 0.5, 0.99])
    for mean in (1e12, 1e15):
        np.testing.assert_allclose(poisson_counts(uniform, mean), mean, atol=6.0 * np.sqrt(mean))
        assert (np.diff(poisson_counts(uniform, mean)) > 0).all()
    for mean in (1e18, 1e40, 1e308):
        np.testing.assert_array_equal(poisson_counts(uniform, mean), 2**53)


def test_poisson_counts_never_fall_as_the_mean_rises() -> None:
    uniform = uniforms(2, np.arange(2000))[0]
    counts = [poisson_counts(uniform, mean) for mean in (0.0, 0.1, 1.0, 1.1, 20.0, 400.0)]
    assert (counts[0] == 0).all()
    for fewer, more in pairwise(counts):
        assert (more >= fewer).all()
