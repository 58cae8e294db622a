"""`halocline port`: a housing's port measured from photographs of a board."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Annotated

import typer

from halocline.cli.examples import examples
from halocline.cli.options import OverwriteOption
from halocline.errors import FrameError
from halocline.files.whole import write_whole
from halocline.matching.port_grid import fit_port, photographed

EXAMPLES = examples(
    "halocline port board-in-water.tif --air board-in-air.tif --board 10x6 --out port.toml",
    "halocline port corners.csv --size 6000x4000",
)


def port(
    water: Annotated[
        Path, typer.Argument(metavar="WATER", help="Photograph of a chessboard taken in the water, or a CSV.")
    ],
    air: Annotated[
        Path | None, typer.Option("--air", help="The same in air: only what the water adds is then applied.")
    ] = None,
    board: Annotated[
        str, typer.Option("--board", metavar="AxB", help="Inner corners of the board, across and down.")
    ] = "10x6",
    size: Annotated[
        str | None, typer.Option("--size", metavar="WxH", help="Pixels of the photograph, for a CSV.")
    ] = None,
    out: Annotated[Path | None, typer.Option("--out", help="Preset file to write, to extend.")] = None,
    overwrite: OverwriteOption = False,
) -> None:
    """Measure a housing's port: fit a photographed board, and print the step that bends a render so.

    A CSV has a line for each corner: column,row,x,y. Fill the frame with the board, out to its corners.
    """
    corners, seen = _pair(board, "--board"), None if size is None else _pair(size, "--size")
    wet, pixels = photographed(water, corners, seen)
    dry = None
    if air is not None:
        dry, others = photographed(air, corners, seen)
        if others != pixels:
            raise FrameError(
                f"the photographs are {pixels[0]} x {pixels[1]} and {others[0]} x {others[1]} pixels",
                code="E-INPUT-SIZE",
                where=str(air),
                fix="Take both with the same camera, lens and crop.",
            )
    fit = fit_port(wet, pixels, dry)
    typer.echo(f"{fit.report()}\n\n{fit.step()}", nl=False)
    if out is not None:
        write_whole(out, fit.preset_text().encode(), overwrite=overwrite, make_folder=True)


def _pair(text: str, option: str) -> tuple[int, int]:
    match = re.fullmatch(r"([1-9][0-9]{0,5})x([1-9][0-9]{0,5})", text.strip())
    if match is None:
        raise typer.BadParameter(f"{text!r} is not two whole numbers such as 10x6", param_hint=option)
    return int(match[1]), int(match[2])
