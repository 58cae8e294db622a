"""Write docs/gallery.md and its pictures: every look that ships, on a frame of the demo sequence.

Below each stands a part of it at 300 %, where its edges contrast most. The README's picture, one frame clean
and in three waters, is put together from them.
"""

from __future__ import annotations

import argparse
import re
import sys
from pathlib import Path

import cv2
import numpy as np

from halocline.batch.still import Still, tasks_of
from halocline.cli.still import Viewing
from halocline.physics.path.transport import abeam
from halocline.presets.build import story_path, story_report
from halocline.presets.document import shipped_names
from halocline.presets.preset import Preset, load_preset
from halocline.review.animation import smaller
from halocline.review.contact_sheet import U8, SheetTile, contact_sheet
from halocline.rgb import LINEAR_REC709

ROOT = Path(__file__).parents[1]
PAGE = ROOT / "docs" / "gallery.md"
PICTURES = ROOT / "docs" / "pictures" / "gallery"
BEFORE_AFTER = ROOT / "docs" / "pictures" / "before_after.jpg"
IN_README = {
    "clean": "the clean render",
    "ocean-archway": "ocean-archway",
    "fjord-afternoon": "fjord-afternoon",
    "estuary-archway": "estuary-archway",
}
WIDTH = 720
# What is shown at 300 % is as wide on the page as the whole picture.
ENLARGED = 3
CROP = (WIDTH * 9 // 16 // ENLARGED, WIDTH // ENLARGED)
JPEG_QUALITY = 86
# Plain waters come after the looks: the page opens with what people come for.
PLAIN = re.compile(r"jerlov-.*")


def main() -> None:
    """Write the page."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--frames", type=Path, default=ROOT / "demo_frames", help="folder of the demo frames")
    parser.add_argument("--frame", default="1012", help="which of them")
    parser.add_argument("--only", nargs="*", help="names of presets")
    chosen = parser.parse_args()
    PICTURES.mkdir(parents=True, exist_ok=True)
    names = [name for name in shipped_names() if name != "open-water"]
    made = [load_preset(name) for name in names]
    source = str(chosen.frames / "arch.####.exr")
    for look in made:
        if chosen.only and look.name not in chosen.only:
            continue
        task = tasks_of(source, frames=chosen.frame)[0]
        still = Still.read(task, look)
        shown = Viewing().pixels(still.planes(look)["rgb"], still.space)
        write_jpeg(PICTURES / f"{look.name}.jpg", smaller(shown, WIDTH))
        write_jpeg(crop_of(look), enlarged(shown[hardest_place(shown)]))
        sys.stdout.write(f"{look.name}\n")
        if look is made[0]:
            write_jpeg(PICTURES / "clean.jpg", smaller(Viewing().pixels(still.clean, still.space), WIDTH))
    write_jpeg(BEFORE_AFTER, before_after())
    PAGE.write_text(page(made), encoding="utf-8")


def crop_of(look: Preset) -> Path:
    """Return where a look's part at 300 % is."""
    return PICTURES / f"{look.name}_300.jpg"


def hardest_place(shown: U8) -> tuple[slice, slice]:
    """Return rows and columns of the crop in which neighbouring pixels differ most, by their squares."""
    light = shown.astype(np.float64)
    contrast = np.zeros(shown.shape[:2])
    for axis in (0, 1):
        apart = np.square(np.diff(light, axis=axis)).max(axis=-1)
        contrast[: apart.shape[0], : apart.shape[1]] += apart
    total = cv2.integral(contrast)
    high, wide = CROP
    within = total[high:, wide:] - total[:-high, wide:] - total[high:, :-wide] + total[:-high, :-wide]
    row, column = (int(place) for place in np.unravel_index(within.argmax(), within.shape))
    return slice(row, row + high), slice(column, column + wide)


def enlarged(shown: U8) -> U8:
    """Return a picture whose pixels are squares of several: nothing of them is smoothed."""
    return shown.repeat(ENLARGED, axis=0).repeat(ENLARGED, axis=1)


def before_after() -> U8:
    """Return the README's picture, from pictures of the gallery."""
    tiles = [SheetTile(read_jpeg(PICTURES / f"{name}.jpg"), label) for name, label in IN_README.items()]
    return contact_sheet([tiles[:2], tiles[2:]], tile_width=WIDTH)


def page(made: list[Preset]) -> str:
    """Return the gallery page."""
    looks = [look for look in made if not PLAIN.fullmatch(look.name)]
    waters = [look for look in made if PLAIN.fullmatch(look.name)]
    parts = [
        "# Gallery",
        "",
        "Every look that ships, on one frame of the demo sequence, through the first view of OpenColorIO's",
        "built-in configuration; below each, the part of it in which neighbouring pixels differ most, at",
        "300 %. Made by `python tools/gallery.py`. Each is a preset file: read it for where every number",
        "comes from, copy it, or begin yours with `extends`.",
        "",
        "Open water is told by its CIE 1931 x, y: that of the daylit water by itself, seen level with the",
        "sun abeam, before what floats in it, lamps, exposure and balance. White daylight is .313 .329.",
        "",
        "The clean render:",
        "",
        "![the clean render](pictures/gallery/clean.jpg)",
        "",
        "## Looks",
        "",
        *(line for look in looks for line in entry(look)),
        "## Plain waters",
        "",
        "One for each of Jerlov's types, with nothing in them but water. Looks are built on these.",
        "",
        *(line for look in waters for line in entry(look)),
    ]
    return "\n".join(parts)


def entry(look: Preset) -> list[str]:
    """Return a look's part of the page."""
    story = story_report(look, 1001, LINEAR_REC709)
    told = f"`{look.name}`, {look.water.name}: a black object vanishes at {story.sighting_range_m:.2g} m"
    if story.subject_range_m is not None:
        told += f"; the story keeps {story.wanted_contrast:.0%} of contrast at {story.subject_range_m:.3g} m"
    told += water_colour(look)
    crop = crop_of(look)
    return [
        f"### {look.title}",
        "",
        f"{told}.",
        "",
        f"![{look.title}](pictures/gallery/{look.name}.jpg)",
        "",
        *([f"![{look.title}, at 300 %](pictures/gallery/{crop.name})", ""] if crop.exists() else []),
        *(line for told in look.notes.split("\n\n") if told.strip() for line in (" ".join(told.split()), "")),
    ]


def water_colour(look: Preset) -> str:
    """Return the chromaticity of a look's open water, as text; nothing where there is no daylight."""
    path = story_path(look, 1001, LINEAR_REC709)
    xyz = LINEAR_REC709.to_xyz @ (path.bands.down @ path.veil_along(np.inf, abeam(path)))
    if not float(xyz.sum()) > 0.0:
        return ""
    x, y = (f"{share:.3f}".lstrip("0") for share in xyz[:2] / xyz.sum())
    return f"; open water is {x} {y}"


def read_jpeg(path: Path) -> U8:
    """Return a picture ``(rows, columns, 3)``, red first."""
    picture = cv2.imread(str(path))
    if picture is None:
        sys.exit(f"{path} is not there: make the whole gallery first")
    return np.ascontiguousarray(picture[..., ::-1]).astype(np.uint8)


def write_jpeg(path: Path, pixels: U8) -> None:
    """Write display pixels as JPEG."""
    _, encoded = cv2.imencode(
        ".jpg", np.ascontiguousarray(pixels[..., ::-1]), [cv2.IMWRITE_JPEG_QUALITY, JPEG_QUALITY]
    )
    path.write_bytes(encoded.tobytes())


if __name__ == "__main__":
    main()
