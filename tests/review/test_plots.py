"""Plots are drawn, with what they must show, and without matplotlib they say so."""

from __future__ import annotations

import sys

import cv2
import numpy as np
import pytest

from halocline._typing import F64
from halocline.errors import JobError
from halocline.physics.path.visibility import RangeRemap
from halocline.physics.water.fitted_bands import fit_bands
from halocline.physics.water.water import jerlov_water
from halocline.review import plots
from halocline.review.contact_sheet import U8


def show(colours: F64) -> U8:
    return np.clip(np.round(255 * colours), 0, 255).astype(np.uint8)


def test_spectra_show_the_water_and_each_band() -> None:
    water = jerlov_water("II")
    bands = fit_bands(water)
    axes = plots.spectra_figure(water, bands).axes[0]
    lines = [np.asarray(line.get_ydata()) for line in axes.lines]
    assert any(np.array_equal(line, water.attenuation_per_m) for line in lines)
    assert any(np.array_equal(line, bands.attenuation) for line in lines)


def test_contrast_marks_the_subject_where_the_curve_is() -> None:
    ranges = np.linspace(0.1, 30.0, 100)
    physical, shown = np.exp(-0.5 * ranges), np.exp(-0.1 * ranges)
    figure = plots.contrast_figure(ranges, physical, shown, subject_m=20.0, sighting_m=7.8)
    marks = [line for line in figure.axes[0].lines if line.get_marker() == "o"]
    assert np.asarray(marks[0].get_xdata()) == pytest.approx([20.0])
    assert np.asarray(marks[0].get_ydata()) == pytest.approx([np.exp(-2.0)], rel=0.01)


@pytest.mark.parametrize("name", ["colour", "chart", "remap", "bars", "residuals"])
def test_figure_becomes_a_png(name: str) -> None:
    bands = fit_bands(jerlov_water("1C"))
    figure = {
        "colour": lambda: plots.colour_figure(bands, show, longest_m=8.0, deepest_m=20.0),
        "chart": lambda: plots.chart_figure(bands, np.full((24, 3), 0.4), show, ranges_m=(0.0, 4.0)),
        "remap": lambda: plots.remap_figure(RangeRemap(2.0, 3.0), longest_m=20.0),
        "bars": lambda: plots.bar_figure(["a", "b"], [1.0, 2.0], title="t", unit="u"),
        "residuals": lambda: plots.residual_figure(
            [(0.1, 0.2, 0.3)] * 3, np.full((3, 3), 0.2), [1.0, 2.0, np.inf], ["a", "a", "water"], "t"
        ),
    }[name]()
    data = plots.figure_png(figure, dpi=40)
    picture = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)
    assert picture is not None
    assert picture.std() > 5.0


def test_without_matplotlib_a_plot_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "matplotlib.figure", None)
    with pytest.raises(JobError, match=r'pip install "halocline\[plots\]"'):
        plots.remap_figure(RangeRemap(), longest_m=5.0)
