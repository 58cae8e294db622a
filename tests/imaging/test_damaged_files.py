"""Damaged files give an error of ours or a frame, never anything else, whatever byte is wrong."""

from __future__ import annotations

import random
from pathlib import Path

import numpy as np
import pytest

from halocline.errors import HaloclineError
from halocline.imaging.exr import Attribute, Part
from halocline.imaging.exr_write import PartPixels, write_exr
from halocline.imaging.frame import Window
from halocline.imaging.load import load
from halocline.imaging.report import inspect

WINDOW = Window(-3, 2, 40, 30)
ENTRIES = {
    "worldToCamera": Attribute("matrix", tuple(np.diag([1.0, 1.0, -1.0, 1.0]).ravel())),
    "screenWindowWidth": Attribute("float", 1.2),
    "shot": Attribute("string", "fjord 120"),
    "multiView": Attribute("string[1]", ("main",)),
}


def whole_file(path: Path, compression: str, parts: int) -> bytes:
    planes = {name: np.full(WINDOW.shape, 0.5, np.float32) for name in "RGBA"}
    planes |= {"Z": np.linspace(2, 9, 1200, dtype=np.float32).reshape(WINDOW.shape)}
    named = [("beauty", "RGBA", "half"), ("depth", "Z", "float")] if parts == 2 else [("", "RGBAZ", "float")]
    write_exr(
        path,
        [
            PartPixels(
                Part(
                    index=index,
                    name=name,
                    view="",
                    channels=dict.fromkeys(letters, kind),
                    data_window=WINDOW,
                    display_window=Window(0, 0, 36, 30),
                    compression=compression,
                    attributes=ENTRIES,
                ),
                planes,
            )
            for index, (name, letters, kind) in enumerate(named)
        ],
    )
    return path.read_bytes()


def damaged(content: bytes, dice: random.Random) -> bytes:
    wrong = bytearray(content)
    # Headers are the more fragile part: half of the damage goes there.
    reach = min(len(wrong), 1500) if dice.random() < 0.5 else len(wrong)
    match dice.randrange(4):
        case 0:
            wrong[dice.randrange(reach)] ^= 1 << dice.randrange(8)
        case 1:
            for _ in range(8):
                wrong[dice.randrange(reach)] = dice.randrange(256)
        case 2:
            del wrong[dice.randrange(reach) :]
        case 3:
            place = dice.randrange(reach)
            wrong[place : place + dice.randrange(1, 40)] = dice.randbytes(dice.randrange(40))
    return bytes(wrong)


@pytest.mark.parametrize(("compression", "parts"), [("zip", 1), ("none", 1), ("dwaa:45", 1), ("piz", 2)])
def test_no_damage_ends_in_anything_but_a_frame_or_an_error(
    tmp_path: Path, compression: str, parts: int
) -> None:
    content = whole_file(tmp_path / "whole.exr", compression, parts)
    file = tmp_path / "damaged.exr"
    dice = random.Random(f"{compression} {parts}")
    refused = unhelpful = 0
    for _ in range(150):
        file.write_bytes(damaged(content, dice))
        for look in (load, inspect):
            try:
                look(file)
            except HaloclineError as error:
                refused += 1
                unhelpful += not error.fix
    assert refused > 50
    assert unhelpful == 0


def test_a_file_cut_at_any_percent_is_refused(tmp_path: Path) -> None:
    content = whole_file(tmp_path / "whole.exr", "zip", 2)
    file = tmp_path / "cut.exr"
    for percent in range(100):
        file.write_bytes(content[: len(content) * percent // 100])
        with pytest.raises(HaloclineError, match="E-READ-"):
            load(file)
