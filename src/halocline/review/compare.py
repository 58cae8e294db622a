"""Pictures held against each other: differences, strips over frames, a slit through time, layers."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np

from halocline._typing import F32
from halocline.review.contact_sheet import U8

DIFFERENCE_GAIN = 4.0
MIDDLE_GREY = 0.5


def difference(first: U8, second: U8, *, gain: float = DIFFERENCE_GAIN) -> U8:
    """Return second minus first around mid-grey, amplified: what got brighter is lighter than the grey.

    Both are display pixels of one size. Differences beyond 0.5/gain of the display's range are cut.

    Parameters
    ----------
    first, second
        Display pixels, ``(rows, columns, 3)``.
    gain
        Factor on the difference.

    Returns
    -------
    U8
        ``(rows, columns, 3)``.
    """
    change = (second.astype(np.float32) - first.astype(np.float32)) / np.float32(255.0)
    shown = np.float32(MIDDLE_GREY) + np.float32(gain) * change
    return as_pixels(shown)


def film_strip(frames: Sequence[U8], *, height: int = 120) -> U8:
    """Return frames side by side, all at one height, in order: how a thing moves and changes.

    Parameters
    ----------
    frames
        Display pixels, ``(rows, columns, 3)`` each; at least one.
    height
        Pixels.

    Returns
    -------
    U8
        ``(height, columns, 3)``.
    """
    shown = []
    for frame in frames:
        rows, columns = frame.shape[:2]
        size = (max(1, round(columns * height / rows)), height)
        shown.append(np.asarray(cv2.resize(frame, size, interpolation=cv2.INTER_AREA), np.uint8))
    return np.concatenate(shown, axis=1)


def slit_through_time(frames: Sequence[U8], *, at: float = 0.5, rows_a_frame: int = 4) -> U8:
    """Return one line of each frame under that of the frame before: time runs down.

    Steady things draw upright lines, moving ones slanted lines, a flicker draws bars, and a frame that does
    not belong shows as a single odd bar.

    Parameters
    ----------
    frames
        Display pixels of one size, in order.
    at
        Height of the line in the frame, 0 (top) to 1.
    rows_a_frame
        Rows that each frame's line is drawn with.

    Returns
    -------
    U8
        ``(frames * rows_a_frame, columns, 3)``.
    """
    row = min(frames[0].shape[0] - 1, int(at * frames[0].shape[0]))
    lines = [np.repeat(frame[row : row + 1], rows_a_frame, axis=0) for frame in frames]
    return np.concatenate(lines)


def layer_pixels(plane: F32) -> tuple[U8, str]:
    """Return a layer as something to look at, and what black and white stand for.

    A layer of one number is shown as grey between its lowest and its highest value, one of two (a
    displacement) as colour around mid-grey, one of three as it is, exposed so that its brightest fits.

    Parameters
    ----------
    plane
        ``(rows, columns)`` or ``(n, rows, columns)``.

    Returns
    -------
    tuple[U8, str]
        Display pixels, and a line about their scale.
    """
    finite = np.nan_to_num(plane, nan=0.0, posinf=0.0, neginf=0.0)
    if finite.ndim == 2 or len(finite) == 1:
        values = finite if finite.ndim == 2 else finite[0]
        low, high = (float(value) for value in np.percentile(values, [0.5, 99.5]))
        scaled = (values - np.float32(low)) / np.float32(max(high - low, 1e-9))
        return as_pixels(np.repeat(scaled[..., None], 3, axis=2)), f"black {low:.3g}, white {high:.3g}"
    if len(finite) == 2:
        widest = max(float(np.percentile(np.abs(finite), 99.5)), 1e-9)
        x, y = finite / np.float32(2.0 * widest) + np.float32(MIDDLE_GREY)
        return as_pixels(
            np.stack([x, y, np.full_like(x, MIDDLE_GREY)], axis=-1)
        ), f"x, y: within {widest:.3g}"
    colours = np.moveaxis(finite[:3], 0, -1)
    brightest = max(float(np.percentile(colours, 99.8)), 1e-9)
    shown = np.maximum(colours / np.float32(brightest), np.float32(0.0)) ** np.float32(1.0 / 2.2)
    return as_pixels(shown), f"white {brightest:.3g}"


def as_pixels(shown: F32) -> U8:
    """Return values 0 to 1 as 8 bits, cut at both ends."""
    pixels: U8 = np.round(np.clip(shown, 0.0, 1.0) * 255.0).astype(np.uint8)
    return pixels
