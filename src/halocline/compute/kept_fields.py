"""Fields of numbers of one moment, kept on disk: who makes a frame again need not make them again.

Turning a look, answering notes, trying a frame before the sequence: the same frame is made many times, and
what the sea does at its moment is the same each time. Large as they are, they are kept in passing
(`halocline.compute.disk_cache.kept_in_passing`).

What comes from disk is, to the bit, what would be made: the key names what made it as well as what of. Series
and transforms come out otherwise in the last bits on other processors and by other versions of the libraries.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from functools import lru_cache

import cv2
import numpy as np

from halocline._typing import F32
from halocline.compute.disk_cache import kept_in_passing
from halocline.compute.machine_code import compiler_mark, processor_mark

KIND = "light-fields"
# What turns off instructions that a processor has, and with them the way that numbers are made.
_TOLD_BY = ("NPY_", "OPENCV_", "OPENBLAS_", "MKL_")


def kept_field(key: str, shape: tuple[int, ...], make: Callable[[], F32]) -> F32:
    """Return a field: from disk where it is there, else made, and perhaps kept.

    Parameters
    ----------
    key
        All that it depends on, beside the machine and the libraries: what it is of, and the digest of the
        source that makes it.
    shape
        Its shape.
    make
        Makes it.

    Returns
    -------
    F32
        The field, the caller's own to change.
    """
    maker = _maker()
    if maker is None:
        return make()
    own: list[F32] = []

    def made() -> bytes:
        own.append(make())
        return own[0].tobytes()

    found = kept_in_passing(KIND, f"{maker} {shape} {key}", made)
    if own:
        return own[0]
    if len(found) != 4 * int(np.prod(shape)):
        # Whole, and no such field: somebody else's doing.
        return make()
    return np.frombuffer(found, np.float32).reshape(shape)


@lru_cache(maxsize=1)
def _maker() -> str | None:
    """Return what tells apart machines and libraries that make other bits; None where that is not known."""
    processor, compiler = processor_mark(), compiler_mark()
    if processor is None or compiler is None:
        return None
    told = sorted(f"{name}={value}" for name, value in os.environ.items() if name.startswith(_TOLD_BY))
    return f"{processor} {compiler} numpy {np.__version__} opencv {cv2.__version__} {told}"
