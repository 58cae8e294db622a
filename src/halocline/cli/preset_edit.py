"""`halocline preset set`, `upgrade` and `diff`: presets changed and compared."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from halocline.cli.examples import examples
from halocline.cli.options import PassOption, passes_given
from halocline.errors import PresetError
from halocline.files.whole import write_whole
from halocline.plain_text import one_line
from halocline.presets.document import preset_text
from halocline.presets.edit import edit_file, upgraded_file
from halocline.presets.formats import with_number_of_today
from halocline.presets.preset import load_preset

SET_EXAMPLES = examples(
    "halocline preset set look.toml light.sun_elevation=20 \"story.subject_range='40 ft'\"",
    "halocline preset set look.toml light.veil_tint=",
)
UPGRADE_EXAMPLES = examples("halocline preset upgrade look.toml")
DIFF_EXAMPLES = examples(
    "halocline preset diff jerlov-1c fjord-archway",
    "halocline preset diff old.toml new.toml --frame 1024",
    "halocline preset diff old.toml new.toml --render clean.1001.exr --out diff.png",
)


def set_keys(
    preset: Annotated[Path, typer.Argument(metavar="FILE", help="Preset file to change.")],
    settings: Annotated[list[str], typer.Argument(metavar="KEY=VALUE...", help="Keys to set.")],
) -> None:
    """Set keys of a preset file; comments, order and spacing stay, and only a valid result is written."""
    _refuse_no_file(preset)
    text, _ = edit_file(preset, settings)
    # Where the file is a link, what it leads to is what the user means.
    write_whole(preset.resolve(), text.encode(), overwrite=True)
    typer.echo(f"{preset}: {len(settings)} set.")


def upgrade(presets: Annotated[list[Path], typer.Argument(metavar="FILE...", help="Preset files.")]) -> None:
    """Write today's format number and the names that keys have today into preset files of former versions.

    Such files load as they are, and look the same before and after; comments, order and spacing stay. Every
    line that changes is told, what would change in the picture, were there anything, and what looks otherwise
    than it did when the file was written.
    """
    for preset in presets:
        _refuse_no_file(preset)
        text, count = upgraded_file(preset)
        text = with_number_of_today(text)
        if text == preset_text(preset):
            typer.echo(one_line(f"{preset}: 0 renamed."))
            continue
        before, lines = load_preset(str(preset)), preset_text(preset).splitlines()
        write_whole(preset.resolve(), text.encode(), overwrite=True)
        # These reckon with light.
        from halocline.presets.difference import differences  # noqa: PLC0415
        from halocline.presets.remarks import remarks  # noqa: PLC0415

        changed = differences(before, load_preset(str(preset)))
        told = "; ".join(changed) if changed else "the picture is the same before and after"
        typer.echo(one_line(f"{preset}: {count} renamed, {told}."))
        for number, (old, new) in enumerate(zip(lines, text.splitlines(), strict=True), 1):
            if old != new:
                typer.echo(one_line(f"  line {number}: {new.strip()}"))
        for remark in remarks(before):
            if remark.key == ("format",):
                typer.echo(one_line(f"  {remark.text}"))


def _refuse_no_file(preset: Path) -> None:
    if not preset.is_file():
        raise PresetError(
            f"there is no preset file {preset}",
            code="E-PRESET-FIND",
            fix="Shipped presets are not changed: write a file that extends one.",
        )


def diff(
    first: Annotated[str, typer.Argument(metavar="A", help="Preset file, or name of a shipped one.")],
    second: Annotated[str, typer.Argument(metavar="B", help="Another.")],
    frame: Annotated[
        int | None,
        typer.Option("--frame", help="Compare the values on this frame; else curves are compared whole."),
    ] = None,
    render: Annotated[
        str | None, typer.Option("--render", help="A clean EXR frame to show the difference on.")
    ] = None,
    depth: Annotated[str | None, typer.Option("--depth", help="Its depth pass, where apart.")] = None,
    passes: PassOption = None,
    out: Annotated[Path, typer.Option("--out", help="With --render: sheet to write.")] = Path("diff.png"),
    overwrite: Annotated[bool, typer.Option("--overwrite", help="Replace files that are there.")] = False,
) -> None:
    """Tell what differs between two presets, in words, and on a frame as a picture."""
    looks = load_preset(first), load_preset(second)
    from halocline.presets.difference import differences  # noqa: PLC0415 - reckons with light

    told = differences(*looks, frame=frame)
    typer.echo("\n".join(told) if told else "No difference.")
    if render is None:
        return
    # Words need none of this, and are wanted more often.
    from halocline.batch.still import Still, tasks_of  # noqa: PLC0415
    from halocline.cli.still import Viewing  # noqa: PLC0415
    from halocline.cli.wedge import write_sheet  # noqa: PLC0415
    from halocline.review.compare import difference  # noqa: PLC0415
    from halocline.review.contact_sheet import SheetTile  # noqa: PLC0415

    viewing = Viewing()
    shown = []
    for look in looks:
        still = Still.read(tasks_of(render, depth=depth, passes=passes_given(passes))[0], look)
        shown.append(viewing.pixels(still.planes(look)["rgb"], still.space))
    tiles = [SheetTile(pixels, look.name) for pixels, look in zip(shown, looks, strict=True)]
    tiles.append(
        SheetTile(
            difference(*shown, gain=2.0), f"{looks[1].name} minus {looks[0].name}, twice, around mid-grey"
        )
    )
    write_sheet([tiles], out, title=f"{first} and {second}", width=640, overwrite=overwrite)
    typer.echo(str(out))
