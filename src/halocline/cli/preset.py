"""`halocline preset`: presets checked, shown and listed."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any

import typer

from halocline.cli.examples import examples
from halocline.cli.options import DepthOption, PassOption, PresetArgument, SetOption, passes_given
from halocline.cli.preset_edit import (
    DIFF_EXAMPLES,
    SET_EXAMPLES,
    UPGRADE_EXAMPLES,
    diff,
    set_keys,
    upgrade,
)
from halocline.cli.preset_new import NEW_EXAMPLES, new
from halocline.compute.disk_cache import kept, package_mark
from halocline.graph.graph import Graph
from halocline.graph.origins import origins_named
from halocline.presets.curves import curve_text, key_frames, moving
from halocline.presets.document import shipped_names
from halocline.presets.preset import Preset, load_preset
from halocline.presets.remarks import remarks
from halocline.presets.sections import LOOK_TABLES
from halocline.rgb import LINEAR_REC709

app = typer.Typer(
    help="Check, show, list, change and compare presets.", no_args_is_help=True, rich_markup_mode=None
)
app.command("set", epilog=SET_EXAMPLES)(set_keys)
app.command("upgrade", epilog=UPGRADE_EXAMPLES)(upgrade)
app.command("diff", epilog=DIFF_EXAMPLES)(diff)
app.command("new", epilog=NEW_EXAMPLES)(new)


@app.command(
    epilog=examples(
        "halocline preset check shot_120.toml",
        "halocline preset check shot_120.toml --against 'clean.####.exr' --pass 'arch=arch.####.exr'",
    )
)
def check(
    preset: PresetArgument,
    settings: SetOption = None,
    against: Annotated[
        str | None,
        typer.Option("--against", metavar="FRAMES", help="Look whether these frames have what it reads."),
    ] = None,
    depth: DepthOption = None,
    passes: PassOption = None,
) -> None:
    """Read a preset and tell every mistake in it, with file, line and fix; and what is probably not meant.

    Keys that nothing uses, keys by a former name, steps against the order of the light, and contradictions of
    physics are remarks: they are told, and leave the exit status at 0. With --against, every matte and pass
    that the render lacks is told too, from the headers of its files; and, where the look has lamps, which of
    them light nothing that its first frame shows.
    """
    found = load_preset(preset, settings or ())
    found.refuse_late_mistakes()
    for each in (found, *found.parts.values()):
        each.bands  # noqa: B018 - fits the water, which may fail as well
    odd = remarks(found)
    for remark in odd:
        typer.echo(f"remark: {remark}")
    odd_count = len(odd)
    if against is not None:
        # Only this looks at frames.
        from halocline.batch.first_look import look_at_lamps  # noqa: PLC0415
        from halocline.batch.headers import refuse_lacking_passes  # noqa: PLC0415
        from halocline.batch.still import tasks_of  # noqa: PLC0415

        tasks = tasks_of(against, depth=depth, passes=passes_given(passes))
        refuse_lacking_passes(tasks, found)
        typer.echo(f"{len(tasks)} frames have all that it reads.")
        unlit = look_at_lamps(tasks, found)
        for line in unlit:
            typer.echo(f"remark: {line}")
        odd_count += len(unlit)
    typer.echo(f"{found.name}: no mistakes{f', {odd_count} remarks' if odd_count else ''}.")


@app.command(
    epilog=examples(
        "halocline preset show fjord-archway --set water.secchi_depth=6",
        "halocline preset show jerlov-1c --resolved > whole.toml",
    )
)
def show(
    preset: PresetArgument,
    settings: SetOption = None,
    frame: Annotated[
        int | None, typer.Option("--frame", help="Frame to show; else the first that a curve has a key on.")
    ] = None,
    resolved: Annotated[
        bool, typer.Option("--resolved", help="Print the whole resolved text, as frames carry it.")
    ] = False,
) -> None:
    """Show what a preset comes to: water, what it really shows, story, what moves, and the steps."""
    found = load_preset(preset, settings or ())
    typer.echo(found.resolved_text if resolved else "\n".join(_description(found, frame)))


@app.command(epilog=examples("halocline preset schema > halocline.schema.json"))
def schema() -> None:
    """Print the preset format as JSON Schema, for editors that complete and check keys."""
    # Only this command needs every operator's module.
    from halocline.presets.schema import schema_text  # noqa: PLC0415

    typer.echo(schema_text(), nl=False)


@app.command("operator", epilog=examples("halocline preset operator veiling_light"))
def operator_reference(
    name: Annotated[str, typer.Argument(help="Name of an operator, of any package that is installed.")],
) -> None:
    """Print the reference of one operator: what it does, and its keys with type, default and meaning."""
    from halocline.presets.reference import operator_page  # noqa: PLC0415

    typer.echo(operator_page(name), nl=False)


@app.command("list", epilog=examples("halocline preset list"))
def list_presets() -> None:
    """List the presets that ship."""
    names = shipped_names()
    width = max(map(len, names), default=0)
    for name in names:
        typer.echo(f"{name:<{width}}  {load_preset(name).title}")


def _story_lines(found: Preset, frame: int) -> list[str]:
    """Return what the story asks of the water and costs, kept on disk: solving it needs the compiler."""

    def solve() -> bytes:
        from halocline.presets.build import story_path, story_report  # noqa: PLC0415
        from halocline.presets.story_costs import prices  # noqa: PLC0415

        report = story_report(found, frame, LINEAR_REC709).lines()
        told = prices(found, frame, story_path(found, frame, LINEAR_REC709))
        lines = [*(f"story     {line}" for line in report), *(f"price     {line}" for line in told)]
        return "\n".join(lines).encode()

    return kept("stories", f"{found.digest} {frame} {package_mark()}", solve).decode().splitlines()


def _description(found: Preset, asked: int | None) -> list[str]:
    curves = moving(found.document.tables)
    frame = min(key_frames(found.document.tables), default=0) if asked is None else asked
    water, bands = found.water, found.bands
    lines = [
        f"{found.name}: {found.title}",
        *([found.notes.strip()] if found.notes else []),
        f"from      {' < '.join(reversed(found.document.lineage))}",
        f"water     {water.name}; {water.source}",
        f"          a black object vanishes at {water.visibility_m:.3g} m, "
        f"a Secchi disc at {water.secchi_depth_m:.3g} m",
        *(f"          caveat: {caveat}" for caveat in water.caveats),
        *(f"          of the source: {note}" for note in water.source_notes),
        f"bands     {bands.count}, fitted over {bands.range_m:g} m of range and {bands.depth_m:g} m of depth",
        f"          CIEDE2000 at most {bands.worst_delta_e:.2f}, mean {bands.mean_delta_e:.2f}, "
        f"veil {bands.worst_veil_delta_e:.2f}",
        *_story_lines(found, frame),
        *(f"moves     {key}: {curve_text(curve)}" for key, curve in curves.items()),
        f"steps     on frame {frame}" if curves else "steps",
    ]
    lines += _step_lines(found.at(frame).graph)
    lines += [f"origin    {line}" for line in _origin_lines(found, frame)]
    for name in found.parts:
        lines += _part_lines(found, name, frame)
    return [*lines, f"digest    {found.digest}"]


def _step_lines(graph: Graph) -> list[str]:
    lines = []
    for step in graph.steps:
        values = {
            **step.limits.model_dump(mode="json", exclude_defaults=True),
            **step.operator.parameters.model_dump(mode="json", exclude_none=True),
        }
        told = _told(values)
        lines.append(
            f"          {step.name} <- {', '.join(step.inputs.values())}" + (f": {told}" if told else "")
        )
    return lines


def _origin_lines(found: Preset, frame: int) -> list[str]:
    """Return where each place is that things are bound to, and which are."""
    look = found.at(frame)
    bound = {f"light.{lamp.name or 'lamp'}": lamp for lamp in look.light.lamps} | {
        f"steps.{name}": model for name, model in look.stated.items()
    }
    lines = []
    for name, section in found.origins.items():
        stated = section.model_dump(mode="json", exclude_defaults=True, exclude={"found"})
        by = [key for key, model in bound.items() if name in origins_named(model)]
        known = look.origins.get(name)
        there = "with the lens, on each frame" if section.follows else "found on the sequence"
        if known is not None:
            there = "at " + ", ".join(f"{part:.4g}" for part in known.position_m) + " m"
        lines.append(f"{name}: {_told(stated)}; {there}; bound to it: {', '.join(by) or 'nothing'}")
    return lines


def _part_lines(found: Preset, name: str, frame: int) -> list[str]:
    """Return where a part of the picture is, and what its look is, where that is not the whole picture's."""
    part, table = found.parts[name], found.document.tables["parts"][name]
    there = next((each for each in found.at(frame).parts if each.name == name), None)
    place = "nowhere on this frame" if there is None else ""
    if there is not None:
        limits = there.limits.model_dump(mode="json", exclude_defaults=True)
        place = _told(limits) or "all of the picture"
    look, whole = part.at(frame), found.at(frame)
    lines = [
        f"part      {name}: {place}",
        *([f"          keeps the look of {table['preset']}"] if "preset" in table else []),
        f"          water     {part.water.name}; a black object vanishes at {part.water.visibility_m:.3g} m",
        *(f"          {line}" for line in _story_lines(part, frame)),
    ]
    for section in LOOK_TABLES[:5]:
        own, other = (getattr(each, section).model_dump(mode="json") for each in (look, whole))
        if told := _told({key: value for key, value in own.items() if value != other[key]}):
            lines.append(f"          {section:<9} {told}")
    if [step.name for step in look.graph.steps] != [step.name for step in whole.graph.steps]:
        lines.append(f"          steps     {', '.join(step.name for step in look.graph.steps)}")
    return lines


def _told(values: Mapping[str, Any]) -> str:
    return ", ".join(f"{key} = {value}" for key, value in values.items())
