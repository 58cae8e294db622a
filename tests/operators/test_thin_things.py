"""Edges: a thin chain has no dry halo and no dark fringe, measured against a supersampled truth.

Wires at known ranges are rendered by formula with 16 samples a pixel each way. The truth is degraded sample
by sample and then averaged to pixels; what Halocline sees is the frame that a renderer delivers, averaged
to pixels first.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pytest
from tests.conftest import Builders

from halocline._typing import F32
from halocline.imaging.edge_mixture import mixture_planes
from halocline.imaging.frame import Frame, Window

SAMPLES = 16
WINDOW = Window(0, 0, 40, 24)
FINE = Window(0, 0, 40 * SAMPLES, 24 * SAMPLES)


@dataclass(frozen=True)
class Wires:
    """Passes of the wires at sample resolution; range is inf where nothing is hit."""

    rgb: F32
    alpha: F32
    range: F32


def wires(*, wall_m: float | None) -> Wires:
    """Slanted bright wires, 0.3 to 1.5 pixels wide, 2 m away, before open water or a wall."""
    y, x = (np.indices(FINE.shape) + 0.5) / SAMPLES
    rgb = np.zeros((3, *FINE.shape))
    alpha, distance = np.zeros(FINE.shape), np.full(FINE.shape, np.inf)
    if wall_m is not None:
        alpha[:], distance[:] = 1.0, wall_m
        rgb[:] = 0.25
    for number, width in enumerate((0.3, 0.6, 1.0, 1.5)):
        hit = np.abs(x - 5.0 - 9.0 * number - 0.31 * y) * np.cos(np.arctan(0.31)) < width / 2
        rgb[:, hit] = np.array([0.9, 0.7, 0.5])[:, None]
        alpha[hit], distance[hit] = 1.0, 2.0
    return Wires(rgb.astype(np.float32), alpha.astype(np.float32), distance.astype(np.float32))


def averaged(plane: F32) -> F32:
    rows, columns = WINDOW.shape
    split = plane.reshape(*plane.shape[:-2], rows, SAMPLES, columns, SAMPLES)
    mean: F32 = split.mean(axis=(-3, -1), dtype=np.float64).astype(np.float32)
    return mean


def steps(build: Builders) -> list[Any]:
    return [(name, build.operator(name)) for name in ("attenuation", "veiling_light")]


def truth(build: Builders, fine: Wires) -> F32:
    frame = Frame({"rgb": fine.rgb, "alpha": fine.alpha, "range": fine.range}, FINE, FINE)
    return averaged(build.run(steps(build), frame, build.shot(FINE))["rgb"])


@pytest.mark.parametrize("water_type", ["IB", "1C", "5C"])
def test_edge_pixel_of_thin_chain_has_no_dry_halo_and_no_dark_fringe(
    build: Builders, water_type: str
) -> None:
    fine = wires(wall_m=None)
    alpha = averaged(fine.alpha)
    # Depth as a renderer gives it unfiltered: wherever anything of the wire is hit, the wire's.
    frame = Frame(
        {
            "rgb": averaged(fine.rgb),
            "alpha": alpha,
            "range": np.where(alpha > 0, np.float32(2.0), np.float32(np.inf)),
        },
        WINDOW,
        WINDOW,
    )
    build_path = build.path(build.bands(water_type))
    wet = build.run(steps(build), frame, build.shot(WINDOW, path=build_path))["rgb"]
    fine_frame = Frame({"rgb": fine.rgb, "alpha": fine.alpha, "range": fine.range}, FINE, FINE)
    exact = averaged(build.run(steps(build), fine_frame, build.shot(FINE, path=build_path))["rgb"])
    edge = (alpha > 0) & (alpha < 1)
    assert edge.sum() > 100
    # A pixel's own angle stands for all its samples: the veil's gradient over one pixel is the tolerance.
    assert np.abs(wet - exact).max() < 3e-3
    assert np.abs((wet - exact)[:, edge]).mean() < 3e-4


def test_naive_degrading_of_the_same_edge_would_show_a_fringe(build: Builders) -> None:
    """The measure can fail: the veil of the wire alone, over all of an edge pixel, is far off the truth."""
    fine = wires(wall_m=None)
    alpha = averaged(fine.alpha)
    planes = {"rgb": averaged(fine.rgb), "range": np.where(alpha > 0, np.float32(2.0), np.float32(np.inf))}
    frame = Frame({**planes, "alpha": (alpha > 0).astype(np.float32)}, WINDOW, WINDOW)
    naive = build.run(steps(build), frame, build.shot(WINDOW))["rgb"]
    assert np.abs(naive - truth(build, fine)).max() > 0.03


def before_a_wall(
    build: Builders, wire: tuple[float, float, float], wall: float
) -> tuple[F32, F32, F32, F32]:
    """Return the near share, and truth, result, and result without the farther surface, all ``(3, ...)``."""
    fine = wires(wall_m=6.0)
    hit = fine.range == 2.0
    rgb = np.where(hit, np.array(wire)[:, None, None], wall).astype(np.float32)
    near = averaged(hit.astype(np.float32))
    planes = {
        "rgb": averaged(rgb),
        "alpha": np.ones(WINDOW.shape, np.float32),
        "range": np.where(near > 0, np.float32(2.0), np.float32(6.0)),
    }
    farther = {
        "far_range": np.full(WINDOW.shape, 6.0, np.float32),
        "far_share": np.where(near > 0, 1 - near, 0).astype(np.float32),
    }
    shot = build.shot(WINDOW)
    wet = build.run(steps(build), Frame({**planes, **farther}, WINDOW, WINDOW), shot)["rgb"]
    ignoring = build.run(steps(build), Frame(planes, WINDOW, WINDOW), shot)["rgb"]
    return near, truth(build, Wires(rgb, fine.alpha, fine.range)), wet, ignoring


@pytest.mark.parametrize("wall", [0.0, 0.4])
def test_averaged_depth_before_a_wall_of_like_colour_is_exact(build: Builders, wall: float) -> None:
    near, exact, wet, ignoring = before_a_wall(build, (wall, wall, wall), wall)
    assert np.abs(wet - exact).max() < 3e-3
    edge = (near > 0) & (near < 1)
    assert np.abs(ignoring - exact)[:, edge].max() > 0.03


def test_averaged_depth_before_a_wall_of_another_colour_errs_by_their_covariance_only(
    build: Builders,
) -> None:
    """One colour a pixel is all a render gives: mean(colour) mean(T) stands for mean(colour T)."""
    near, exact, wet, ignoring = before_a_wall(build, (0.9, 0.7, 0.5), 0.25)
    edge = (near > 0) & (near < 1)
    assert np.abs(wet - exact)[:, edge].mean() < np.abs(ignoring - exact)[:, edge].mean()
    # share (1 - share) is at most 1/4: of the difference of colours, times that of transmittances.
    up, down = build.bands().up, build.bands().down
    through = [np.exp(-build.bands().attenuation * s) for s in (2.0, 6.0)]
    differing = np.array([0.9, 0.7, 0.5]) - 0.25
    worst = 0.25 * down @ ((up @ differing) * (through[0] - through[1]))
    assert (np.abs(wet - exact).max(axis=(1, 2)) < worst + 3e-3).all()


@pytest.mark.parametrize(("wire", "wall"), [((0.9, 0.7, 0.5), 0.02), ((0.03, 0.03, 0.03), 0.5)])
def test_one_depth_a_pixel_gives_no_beads_along_the_wire(
    build: Builders, wire: tuple[float, float, float], wall: float
) -> None:
    """Bright wires before a dark wall and dark ones before a bright wall, as renderers deliver them."""
    fine = wires(wall_m=6.0)
    hit = fine.range == 2.0
    rgb = np.where(hit, np.array(wire)[:, None, None], wall).astype(np.float32)
    near = averaged(hit.astype(np.float32))
    centre = hit[SAMPLES // 2 :: SAMPLES, SAMPLES // 2 :: SAMPLES]
    planes = {
        "rgb": averaged(rgb),
        "alpha": np.ones(WINDOW.shape, np.float32),
        "range": np.where(centre, np.float32(2.0), np.float32(6.0)),
    }
    shot = build.shot(WINDOW)
    exact = truth(build, Wires(rgb, fine.alpha, fine.range))

    def wrong(given: dict[str, F32]) -> F32:
        wet = build.run(steps(build), Frame(given, WINDOW, WINDOW), shot)["rgb"]
        # The wires that are a pixel wide at least; no depth at all tells of most of a thinner one.
        wide = (near > 0) & (near < 1) & (np.arange(WINDOW.width) > 18)
        error: F32 = np.abs(wet - exact)[:, wide]
        return error

    apart, as_given = (
        wrong(planes | mixture_planes(planes["rgb"], planes["alpha"], planes["range"])),
        wrong(planes),
    )
    assert apart.mean() < 0.6 * as_given.mean()
    assert np.quantile(apart, 0.9) < 0.6 * np.quantile(as_given, 0.9)
