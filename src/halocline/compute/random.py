"""Random numbers that are a pure function of where they are used.

A particle must be the same on every frame, whoever renders it and in whatever order. So there is no
stream to draw from: each number is looked up by a key (seed and names) and a counter of four integers
(world cell and index). The generator is Philox 4x32 with ten rounds, a keyed bijection of the counter.

Source: salmon2011, section 3.3 (round function, multipliers and Weyl constants).
"""

from __future__ import annotations

import hashlib

import numpy as np
from numpy.typing import ArrayLike, NDArray

from halocline._typing import F64
from halocline.compute.compiled import compiled
from halocline.compute.on_demand import OnDemand

special = OnDemand("scipy.special")

_MULTIPLIERS = (np.uint64(0xD2511F53), np.uint64(0xCD9E8D57))
_WEYL = (np.uint64(0x9E3779B9), np.uint64(0xBB67AE85))
_LOW_WORD = np.uint64(0xFFFFFFFF)
_WORD_BITS = np.uint64(32)
_ROUNDS = 10
# Poisson counts of smaller means are found by adding up; none of them comes to more than 200 (p < 1e-80).
_COUNTED_BELOW = 20.0
_MOST_COUNTED = 200
# Larger counts are told as this one: the last whole number that floats count to one by one.
_MOST_TOLD = 2.0**53


def stream_key(seed: int, *names: str) -> int:
    """Return the 64-bit key of a stream of random numbers.

    Parameters
    ----------
    seed
        Any integer; the preset's seed.
    *names
        What the numbers are for, outermost first: ``"marine snow", "size"``.

    Returns
    -------
    int
        0 to 2^64 - 1, the same on every machine.

    Examples
    --------
    >>> stream_key(1, "marine snow") == stream_key(1, "marine snow")
    True
    >>> stream_key(1, "marine snow") == stream_key(2, "marine snow")
    False
    """
    text = "\x1f".join((str(int(seed)), *names)).encode()
    return int.from_bytes(hashlib.blake2b(text, digest_size=8).digest(), "little")


def random_words(key: int, *counter: ArrayLike) -> NDArray[np.uint32]:
    """Return four independent 32-bit words for each counter.

    Parameters
    ----------
    key
        64-bit key, see `stream_key`.
    *counter
        One to four integers or arrays of them, that broadcast against each other; what is left out is 0. Each
        is taken modulo 2^32, so negative cells are fine.

    Returns
    -------
    words
        ``(4, *shape)``.

    Examples
    --------
    >>> [hex(int(word)) for word in random_words(0, 0)]
    ['0x6627e8d5', '0xe169c58d', '0xbc57ac4c', '0x9b00dbd8']
    """
    parts = np.broadcast_arrays(*(np.asarray(part, np.int64) for part in (*counter, 0, 0, 0)[:4]))
    counters = np.stack([part.reshape(-1) for part in parts], axis=1).astype(np.uint64)
    words = np.empty((4, len(counters)), np.uint32)
    _fill(np.uint64(key), counters, words)
    return words.reshape(4, *parts[0].shape)


def uniforms(key: int, *counter: ArrayLike) -> F64:
    """Return four independent numbers in the open interval 0 to 1 for each counter, ``(4, *shape)``.

    The values are the midpoints of 2^32 equal steps, so neither end is ever returned.

    Parameters
    ----------
    key
        64-bit key, see `stream_key`.
    *counter
        As `random_words` takes it.

    Returns
    -------
    F64
        ``(4, *shape)``, above 0 and below 1.

    Examples
    --------
    >>> float(uniforms(0, 0)[0].round(6))
    0.399046
    """
    numbers = random_words(key, *counter).astype(np.float64)
    numbers += 0.5
    numbers *= 2.0**-32
    return numbers


def normals(key: int, *counter: ArrayLike) -> F64:
    """Return four independent standard normal numbers for each counter, ``(4, *shape)``.

    Source: box1958.

    Parameters
    ----------
    key
        64-bit key, see `stream_key`.
    *counter
        As `random_words` takes it.

    Returns
    -------
    F64
        ``(4, *shape)``, mean 0 and variance 1, at most 6.8 from 0.
    """
    flat = uniforms(key, *counter)
    radius = np.sqrt(-2.0 * np.log(flat[0::2]))
    angle = 2.0 * np.pi * flat[1::2]
    return np.concatenate([radius * np.cos(angle), radius * np.sin(angle)])


def poisson_counts(uniform: F64, mean: ArrayLike) -> NDArray[np.int64]:
    """Return the Poisson quantile: how many things are there, given one uniform number a place.

    The count never falls as the mean rises, so a density that is animated adds things or takes them away
    and leaves all others alone.

    Parameters
    ----------
    uniform
        Open interval 0 to 1.
    mean
        Expected count, >= 0; broadcasts against ``uniform``.

    Returns
    -------
    NDArray[np.int64]
        Counts, in the shape of the arguments, broadcast; 2**53 at most.

    Examples
    --------
    >>> poisson_counts(np.array([0.05, 0.5, 0.95]), 4.0)
    array([1, 4, 8])
    """
    uniform = np.asarray(uniform, np.float64)
    means = np.broadcast_to(np.asarray(mean, np.float64), uniform.shape)
    count = np.zeros(uniform.shape, np.int64)
    few = means < _COUNTED_BELOW
    count[few] = _counted_up(uniform[few], means[few])
    many = ~few
    if not many.any():
        return count
    # The smallest k whose cumulative probability reaches u; pdtrik may land one above, and finds none from
    # means of 1e12 on, where counts are normal and more than anybody can hold.
    found = special.pdtrik(uniform[many], means[many])
    normal = means[many] + np.sqrt(means[many]) * special.ndtri(uniform[many])
    quantile = np.minimum(np.ceil(np.where(np.isfinite(found), found, normal)), _MOST_TOLD)
    below = np.maximum(quantile - 1.0, 0.0)
    count[many] = np.where(special.pdtr(below, means[many]) >= uniform[many], below, quantile)
    return count


def _counted_up(uniform: F64, mean: F64) -> NDArray[np.int64]:
    """Return Poisson quantiles of small means by adding up probabilities."""
    count = np.zeros(uniform.shape, np.int64)
    waiting = np.arange(uniform.size)
    probability = np.exp(-mean)
    left = uniform - probability
    number = 0
    while True:
        going = left > 0.0
        waiting, probability, left = waiting[going], probability[going], left[going]
        # Rounding may leave a last 1e-16 that no further term can fill.
        if not waiting.size or number > _MOST_COUNTED:
            return count
        number += 1
        count[waiting] = number
        probability = probability * mean[waiting] / number
        left = left - probability


@compiled
def philox(
    key: np.uint64, first: np.uint64, second: np.uint64, third: np.uint64, fourth: np.uint64
) -> tuple[np.uint64, np.uint64, np.uint64, np.uint64]:
    """Return the four words of one counter, for compiled loops; of each number the lower 32 bits count.

    Loops of other modules may call it: it is fixed by its source and will not change.

    Parameters
    ----------
    key
        64-bit key, see `stream_key`.
    first, second, third, fourth
        The counter.

    Returns
    -------
    tuple[np.uint64, np.uint64, np.uint64, np.uint64]
        Four words below 2^32.
    """
    low_key, high_key = key & _LOW_WORD, key >> _WORD_BITS
    first, second, third, fourth = (
        first & _LOW_WORD,
        second & _LOW_WORD,
        third & _LOW_WORD,
        fourth & _LOW_WORD,
    )
    for _ in range(_ROUNDS):
        # Two products, their halves crossed over.
        left, right = first * _MULTIPLIERS[0], third * _MULTIPLIERS[1]
        first, second = (right >> _WORD_BITS) ^ second ^ low_key, right & _LOW_WORD
        third, fourth = (left >> _WORD_BITS) ^ fourth ^ high_key, left & _LOW_WORD
        low_key = (low_key + _WEYL[0]) & _LOW_WORD
        high_key = (high_key + _WEYL[1]) & _LOW_WORD
    return first, second, third, fourth


@compiled
def _fill(key: np.uint64, counters: NDArray[np.uint64], words: NDArray[np.uint32]) -> None:
    for index in range(len(counters)):
        numbers = philox(key, counters[index, 0], counters[index, 1], counters[index, 2], counters[index, 3])
        for word in range(4):
            words[word, index] = np.uint32(numbers[word])
