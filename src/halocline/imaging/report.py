"""What a render delivers, and what is suspicious about it: for a person, and as data for machines."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import asdict, field, replace
from pathlib import Path
from typing import Any

import numpy as np

from halocline.errors import FrameError, HaloclineError, ReadError
from halocline.imaging.camera import Camera
from halocline.imaging.channel_plan import describing_part
from halocline.imaging.channels import views_of
from halocline.imaging.colour import find_space
from halocline.imaging.depth_edges import COVERED
from halocline.imaging.exr import Header, Part, read_header
from halocline.imaging.frame import Window
from halocline.imaging.input_spec import FAR_DEPTH, NEAR_COVERAGE, InputSpec
from halocline.imaging.load import View, load, load_beauty
from halocline.imaging.motion import MOTION_PASS, MotionVerdict
from halocline.imaging.passes import depth_names
from halocline.imaging.picture_statistics import BeautyStatistics
from halocline.imaging.sequence import Sequence, find_sequence, frame_text
from halocline.imaging.survey import cameras_in, not_read, planes_in
from halocline.late_dataclass import dataclass

_PERCENTILES = (1, 50, 99)


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
    repaired_pixels: int
    covered_without_depth: int
    depth_without_cover: int


@dataclass(frozen=True)
class DeepReport:
    """The samples of a deep picture; ``tidied`` tells whether they were out of order or overlapped."""

    samples: int
    most_in_a_pixel: int
    slabs: int
    tidied: bool


@dataclass(frozen=True)
class CameraReport:
    """The camera that will be used."""

    source: str
    position_m: tuple[float, ...]
    forward: tuple[float, ...]
    focal_length_mm: float
    film_width_mm: float
    horizontal_view_deg: float
    projection: str = "perspective"


@dataclass(frozen=True)
class ViewReport:
    """One view: what is known about its depth, camera, colours and bad pixels.

    ``passes`` are the channels that each plane is read from; ``other_depths`` depth channels that are not;
    ``motion`` is what the cameras of this frame and the next say of motion vectors, ``edges`` how many pixels
    show two surfaces and how these are told apart.
    """

    name: str
    passes: dict[str, tuple[str, ...]]
    other_depths: tuple[str, ...]
    statistics: BeautyStatistics | None
    colour_space: str
    colour_space_source: str
    camera: CameraReport | None
    depth: DepthReport | None
    bad_pixels: dict[str, int]
    covered_share: float
    partly_covered_share: float
    warnings: tuple[str, ...]
    deep: DeepReport | None = None
    motion: str = ""
    edges: str = ""


@dataclass(frozen=True)
class Obstacle:
    """What keeps a frame from being put under water as it is.

    ``code`` is that of the error page, or empty where nothing failed; ``where`` and ``fix`` may be empty.
    """

    code: str
    where: str
    message: str
    fix: str

    @classmethod
    def of(cls, error: HaloclineError) -> Obstacle:
        """Take what an error says."""
        return cls(error.code, error.where or "", error.message, error.fix or "")

    @property
    def text(self) -> str:
        """All of it in one line, the place first and the remedy last."""
        place = f"{self.where}: " if self.where else ""
        message = self.message if self.message.endswith(".") else f"{self.message}."
        return f"{place}{message} {self.fix}".rstrip()


@dataclass(frozen=True)
class InspectionReport:
    """All about a file, or about a sequence by its first frame that is there."""

    path: str
    frames: str
    missing_frames: str
    parts: tuple[PartReport, ...]
    views: tuple[ViewReport, ...]
    problems: tuple[Obstacle, ...] = field(default=())
    notes: tuple[str, ...] = field(default=())

    @property
    def warnings(self) -> tuple[str, ...]:
        """Everything suspicious, each once."""
        told = [warning for view in self.views for warning in view.warnings]
        return tuple(dict.fromkeys([*(problem.text for problem in self.problems), *told]))

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
        lines += [f"  note          {note}" for note in self.notes]
        lines += [f"  ! {warning}" for warning in self.warnings]
        return lines


def inspect(
    path: str | Path,
    spec: InputSpec | None = None,
    *,
    depth_path: str | Path | None = None,
    pass_paths: Mapping[str, str | Path] | None = None,
    frames: str | None = None,
    wanted: Iterable[str] = (),
    useful: Iterable[str] = (),
    told_of: Callable[[View], Iterable[str]] | None = None,
) -> InspectionReport:
    """Look at a file, or at the first frame that is there of a sequence.

    What is wrong with the picture becomes a warning in the report; only what cannot be read at all raises.

    Parameters
    ----------
    path
        A file, or a pattern; see `halocline.imaging.sequence`.
    spec
        What is stated about the input.
    depth_path
        File or pattern of a separate depth pass.
    pass_paths
        The same of other passes that have files of their own, by name.
    frames
        Range of frames of the pattern.
    wanted, useful
        Further planes that will be read: those that must be there, and those that are used where they are.
    told_of
        What else is to be warned of in a view, where the caller knows more of it than its files say.

    Returns
    -------
    InspectionReport
        What is there, and what is doubtful about it.

    Raises
    ------
    SequenceError, ReadError
        Where there is nothing to look at, or it cannot be read.
    """
    sequence = find_sequence(path, frames)
    frame, missing = sequence.first_there(), sequence.missing()
    file = sequence.path(frame)
    header = read_header(file)
    beside = {"depth": depth_path, **(pass_paths or {})}
    files: dict[str, Path] = {}
    elsewhere: tuple[Obstacle, ...] = ()
    for name, pattern in beside.items():
        if pattern is not None:
            files[name], other = _file_beside(name, pattern, frame)
            elsewhere += other
    stated = spec or InputSpec()
    after = sequence.path(frame + 1) if sequence.is_numbered and frame + 1 in sequence.frames else None
    views, unread = _views(header, stated, files, (tuple(wanted), tuple(useful)), after, told_of)
    return InspectionReport(
        path=str(file),
        frames=frame_text(sequence.frames) if sequence.is_numbered else "",
        missing_frames=frame_text(sorted({*missing, *sequence.gaps()})),
        parts=tuple(_part_report(part) for part in header.parts),
        views=views,
        problems=(*elsewhere, *unread),
        notes=not_read(header),
    )


def _file_beside(name: str, pattern: str | Path, frame: int) -> tuple[Path, tuple[Obstacle, ...]]:
    """Return a pass's own file; that of another frame, and the problem, where this one has none."""
    found: Sequence = find_sequence(pattern)
    if found.is_numbered and frame not in found.frames:
        taken = found.frames[0]
        message = f"frame {frame} has no {name}; frame {taken}'s was taken"
        return found.path(taken), (Obstacle("", "", message, ""),)
    return found.path(frame), ()


def _views(
    header: Header,
    spec: InputSpec,
    beside: Mapping[str, Path],
    planes: tuple[tuple[str, ...], tuple[str, ...]],
    after: Path | None,
    told_of: Callable[[View], Iterable[str]] | None,
) -> tuple[tuple[ViewReport, ...], tuple[Obstacle, ...]]:
    """Look at each view; what keeps a picture from being read becomes a problem."""
    wanted, useful = planes
    own = dict(beside)
    depth_file = own.pop("depth", None)
    files = [header.path] if depth_file is None else [header.path, depth_file]
    problems: tuple[Obstacle, ...] = ()
    try:
        # Positions decide what the depth pass is, so they are looked at wherever there are any.
        there = planes_in([*files, *own.values()], spec, ("position", *useful))
        asked = sorted({*wanted, *there})
        loaded = load(header.path, spec, depth_path=depth_file, pass_paths=own, wanted=asked, judged=True)
    except (FrameError, ReadError) as error:
        problems = (Obstacle.of(error),)
        try:
            loaded = load_beauty(header.path, spec, judged=True)
        except (FrameError, ReadError) as other:
            return (), tuple(dict.fromkeys([*problems, Obstacle.of(other)]))
    depths = {view.view: view for view in views_of(read_header(files[-1]))}
    parts = {beauty.view: header.parts[beauty.part] for beauty in loaded.template.beauties}
    later = _cameras_after(after, spec)
    reports = tuple(
        _view_report(
            replace(view, warnings=(*view.warnings, *told_of(view)) if told_of else view.warnings),
            describing_part(header, parts[view.name]),
            spec,
            later.get(view.name),
            tuple(
                name
                for name in (depth_names(depths[view.name]) if view.name in depths else ())
                if name not in (*view.passes.get("depth", ()), *view.passes.get(FAR_DEPTH, ()))
            ),
        )
        for view in loaded.views
    )
    return reports, problems


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


def _cameras_after(path: Path | None, spec: InputSpec) -> dict[str, Camera]:
    """Return the next frame's cameras by view, where vectors are to be held against them."""
    if path is None or spec.motion is None:
        return {}
    try:
        return cameras_in(path, spec)
    except HaloclineError:
        # It is not the frame that is looked at.
        return {}


def _motion(view: View, spec: InputSpec, later: Camera | None) -> MotionVerdict | None:
    """Return what the cameras say of motion vectors, where there are any and a later camera."""
    if spec.motion is None or not {f"pass.{MOTION_PASS}", "range"} <= view.frame.planes.keys():
        return None
    if later is None:
        return MotionVerdict(
            "the next frame's camera is not known: nothing to compare them with", doubted=False
        )
    return spec.motion.judged_of(view.frame, view.camera, later)


def _edges(view: View) -> str:
    """Return how many pixels show two surfaces, and how these are told apart; empty where none does."""
    share = view.frame.planes.get("far_share")
    if share is None:
        return ""
    told = {NEAR_COVERAGE: "their shares", FAR_DEPTH: "the farther one's depth"}
    known = [text for name, text in told.items() if name in view.passes]
    found = f"{np.mean(share > 0):.1%} of the pixels show two surfaces"
    return (
        f"{found}, {' and '.join(known)} as the render tells"
        if known
        else f"{found}, as colour and depth tell"
    )


def _view_report(
    view: View, part: Part, spec: InputSpec, later: Camera | None, others: tuple[str, ...]
) -> ViewReport:
    space = find_space(part, spec.colour_space, spec.input_space)
    alpha = view.frame.plane("alpha")
    motion = _motion(view, spec, later)
    return ViewReport(
        name=view.name,
        passes=dict(view.passes),
        other_depths=others,
        statistics=view.statistics,
        colour_space=space.space.name,
        colour_space_source=space.source,
        camera=_camera_report(view),
        depth=_depth_report(view) if "range" in view.frame.planes else None,
        bad_pixels={name: view.counts[name] for name in ("nan", "infinite", "negative")},
        covered_share=float(np.mean(alpha > 0)),
        partly_covered_share=float(np.mean((alpha > 0) & (alpha < COVERED))),
        warnings=(*view.warnings, *((motion.text,) if motion is not None and motion.doubted else ())),
        deep=_deep_report(view),
        motion="" if motion is None or motion.doubted else motion.text,
        edges=_edges(view),
    )


def _deep_report(view: View) -> DeepReport | None:
    if view.deep is None:
        return None
    samples = view.deep.samples
    return DeepReport(
        samples=view.counts["samples"],
        most_in_a_pixel=int(samples.counts.max()),
        slabs=samples.slabs,
        tidied=bool(view.counts["samples_tidied"]),
    )


def _camera_report(view: View) -> CameraReport:
    camera = view.camera
    width = view.frame.display_window.width
    across = float(np.degrees(2 * np.arctan(width / 2 * camera.tangent_per_px[0])))
    return CameraReport(
        source=camera.source,
        position_m=tuple(round(float(value), 6) for value in camera.position_m),
        forward=tuple(round(float(-value), 6) + 0.0 for value in camera.rotation[:, 2]),
        focal_length_mm=float(camera.focal_length_mm),
        film_width_mm=float(camera.film_width_mm),
        horizontal_view_deg=across if camera.globe is None else 360.0,
        projection="perspective" if camera.globe is None else "latlong",
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
        repaired_pixels=view.counts["depth_repaired"],
        covered_without_depth=view.counts["covered_without_depth"],
        depth_without_cover=view.counts["depth_without_cover"],
    )


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
    yield from _pass_lines(view)
    yield f"  colour space  {view.colour_space} ({view.colour_space_source})"
    if view.camera is not None:
        camera = view.camera
        where = ", ".join(f"{value:.4g}" for value in camera.position_m)
        if camera.projection == "latlong":
            ahead = ", ".join(f"{value:.4g}" for value in camera.forward)
            yield f"  camera        a panorama of all directions, its middle towards {ahead}, at {where} m"
        else:
            yield (
                f"  camera        {camera.focal_length_mm:.4g} mm on {camera.film_width_mm:.4g} mm "
                f"({camera.horizontal_view_deg:.1f} deg across), at {where} m"
            )
        yield f"                {camera.source}"
    yield (f"  coverage      {view.covered_share:.1%} of the pixels, {view.partly_covered_share:.1%} in part")
    if view.statistics is not None:
        yield from _statistics_lines(view.statistics)
    yield "  bad pixels    " + ", ".join(f"{count} {name}" for name, count in view.bad_pixels.items())
    if view.deep is not None:
        yield from _deep_lines(view.deep)
    if view.depth is not None:
        yield from _depth_lines(view.depth)


def _pass_lines(view: ViewReport) -> Iterable[str]:
    """Say which channels are read as what."""
    names = {"rgb": "beauty", "alpha": "alpha", "depth": "depth"}
    for plane, label in names.items():
        yield f"  {label:<14}{' '.join(view.passes.get(plane, ())) or 'none'}"
    for plane, channels in view.passes.items():
        if plane not in names:
            yield f"  {plane:<14}{' '.join(channels)}"
    if view.edges:
        yield f"  {'edges':<14}{view.edges}"
    if view.motion:
        yield f"  {'vectors':<14}{view.motion}"
    if view.other_depths:
        yield f"  not used      {' '.join(view.other_depths)} (depth too; input.depth_channel takes it)"


def _statistics_lines(statistics: BeautyStatistics) -> Iterable[str]:
    for name in ("least", "median", "greatest"):
        values = getattr(statistics, name)
        text = "no finite value" if values is None else "  ".join(f"{value:.4g}" for value in values)
        yield f"  {'values' if name == 'least' else '':<14}{name:<10}{text}"


def _deep_lines(deep: DeepReport) -> Iterable[str]:
    slabs = f", {deep.slabs} of them slabs" if deep.slabs else ", points"
    yield f"  deep          {deep.samples} samples, at most {deep.most_in_a_pixel} in a pixel{slabs}"
    if deep.tidied:
        yield "                out of order or overlapping: put in order, overlaps cut and merged"


def _depth_lines(depth: DepthReport) -> Iterable[str]:
    for index, reason in enumerate(depth.reasons):
        yield f"  {'depth is' if index == 0 else '':<14}{reason}"
    if depth.nearest_m is not None and depth.farthest_m is not None:
        levels = ", ".join(f"{level} %: {value:.4g}" for level, value in depth.percentiles_m.items())
        yield f"  range         {depth.nearest_m:.4g} to {depth.farthest_m:.4g} m ({levels})"
    yield f"  open water    {depth.open_water_share:.1%} of the pixels"
