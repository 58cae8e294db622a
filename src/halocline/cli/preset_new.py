"""`halocline preset new`: a preset to begin with, and the schema that editors complete it from."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from halocline.cli.examples import examples
from halocline.files.regular import is_regular
from halocline.files.whole import write_whole
from halocline.presets.preset import load_preset

NEW_EXAMPLES = examples(
    "halocline preset new shot_120.toml --extends fjord-archway",
    'halocline preset new look.toml --extends jerlov-1c --title "Grey morning"',
)


def new(
    out: Annotated[Path, typer.Argument(metavar="OUT", help="Preset file to write.")],
    extends: Annotated[
        str,
        typer.Option("--extends", metavar="PRESET", help="Shipped look, or file beside it, to start from."),
    ] = "open-water",
    title: Annotated[
        str | None, typer.Option(help="What people call the look; else the file's name.")
    ] = None,
    overwrite: Annotated[bool, typer.Option("--overwrite", help="Replace files that are there.")] = False,
) -> None:
    """Write a preset that extends a look and changes nothing yet, ready for an editor.

    Its first line names the schema, which is written beside it where it is not there yet: editors with a TOML
    language server then complete keys, show their meaning and unit, and mark mistakes.
    """
    # Only this command needs every operator's module.
    from halocline.presets.new import new_preset_text  # noqa: PLC0415
    from halocline.presets.schema import SCHEMA_FILE, schema_text  # noqa: PLC0415

    # A file is named from where the new preset stands, as `extends` reads it.
    beside = out.parent / extends
    look = load_preset(beside if beside.suffix == ".toml" else extends)
    text = new_preset_text(extends, look, title=title or out.stem)
    write_whole(out, text.encode(), overwrite=overwrite, make_folder=True)
    typer.echo(f"written: {out}")
    beside, schema = out.parent / SCHEMA_FILE, schema_text().encode()
    if not beside.exists():
        write_whole(beside, schema, overwrite=False)
        typer.echo(f"written: {beside}")
    elif not is_regular(beside) or beside.read_bytes() != schema:
        typer.echo(
            f"{beside} is of another version, or of other operators: renew it with "
            f"halocline preset schema > {beside}"
        )
