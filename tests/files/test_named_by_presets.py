"""Pictures that a preset names."""

from __future__ import annotations

from pathlib import Path

import pytest

from halocline.errors import PresetError
from halocline.presets.preset import load_preset

TEXT = """format = 1
extends = "open-water"
[steps.weed]
operator = "suspended_matter"
[[steps.weed.classes]]
name = "weed"
kind = "picture"
smallest = 0.02
largest = 0.05
images = [{images}]
"""


def preset_at(folder: Path, images: str) -> Path:
    path = folder / "look.toml"
    path.write_text(TEXT.format(images=images))
    return path


def test_picture_is_found_beside_the_preset_wherever_one_stands(tmp_path: Path) -> None:
    (tmp_path / "leaf.png").write_bytes(b"a leaf")
    preset = load_preset(preset_at(tmp_path, '"leaf.png"'))
    classes = preset.at(1001).graph.steps[-1].operator.parameters.classes
    assert classes[0].images[0].place == (tmp_path / "leaf.png").resolve()


def test_digest_of_the_preset_tells_another_picture_of_the_same_name(tmp_path: Path) -> None:
    (tmp_path / "leaf.png").write_bytes(b"a leaf")
    path = preset_at(tmp_path, '"leaf.png"')
    first = load_preset(path)
    (tmp_path / "leaf.png").write_bytes(b"another leaf")
    assert load_preset(path).digest != first.digest


def test_resolved_preset_refuses_another_picture(tmp_path: Path) -> None:
    (tmp_path / "leaf.png").write_bytes(b"a leaf")
    resolved = tmp_path / "resolved.toml"
    resolved.write_text(load_preset(preset_at(tmp_path, '"leaf.png"')).resolved_text)
    assert load_preset(resolved).digest == load_preset(tmp_path / "look.toml").digest
    (tmp_path / "leaf.png").write_bytes(b"another leaf")
    with pytest.raises(PresetError, match="is not the picture that the preset was resolved with"):
        load_preset(resolved)


def test_missing_picture_is_a_mistake_of_the_preset(tmp_path: Path) -> None:
    with pytest.raises(PresetError, match=r"there is no file leaf\.png"):
        load_preset(preset_at(tmp_path, '"leaf.png"'))


def test_preset_reads_no_file_outside_the_folders_it_may_use(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "shot").mkdir()
    (tmp_path / "leaf.png").write_bytes(b"a leaf")
    path = preset_at(tmp_path / "shot", '"../leaf.png"')
    with pytest.raises(PresetError, match="outside the folders that presets may use"):
        load_preset(path)
    monkeypatch.setenv("HALOCLINE_PRESETS", str(tmp_path))
    assert load_preset(path).digest
