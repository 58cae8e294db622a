"""Whether the two views of a stereo picture can be looked at: on one line, and as bright as each other.

Pieces of one eye's picture are looked for in the other's, along their line and lines above and below. What
lies higher in one eye than in the other, or is brighter, tires viewers. How much is too much is common
practice, no source: half a per cent of the picture's height, and a tenth of its brightness.
"""

from __future__ import annotations

from dataclasses import field

import cv2
import numpy as np

from halocline.imaging.colour import U8
from halocline.late_dataclass import dataclass
from halocline.review.flicker import luma

MOST_VERTICAL = 0.005
MOST_BRIGHTNESS = 0.1
# Pieces, and how far they are looked for: rows and columns of the reduced picture.
_PIECE = (24, 32)
_ABOVE = 6
_ASIDE = 40
# A piece with less contrast (standard deviation, codes of 8 bits), or found less surely, says nothing.
_CONTRAST = 3.0
_SURE = 0.9
# Fewer pieces than this are no picture to judge by.
_FEWEST = 4


@dataclass(frozen=True)
class EyesResult:
    """How the two views go together, at their worst over the frames.

    Attributes
    ----------
    views
        Names of the two.
    vertical
        How far one eye's picture lies above or below the other's, as a share of the height: the 90th
        percentile over its pieces. None where no frame has enough to judge by.
    vertical_frame
        The frame on which that is so.
    brightness
        By what share the eyes' mean brightness differs, as a display shows it.
    brightness_frame
        The frame on which that is so.
    """

    views: tuple[str, str]
    vertical: float | None
    vertical_frame: int
    brightness: float
    brightness_frame: int

    @property
    def frames(self) -> tuple[int, ...]:
        """The frames that the figures are of."""
        return tuple(sorted({self.vertical_frame, self.brightness_frame}))

    @property
    def text(self) -> str:
        """Both figures in a sentence."""
        up = (
            "nothing to judge heights by"
            if self.vertical is None
            else f"heights differ by {self.vertical:.2%} of the picture at most (frame {self.vertical_frame})"
        )
        return (
            f"eyes ({' and '.join(self.views)}): {up}, brightness by {self.brightness:.1%} at most (frame "
            f"{self.brightness_frame})"
        )

    def faults(self) -> list[str]:
        """Return what is too much, in sentences."""
        found = []
        if self.vertical is not None and self.vertical > MOST_VERTICAL:
            found.append(
                f"frame {self.vertical_frame}: one eye's picture lies {self.vertical:.2%} of its height "
                "above or below the other's in places: the cameras are turned or raised against each other"
            )
        if self.brightness > MOST_BRIGHTNESS:
            found.append(
                f"frame {self.brightness_frame}: one eye's picture is {self.brightness:.0%} brighter than "
                "the other's"
            )
        return found


@dataclass
class EyesCheck:
    """The two views of each frame, looked at as they come."""

    seen: list[tuple[int, float | None, float]] = field(default_factory=list)
    views: tuple[str, str] = ("", "")

    def add(self, frame: int, one: tuple[str, U8], other: tuple[str, U8]) -> None:
        """Look at a frame: the name and the reduced picture of each view, as a display shows it."""
        self.views = (one[0], other[0])
        left, right = luma(one[1]), luma(other[1])
        means = float(left.mean()), float(right.mean())
        apart = abs(means[0] - means[1]) / max(*means, 1e-6)
        self.seen.append((frame, vertical_disparity(left, right), apart))

    def result(self) -> EyesResult | None:
        """Return the worst of all frames; None where there were no two views."""
        if not self.seen:
            return None
        judged = [(up, frame) for frame, up, _ in self.seen if up is not None]
        vertical, vertical_frame = max(judged) if judged else (None, self.seen[0][0])
        brightness, brightness_frame = max((apart, frame) for frame, _, apart in self.seen)
        return EyesResult(self.views, vertical, vertical_frame, brightness, brightness_frame)


def vertical_disparity(one: U8, other: U8) -> float | None:
    """Return how far pieces of one picture lie above or below those of another, as a share of the height.

    Parameters
    ----------
    one, other
        Brightness, ``(rows, columns)``, 8 bits.

    Returns
    -------
    float | None
        The 90th percentile over the pieces; None where too few are found in both.
    """
    rows, columns = one.shape
    offsets = []
    for top in range(_ABOVE, rows - _PIECE[0] - _ABOVE, _PIECE[0]):
        for left in range(0, columns - _PIECE[1], _PIECE[1]):
            piece = one[top : top + _PIECE[0], left : left + _PIECE[1]]
            if piece.std() < _CONTRAST:
                continue
            found = _height_of(piece, other, top, left)
            if found is not None:
                offsets.append(abs(found))
    return float(np.percentile(offsets, 90)) / rows if len(offsets) >= _FEWEST else None


def _height_of(piece: U8, other: U8, top: int, left: int) -> float | None:
    """Return by how many rows a piece lies lower in the other picture; None where it is not found."""
    first = max(0, left - _ASIDE)
    around = other[top - _ABOVE : top + _PIECE[0] + _ABOVE, first : left + _PIECE[1] + _ASIDE]
    match = cv2.matchTemplate(np.ascontiguousarray(around), np.ascontiguousarray(piece), cv2.TM_CCOEFF_NORMED)
    _, best, _, (x, y) = cv2.minMaxLoc(match)
    if best < _SURE or not 0 < y < match.shape[0] - 1:
        return None
    above, here, below = (float(match[row, x]) for row in (y - 1, y, y + 1))
    bent = above - 2.0 * here + below
    # The top of a parabola through three rows.
    within = 0.5 * (above - below) / bent if bent < 0.0 else 0.0
    return y - _ABOVE + within
