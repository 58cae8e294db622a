"""Measured ports: from a file of corners or a picture of a board to a step that undoes the distortion."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import OpenImageIO as oiio
import pytest

from halocline._typing import F32
from halocline.cli.main import run
from halocline.errors import ReadError
from halocline.matching.port_grid import Corners, find_corners, fit_port, read_corners
from halocline.operators.measured_port import MeasuredPortParameters
from halocline.physics.bending.distortion import Distortion
from halocline.presets.preset import load_preset, preset_from_text

TRUTH = Distortion(960, 540, (0.01, -0.01), (0.10, -0.03, 0.0), (0.001, 0.0))


def corners(columns: int = 15, rows: int = 9) -> Corners:
    grid = np.stack(np.meshgrid(np.arange(float(columns)), np.arange(float(rows))), axis=-1).reshape(-1, 2)
    ideal = 480.0 + (grid[:, 0] - 7.0) * 52.0, 270.0 + (grid[:, 1] - 4.0) * 52.0
    return Corners(grid, np.stack(TRUTH.photographed(*ideal), axis=1))


def chessboard() -> F32:
    """Return a photograph of a board of 10 by 6 inner corners, distorted, with edges as soft as a lens's."""
    x, y = np.meshgrid(np.arange(960) + 0.5, np.arange(540) + 0.5)
    ideal_x, ideal_y = TRUTH.ideal(x.ravel(), y.ravel())
    across, down = (ideal_x - 480.0) / 60.0 + 5.5, (ideal_y - 270.0) / 60.0 + 3.5
    checks = np.tanh(25.0 * np.sin(np.pi * across) * np.sin(np.pi * down))
    outside = (across < 0) | (across > 11) | (down < 0) | (down > 7)
    return np.where(outside, 0.8, 0.425 + 0.375 * checks).reshape(540, 960).astype(np.float32)


def written(path: Path, found: Corners) -> Path:
    lines = [f"{c:g},{r:g},{x:.6f},{y:.6f}" for (c, r), (x, y) in zip(found.grid, found.pixels, strict=True)]
    path.write_text("column,row,x,y\n" + "\n".join(lines) + "\n")
    return path


def test_corners_from_a_file_give_a_step_that_a_preset_takes(tmp_path: Path) -> None:
    found = read_corners(written(tmp_path / "corners.csv", corners()))
    fit = fit_port(found, (960, 540))
    assert fit.water.worst_px < 0.01
    preset = preset_from_text(f'format = 1\n[water]\njerlov_type = "IB"\n{fit.step()}')
    operator = preset.at(0).graph.steps[0].operator
    assert isinstance(operator.parameters, MeasuredPortParameters)
    assert operator.parameters.water.radial[0] == pytest.approx(TRUTH.radial[0], abs=2e-3)
    assert "off by 0.000 px r.m.s." in fit.report()


def test_air_photograph_is_kept_beside_the_water_photograph(tmp_path: Path) -> None:
    fit = fit_port(corners(), (960, 540), corners())
    assert fit.step().count("radial") == 2
    assert fit.report().splitlines()[1].startswith("air: 135 corners")


def test_chessboard_is_found_in_a_picture_to_a_tenth_of_a_pixel() -> None:
    found = find_corners(chessboard(), 10, 6)
    assert found is not None
    # Independent of the detector: where the board's inner corners lie by construction.
    columns, rows = np.meshgrid(np.arange(10) - 4.5, np.arange(6) - 2.5)
    exact = np.stack(TRUTH.photographed(480 + 60 * columns.ravel(), 270 + 60 * rows.ravel()), axis=1)
    nearest = np.linalg.norm(found.pixels[:, None] - exact[None], axis=2).min(axis=1)
    assert nearest.max() < 0.1
    assert fit_port(found, (960, 540)).water.rms_px < 0.1


def test_the_command_fits_a_photograph_and_writes_a_preset_that_loads(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    picture = tmp_path / "board.tif"
    pixels = chessboard()
    image = oiio.ImageBuf(oiio.ImageSpec(960, 540, 1, "float"))
    image.set_pixels(oiio.ROI(0, 960, 0, 540), pixels[..., None])
    assert image.write(str(picture))
    out = tmp_path / "port.toml"
    with pytest.raises(SystemExit) as caught:
        run(["port", str(picture), "--air", str(picture), "--board", "10x6", "--out", str(out)])
    assert not caught.value.code
    told = capsys.readouterr().out
    assert told.startswith("water: 60 corners, off by 0.0")
    (step,) = load_preset(out).at(0).graph.steps
    assert isinstance(step.operator.parameters, MeasuredPortParameters)
    assert step.operator.parameters.photograph == (960, 540)
    assert step.operator.parameters.air == step.operator.parameters.water


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["board.csv"], "how large the photograph was"),
        (["flat.tif"], "no board of 10 by 6 inner corners"),
        (["none.tif"], "E-READ-OPEN"),
        (["board.csv", "--size", "960"], "not two whole numbers"),
        (["board.csv", "--size", "960x540", "--air", "flat.tif"], "no board of 10 by 6 inner corners"),
    ],
)
def test_the_command_says_what_keeps_it_from_fitting(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], arguments: list[str], message: str
) -> None:
    written(tmp_path / "board.csv", corners())
    flat = oiio.ImageBuf(oiio.ImageSpec(64, 48, 3, "uint8"))
    assert flat.write(str(tmp_path / "flat.tif"))
    found = [str(tmp_path / each) if "." in each else each for each in arguments]
    with pytest.raises(SystemExit) as caught:
        run(["port", *found])
    assert caught.value.code
    assert message in " ".join(capsys.readouterr().err.split())


def test_no_board_in_the_picture_is_no_corners() -> None:
    assert find_corners(np.full((200, 300), 0.5, np.float32), 10, 6) is None


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("a,b\n1,2\n", "does not name the columns"),
        ("column,row,x,y\n0,0,1.0,\n", r"line 2: no grid corners: a value is missing"),
        ("column,row,x,y\n0,0,nan,1\n", "not finite"),
    ],
)
def test_files_without_corners_are_refused(tmp_path: Path, text: str, message: str) -> None:
    path = tmp_path / "corners.csv"
    path.write_text(text)
    with pytest.raises(ReadError, match=message):
        read_corners(path)
    with pytest.raises(ReadError, match="cannot be read"):
        read_corners(tmp_path / "missing.csv")
