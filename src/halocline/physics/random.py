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
from scipy.special import pdtr, pdtrik

from halocline._typing import F64

_MULTIPLIERS = (np.uint64(0xD2511F53), np.uint64(0xCD9E8D57))
_WEYL = (0x9E3779B9, 0xBB67AE85)
_LOW_WORD = np.uint64(0xFFFFFFFF)
_WORD_BITS = np.uint64(32)
_ROUNDS = 10
# Ten rounds touch each counter some hundred times; a block of this many stays in the processor's cache.
_BLOCK = 8192


def stream_key(seed: int, *names: str) -> int:
    """Return the 64-bit key of a stream of random numbers.

    Parameters
    ----------
    seed
        Any integer; the preset's seed.
    names
        What the numbers are for, outermost first: ``"marine snow", "size"``.

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
    counter
        One to four integers or arrays of them, that broadcast against each other; what is left out is 0.
        Each is taken modulo 2^32, so negative cells are fine.

    Returns
    -------
    words
        ``(4, *shape)``.

    Examples
    --------
    >>> [hex(int(word)) for word in random_words(0, 0)]
    ['0x6627e8d5', '0xe169c58d', '0xbc57ac4c', '0x9b00dbd8']
    """
    parts = np.broadcast_arrays(*(_as_words(part) for part in (*counter, 0, 0, 0)[:4]))
    shape = parts[0].shape
    counters = np.stack([part.reshape(-1) for part in parts])
    words = np.empty(counters.shape, np.uint32)
    for start in range(0, counters.shape[1], _BLOCK):
        block = slice(start, start + _BLOCK)
        words[:, block] = _philox(key, counters[:, block])
    return words.reshape(4, *shape)


def uniforms(key: int, *counter: ArrayLike) -> F64:
    """Return four independent numbers in the open interval 0 to 1 for each counter, ``(4, *shape)``.

    The values are the midpoints of 2^32 equal steps, so neither end is ever returned.

    Examples
    --------
    >>> uniforms(0, 0)[0].round(6)
    np.float64(0.399046)
    """
    numbers = random_words(key, *counter).astype(np.float64)
    numbers += 0.5
    numbers *= 2.0**-32
    return numbers


def normals(key: int, *counter: ArrayLike) -> F64:
    """Return four independent standard normal numbers for each counter, ``(4, *shape)``.

    Source: box1958.
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

    Examples
    --------
    >>> poisson_counts(np.array([0.05, 0.5, 0.95]), 4.0)
    array([1, 4, 8])
    """
    mean = np.broadcast_to(np.asarray(mean, np.float64), np.shape(uniform))
    count = np.zeros(mean.shape, np.float64)
    # The smallest k whose cumulative probability reaches u; at zero it is k = 0 and pdtrik has no answer.
    some = uniform > np.exp(-mean)
    quantile = np.ceil(pdtrik(uniform[some], mean[some]))
    below = np.maximum(quantile - 1.0, 0.0)
    count[some] = np.where(pdtr(below, mean[some]) >= uniform[some], below, quantile)
    return count.astype(np.int64)


def _as_words(part: ArrayLike) -> NDArray[np.uint64]:
    return np.asarray(part).astype(np.int64).astype(np.uint64) & _LOW_WORD


def _philox(key: int, counters: NDArray[np.uint64]) -> NDArray[np.uint64]:
    first, second, third, fourth = counters
    low_key, high_key = key & 0xFFFFFFFF, (key >> 32) & 0xFFFFFFFF
    for _ in range(_ROUNDS):
        one = first * _MULTIPLIERS[0]
        two = third * _MULTIPLIERS[1]
        first = (two >> _WORD_BITS) ^ second ^ np.uint64(low_key)
        second = two & _LOW_WORD
        third = (one >> _WORD_BITS) ^ fourth ^ np.uint64(high_key)
        fourth = one & _LOW_WORD
        low_key = (low_key + _WEYL[0]) & 0xFFFFFFFF
        high_key = (high_key + _WEYL[1]) & 0xFFFFFFFF
    return np.stack([first, second, third, fourth])
