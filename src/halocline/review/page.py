"""A sheet as a page for a browser: one file with everything in it, nothing fetched from anywhere."""

from __future__ import annotations

import base64
import html
from collections.abc import Sequence

import cv2
import numpy as np

from halocline.review.contact_sheet import U8, SheetTile

JPEG_QUALITY = 90
STYLE = """
body { background: #181818; color: #ddd; font: 15px/1.45 system-ui, sans-serif; margin: 1.5rem; }
h1 { font-size: 1.3rem; font-weight: 600; }
p { max-width: 60rem; color: #bbb; }
.row { display: flex; flex-wrap: wrap; gap: 10px; margin-bottom: 14px; align-items: flex-start; }
figure { margin: 0; width: WIDTHpx; }
figure img { width: 100%; display: block; }
figure:target { position: fixed; inset: 0; width: auto; background: #181818; z-index: 1; overflow: auto; }
figure:target img { max-width: 100vw; max-height: 92vh; width: auto; margin: auto; }
figcaption { white-space: pre-line; font-size: 0.87rem; padding-top: 4px; }
a { color: inherit; text-decoration: none; }
"""


def sheet_page(
    rows: Sequence[Sequence[SheetTile]],
    *,
    title: str,
    notes: Sequence[str] = (),
    tile_width: int = 480,
    preview: bytes | None = None,
) -> str:
    """Return the page's text.

    Parameters
    ----------
    rows
        Tiles row by row. A picture fills the window when it is clicked, and goes back when clicked again.
    title, notes
        Heading, and paragraphs under it.
    tile_width
        Pixels a picture is shown at; it is kept at its own size within.
    preview
        An animated WebP to show above the rows.

    Returns
    -------
    str
        HTML that needs no other file.
    """
    parts = [
        *page_head(title, style=STYLE.replace("WIDTH", str(tile_width))),
        *(f"<p>{html.escape(note)}</p>" for note in notes),
    ]
    if preview is not None:
        parts.append(f'<p><img alt="preview in motion" src="{_embedded(preview, "image/webp")}"></p>')
    number = 0
    for row in rows:
        parts.append('<div class="row">')
        for tile in row:
            number += 1
            parts.append(figure(tile, f"picture-{number}"))
        parts.append("</div>")
    parts.append("</body></html>\n")
    return "\n".join(parts)


def page_head(title: str, *, style: str) -> list[str]:
    """Return the first lines of a page, up to its heading."""
    return [
        "<!DOCTYPE html>",
        '<html lang="en"><head><meta charset="utf-8">',
        f"<title>{html.escape(title)}</title>",
        f"<style>{style}</style></head><body>",
        f'<h1 id="top">{html.escape(title)}</h1>',
    ]


def figure(tile: SheetTile, name: str) -> str:
    """Return a picture with its label, which fills the window when it is clicked."""
    source = embedded_picture(tile.pixels)
    label = html.escape(tile.label)
    image = f'<img alt="{label}" src="{source}">'
    return (
        f'<figure id="{name}"><a href="#{name}" title="larger">{image}</a>'
        f'<figcaption><a href="#top" title="back">{label}</a></figcaption></figure>'
    )


def embedded_picture(pixels: U8) -> str:
    """Return display pixels as an address that holds the picture itself."""
    _, encoded = cv2.imencode(
        ".jpg", np.ascontiguousarray(pixels[..., ::-1]), [cv2.IMWRITE_JPEG_QUALITY, JPEG_QUALITY]
    )
    return _embedded(encoded.tobytes(), "image/jpeg")


def _embedded(data: bytes, kind: str) -> str:
    return f"data:{kind};base64,{base64.b64encode(data).decode()}"
