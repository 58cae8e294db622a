"""What the checks keep of each frame: a small picture as a display shows it, counts, and marks."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from itertools import repeat
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from halocline._typing import F32
from halocline.compute.threads import allowed
from halocline.errors import HaloclineError
from halocline.imaging.colour import U8, display_pixels
from halocline.imaging.input_spec import InputSpec
from halocline.imaging.load import View, load_beauty
from halocline.late_dataclass import dataclass
from halocline.review.flash import Display

WIDEST_PX = 480
_BATCH = 8
# Differ from frame to frame by their nature.
_OWN = frozenset({"DateTime", "halocline:frame", "halocline:heldFrom"})


@dataclass(frozen=True)
class CheckOptions:
    """How a sequence is looked at.

    Attributes
    ----------
    fps
        Frames a second; from the files where not given.
    fallback_fps
        Where the files do not say either.
    display, view
        Of the colour configuration; its defaults where not given.
    screen
        Peak and transfer function of the display, for the absolute flash rule.
    """

    fps: float | None = None
    fallback_fps: float = 24.0
    display: str | None = None
    view: str | None = None
    screen: Display = Display()


@dataclass(frozen=True)
class CheckedView:
    """What is kept of one view of a frame, inside its display window.

    Attributes
    ----------
    frame, view
        Which.
    pixels
        ``(rows, columns, 3)``, as a display shows them.
    bad
        Bad pixels by kind.
    outside
        Share of the pixels with a colour that the working space has no positive R, G, B for.
    marks
        What should be the same on all frames.
    preset
        Resolved text of the preset that it was made with; empty where it does not say.
    fps
        Frame rate, where the file states it.
    """

    frame: int
    view: str
    pixels: U8
    bad: dict[str, int]
    outside: float
    marks: dict[str, str]
    preset: str
    fps: float | None


def looks_at(
    files: Sequence[tuple[int, Path]], options: CheckOptions
) -> Iterator[tuple[int, list[CheckedView] | HaloclineError]]:
    """Yield what is kept of each frame, in order; a few are read at once, never all."""
    with ThreadPoolExecutor(min(2, allowed()), "look") as pool:
        for start in range(0, len(files), _BATCH):
            batch = files[start : start + _BATCH]
            numbers, paths = zip(*batch, strict=True)
            found = pool.map(_looked_at, numbers, paths, repeat(options))
            yield from zip(numbers, found, strict=True)


def _looked_at(frame: int, path: Path, options: CheckOptions) -> list[CheckedView] | HaloclineError:
    try:
        loaded = load_beauty(path, InputSpec())
    except HaloclineError as error:
        return error
    return [_look(frame, view, options) for view in loaded.views]


def _look(frame: int, view: View, options: CheckOptions) -> CheckedView:
    # What viewers see; how much is rendered around it may change from frame to frame.
    seen = view.frame.data_window.slices_of(view.frame.display_window)
    rgb = view.frame.planes["rgb"][:, *seen]
    alpha = view.frame.planes["alpha"][seen]
    finite = np.nan_to_num(rgb, nan=0.0, posinf=65504.0, neginf=0.0)
    width = min(WIDEST_PX, rgb.shape[2])
    height = max(1, round(rgb.shape[1] * width / (rgb.shape[2] * view.frame.pixel_aspect)))
    small = np.stack([cv2.resize(plane, (width, height), interpolation=cv2.INTER_AREA) for plane in finite])
    pixels = display_pixels(small, view.space, view=options.view, display=options.display)
    bad = {
        "not-a-number": view.counts.get("nan", 0),
        "infinite": view.counts.get("infinite", 0),
        "negative-light": int(np.count_nonzero(_luminance(rgb, view) < 0)),
        "over-covered (alpha above 1)": int(np.count_nonzero(alpha > 1.001)),
    }
    # Of a deep picture its samples are counted.
    outside = view.counts.get("negative", 0) / max(1, view.counts.get("samples", alpha.size))
    return CheckedView(frame, view.name, pixels, bad, outside, _marks(view), _preset(view), _frame_rate(view))


def _luminance(rgb: F32, view: View) -> F32:
    """Return luminance in the working space; a saturated colour outside its gamut is still above 0."""
    weights = view.space.luminance_row.astype(np.float32)
    # What is no number compares as not negative; it is counted apart.
    with np.errstate(invalid="ignore"):
        weighted: F32 = rgb[0] * weights[0] + rgb[1] * weights[1] + rgb[2] * weights[2]
    return weighted


def _preset(view: View) -> str:
    """Return the resolved preset that the frame says it was made with; empty where it says none."""
    text = view.frame.metadata.get("halocline:preset")
    return text if isinstance(text, str) else ""


def _marks(view: View) -> dict[str, str]:
    """Return what should be the same on all frames: windows, the preset, and which attributes there are."""
    window, metadata = view.frame.display_window, view.frame.metadata
    present = {f"attribute {name}": "there" for name in metadata if name not in _OWN}
    preset = metadata.get("halocline:presetDigest")
    return {
        "display window": f"{window.width} x {window.height} at {window.x}, {window.y}",
        "preset": str(preset)[:12] if preset else "none",
        "version": str(metadata.get("halocline:version", "none")),
        "colour space": view.space.name,
        **present,
    }


def _frame_rate(view: View) -> float | None:
    rate: Any = view.frame.metadata.get("framesPerSecond")
    try:
        numbers = (
            [float(number) for number in rate]
            if isinstance(rate, list | tuple | np.ndarray)
            else [float(rate)]
        )
        fps = numbers[0] / (numbers[1] if len(numbers) > 1 else 1.0)
    except (TypeError, ValueError, ZeroDivisionError, IndexError):
        return None
    return fps if 1.0 <= fps <= 1000.0 else None
