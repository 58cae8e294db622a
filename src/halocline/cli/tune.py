"""`halocline tune`: a preset turned by eye, on a page in the browser."""

from __future__ import annotations

import webbrowser
from pathlib import Path
from typing import Annotated, Any

import typer

from halocline.cli.examples import examples
from halocline.cli.options import DepthOption, FramesOption, PassOption, PresetArgument, passes_given
from halocline.errors import JobError

EXAMPLES = examples(
    "halocline tune fjord-afternoon 'clean.####.exr' --save-to shot_120.toml",
    "halocline tune look.toml 'clean.####.exr' --frames 1001-1024 --reference dive.jpg",
)


def tune(
    preset: PresetArgument,
    frames: Annotated[str, typer.Argument(metavar="FRAMES", help="EXR file or frame pattern.")],
    depth: DepthOption = None,
    passes: PassOption = None,
    numbers: FramesOption = None,
    save_to: Annotated[
        Path | None,
        typer.Option("--save-to", help="Preset file to save versions of; nothing is written without it."),
    ] = None,
    reference: Annotated[Path | None, typer.Option("--reference", help="A still to compare with.")] = None,
    port: Annotated[int, typer.Option("--port", min=0, max=65535, help="Port; a free one if 0.")] = 0,
    browser: Annotated[bool, typer.Option("--browser/--no-browser", help="Open the page at once.")] = True,
) -> None:
    """Open a page in the browser where a preset is turned while its picture is watched.

    The page is for this machine alone; the address that is printed opens it once. Nothing is written unless
    --save-to is given: then each save is a new version beside that name. Ends with Ctrl-C.
    """
    try:
        from halocline.tuning.server import Server, serve  # noqa: PLC0415
    except ImportError as error:
        raise JobError(
            f"the page needs the package {error.name}, which is not installed",
            code="E-TUNE-PACKAGE",
            fix='Install it with:  pip install "halocline[tune]"',
        ) from error
    from halocline.batch.loops_of_looks import loops_of  # noqa: PLC0415
    from halocline.compute.ahead import compiling_ahead  # noqa: PLC0415
    from halocline.tuning.pictures import Pictures  # noqa: PLC0415
    from halocline.tuning.session import Session  # noqa: PLC0415

    own = passes_given(passes)
    session = Session(preset, frames, depth=depth, passes=own, save_to=save_to)
    pictures = Pictures(frames, depth=depth, passes=own, numbers=numbers, reference=reference)

    def ready(server: Server, _: Any) -> None:
        typer.echo(server.address)
        if browser:
            webbrowser.open(server.address)

    with compiling_ahead(loops_of(session.state.preset)):
        serve(session, pictures, port=port, ready=ready)
