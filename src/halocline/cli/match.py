"""`halocline match`: the water of a reference still, or of a dive log."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from halocline.cli.examples import examples
from halocline.cli.output import say_warning
from halocline.errors import PhysicsError
from halocline.files.whole import write_whole
from halocline.matching.dive_data import DiveData, water_from
from halocline.matching.match import match as find_match
from halocline.matching.match import preset_text, report_lines
from halocline.matching.model import Setting
from halocline.matching.reference_picture import ReferenceLens, read_still, samples_of
from halocline.matching.samples import parse_place
from halocline.rgb import LINEAR_REC709
from halocline.units import metres

EXAMPLES = examples(
    'halocline match dive.jpg --sample "412,233@1.5 m=grey" --sample "640,250@4 m=grey" '
    '--sample "800,90@water" --view 75 --out water.toml',
    "halocline match frame.png --range range.exr --plot residuals.png",
    "halocline match --secchi '6 m' --visibility '8 m' --out water.toml",
)


def match(
    stills: Annotated[
        list[Path] | None, typer.Argument(metavar="[STILL]...", help="Pictures taken under water.")
    ] = None,
    samples: Annotated[
        list[str] | None,
        typer.Option(
            "--sample",
            metavar="[N:]X,Y@RANGE=WHAT",
            help="A place in (the Nth) still, its range, and what it shows: white, grey, black, patch 1 to "
            "24, three linear numbers, or any name for one unknown colour. RANGE water is open water; "
            "#RRGGBB may stand for the place.",
        ),
    ] = None,
    ranges: Annotated[
        list[Path] | None, typer.Option("--range", help="Range map of each still, metres, in their order.")
    ] = None,
    open_from: Annotated[
        str | None,
        typer.Option("--open-from", metavar="LENGTH", help="Ranges from here on are open water."),
    ] = None,
    encoding: Annotated[
        str | None, typer.Option(help="srgb, rec709 or linear; by the kind of file if not given.")
    ] = None,
    view: Annotated[
        float | None, typer.Option(metavar="DEGREES", help="Horizontal angle of view of the lens.")
    ] = None,
    tilt: Annotated[float, typer.Option(metavar="DEGREES", help="How far the lens looked up.")] = 0.0,
    depth: Annotated[str, typer.Option(metavar="LENGTH", help="Depth of the lens.")] = "10 m",
    sun_elevation: Annotated[float, typer.Option(metavar="DEGREES")] = 45.0,
    overcast: Annotated[float, typer.Option(min=0.0, max=1.0)] = 0.2,
    white_balanced: Annotated[
        bool, typer.Option("--white-balanced", help="The camera was balanced for daylight at the surface.")
    ] = False,
    constituents: Annotated[
        bool,
        typer.Option("--constituents", help="Write the preset for free constituents, not a Jerlov type."),
    ] = False,
    secchi: Annotated[str | None, typer.Option(metavar="LENGTH", help="Secchi depth.")] = None,
    visibility: Annotated[str | None, typer.Option(metavar="LENGTH", help="Divers' visibility.")] = None,
    attenuation: Annotated[float | None, typer.Option(help="Beam attenuation at 550 nm, 1/m.")] = None,
    chlorophyll: Annotated[float | None, typer.Option(help="Chlorophyll a, mg/m3.")] = None,
    turbidity: Annotated[float | None, typer.Option(help="Turbidity, NTU or FNU.")] = None,
    out: Annotated[Path | None, typer.Option("--out", help="Preset file to write.")] = None,
    plot: Annotated[Path | None, typer.Option("--plot", help="Picture of the residuals to write.")] = None,
    overwrite: Annotated[bool, typer.Option("--overwrite", help="Replace files that are there.")] = False,
) -> None:
    """Find the water of pictures taken in it, or of what a dive log says.

    Tells the nearest Jerlov type and how strong it is, the constituents that would do the same, the veil, the
    sun, how sure all that is, and what these pictures cannot tell. With --out it writes a preset.
    """
    data = DiveData(
        None if secchi is None else metres(secchi),
        None if visibility is None else metres(visibility),
        attenuation,
        chlorophyll,
        turbidity,
    )
    if not stills and not samples:
        found_water = water_from(data)
        lines, text = list(found_water.remarks), found_water.preset_text()
    elif data != DiveData():
        raise PhysicsError(
            "pictures and dive data are given together",
            code="E-MATCH-DIVE",
            fix="Leave out the pictures and --sample, or else --secchi, --visibility, --attenuation, "
            "--chlorophyll and --turbidity; to hold one against the other, run the command twice.",
        )
    else:
        lens = None if view is None else ReferenceLens(view, tilt)
        beyond = None if open_from is None else metres(open_from)
        if len(ranges or ()) > len(stills or ()):
            raise PhysicsError(
                f"{len(ranges or ())} range maps are given for {len(stills or ())} stills",
                code="E-MATCH-SAMPLES",
                fix="Give --range once for each still, in the order of the stills.",
            )
        maps = [*(ranges or ()), *([None] * len(stills or ()))]
        read = [
            read_still(still, range_path=chart, encoding=encoding, lens=lens, open_from_m=beyond)
            for still, chart in zip(stills or (), maps, strict=False)
        ]
        for remark in dict.fromkeys(remark for each in read for remark in each.remarks):
            say_warning(remark)
        setting = Setting(
            read[0].space if read else LINEAR_REC709,
            depth_m=metres(depth),
            sun_elevation_deg=sun_elevation,
            overcast=overcast,
            white_balanced=white_balanced,
        )
        measured = samples_of(read, [parse_place(text) for text in samples or ()])
        found = find_match(measured, setting, kind="constituents" if constituents else "jerlov")
        lines, text = report_lines(found), preset_text(found)
        if plot is not None:
            # The plots need an optional package; a match does not.
            from halocline.cli.plot import write_figure  # noqa: PLC0415
            from halocline.review.plots import residual_figure  # noqa: PLC0415

            chosen = found.chosen
            seen = [sample.rgb for sample in measured]
            reach = [sample.range_m for sample in measured]
            names = [sample.target for sample in measured]
            figure = residual_figure(seen, chosen.predicted, reach, names, chosen.water.name)
            write_figure(figure, plot, overwrite=overwrite)
    typer.echo("\n".join(lines))
    if out is not None:
        write_whole(out, text.encode(), overwrite=overwrite, make_folder=True)
        typer.echo(f"written: {out}")
