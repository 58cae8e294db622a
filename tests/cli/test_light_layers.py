"""Caustics on one light layer of a render, from file to file."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import OpenImageIO as oiio
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from halocline._typing import F32

if TYPE_CHECKING:
    from tests.cli.conftest import Halocline, Reader

WIDTH, HEIGHT = 64, 36
LOOK = """
format = 1
title = "A net of light on what the key light gives"

[light]
sun_elevation = 60.0
overcast = 0.0

[place]
camera_depth = 3.0

[sea]
wind = 3.0
detail = 256
patch = 8.0

[camera]
focal_length_mm = 24.0
"""
KEY = '[steps.caustics]\nnormals = "none"\n'


def write(path: Path, key_light: float = 1.0) -> Path:
    """A wall four metres away: a key light on its left half, fill all over, half covered at the top."""
    rows, columns = np.indices((HEIGHT, WIDTH), np.float32)
    key = np.where(columns < WIDTH // 2, key_light * (0.25 + rows / 256.0), 0.0)
    fill = np.full_like(key, 0.125)
    alpha = np.where(rows < 4, 0.5, 1.0)
    planes = [(key + fill) * alpha] * 3 + [alpha, np.full_like(key, 4.0)] + [key * alpha] * 3
    names = ("R", "G", "B", "A", "Z", "sun.R", "sun.G", "sun.B")
    spec = oiio.ImageSpec(WIDTH, HEIGHT, len(names), "float")
    spec.channelnames = names
    writer: Any = oiio.ImageOutput.create(str(path))
    writer.open(str(path), spec)
    writer.write_image(np.ascontiguousarray(np.stack(planes, axis=-1), np.float32))
    writer.close()
    return path


@pytest.fixture
def render(tmp_path: Path) -> Path:
    return write(tmp_path / "arch.1001.exr")


def applied(halocline: Halocline, render: Path, text: str, name: str, read: Reader) -> F32:
    look = render.parent / f"{name}.toml"
    look.write_text(text, encoding="utf-8")
    told = halocline("apply", look, render, "--out", render.parent / f"{name}.1001.exr")
    assert told.status == 0, told.err
    return read.pixels(render.parent / f"{name}.1001.exr")[..., :3]


def test_only_the_key_light_of_the_file_is_gathered(halocline: Halocline, render: Path, read: Reader) -> None:
    clean = read.pixels(render)
    beauty, key = clean[..., :3], clean[..., 5:8]
    lit = applied(halocline, render, LOOK + KEY + 'key_light = "sun"\n', "lit", read)
    dark, left = slice(WIDTH // 2, None), slice(0, WIDTH // 2)
    assert_array_equal(lit[:, dark], beauty[:, dark])
    change = (lit - beauty)[:, left]
    assert np.abs(change).max() > 0.05
    # No more than the key itself can be missing: the fill stays.
    assert (lit >= beauty - key - 1e-6).all()
    named = '[input]\nlights = { key = "sun" }\n'
    again = applied(halocline, render, LOOK + named + KEY + 'key_light = "key"\n', "again", read)
    assert_array_equal(again, lit)
    # beauty + (gain - 1) key: twice the key, twice the change, whatever the fill.
    bright = write(render.parent / "bright.1001.exr", 2.0)
    twice = applied(halocline, bright, LOOK + KEY + 'key_light = "sun"\n', "twice", read)
    assert_allclose((twice - read.pixels(bright)[..., :3])[:, left], 2.0 * change, atol=1e-6)


def test_the_step_comes_before_the_water(halocline: Halocline, render: Path, read: Reader) -> None:
    head = LOOK.replace("format = 1\n", 'format = 1\nextends = "jerlov-1b"\n')
    # The water's blur would carry some of the change to where none was made.
    head += "\n[steps.forward_scatter]\nenabled = false\n"
    dry = applied(halocline, render, head, "dry", read)
    lit = applied(halocline, render, head + KEY + 'key_light = "sun"\nafter = "render"\n', "wet", read)
    assert_allclose(lit[:, WIDTH // 2 :], dry[:, WIDTH // 2 :], atol=1e-6)
    assert np.abs(lit - dry).max() > 0.01
    before = applied(halocline, render, head + KEY + 'key_light = "sun"\nbefore = "downwelling"\n', "b", read)
    assert_array_equal(before, lit)


def test_a_late_step_and_a_missing_layer_are_told(halocline: Halocline, render: Path) -> None:
    late, absent = render.parent / "late.toml", render.parent / "absent.toml"
    head = LOOK.replace("format = 1\n", 'format = 1\nextends = "jerlov-1b"\n')
    late.write_text(head + KEY + 'key_light = "sun"\n', encoding="utf-8")
    told = halocline("apply", late, render, "--out", render.parent / "late.1001.exr")
    assert told.status != 0
    assert "E-PRESET-ORDER" in told.err
    assert 'Say after = "render"' in told.err
    absent.write_text(LOOK + KEY + 'key_light = "moon"\n', encoding="utf-8")
    told = halocline("apply", absent, render, "--out", render.parent / "absent.1001.exr")
    assert told.status != 0
    assert 'no moon.R, moon.G and moon.B for the light "moon"' in told.err
    assert "sun.R" in told.err
