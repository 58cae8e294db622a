"""What a render delivers, and what is suspicious about it: for a person, and as data for machines."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from halocline._typing import F32
from halocline.errors import ChannelError, DepthError, FrameError, HaloclineError, ReadError
from halocline.imaging.channels import POSITION_LAYERS, vector_of, views_of
from halocline.imaging.colour import find_space
from halocline.imaging.depth_edges import COVERED
from halocline.imaging.exr import Header, Part, read_header
from halocline.imaging.frame import Window
from halocline.imaging.load import InputSpec, View, load, load_beauty
from halocline.imaging.sequence import Sequence, find_sequence, frame_text

_PERCENTILES = (1, 50, 99)
# Pixels a picture is judged by where every pixel would take long.
_JUDGED = 1_000_000
# Edge pixels needed to judge premultiplication by.
_LEAST_EDGES = 16


@dataclass(frozen=True)
class PartReport:
    """One part of the file; windows are x, y, width, height."""

    name: str
    view: str
    channels: dict[str, str]
    data_window: tuple[int, int, int, int]
    display_window: tuple[int, int, int, int]
    pixel_aspect: float
    compression: str
    tiled: bool
    deep: bool


@dataclass(frozen=True)
class DepthReport:
    """Range of what is seen, metres; ``percentiles_m`` by per cent."""

    reasons: tuple[str, ...]
    nearest_m: float | None
    farthest_m: float | None
    percentiles_m: dict[int, float]
    open_water_share: float
    mended_pixels: int
    covered_without_depth: int
    depth_without_cover: int


@dataclass(frozen=True)
class CameraReport:
    """The camera that will be used."""

    source: str
    position_m: tuple[float, ...]
    forward: tuple[float, ...]
    focal_length_mm: float
    film_width_mm: float
    horizontal_view_deg: float


@dataclass(frozen=True)
class ViewReport:
    """One view: what is known about its depth, camera, colours and bad pixels."""

    name: str
    colour_space: str
    colour_space_source: str
    camera: CameraReport | None
    depth: DepthReport | None
    bad_pixels: dict[str, int]
    covered_share: float
    partly_covered_share: float
    warnings: tuple[str, ...]


@dataclass(frozen=True)
class InspectionReport:
    """All about a file, or about a sequence by its first frame that is there."""

    path: str
    frames: str
    missing_frames: str
    parts: tuple[PartReport, ...]
    views: tuple[ViewReport, ...]
    problems: tuple[str, ...] = field(default=())

    @property
    def warnings(self) -> tuple[str, ...]:
        """Everything suspicious, each once."""
        told = [warning for view in self.views for warning in view.warnings]
        return tuple(dict.fromkeys([*self.problems, *told]))

    def to_dict(self) -> dict[str, Any]:
        """Return the report as plain data for JSON."""
        return {**asdict(self), "warnings": list(self.warnings)}

    def lines(self) -> list[str]:
        """Return the report as lines of text."""
        lines = [self.path]
        if self.frames:
            lines.append(f"  frames        {self.frames}")
        if self.missing_frames:
            lines.append(f"  missing       {self.missing_frames}")
        for part in self.parts:
            lines += _part_lines(part)
        for view in self.views:
            lines += _view_lines(view)
        lines += [f"  ! {warning}" for warning in self.warnings]
        return lines


def inspect(
    path: str | Path,
    spec: InputSpec | None = None,
    *,
    depth_path: str | Path | None = None,
    frames: str | None = None,
) -> InspectionReport:
    """Look at a file, or at the first frame that is there of a sequence.

    What is wrong with the picture becomes a warning in the report; only what cannot be read at all raises.

    Parameters
    ----------
    path, frames
        A file, or a pattern with its range of frames; see `halocline.imaging.sequence`.
    spec
        What is stated about the input.
    depth_path
        File or pattern of a separate depth pass.

    Raises
    ------
    SequenceError, ReadError
        Where there is nothing to look at, or it cannot be read.
    """
    sequence = find_sequence(path, frames)
    missing = sequence.missing()
    frame = next(number for number in sequence.frames if number not in missing)
    file = sequence.path(frame)
    header = read_header(file)
    spec = spec or InputSpec()
    depth_file, problems = _depth_file(depth_path, frame)
    try:
        views = _views(header, spec, depth_file, problems)
    except (FrameError, ReadError) as error:
        problems.append(_problem(error))
        views = ()
    return InspectionReport(
        path=str(file),
        frames=frame_text(sequence.frames) if sequence.is_numbered else "",
        missing_frames=frame_text(sorted({*missing, *sequence.gaps()})),
        parts=tuple(_part_report(part) for part in header.parts),
        views=views,
        problems=tuple(problems),
    )


def _depth_file(depth_path: str | Path | None, frame: int) -> tuple[Path | None, list[str]]:
    if depth_path is None:
        return None, []
    depth: Sequence = find_sequence(depth_path)
    if depth.is_numbered and frame not in depth.frames:
        return depth.path(depth.frames[0]), [
            f"frame {frame} has no depth; frame {depth.frames[0]}'s was taken"
        ]
    return depth.path(frame), []


def _views(
    header: Header, spec: InputSpec, depth_file: Path | None, problems: list[str]
) -> tuple[ViewReport, ...]:
    # Positions decide what the depth pass is, so they are looked at wherever there are any.
    sources = [header] if depth_file is None else [header, read_header(depth_file)]
    has_position = any(
        vector_of(view, [spec.position] if spec.position else POSITION_LAYERS)
        for source in sources
        for view in views_of(source)
    )
    try:
        loaded = load(header.path, spec, depth_path=depth_file, wanted=("position",) if has_position else ())
    except (DepthError, ChannelError) as error:
        problems.append(_problem(error))
        loaded = load_beauty(header.path, spec)
    parts = {beauty.view: header.parts[beauty.part] for beauty in loaded.template.beauties}
    return tuple(_view_report(view, parts[view.name], spec) for view in loaded.views)


def _problem(error: HaloclineError) -> str:
    place = f"{error.where}: " if error.where else ""
    message = error.message if error.message.endswith(".") else f"{error.message}."
    return f"{place}{message}" + (f" {error.mend}" if error.mend else "")


def _window(window: Window) -> tuple[int, int, int, int]:
    return window.x, window.y, window.width, window.height


def _part_report(part: Part) -> PartReport:
    return PartReport(
        name=part.name,
        view=part.view,
        channels=dict(part.channels),
        data_window=_window(part.data_window),
        display_window=_window(part.display_window),
        pixel_aspect=part.pixel_aspect,
        compression=part.compression,
        tiled=part.tiled,
        deep=part.deep,
    )


def _view_report(view: View, part: Part, spec: InputSpec) -> ViewReport:
    space = find_space(part, spec.colour_space)
    alpha = view.frame.plane("alpha")
    warnings = [*view.warnings, *_premultiplication_warnings(view.frame.plane("rgb"), alpha, spec)]
    return ViewReport(
        name=view.name,
        colour_space=space.space.name,
        colour_space_source=space.source,
        camera=_camera_report(view),
        depth=_depth_report(view) if "range" in view.frame.planes else None,
        bad_pixels={name: view.counts[name] for name in ("nan", "infinite", "negative")},
        covered_share=float(np.mean(alpha > 0)),
        partly_covered_share=float(np.mean((alpha > 0) & (alpha < COVERED))),
        warnings=tuple(warnings),
    )


def _camera_report(view: View) -> CameraReport:
    camera = view.camera
    width = view.frame.display_window.width
    return CameraReport(
        source=camera.source,
        position_m=tuple(round(float(value), 6) for value in camera.position_m),
        forward=tuple(round(float(-value), 6) for value in camera.rotation[:, 2]),
        focal_length_mm=float(camera.focal_length_mm),
        film_width_mm=float(camera.film_width_mm),
        horizontal_view_deg=float(np.degrees(2 * np.arctan(width / 2 * camera.tangent_per_px[0]))),
    )


def _depth_report(view: View) -> DepthReport:
    range_m = view.frame.plane("range")
    seen = range_m[np.isfinite(range_m)]
    levels = np.percentile(seen, _PERCENTILES) if seen.size else ()
    return DepthReport(
        reasons=view.depth_reasons,
        nearest_m=float(seen.min()) if seen.size else None,
        farthest_m=float(seen.max()) if seen.size else None,
        percentiles_m={level: float(value) for level, value in zip(_PERCENTILES, levels, strict=False)},
        open_water_share=1.0 - seen.size / range_m.size,
        mended_pixels=view.counts["depth_mended"],
        covered_without_depth=view.counts["covered_without_depth"],
        depth_without_cover=view.counts["depth_without_cover"],
    )


def _premultiplication_warnings(rgb: F32, alpha: F32, spec: InputSpec) -> list[str]:
    """Judge by partly covered pixels beside covered ones: premultiplied, they are darker by their alpha."""
    light = np.nan_to_num(rgb.sum(axis=0), posinf=0.0, neginf=0.0)
    step = max(1, alpha.size // _JUDGED)
    above, below = np.s_[:-1, ::step], np.s_[1:, ::step]
    left, right = np.s_[::step, :-1], np.s_[::step, 1:]
    ratios, alphas = [], []
    for one, other in ((left, right), (right, left), (above, below), (below, above)):
        part = alpha[one]
        edge = (part > 0.1) & (part < 0.6) & (alpha[other] >= COVERED) & (light[other] > 1e-4)
        ratios.append(light[one][edge] / light[other][edge])
        alphas.append(part[edge])
    ratio, share = np.concatenate(ratios), np.concatenate(alphas)
    if ratio.size < _LEAST_EDGES:
        return []
    # Divided by its alpha, an edge pixel of a premultiplied picture is as bright as its neighbour.
    by_alpha, as_is, by_square = (_departure(ratio / share**power) for power in (1, 0, 2))
    if spec.premultiplied and as_is < 0.5 * by_alpha:
        return ["the beauty looks unpremultiplied: edge pixels are as bright as covered ones; state it if so"]
    # Loading has multiplied once more: a premultiplied picture is now darker by the square of its alpha.
    if not spec.premultiplied and by_square < 0.5 * by_alpha:
        return ["the beauty was stated as unpremultiplied but looks premultiplied already"]
    return []


def _departure(ratio: F32) -> float:
    """Return how far ratios typically are from 1, as a logarithm."""
    return float(np.median(np.abs(np.log(np.maximum(ratio, 1e-6)))))


def _part_lines(part: PartReport) -> Iterable[str]:
    name = part.name or "(one part)"
    view = f", view {part.view}" if part.view else ""
    kinds: dict[str, list[str]] = {}
    for channel, kind in part.channels.items():
        kinds.setdefault(kind, []).append(channel)
    stored = "deep" if part.deep else "tiles" if part.tiled else "scan lines"
    yield f"  part          {name}{view}: {part.compression}, {stored}"
    for kind, names in kinds.items():
        yield f"    {kind:<12}{' '.join(names)}"
    yield f"    data        {_window_text(part.data_window)}"
    aspect = f", pixel aspect {part.pixel_aspect:g}" if part.pixel_aspect != 1.0 else ""
    yield f"    display     {_window_text(part.display_window)}{aspect}"


def _window_text(window: tuple[int, int, int, int]) -> str:
    x, y, width, height = window
    return f"{width} x {height} at {x}, {y}"


def _view_lines(view: ViewReport) -> Iterable[str]:
    if view.name:
        yield f"  view          {view.name}"
    yield f"  colour space  {view.colour_space} ({view.colour_space_source})"
    if view.camera is not None:
        camera = view.camera
        where = ", ".join(f"{value:.4g}" for value in camera.position_m)
        yield (
            f"  camera        {camera.focal_length_mm:.4g} mm on {camera.film_width_mm:.4g} mm "
            f"({camera.horizontal_view_deg:.1f} deg across), at {where} m"
        )
        yield f"                {camera.source}"
    yield (f"  coverage      {view.covered_share:.1%} of the pixels, {view.partly_covered_share:.1%} in part")
    yield "  bad pixels    " + ", ".join(f"{count} {name}" for name, count in view.bad_pixels.items())
    if view.depth is not None:
        yield from _depth_lines(view.depth)


def _depth_lines(depth: DepthReport) -> Iterable[str]:
    for index, reason in enumerate(depth.reasons):
        yield f"  {'depth' if index == 0 else '':<14}{reason}"
    if depth.nearest_m is not None and depth.farthest_m is not None:
        levels = ", ".join(f"{level} %: {value:.4g}" for level, value in depth.percentiles_m.items())
        yield f"  range         {depth.nearest_m:.4g} to {depth.farthest_m:.4g} m ({levels})"
    yield f"  open water    {depth.open_water_share:.1%} of the pixels"
