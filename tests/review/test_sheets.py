"""Sheets, wedges, strips, pages and previews."""

from __future__ import annotations

import base64
import re
from pathlib import Path

import cv2
import numpy as np
import pytest

from halocline._typing import F32
from halocline.errors import PresetError, WriteError
from halocline.files.whole import write_whole
from halocline.review.animation import animated, durations_ms, smaller
from halocline.review.compare import (
    difference,
    film_strip,
    layer_pixels,
    slit_through_time,
)
from halocline.review.contact_sheet import BACKGROUND, U8, SheetTile, contact_sheet
from halocline.review.page import sheet_page
from halocline.review.wedge import parse_axis, wedge


def flat(value: int, rows: int = 40, columns: int = 64) -> U8:
    return np.full((rows, columns, 3), value, np.uint8)


def test_sheet_holds_every_picture_at_its_width() -> None:
    sheet = contact_sheet(
        [[SheetTile(flat(200), "one"), SheetTile(flat(90), "two")], [SheetTile(flat(150), "three")]],
        tile_width=128,
    )
    assert np.all(sheet[10:60, 10:110] == 200)
    assert np.all(sheet[10:60, 150:250] == 90)
    assert (sheet == 150).any()


def test_long_label_is_wrapped_into_its_own_tile() -> None:
    long = "a label that says a great deal about one small picture " * 3
    sheet = contact_sheet([[SheetTile(flat(200), long), SheetTile(flat(200), "")]], tile_width=160)
    beside = sheet[100:, 170:]
    assert np.all(beside == BACKGROUND)
    assert (sheet[110:, :160] != BACKGROUND).any()


def test_letters_are_drawn_and_legible_in_size() -> None:
    sheet = contact_sheet([[SheetTile(flat(BACKGROUND), "II")]], tile_width=480)
    label = sheet[300:, :, 0].astype(int)
    rows = np.nonzero((label > 128).any(axis=1))[0]
    assert rows.size >= 10


@pytest.mark.parametrize(
    ("text", "values"),
    [
        ("light.sun_elevation=10,30,60", ("10", "30", "60")),
        ("light.sun_elevation=10:70:4", ("10", "30", "50", "70")),
        ("light.veil_tint=[1,1,1],[1,0.8,1]", ("[1,1,1]", "[1,0.8,1]")),
        ('story.subject_range="40 ft", "80 ft"', ('"40 ft"', '"80 ft"')),
    ],
)
def test_axis_is_read(text: str, values: tuple[str, ...]) -> None:
    assert parse_axis(text).values == values


@pytest.mark.parametrize("text", ["light", "light.x=", "=3", "a.b=1:2:1", "a.b=1:2:2.5", "a.b=1,,2"])
def test_unreadable_axis_is_refused(text: str) -> None:
    with pytest.raises(PresetError, match="cannot be used"):
        parse_axis(text)


def test_wedge_runs_first_axis_across_and_second_down() -> None:
    def make(settings: list[str]) -> tuple[U8, str]:
        return flat(int(settings[0].partition("=")[2]) + int(settings[1].partition("=")[2])), "remark"

    rows = wedge([parse_axis("a.b=1,2,3"), parse_axis("c.d=10,20")], make)
    assert [[int(tile.pixels[0, 0, 0]) for tile in row] for row in rows] == [[11, 12, 13], [21, 22, 23]]
    assert rows[1][2].label == "a.b = 3\nc.d = 20\nremark"


def test_wedge_of_too_many_pictures_is_refused() -> None:
    with pytest.raises(PresetError, match="more than 100"):
        wedge([parse_axis("a.b=1:2:11"), parse_axis("c.d=1:2:11")], lambda _: (flat(1), ""))


def test_equal_pictures_differ_by_even_grey() -> None:
    assert np.all(difference(flat(77), flat(77)) == 128)
    assert np.all(difference(flat(77), flat(87), gain=4.0) == 128 + 40)


def test_strip_keeps_the_order_of_frames() -> None:
    strip = film_strip([flat(10), flat(100), flat(200)], height=40)
    assert [int(strip[20, x, 0]) for x in (5, 70, 135)] == [10, 100, 200]


def test_one_odd_frame_is_an_odd_bar_in_the_slit() -> None:
    frames = [flat(50)] * 5
    frames[3] = flat(90)
    slit = slit_through_time(frames, rows_a_frame=2)
    assert slit[:, 0, 0].tolist() == [50, 50, 50, 50, 50, 50, 90, 90, 50, 50]


@pytest.mark.parametrize("shape", [(6, 9), (1, 6, 9), (2, 6, 9), (3, 6, 9), (6, 6, 9)])
def test_any_layer_can_be_looked_at(shape: tuple[int, ...]) -> None:
    plane: F32 = np.linspace(-1.0, 3.0, int(np.prod(shape)), dtype=np.float32).reshape(shape)
    plane.flat[0] = np.nan
    pixels, scale = layer_pixels(plane)
    assert pixels.shape == (6, 9, 3)
    assert scale


def test_page_holds_its_pictures_and_fetches_nothing() -> None:
    page = sheet_page([[SheetTile(flat(120), "one <two>")]], title="A & B", notes=("note",), preview=b"RIFF")
    assert "A &amp; B" in page
    assert "one &lt;two&gt;" in page
    assert not re.search(r'(src|href)="(?!data:|#)', page)
    embedded = re.search(r"data:image/jpeg;base64,([^\"]+)", page)
    assert embedded
    picture = cv2.imdecode(np.frombuffer(base64.b64decode(embedded[1]), np.uint8), cv2.IMREAD_COLOR)
    assert picture is not None
    assert picture.shape == (40, 64, 3)


@pytest.mark.parametrize("kind", ["webp", "png"])
def test_preview_has_every_frame_for_its_time(kind: str) -> None:
    frames = [flat(20 * number) for number in range(8)]
    data = animated(frames, frames_per_second=24.0, kind=kind, width=64)
    read, animation = cv2.imdecodeanimation(np.frombuffer(data, np.uint8)[None])
    assert read
    assert len(animation.frames) == 8
    assert sum(animation.durations) == pytest.approx(1000 * 8 / 24, abs=9)


def test_preview_keeps_time_over_a_long_sequence() -> None:
    assert sum(durations_ms(240, 24.0)) == 10000
    assert sum(durations_ms(300, 29.97)) == round(300000 / 29.97)


def test_preview_is_never_enlarged() -> None:
    assert smaller(flat(1), 640).shape == (40, 64, 3)
    assert smaller(flat(1), 32).shape == (20, 32, 3)


def test_preview_of_nothing_is_refused() -> None:
    with pytest.raises(WriteError, match="no frames to animate"):
        animated([], frames_per_second=24.0)


def test_file_is_not_written_over_unless_asked(tmp_path: Path) -> None:
    path = tmp_path / "deep" / "sheet.png"
    write_whole(path, b"one", make_folder=True)
    with pytest.raises(WriteError, match="is already there"):
        write_whole(path, b"two", make_folder=True)
    assert path.read_bytes() == b"one"
    write_whole(path, b"two", overwrite=True, make_folder=True)
    assert [each.read_bytes() for each in path.parent.iterdir()] == [b"two"]
