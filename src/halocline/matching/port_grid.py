"""Fitting a port from photographs of a grid: corners from a file or a picture, a step for a preset out.

A flat board with evenly spaced corners (a chessboard will do) is photographed in the water through the
housing, filling the frame out to its corners; and once more in air, if the lens's own distortion is to be
left out.
"""

from __future__ import annotations

import csv
from pathlib import Path

import cv2
import numpy as np

from halocline._typing import F32, F64
from halocline.errors import ReadError
from halocline.files.regular import read_text
from halocline.late_dataclass import dataclass
from halocline.matching.reference_picture import picture_pixels
from halocline.operators.registry import operators
from halocline.physics.bending.distortion import GridFit, fit_grid
from halocline.presets.sections import FORMAT

LARGEST_FILE_BYTES = 1 << 24
COLUMNS = ("column", "row", "x", "y")


@dataclass(frozen=True)
class Corners:
    """Corners of a photographed grid.

    Attributes
    ----------
    grid
        Column and row of each on the board, ``(n, 2)``.
    pixels
        Where each was found, x and y, pixels (0.5 is the centre of pixel 0), ``(n, 2)``.
    """

    grid: F64
    pixels: F64


def read_corners(path: Path) -> Corners:
    """Read corners from a CSV file with the columns ``column``, ``row``, ``x``, ``y``.

    Raises
    ------
    ReadError
        ``E-FILE-CORNERS`` with the line, where the file is no such table.
    """
    try:
        text = read_text(path, LARGEST_FILE_BYTES)
    except (OSError, UnicodeDecodeError) as error:
        raise _refused(path, f"it cannot be read ({error})") from error
    rows = list(csv.DictReader(text.splitlines()))
    if not rows or not set(COLUMNS) <= {name.strip() for name in rows[0] if name}:
        raise _refused(path, f"its first line does not name the columns {', '.join(COLUMNS)}")
    numbers = np.empty((len(rows), 4))
    for number, row in enumerate(rows):
        cells = {name.strip(): cell for name, cell in row.items() if name}
        try:
            numbers[number] = [float(cells[name]) for name in COLUMNS]
        except (TypeError, ValueError) as error:
            raise _refused(f"{path}, line {number + 2}", "a value is missing or no number") from error
    if not np.isfinite(numbers).all():
        raise _refused(path, "a value is not finite")
    return Corners(numbers[:, :2], numbers[:, 2:])


def find_corners(picture: F32, columns: int, rows: int) -> Corners | None:
    """Find the inner corners of a chessboard in a picture, or None where it is not to be seen whole.

    Parameters
    ----------
    picture
        Brightness, ``(rows, columns)``, any scale.
    columns, rows
        Inner corners of the board across and down.

    Notes
    -----
    OpenCV's sector-based detector finds the board and places its corners to parts of a pixel.
    """
    low, high = np.percentile(picture, (1.0, 99.0))
    grey = np.clip((picture - low) * (255.0 / max(high - low, 1e-12)), 0, 255).astype(np.uint8)
    found, corners = cv2.findChessboardCornersSB(grey, (columns, rows), flags=cv2.CALIB_CB_ACCURACY)
    if not found or corners is None:
        return None
    across, down = np.meshgrid(np.arange(columns, dtype=np.float64), np.arange(rows, dtype=np.float64))
    grid = np.stack([across.ravel(), down.ravel()], axis=1)
    # OpenCV's pixel centres are whole numbers, ours halves.
    return Corners(grid, np.asarray(corners, np.float64).reshape(-1, 2) + 0.5)


def photographed(
    path: Path, board: tuple[int, int], size: tuple[int, int] | None = None
) -> tuple[Corners, tuple[int, int]]:
    """Return the corners of a photograph of a board, and the photograph's size.

    Parameters
    ----------
    path
        A picture of the board, or a CSV file of its corners, see `read_corners`.
    board
        Inner corners of the board across and down; for a picture.
    size
        Columns and rows of the photograph; for a CSV file, which does not tell.

    Returns
    -------
    tuple[Corners, tuple[int, int]]
        The corners, and columns and rows of the photograph.

    Raises
    ------
    ReadError
        ``E-FILE-CORNERS`` where there are none to be had, ``E-READ-OPEN`` where a picture cannot be read.
    """
    if path.suffix.lower() == ".csv":
        if size is None:
            raise _refused(
                path, "a table of corners does not say how large the photograph was", "Say --size 6000x4000."
            )
        return read_corners(path), size
    # Brightness will do: the green of a colour picture.
    picture = picture_pixels(path)[..., :3]
    grey = np.asarray(picture[..., picture.shape[-1] // 2], np.float32)
    found = find_corners(grey, *board)
    if found is None:
        raise _refused(
            path,
            f"no board of {board[0]} by {board[1]} inner corners is to be seen whole",
            "Count the corners where four squares meet (--board 10x6) and show the whole board, sharp and "
            "evenly lit; or give a CSV file with a line for each corner: column,row,x,y.",
        )
    return found, (grey.shape[1], grey.shape[0])


@dataclass(frozen=True)
class PortFit:
    """Fits of one or two photographs of the same size, pixels."""

    size: tuple[int, int]
    water: GridFit
    air: GridFit | None = None

    def report(self) -> str:
        """Return how well the corners are met, for people."""
        lines = [_quality("water", self.water)]
        if self.air is not None:
            lines.append(_quality("air", self.air))
        return "\n".join(lines)

    def step(self, name: str = "port") -> str:
        """Return the step for a preset, TOML."""
        fitted = next(each for each, kind in operators().items() if kind.measured_from == "grid")
        lines = [f"[steps.{name}]", f'operator = "{fitted}"', f"photograph = {list(self.size)}"]
        lines.append(f"water = {_table(self.water)}   # corners met within {self.water.rms_px:.3f} px r.m.s.")
        if self.air is not None:
            lines.append(f"air = {_table(self.air)}   # corners met within {self.air.rms_px:.3f} px r.m.s.")
        return "\n".join(lines) + "\n"

    def preset_text(self) -> str:
        """Return a preset of nothing but the port, to extend or to copy the step from."""
        notes = "\n".join(f"# {line}" for line in self.report().splitlines())
        return f'format = {FORMAT}\ntitle = "A measured port"\n{notes}\n\n{self.step()}'


def fit_port(water: Corners, size: tuple[int, int], air: Corners | None = None) -> PortFit:
    """Fit a port.

    Parameters
    ----------
    water
        Corners of the photograph under water.
    size
        Columns and rows of the photographs, pixels.
    air
        Corners of the photograph in air, if there is one.

    Returns
    -------
    PortFit
        The port, and how well it fits.

    Raises
    ------
    PhysicsError
        As `halocline.physics.bending.distortion.fit_grid`.
    """
    columns, rows = size
    fits = [
        None if corners is None else fit_grid(corners.grid, corners.pixels, columns=columns, rows=rows)
        for corners in (water, air)
    ]
    assert fits[0] is not None
    return PortFit(size, fits[0], fits[1])


def _quality(name: str, fit: GridFit) -> str:
    return (
        f"{name}: {len(fit.residuals_px)} corners, off by {fit.rms_px:.3f} px r.m.s., "
        f"{fit.worst_px:.3f} px at worst"
    )


def _table(fit: GridFit) -> str:
    model = fit.distortion
    parts = {"centre": model.centre, "radial": model.radial, "tangential": model.tangential}
    inside = ", ".join(
        f"{name} = [{', '.join(f'{number:.9g}' for number in numbers)}]" for name, numbers in parts.items()
    )
    return "{ " + inside.replace("[-0,", "[0,") + " }"


_TABLE = "Give a CSV file with a line for each corner: column,row,x,y (grid numbers, then pixels)."


def _refused(where: Path | str, why: str, fix: str = _TABLE) -> ReadError:
    return ReadError(f"no grid corners: {why}", code="E-FILE-CORNERS", where=str(where), fix=fix)
