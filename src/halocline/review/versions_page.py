"""Two versions of frames on one page for a browser: a wipe, side by side, what changed, and which keys."""

from __future__ import annotations

import html
from collections.abc import Sequence

import numpy as np

from halocline.late_dataclass import dataclass
from halocline.review.compare import difference
from halocline.review.contact_sheet import U8, SheetTile
from halocline.review.page import STYLE, embedded_picture, figure, page_head

# The first version lies over the second, cut where the slider stands.
WIPE_STYLE = """
.wipe { position: relative; max-width: 120rem; line-height: 0; }
.wipe img { width: 100%; }
.wipe img.over { position: absolute; inset: 0; clip-path: inset(0 50% 0 0); }
.wipe .edge { position: absolute; top: 0; bottom: 0; left: 50%; width: 1px; background: #ddd; }
.slider { display: flex; gap: 10px; align-items: center; max-width: 120rem; margin: 6px 0 14px; }
.slider input { flex: 1; }
li { max-width: 60rem; }
"""
WIPE_SCRIPT = """
for (const slider of document.querySelectorAll(".slider input")) {
  const wipe = document.getElementById(slider.dataset.wipe);
  const move = () => {
    wipe.querySelector(".over").style.clipPath = `inset(0 ${100 - slider.value}% 0 0)`;
    wipe.querySelector(".edge").style.left = `${slider.value}%`;
  };
  slider.addEventListener("input", move);
  move();
}
"""


@dataclass(frozen=True)
class VersionPair:
    """One frame in two versions.

    Attributes
    ----------
    frame
        Its number.
    first, second
        Display pixels, ``(rows, columns, 3)``, of one size.
    same
        Whether the two are the same to the bit, not only as they are shown.
    """

    frame: int
    first: U8
    second: U8
    same: bool

    def told(self) -> str:
        """Return how far the two are apart, in words."""
        if self.same:
            return "the same to the bit"
        apart = np.abs(self.first.astype(np.int16) - self.second)
        if not apart.any():
            return "the same as shown, not to the bit"
        return f"{apart.mean():.2g} of 255 apart in the mean, {apart.max()} at most"


def versions_page(
    pairs: Sequence[VersionPair], *, names: tuple[str, str], changes: Sequence[str], tile_width: int = 480
) -> str:
    """Return the page's text.

    Parameters
    ----------
    pairs
        Frames in order.
    names
        What the first and the second version are called.
    changes
        Sentences: what differs between their presets.
    tile_width
        Pixels that each of the pictures side by side is shown at; they are kept at their own size within.

    Returns
    -------
    str
        HTML that needs no other file. Without scripts the pictures stand side by side all the same.
    """
    first, second = (html.escape(name) for name in names)
    parts = [
        *page_head(f"{names[0]} and {names[1]}", style=STYLE.replace("WIDTH", str(tile_width)) + WIPE_STYLE),
        "<ul>",
        *(f"<li>{html.escape(change)}</li>" for change in changes),
        "</ul>",
    ]
    for pair in pairs:
        told = f"frame {pair.frame}: {pair.told()}"
        wipe = f"wipe-{pair.frame}"
        sources = [embedded_picture(pixels) for pixels in (pair.first, pair.second)]
        parts += [
            f"<h2>{html.escape(told)}</h2>",
            f'<div class="wipe" id="{wipe}"><img alt="{second}, frame {pair.frame}" src="{sources[1]}">'
            f'<img class="over" alt="{first}, frame {pair.frame}" src="{sources[0]}">'
            '<div class="edge"></div></div>',
            f'<label class="slider"><span>{first}, per cent of the width</span>'
            f'<input type="range" min="0" max="100" value="50" data-wipe="{wipe}">'
            f"<span>{second}</span></label>",
            '<div class="row">',
            *(figure(tile, f"frame-{pair.frame}-{at}") for at, tile in enumerate(_tiles(pair, names))),
            "</div>",
        ]
    parts.append(f"<script>{WIPE_SCRIPT}</script></body></html>\n")
    return "\n".join(parts)


def _tiles(pair: VersionPair, names: tuple[str, str]) -> list[SheetTile]:
    """Return the pictures side by side."""
    return [
        SheetTile(pair.first, f"{names[0]}, frame {pair.frame}"),
        SheetTile(pair.second, f"{names[1]}, frame {pair.frame}"),
        SheetTile(
            difference(pair.first, pair.second),
            f"{names[1]} minus {names[0]}, four times, around mid-grey",
        ),
    ]
