"""Colours that come in a space of the studio's configuration are worked in scene-linear light."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import OpenEXR
import pytest

from halocline._typing import F32
from halocline.errors import ColourError
from halocline.imaging.input_spec import InputSpec
from halocline.imaging.load import View, load_beauty
from halocline.rgb import ACESCG, LINEAR_REC709

# A studio's configuration with a space of its own: the square root of half the light, as ACEScg has it.
STUDIO = """ocio_profile_version: 2
roles:
  default: ACEScg
  scene_linear: ACEScg
file_rules:
  - !<Rule> {name: Default, colorspace: default}
displays:
  monitor:
    - !<View> {name: bare, colorspace: ACEScg}
colorspaces:
  - !<ColorSpace>
    name: ACEScg
  - !<ColorSpace>
    name: Fjord Curve
    aliases: [fjord]
    to_scene_reference: !<GroupTransform>
      children:
        - !<ExponentTransform> {value: [2, 2, 2, 1]}
        - !<MatrixTransform> {matrix: [2, 0, 0, 0, 0, 2, 0, 0, 0, 0, 2, 0, 0, 0, 0, 1]}
"""


@pytest.fixture
def studio(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "studio.ocio").write_text(STUDIO, encoding="utf-8")
    monkeypatch.setenv("OCIO", str(tmp_path / "studio.ocio"))


def written(folder: Path, rgb: Any, alpha: Any) -> Path:
    rows = 300
    planes = {
        name: np.tile(np.asarray(values, np.float32), (rows, 1))
        for name, values in zip("RGBA", (*rgb, alpha), strict=True)
    }
    OpenEXR.File({}, planes).write(str(folder / "a.exr"))
    return folder / "a.exr"


def view_of(path: Path, **spec: Any) -> View:
    return load_beauty(path, InputSpec(**spec)).views[0]


def rgb_of(view: View) -> F32:
    rgb = view.frame.plane("rgb")
    # All rows alike, over the joints of what is converted in one piece.
    assert (rgb == rgb[:, :1]).all()
    return rgb[:, 0]


def test_a_curve_of_the_built_in_configuration_is_undone(tmp_path: Path) -> None:
    """ACEScct above its toe is (log2 x + 9.72) / 17.52: Academy S-2016-001, equation from memory."""
    light = np.array([0.02, 0.18, 1.0, 8.0])
    coded = (np.log2(light) + 9.72) / 17.52
    view = view_of(written(tmp_path, [coded] * 3, np.ones(4)), input_space="acescct")
    assert view.space == ACESCG
    np.testing.assert_allclose(rgb_of(view), np.tile(light, (3, 1)), rtol=3e-5)


def test_an_edge_is_converted_without_its_coverage(tmp_path: Path) -> None:
    """Half covered by 0.18: 0.09 comes out; light without coverage is converted as it stands."""
    coded = (np.log2(0.18) + 9.72) / 17.52
    path = written(tmp_path, [[coded, 0.5 * coded, coded]] * 3, [1.0, 0.5, 0.0])
    view = view_of(path, input_space="ACEScct", keep_glows=False)
    np.testing.assert_allclose(rgb_of(view), [[0.18, 0.09, 0.18]] * 3, rtol=3e-5)


@pytest.mark.usefixtures("studio")
@pytest.mark.parametrize("name", ["Fjord Curve", "fjord curve", "fjord"])
def test_the_studios_own_configuration_is_obeyed(tmp_path: Path, name: str) -> None:
    view = view_of(written(tmp_path, [[0.3], [0.5], [0.1]], [1.0]), input_space=name)
    np.testing.assert_allclose(rgb_of(view).ravel(), [0.18, 0.5, 0.02], rtol=3e-5)


def test_a_linear_space_goes_by_its_matrix(tmp_path: Path) -> None:
    """First column of Rec.709 to ACEScg with the Bradford transform: .613097 .070194 .020616 (rgb.py)."""
    path = written(tmp_path, [[1.0], [0.0], [0.0]], [1.0])
    view = view_of(path, input_space="lin_rec709", colour_space="ACEScg")
    assert view.space == ACESCG
    np.testing.assert_allclose(rgb_of(view).ravel(), [0.613097, 0.070194, 0.020616], atol=1e-6)
    alone = view_of(path, input_space="lin_rec709")
    assert alone.space == LINEAR_REC709
    assert alone.warnings == () or "colour space" not in " ".join(alone.warnings)
    np.testing.assert_array_equal(rgb_of(alone).ravel(), [1, 0, 0])


def test_a_space_that_nobody_knows_is_refused_with_those_there_are(tmp_path: Path) -> None:
    path = written(tmp_path, [[1.0]] * 3, [1.0])
    with pytest.raises(
        ColourError, match=r'E-COLOUR-SPACE(.|\n)*"ACESctt"(.|\n)*Did you mean "ACEScct"(.|\n)*OCIO'
    ):
        view_of(path, input_space="ACESctt")


def test_a_configuration_that_cannot_be_read_is_refused_and_not_replaced(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "studio.ocio").write_text("no: configuration", encoding="utf-8")
    path = written(tmp_path, [[1.0]] * 3, [1.0])
    for name in ("studio.ocio", "absent.ocio"):
        monkeypatch.setenv("OCIO", str(tmp_path / name))
        with pytest.raises(ColourError, match=rf"E-COLOUR-CONFIG.*{name}(.|\n)*environment variable OCIO"):
            view_of(path, input_space="ACEScct")
