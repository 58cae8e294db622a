"""Builders shared by the tests: a small frame of everything awkward, a water, a camera, a graph run.

With ``--every-code`` a run fails where some error code of the package was provoked by no test.
"""

from __future__ import annotations

import os
import runpy
import shutil
import sys
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from functools import lru_cache, wraps
from pathlib import Path
from typing import Any, TypedDict, Unpack

import numpy as np
import pytest

from halocline._typing import F32, F64
from halocline.compute.row_ratios import CELL, EACH, STRAIGHT, WHOLE, RowRatios
from halocline.errors import HaloclineError
from halocline.graph.engine import Evaluation, evaluate
from halocline.graph.graph import SOURCE, Graph, Step
from halocline.graph.operator import AnyOperator
from halocline.graph.shot import Shot
from halocline.imaging.camera import Camera, pinhole
from halocline.imaging.camera_track import CameraTrack
from halocline.imaging.exr import Part, read_into
from halocline.imaging.frame import Frame, Window
from halocline.operators.registry import operator_named
from halocline.operators.shared.water_shade import WaterShade
from halocline.physics.path.transport import LightPath, refracted_sun
from halocline.physics.path.visibility import RangeRemap
from halocline.physics.water.bands import Bands
from halocline.physics.water.fitted_bands import fit_bands
from halocline.physics.water.water import jerlov_water
from halocline.rgb import LINEAR_REC709, RGBSpace

# What runs keep on disk stays out of the home folder of whoever runs the tests.
os.environ.setdefault("HALOCLINE_CACHE", str(Path(__file__).parents[1] / ".pytest_cache" / "halocline"))

# Codes of the errors that the package itself has made in this process.
_PROVOKED: set[str] = set()
_MISSED: list[str] = []


def _noting(make: Any) -> Any:
    """Return what makes an error, noting the code of those that the package makes."""

    @wraps(make)
    def made(self: HaloclineError, *parts: Any, **named: Any) -> None:
        make(self, *parts, **named)
        frame = sys._getframe(1)
        # A kind of error may pass its parts on to the base.
        while frame.f_back is not None and frame.f_globals.get("__name__") == "halocline.errors":
            frame = frame.f_back
        if str(frame.f_globals.get("__name__")).startswith("halocline."):
            _PROVOKED.add(self.code)

    return made


HaloclineError.__init__ = _noting(HaloclineError.__init__)  # type: ignore[method-assign]


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption(
        "--every-code",
        action="store_true",
        help="fail where an error code of the package was provoked by no test; for runs of all tests",
    )


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: Any) -> Any:
    """Give pytest-xdist's processes a file at a time, in an order of our own."""
    if config.getvalue("dist") != "loadfile":
        return None
    from tests.order import Order

    return Order(config, log)


@pytest.hookimpl(optionalhook=True)
def pytest_testnodedown(node: Any) -> None:
    """Take what a process of pytest-xdist has noted."""
    _PROVOKED.update(getattr(node, "workeroutput", {}).get("provoked", ()))


def pytest_sessionfinish(session: pytest.Session) -> None:
    config = session.config
    if hasattr(config, "workeroutput"):
        config.workeroutput["provoked"] = sorted(_PROVOKED)
    elif config.getoption("--every-code"):
        known = runpy.run_path(str(Path(__file__).parents[1] / "tools/error_codes.py"))["codes"]()
        _MISSED.extend(sorted(set(known) - _PROVOKED))
        if _MISSED:
            session.exitstatus = pytest.ExitCode.TESTS_FAILED


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    if _MISSED:
        terminalreporter.write_line(f"no test provokes {', '.join(_MISSED)}")


@pytest.fixture
def provoked_codes() -> set[str]:
    """The codes that were noted so far, as they grow."""
    return _PROVOKED


UP: F64 = np.array([0.0, 1.0, 0.0])
AHEAD: F64 = np.array([0.0, 0.0, -1.0])


@lru_cache(maxsize=32)
def bands_of(water_type: str, space: RGBSpace = LINEAR_REC709) -> Bands:
    return fit_bands(jerlov_water(water_type), space)


class PathChanges(TypedDict, total=False):
    """What tests state of a light path beside its bands and depth: the fields of `LightPath`."""

    reference_depth_m: float
    up: F64
    sun_travel: F64
    surface_sun_share: float
    daylight_level: float
    remap: RangeRemap
    veil_brightness: float
    veil_tint: F64
    attenuation_scale: float
    veil_scale: float
    downwelling_scale: float


class Tiling(TypedDict, total=False):
    """How a graph is computed; the fields of `Evaluation`."""

    threads: int
    tile_rows: int


def read_channels(path: Path, part: Part, names: Iterable[str]) -> dict[str, F32]:
    """Read channels of a part as float32 planes ``(rows, columns)`` over its data window."""
    planes = {name: np.empty(part.data_window.shape, np.float32) for name in names}
    read_into(path, part, planes)
    return planes


def chain(operators: Iterable[tuple[str, AnyOperator]]) -> Graph:
    """Return the graph of named operators applied one after the other."""
    steps, previous = [], SOURCE
    for name, operator in operators:
        steps.append(Step(name, operator, {operator.inputs[0]: previous}))
        previous = name
    return Graph(steps, previous)


class Builders:
    """What tests build again and again."""

    up = UP
    ahead = AHEAD

    @staticmethod
    def bands(water_type: str = "1C", space: RGBSpace = LINEAR_REC709) -> Bands:
        return bands_of(water_type, space)

    @staticmethod
    def grey_bands(absorption: float, scattering: float, diffuse_attenuation: float) -> Bands:
        """Water that treats all wavelengths alike: four bands of one kind."""
        one, count = np.ones(4), 4
        return Bands(
            space=LINEAR_REC709.name,
            water="grey",
            range_m=100.0,
            depth_m=100.0,
            rise_m=5.0,
            up=np.full((count, 3), 1 / 3),
            down=np.full((3, count), 1 / count),
            wavelength_nm=550.0 * one,
            absorption=absorption * one,
            scattering=scattering * one,
            attenuation=(absorption + scattering) * one,
            diffuse_attenuation=diffuse_attenuation * one,
            shares=np.full((count, 31), 1 / 31),
            worst_delta_e=0.0,
            mean_delta_e=0.0,
            worst_veil_delta_e=0.0,
        )

    @staticmethod
    def left_along_rows(bands: int, rows: int, columns: int) -> tuple[RowRatios, F32]:
        """Return what is left of light along rows, in cells of all kinds, and the same of each pixel.

        The first row is whole; along others it changes by little from cell to cell.
        """
        draw, at = np.random.default_rng(6), np.arange(columns)
        cells = (columns + CELL - 1) // CELL
        kinds = draw.choice([STRAIGHT, STRAIGHT, STRAIGHT, EACH], (rows, cells)).astype(np.uint8)
        kinds[:, 8 : min(24, cells - 1)], kinds[:, -1], kinds[0] = STRAIGHT, EACH, WHOLE
        one = 0.6 + 0.3 * np.cos(np.arange(cells + 1) / 60.0) * np.linspace(0.5, 1.0, bands)[:, None, None]
        nodes: F32 = np.repeat(one, rows, axis=1).astype(np.float32)
        each = draw.uniform(0.5, 0.9, (bands, rows, columns)).astype(np.float32)
        told = np.ones((bands, rows, columns), np.float32)
        for band, row in np.ndindex(bands, rows):
            if row:
                straight = np.interp(at, CELL * np.arange(cells + 1), nodes[band, row])
                told[band, row] = np.where(kinds[row, at // CELL] == EACH, each[band, row], straight)
        return (kinds, nodes, each), told

    @staticmethod
    def left_before(shade: WaterShade, window: Window, range_m: F32) -> F32:
        """Return what a frame's shade leaves of each band before pixels, ``(K, rows, columns)``."""
        gain = shade.volume.gain(*shade.grid.places(window), range_m)
        return np.asarray(np.einsum("kc,cyx->kyx", shade.weights, gain), np.float32)

    @staticmethod
    def path(
        bands: Bands | None = None,
        space: RGBSpace = LINEAR_REC709,
        *,
        depth_m: float = 10.0,
        **changes: Unpack[PathChanges],
    ) -> LightPath:
        path = LightPath(
            bands=bands_of("1C", space) if bands is None else bands,
            camera_depth_m=depth_m,
            reference_depth_m=depth_m,
            up=UP,
            sun_travel=refracted_sun(45.0, 40.0, UP, AHEAD, 1.341),
            space=space,
            surface_sun_share=0.6,
        )
        return replace(path, **changes)

    @staticmethod
    def camera(window: Window, *, tilt_deg: float = 0.0, horizontal_view_deg: float = 70.0) -> Camera:
        """Return a camera that looks along -z, tilted up by an angle."""
        tilt = np.radians(tilt_deg)
        matrix = np.eye(4)
        matrix[1:3, 1:3] = [[np.cos(tilt), -np.sin(tilt)], [np.sin(tilt), np.cos(tilt)]]
        focal = 18.0 / np.tan(np.radians(horizontal_view_deg / 2))
        return pinhole(window, focal_length_mm=focal, film_width_mm=36.0, camera_to_world=matrix)

    def shot(
        self,
        window: Window,
        *,
        path: LightPath | None = None,
        camera: Camera | None = None,
        space: RGBSpace = LINEAR_REC709,
        frame: int = 1001,
    ) -> Shot:
        light = self.path(space=space) if path is None else path
        return Shot(
            frame=frame,
            fps=24.0,
            track=CameraTrack({frame: camera or self.camera(window)}),
            path=light,
            sea_level_m=light.camera_depth_m,
            space=space,
            seed=1,
            display_window=window,
            data_window=window,
        )

    @staticmethod
    def frame(window: Window, *, averaged_depth: bool = False, seed: int = 1) -> Frame:
        """Return a frame with edges, endless water, overshooting coverage, bright and negative pixels."""
        random = np.random.default_rng(seed)
        shape = window.shape
        alpha = np.clip(random.normal(0.6, 0.8, shape), 0.0, 1.0)
        alpha[random.random(shape) < 0.02] = 1.003
        rgb = random.exponential(0.3, (3, *shape)) * alpha
        rgb[:, random.random(shape) < 0.02] *= -0.05
        rgb[:, random.random(shape) < 0.01] *= 300.0
        distance = random.exponential(12.0, shape) + 0.05
        distance[random.random(shape) < 0.05] *= 1e4
        distance[alpha == 0] = np.inf
        planes = {"rgb": rgb, "alpha": alpha, "range": distance, "matte.arch": random.random(shape)}
        if averaged_depth:
            share = np.where(random.random(shape) < 0.2, random.random(shape), 0.0)
            share[alpha == 0] = 0.0
            planes["far_share"] = share
            planes["far_range"] = np.where(share > 0, distance * 3.0, distance)
        return Frame({name: plane.astype(np.float32) for name, plane in planes.items()}, window, window)

    @staticmethod
    def operator(kind: str, **parameters: Any) -> AnyOperator:
        found = operator_named(kind)
        return found(found.Parameters(**parameters))

    def core(self, **white_reference: Any) -> Graph:
        """Return the four steps of the shipped presets."""
        names = ("downwelling", "attenuation", "veiling_light")
        steps = [(name, self.operator(name)) for name in names]
        return chain([*steps, ("white_reference", self.operator("white_reference", **white_reference))])

    @staticmethod
    def run(
        graph: Graph | Iterable[tuple[str, AnyOperator]],
        frame: Frame,
        shot: Shot,
        *,
        wanted: Iterable[str] = ("rgb", "alpha"),
        **how: Unpack[Tiling],
    ) -> Mapping[str, F32]:
        made = graph if isinstance(graph, Graph) else chain(graph)
        return evaluate(made, frame, shot, wanted=wanted, how=Evaluation(**how))


@pytest.fixture(scope="session")
def build() -> Builders:
    return Builders()


def chromium() -> str:
    """Return the browser. Where there must be one, in CI, its absence is a failure and not a skip."""
    found = (
        os.environ.get("HALOCLINE_CHROMIUM") or shutil.which("chromium") or shutil.which("chromium-browser")
    )
    if found is None:
        if os.environ.get("HALOCLINE_NEEDS_BROWSER"):
            pytest.fail("chromium is not installed, and HALOCLINE_NEEDS_BROWSER says it must be")
        pytest.skip("chromium is not installed: apt-get install chromium")
    return found


@pytest.fixture(scope="session")
def browser() -> Iterator[Any]:
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        made = playwright.chromium.launch(executable_path=chromium(), args=["--no-sandbox"])
        yield made
        made.close()
