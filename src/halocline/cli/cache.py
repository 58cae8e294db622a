"""`halocline cache`: what is kept on disk between runs."""

from __future__ import annotations

import json
from typing import Annotated

import typer

from halocline.cli.examples import examples
from halocline.compute import disk_cache
from halocline.compute.disk_cache import PLACE_VARIABLE, SIZE_VARIABLE

EXAMPLES = examples("halocline cache show", "halocline cache warm", "halocline cache clear")

app = typer.Typer(
    help="Show, fill or empty the folder of what is kept between runs: fits, tables, compiled loops, "
    "light of the last frames. "
    f"It is safe to delete at any time. {PLACE_VARIABLE} names another folder ({PLACE_VARIABLE}=off: none), "
    f"{SIZE_VARIABLE} the MiB that it may hold.",
    epilog=EXAMPLES,
    no_args_is_help=True,
    rich_markup_mode=None,
)


@app.command(epilog=EXAMPLES)
def show(
    as_json: Annotated[bool, typer.Option("--json", help="Print it as JSON.")] = False,
) -> None:
    """Print where the folder is, and what it holds."""
    place, held = disk_cache.place(), disk_cache.contents()
    total = sum(kind.size for kind in held)
    if as_json:
        kinds = {kind.kind: {"entries": kind.entries, "bytes": kind.size} for kind in held}
        told = {
            "place": None if place is None else str(place),
            "kinds": kinds,
            "bytes": total,
            "most_bytes": disk_cache.most_bytes(),
        }
        typer.echo(json.dumps(told, indent=2, ensure_ascii=False))
        return
    if place is None:
        typer.echo(f"nothing is kept: {PLACE_VARIABLE} says so, or there is no home folder")
        return
    typer.echo(str(place))
    for kind in held:
        typer.echo(f"{kind.kind:12} {kind.entries:6} {_mib(kind.size)}")
    typer.echo(f"{'together':12} {sum(kind.entries for kind in held):6} {_mib(total)}")
    typer.echo(f"{'at most':19} {_mib(disk_cache.most_bytes())}")


@app.command(epilog=EXAMPLES)
def clear() -> None:
    """Take away all that is kept; other files in the folder stay."""
    gone = disk_cache.clear()
    typer.echo(f"{gone.entries} entries gone, {_mib(gone.size).strip()}")


@app.command(epilog=EXAMPLES)
def warm(
    presets: Annotated[
        list[str] | None,
        typer.Argument(metavar="[PRESET]...", help="Preset files or names; all shipped ones if none."),
    ] = None,
) -> None:
    """Make what looks need and keep it, so that the first frame of each need not wait: minutes for all."""
    # Computing: not for those who only want to look or to empty.
    from halocline.batch.loops_of_looks import all_loops, loops_of  # noqa: PLC0415
    from halocline.batch.warm import make_loops  # noqa: PLC0415
    from halocline.batch.warm import warm as warm_look  # noqa: PLC0415
    from halocline.cli.output import say  # noqa: PLC0415
    from halocline.presets.document import shipped_names  # noqa: PLC0415
    from halocline.presets.preset import load_preset  # noqa: PLC0415

    names = presets or shipped_names()
    looks = list(map(load_preset, names))
    loops = {each for look in looks for each in loops_of(look)}
    say("compiling loops")
    make_loops([each for each in all_loops() if each in loops])
    for count, (name, look) in enumerate(zip(names, looks, strict=True), 1):
        say(f"[{count}/{len(names)}] {name}")
        warm_look(look)


def _mib(size: int) -> str:
    return f"{size / (1 << 20):10.1f} MiB"
