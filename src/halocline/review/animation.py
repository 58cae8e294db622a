"""Animated previews, to judge motion in a browser.

A caution goes with every one: pictures that flicker can hurt people with photosensitive epilepsy; `halocline
check` measures flashes, and a preview is no such check.
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np

from halocline.errors import WriteError
from halocline.review.contact_sheet import U8

CAUTION = "Moving light may flicker. Photosensitive viewers: run the flash check before watching."
WEBP_QUALITY = 82
# Both formats count a frame's time in whole milliseconds at best.
SHORTEST_MS = 10


def animated(
    frames: Sequence[U8], *, frames_per_second: float, kind: str = "webp", width: int = 640
) -> bytes:
    """Return an animated picture that repeats for ever.

    Parameters
    ----------
    frames
        Display pixels, ``(rows, columns, 3)`` each, all of one size.
    frames_per_second
        Rate; rounded to what the format can hold so that the whole keeps time.
    kind
        ``webp`` (small) or ``png`` (lossless, large).
    width
        Pixels across; frames are made smaller, never larger.

    Returns
    -------
    bytes
        The file's bytes.

    Raises
    ------
    WriteError
        ``E-WRITE-PICTURE`` where it cannot be encoded.
    """
    if not frames or kind not in ("webp", "png"):
        raise WriteError(
            "there are no frames to animate" if not frames else f'no animation is of the kind "{kind}"',
            code="E-WRITE-PICTURE",
            fix="Give a sequence with frames." if not frames else "Choose webp or png.",
        )
    animation = cv2.Animation()
    animation.frames = [np.ascontiguousarray(smaller(frame, width)[..., ::-1]) for frame in frames]
    animation.durations = durations_ms(len(frames), frames_per_second)
    animation.loop_count = 0
    options = [cv2.IMWRITE_WEBP_QUALITY, WEBP_QUALITY] if kind == "webp" else []
    fits, encoded = cv2.imencodeanimation(f".{kind}", animation, options)
    if not fits:
        raise WriteError(
            "the preview cannot be encoded",
            code="E-WRITE-PICTURE",
            fix="Ask for fewer or smaller frames.",
        )
    return bytes(encoded.tobytes())


def durations_ms(count: int, frames_per_second: float) -> list[int]:
    """Return each frame's time in whole milliseconds; together they last as long as the frames do."""
    ends = [round(1000.0 * (number + 1) / frames_per_second) for number in range(count)]
    starts = [0, *ends[:-1]]
    return [max(SHORTEST_MS, end - start) for start, end in zip(starts, ends, strict=True)]


def smaller(pixels: U8, width: int) -> U8:
    """Return pixels no wider than this, by area averaging.

    Parameters
    ----------
    pixels
        ``(rows, columns, 3)``.
    width
        Pixels across, at least 1.

    Returns
    -------
    U8
        The same proportions; the pixels themselves where they are narrow enough.
    """
    rows, columns = pixels.shape[:2]
    if columns <= width:
        return pixels
    size = (width, max(1, round(rows * width / columns)))
    return np.asarray(cv2.resize(pixels, size, interpolation=cv2.INTER_AREA), np.uint8)
