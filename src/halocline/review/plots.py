"""Plots, for those who would rather look than read: matplotlib figures, an optional package.

Every figure is made without a display and without touching matplotlib's global state.
"""

from __future__ import annotations

import io
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from halocline._typing import F64
from halocline.errors import JobError
from halocline.physics.path.transport import LightPath
from halocline.physics.path.visibility import RangeRemap
from halocline.physics.water.bands import Bands
from halocline.physics.water.water import Water
from halocline.review.contact_sheet import U8

if TYPE_CHECKING:
    from matplotlib.figure import Figure
else:
    Figure = Any

# Drawn for each channel, whatever the working space.
CHANNELS = (("red", "#d1495b"), ("green", "#3a8f4f"), ("blue", "#2e6fb7"))
RANGES = 15
DEPTHS = 17


def figure_png(figure: Figure, *, dpi: int = 110) -> bytes:
    """Return a figure as a PNG file.

    Parameters
    ----------
    figure
        The figure.
    dpi
        Pixels per inch.

    Returns
    -------
    bytes
        The file's bytes.
    """
    stream = io.BytesIO()
    figure.savefig(stream, format="png", dpi=dpi, metadata={"Software": None})
    return stream.getvalue()


def spectra_figure(water: Water, bands: Bands) -> Figure:
    """Return a, b and Kd over wavelength, with the fitted bands as points.

    Parameters
    ----------
    water
        The water.
    bands
        Its bands.

    Returns
    -------
    Figure
        The figure.
    """
    figure, axes = _figure(1, 1, (8.0, 4.6))
    nm = water.wavelength_nm
    lines = (
        ("absorption a", water.absorption_per_m, bands.absorption, "#8c4a2f"),
        ("scattering b", water.scattering_per_m, bands.scattering, "#5a7d9a"),
        ("attenuation c = a + b", water.attenuation_per_m, bands.attenuation, "#222222"),
        ("diffuse attenuation Kd", water.diffuse_attenuation_per_m, bands.diffuse_attenuation, "#3a8f4f"),
    )
    for label, spectrum, points, colour in lines:
        axes.plot(nm, spectrum, color=colour, label=label)
        axes.plot(bands.wavelength_nm, points, "o", color=colour, markersize=5)
    axes.set(
        xlabel="wavelength, nm",
        ylabel="1/m",
        yscale="log",
        title=f"{water.name}: spectra, and the {bands.count} bands that stand for them (points)",
    )
    axes.legend(fontsize=8)
    return figure


def colour_figure(bands: Bands, show: Callable[[F64], U8], *, longest_m: float, deepest_m: float) -> Figure:
    """Return the colour of a white card, as it is and exposed anew, over range and depth.

    Parameters
    ----------
    bands
        Bands in the working space.
    show
        Turns scene-linear colours ``(rows, columns, 3)`` into display pixels of the same size.
    longest_m, deepest_m
        Ends of the axes, metres.

    Returns
    -------
    Figure
        The figure.
    """
    ranges = np.linspace(0.0, longest_m, RANGES)
    depths = np.linspace(0.0, deepest_m, DEPTHS)
    colours = bands.transfer_matrix(ranges[None, :], depths[:, None]).sum(axis=-1)
    row = colours.mean(axis=-1, keepdims=True)
    balanced = 0.35 * colours / np.maximum(row, 1e-9)
    figure, (left, right) = _figure(1, 2, (11.0, 4.4))
    extent = (0.0, longest_m, deepest_m, 0.0)
    for axes, shown, title in (
        (left, colours, "white card, exposed at range 0 and depth 0"),
        (right, balanced, "the same, each exposed to one brightness"),
    ):
        axes.imshow(show(shown), extent=extent, aspect="auto", interpolation="nearest")
        axes.set(xlabel="range, m", ylabel="more water above, m", title=title)
    return figure


def chart_figure(bands: Bands, chart: F64, show: Callable[[F64], U8], *, ranges_m: Sequence[float]) -> Figure:
    """Return the 24-patch chart at several ranges, each exposed so that its white stays white.

    Parameters
    ----------
    bands
        Bands in the working space.
    chart
        Linear colours of the patches, ``(24, 3)``.
    show
        Turns scene-linear colours ``(rows, columns, 3)`` into display pixels of the same size.
    ranges_m
        Ranges, metres.

    Returns
    -------
    Figure
        A picture a range, side by side.
    """
    figure, axes = _figure(1, len(ranges_m), (2.6 * len(ranges_m), 2.4))
    for one, range_m in zip(np.atleast_1d(axes), ranges_m, strict=True):
        matrix = bands.transfer_matrix(range_m)
        exposure = 0.9 / max(float((matrix @ chart[18]).mean()), 1e-6)
        colours = np.repeat(np.repeat((chart @ matrix.T * exposure).reshape(4, 6, 3), 16, axis=0), 16, axis=1)
        one.imshow(show(colours), interpolation="nearest")
        one.set(title=f"{range_m:.3g} m", xticks=[], yticks=[])
    return figure


def contrast_figure(
    ranges_m: F64,
    physical: F64,
    shown: F64,
    *,
    subject_m: float | None,
    sighting_m: float,
    size_m: float = 0.0,
    least: float = 0.02,
) -> Figure:
    """Return contrast of a dark object over range, in real water and in the story's, the subject marked.

    Parameters
    ----------
    ranges_m
        Ranges, metres, ``(n,)``, ascending.
    physical, shown
        Contrast there, ``(n,)``, 0 to 1: of the water as it is, and with the story.
    subject_m
        Range of the subject, where there is one.
    sighting_m
        Range to be marked at which a small black object vanishes.
    size_m
        How large the object is of which contrast is shown; 0 for a small one.
    least
        Contrast that can just be seen.

    Returns
    -------
    Figure
        The figure.
    """
    figure, axes = _figure(1, 1, (8.0, 4.4))
    axes.plot(ranges_m, physical, color="#555555", label="this water")
    if not np.allclose(physical, shown):
        axes.plot(ranges_m, shown, color="#2e6fb7", label="with the story's remap")
    axes.axhline(least, color="#aaaaaa", linewidth=0.8)
    axes.text(ranges_m[-1], least, " 2 %: not seen", fontsize=8, va="bottom", ha="right")
    axes.axvline(sighting_m, color="#aaaaaa", linewidth=0.8, linestyle=":")
    if subject_m is not None:
        there = float(np.interp(subject_m, ranges_m, shown))
        axes.plot(
            [subject_m], [there], "o", color="#d1495b", label=f"subject: {there:.2g} at {subject_m:.3g} m"
        )
    axes.set(
        xlabel="range, m",
        ylabel="contrast with open water",
        yscale="log",
        ylim=(1e-3, 1.1),
        title=f"how a black object {f'of {size_m:.3g} m ' if size_m else ''}stands out",
    )
    axes.legend(fontsize=8)
    return figure


def remap_figure(remap: RangeRemap, *, longest_m: float) -> Figure:
    """Return range as the optics see it over true range.

    Parameters
    ----------
    remap
        The story's remap.
    longest_m
        End of the axis, metres.

    Returns
    -------
    Figure
        The figure.
    """
    figure, axes = _figure(1, 1, (6.4, 4.4))
    true = np.linspace(0.0, longest_m, 400)
    axes.plot(true, true, color="#aaaaaa", label="physical")
    axes.plot(true, remap.exact(true), color="#2e6fb7", label="as the optics see it")
    if not remap.physical:
        axes.axvline(remap.near_m, color="#aaaaaa", linewidth=0.8, linestyle=":")
    axes.set(xlabel="true range, m", ylabel="range seen, m", title="the story's remap of range")
    axes.legend(fontsize=8)
    return figure


def veil_figure(path: LightPath, level: F64) -> Figure:
    """Return the brightness of endless water over the view's tilt, towards the sun's side and away.

    Parameters
    ----------
    path
        The water and its light.
    level
        Level unit direction that stands for the sun's side where the sun is overhead, ``(3,)``.

    Returns
    -------
    Figure
        The figure.
    """
    figure, axes = _figure(1, 1, (8.0, 4.4))
    tilts = np.linspace(-89.0, 89.0, 179)
    row = path.luminance @ path.bands.down
    sunward = -(path.sun_travel - (path.sun_travel @ path.up) * path.up)
    length = float(np.linalg.norm(sunward))
    bright = sunward / length if length > 1e-6 else level
    for label, side, colour in (("sun's side", bright, "#c98a1b"), ("away", -bright, "#2e6fb7")):
        seen = [
            float(row @ path.veil_along(np.inf, np.cos(tilt) * side + np.sin(tilt) * path.up))
            for tilt in np.radians(tilts)
        ]
        axes.plot(tilts, seen, color=colour, label=label)
    axes.set(
        xlabel="tilt of the view, degrees (up is positive)",
        ylabel="luminance, white card = 1",
        yscale="log",
        title="open water, by direction",
    )
    axes.legend(fontsize=8)
    return figure


def residual_figure(
    seen: Sequence[Sequence[float]],
    predicted: F64,
    ranges_m: Sequence[float],
    names: Sequence[str],
    title: str,
) -> Figure:
    """Return what a match predicts against what the samples show, channel by channel.

    Parameters
    ----------
    seen, predicted
        ``(n, 3)`` linear colours.
    ranges_m, names
        Of each sample; open water is drawn at the right edge.
    title
        Which water.

    Returns
    -------
    Figure
        The figure.
    """
    measured, ranges = np.asarray(seen, np.float64), np.asarray(ranges_m, np.float64)
    finite = ranges[np.isfinite(ranges)]
    end = 1.25 * float(finite.max()) if finite.size else 1.0
    at = np.where(np.isfinite(ranges), ranges, end)
    figure, (upper, lower) = _figure(2, 1, (8.0, 6.4), sharex=True)
    for channel, (label, colour) in enumerate(CHANNELS):
        order = np.argsort(at, kind="stable")
        upper.plot(at, measured[:, channel], "o", color=colour, markersize=5, label=label)
        upper.plot(at[order], predicted[order, channel], "x", color=colour, markersize=6)
        lower.plot(at, predicted[:, channel] - measured[:, channel], "o", color=colour, markersize=4)
    for name in dict.fromkeys(names):
        # The farthest of a name is enough; more would be a thicket.
        last = max((number for number, other in enumerate(names) if other == name), key=lambda i: at[i])
        place = (at[last], measured[last].max())
        upper.annotate(name, place, fontsize=7, xytext=(4, 4), textcoords="offset points")
    lower.axhline(0.0, color="#aaaaaa", linewidth=0.8)
    upper.set(ylabel="linear", title=f"{title}: samples (dots) and the match (crosses)")
    lower.set(xlabel="range, m (open water at the right edge)", ylabel="match minus sample")
    upper.legend(fontsize=8)
    return figure


def bar_figure(
    labels: Sequence[str], values: Sequence[float], *, title: str, unit: str, logarithmic: bool = False
) -> Figure:
    """Return bars with their values beside them; values that differ by powers of ten want a logarithm.

    Parameters
    ----------
    labels
        Names, from the top.
    values
        One each.
    title, unit
        Heading, and name of the axis.
    logarithmic
        Whether the axis is a logarithm; values must then be above 0.

    Returns
    -------
    Figure
        The figure.
    """
    figure, axes = _figure(1, 1, (8.0, 0.9 + 0.42 * len(labels)))
    places = np.arange(len(labels))[::-1]
    axes.barh(places, values, color="#5a7d9a")
    for place, value in zip(places, values, strict=True):
        axes.text(value, place, f" {value:.3g}", va="center", fontsize=8)
    axes.set(yticks=places, yticklabels=labels, xlabel=unit, title=title)
    axes.margins(x=0.15)
    if logarithmic:
        axes.set_xscale("log")
    return figure


def _figure(rows: int, columns: int, size: tuple[float, float], **options: Any) -> tuple[Figure, Any]:
    try:
        from matplotlib.figure import Figure as Drawing  # noqa: PLC0415 - an optional package
    except ImportError as error:
        raise JobError(
            "plots need the package matplotlib, which is not installed",
            code="E-PLOT-PACKAGE",
            fix='Install it with:  pip install "halocline[plots]"',
        ) from error
    figure = Drawing(figsize=size, layout="constrained")
    return figure, figure.subplots(rows, columns, **options)
