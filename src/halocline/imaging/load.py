"""Loading a rendered frame: from channels of files to planes, range, camera and working space.

Renderers crop: where the data window is smaller than the display window, what lies outside is open water.
Frames always cover the union of both.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from halocline._typing import F32
from halocline.errors import ChannelError, DepthError, FrameError, HaloclineError
from halocline.imaging.camera import Camera
from halocline.imaging.camera_metadata import CameraStatement, find_camera
from halocline.imaging.channels import (
    NORMAL_LAYERS,
    POSITION_LAYERS,
    Channel,
    ViewChannels,
    beauty_of,
    depth_of,
    light_of,
    vector_of,
    views_of,
)
from halocline.imaging.colour import find_space
from halocline.imaging.depth import DepthPlanes, DepthSpec, range_planes
from halocline.imaging.depth_inference import DepthVerdict, infer_depth, unit_warnings
from halocline.imaging.edge_mixture import far_light_of, mixture_planes
from halocline.imaging.exr import Header, Part, read_header, read_into
from halocline.imaging.frame import Frame, Window
from halocline.imaging.repair import BadPixels, Policy, repair
from halocline.rgb import RGBSpace

# Beauty and depth disagree visibly where more than this share of the picture does.
_DISAGREEMENT = 1e-3


@dataclass(frozen=True)
class InputSpec:
    """What the user says about the input; whatever is left out is found by OpenEXR's conventions.

    Attributes
    ----------
    beauty
        Layer (or part) that holds R, G, B and A; empty for the usual ones.
    depth_channel
        Channel that holds depth; for positions, name their layer in ``position`` instead.
    normal, position
        Layers with X, Y, Z (or R, G, B).
    mattes
        Channel by matte name; planes are called ``matte.NAME``. Channels called so need no entry.
    lights
        Layer by the name of a light; planes are called ``light.NAME``. Layers called so need no entry.
    channels
        Channel by plane name: further planes to load.
    depth, camera, cameras
        What the depth pass holds; the camera, for all views or by view.
    colour_space
        Name of the working space, where the file's metadata is missing or wrong.
    premultiplied
        Whether colour is multiplied by alpha in the file.
    repair
        What to do with bad pixels; see `halocline.imaging.repair`.
    separate_edges
        Whether pixels that mix two surfaces are taken apart; see `halocline.imaging.edge_mixture`.
    """

    beauty: str = ""
    depth_channel: str | None = None
    normal: str | None = None
    position: str | None = None
    mattes: Mapping[str, str] = field(default_factory=dict)
    lights: Mapping[str, str] = field(default_factory=dict)
    channels: Mapping[str, str] = field(default_factory=dict)
    depth: DepthSpec = field(default_factory=DepthSpec)
    camera: CameraStatement = field(default_factory=CameraStatement)
    cameras: Mapping[str, CameraStatement] = field(default_factory=dict)
    colour_space: str | None = None
    premultiplied: bool = True
    repair: Policy = "report"
    separate_edges: bool = True


@dataclass(frozen=True)
class View:
    """One view of a frame: its planes, camera and working space, and what a person should know.

    ``counts`` are numbers for the record: bad pixels by kind, pixels whose depth was mended or is missing.
    ``depth_spec`` is what the depth pass was taken to hold, nothing left to ``auto`` but the background; None
    where no depth was read.
    """

    name: str
    frame: Frame
    camera: Camera
    space: RGBSpace
    warnings: tuple[str, ...]
    counts: Mapping[str, int]
    depth_reasons: tuple[str, ...] = ()
    depth_spec: DepthSpec | None = None


@dataclass(frozen=True)
class BeautyChannels:
    """Where a view's beauty stands in its file, for writing it back."""

    view: str
    part: int
    colours: tuple[str, str, str]
    alpha: str | None


@dataclass(frozen=True)
class Template:
    """What the writer needs to write a frame as it came: see `halocline.imaging.save`."""

    source: Path
    inputs: tuple[Path, ...]
    parts: tuple[Part, ...]
    beauties: tuple[BeautyChannels, ...]
    window: Window
    premultiplied: bool


@dataclass(frozen=True)
class Loaded:
    """A frame with all its views."""

    views: tuple[View, ...]
    template: Template

    @property
    def warnings(self) -> tuple[str, ...]:
        """All views' warnings, each once."""
        return tuple(dict.fromkeys(warning for view in self.views for warning in view.warnings))


@dataclass(frozen=True)
class _Plan:
    """Which channels become which plane of one view, and from which file."""

    view: str
    beauty: BeautyChannels
    beauty_part: Part
    planes: Mapping[str, tuple[Path, list[Channel]]]
    depth_name: str


def load(
    path: str | Path,
    spec: InputSpec | None = None,
    *,
    depth_path: str | Path | None = None,
    wanted: Collection[str] = (),
) -> Loaded:
    """Load a frame with range, camera and working space.

    Parameters
    ----------
    path
        The beauty's file.
    spec
        What is known about it.
    depth_path
        File that holds depth (and positions), where it is not the beauty's.
    wanted
        Further planes to load: ``normal``, ``position``, ``matte.NAME``, ``light.NAME``. Only channels that
        become planes are read.

    Raises
    ------
    ReadError
        Where a file cannot be read.
    ChannelError
        Where the beauty or a wanted plane is missing or ambiguous.
    DepthError
        ``E-DEPTH-MISSING`` where there is no depth; others as `halocline.imaging.depth`.
    FrameError
        ``E-FRAME-MISMATCH`` where beauty and depth do not have the same display window.
    CameraError, ColourError
        Where the stated camera or colour space is impossible.
    """
    return _load(Path(path), spec or InputSpec(), depth_path, wanted, with_range=True)


def load_beauty(path: str | Path, spec: InputSpec | None = None) -> Loaded:
    """Load only colour and alpha of a frame, which needs no depth. Raises as `load` does."""
    return _load(Path(path), spec or InputSpec(), None, (), with_range=False)


def _load(
    path: Path, spec: InputSpec, depth_path: str | Path | None, wanted: Collection[str], *, with_range: bool
) -> Loaded:
    header = read_header(path)
    depth_header = None if depth_path is None else read_header(depth_path)
    plans = [
        _plan(view, _depth_view(view, depth_header), spec, wanted, with_range) for view in views_of(header)
    ]
    window = _common_window(plans)
    views = tuple(_view(plan, spec, window) for plan in plans)
    inputs = (path,) if depth_header is None else (path, depth_header.path)
    template = Template(
        path, inputs, header.parts, tuple(plan.beauty for plan in plans), window, spec.premultiplied
    )
    return Loaded(views, template)


def _depth_view(view: ViewChannels, header: Header | None) -> ViewChannels:
    """Return where a view's depth is looked for."""
    if header is None:
        return view
    found = {other.view: other for other in views_of(header)}
    if view.view in found:
        return found[view.view]
    if not view.view and len(found) == 1:
        return next(iter(found.values()))
    raise DepthError(
        f'no view "{view.view}" in the depth file',
        code="E-DEPTH-VIEW",
        where=str(header.path),
        mend=f"It has: {', '.join(name or '(no name)' for name in found)}. Each eye needs its own depth.",
    )


def _plan(
    view: ViewChannels, depth_view: ViewChannels, spec: InputSpec, wanted: Collection[str], with_range: bool
) -> _Plan:
    colours, alpha = beauty_of(view, spec.beauty)
    red, green, blue = colours
    planes: dict[str, tuple[ViewChannels, list[Channel]]] = {"rgb": (view, colours)}
    if alpha is not None:
        planes["alpha"] = (view, [alpha])
    depth_name = ""
    if with_range:
        depth = _depth_channels(depth_view, spec)
        planes["depth"] = (depth_view, depth)
        depth_name = depth[0].logical
    for name in dict.fromkeys([*wanted, *spec.channels]):
        source, channels = _optional(view, depth_view, spec, name)
        planes[name] = (source, channels)
    beauty = BeautyChannels(
        view.view, red.part.index, (red.name, green.name, blue.name), alpha.name if alpha else None
    )
    by_path = {name: (Path(source.where), channels) for name, (source, channels) in planes.items()}
    return _Plan(view.view, beauty, red.part, by_path, depth_name)


def _depth_channels(view: ViewChannels, spec: InputSpec) -> list[Channel]:
    if spec.depth_channel is not None:
        return [view.need(spec.depth_channel, "depth")]
    position = vector_of(view, [spec.position] if spec.position else POSITION_LAYERS)
    if spec.depth.kind == "position":
        if position is None:
            raise view.missing("no world positions (X, Y, Z in a layer such as P) to take depth from")
        return position
    depth = depth_of(view)
    if depth is not None:
        return [depth]
    if position is not None and spec.depth.kind == "auto":
        return position
    if len(view.channels) == 1:
        return [view.channels[0]]
    error = view.missing("")
    raise DepthError(
        "no depth: neither a channel with a usual name (Z, depth.Z) nor world positions",
        code="E-DEPTH-MISSING",
        where=error.where,
        mend=f"{error.mend} Name the depth channel, or give the file that has it.",
    )


def _optional(
    view: ViewChannels, depth_view: ViewChannels, spec: InputSpec, name: str
) -> tuple[ViewChannels, list[Channel]]:
    """Find a wanted plane, in the beauty's file or in the depth's."""
    problem: ChannelError | None = None
    for source in (view, depth_view):
        try:
            return source, _named_plane(source, spec, name)
        except ChannelError as error:
            problem = problem or error
    assert problem is not None
    raise problem


def _named_plane(view: ViewChannels, spec: InputSpec, name: str) -> list[Channel]:
    if name in {"normal", "position"}:
        stated = spec.normal if name == "normal" else spec.position
        usual = NORMAL_LAYERS if name == "normal" else POSITION_LAYERS
        found = vector_of(view, [stated] if stated else usual)
        if found is None:
            raise view.missing(f"no X, Y, Z for the {name} in {stated or ' or '.join(usual)}")
        return found
    if name.startswith("light."):
        return light_of(view, spec.lights, name.removeprefix("light."))
    if name.startswith("matte."):
        stated_matte = spec.mattes.get(name.removeprefix("matte."))
        return [view.need(stated_matte or name, f'matte "{name.removeprefix("matte.")}"')]
    return [view.need(spec.channels.get(name, name), f'plane "{name}"')]


def _common_window(plans: Iterable[_Plan]) -> Window:
    """Union of all windows; display windows must agree."""
    plans = list(plans)
    first = plans[0].beauty_part
    window = first.display_window
    for plan in plans:
        for path, channels in plan.planes.values():
            for part in (channel.part for channel in channels):
                if part.display_window != first.display_window:
                    raise _mismatch(path, part, first)
                window = window.union(part.data_window)
    return window


def _mismatch(path: Path, part: Part, first: Part) -> FrameError:
    def text(window: Window) -> str:
        return f"{window.width} x {window.height} at {window.x}, {window.y}"

    return FrameError(
        f"its display window is {text(part.display_window)}, the beauty's {text(first.display_window)}",
        code="E-FRAME-MISMATCH",
        where=f'{path}, part "{part.name}"' if part.name else str(path),
        mend="Beauty and depth must be renders of one picture at one size.",
    )


def _view(plan: _Plan, spec: InputSpec, window: Window) -> View:
    where = str(plan.planes["rgb"][0])
    planes = _read(plan, window)
    try:
        return _finished(plan, spec, window, planes)
    except HaloclineError as error:
        raise error.located(f'{where}, view "{plan.view}"' if plan.view else where) from error


def _read(plan: _Plan, window: Window) -> dict[str, F32]:
    """Read all channels of a view straight into planes over the window; one pass over each part."""
    planes: dict[str, F32] = {}
    targets: dict[tuple[Path, int], tuple[Part, dict[str, list[F32]]]] = {}
    for name, (path, channels) in plan.planes.items():
        covers = all(channel.part.data_window == window for channel in channels)
        shape = (len(channels), *window.shape)
        # Nothing was rendered outside a data window; no number is open water in a depth pass of any kind.
        fill = np.nan if name in {"depth", "position"} else 0.0
        plane = np.empty(shape, np.float32) if covers else np.full(shape, fill, np.float32)
        planes[name] = plane[0] if len(channels) == 1 else plane
        for index, channel in enumerate(channels):
            _, by_channel = targets.setdefault((path, channel.part.index), (channel.part, {}))
            rows, columns = window.slices_of(channel.part.data_window)
            by_channel.setdefault(channel.name, []).append(plane[index][rows, columns])
    for (path, _), (part, by_channel) in targets.items():
        read_into(path, part, {name: views[0] for name, views in by_channel.items()})
        for copies in by_channel.values():
            for copy in copies[1:]:
                copy[...] = copies[0]
    return planes


def _finished(plan: _Plan, spec: InputSpec, window: Window, planes: dict[str, F32]) -> View:
    part = plan.beauty_part
    rgb, alpha = planes.pop("rgb"), planes.pop("alpha", None)
    counts: dict[str, int] = {}
    warnings: list[str] = []
    bad = repair(rgb, alpha, spec.repair)
    warnings += _bad_pixel_warnings(bad, spec.repair, counts)
    # Light layers are parts of the beauty.
    lights = [plane for name, plane in planes.items() if name.startswith("light.")]
    for light in lights:
        repair(light, None, spec.repair)
    if alpha is not None and not spec.premultiplied:
        for colour in (rgb, *lights):
            np.multiply(colour, alpha, out=colour)
    statement = spec.cameras.get(plan.view, spec.camera)
    found = find_camera(part, view=plan.view, statement=statement, unit_m=spec.depth.unit_m)
    space = find_space(part, spec.colour_space)
    warnings += [*found.warnings, *space.warnings]
    verdict = None
    finished = {"rgb": rgb}
    if "depth" in planes:
        depth = planes.pop("depth")
        ranged, verdict, told = _ranged(plan, spec, depth, alpha, found.camera, window, planes, counts)
        finished |= ranged
        warnings += told
    if alpha is None:
        alpha = _coverage_from(finished.get("range"), window.shape, warnings)
    finished["alpha"] = alpha
    if "far_range" in finished:
        # An averaged depth has told the two surfaces already, and their shares of the area.
        far = (finished["far_range"], finished["far_share"])
        finished["far_light"] = far_light_of(rgb, finished["range"], *far)
    elif "range" in finished and spec.separate_edges:
        finished |= mixture_planes(rgb, alpha, finished["range"])
    if "position" in planes and spec.depth.unit_m != 1.0:
        planes["position"] *= np.float32(spec.depth.unit_m)
    finished |= planes
    metadata = {name: entry.value for name, entry in part.attributes.items()}
    frame = Frame(finished, window, part.display_window, part.pixel_aspect, metadata)
    return View(
        plan.view,
        frame,
        found.camera,
        space.space,
        tuple(warnings),
        counts,
        depth_reasons=() if verdict is None else verdict.reasons,
        depth_spec=None if verdict is None else verdict.spec,
    )


def _ranged(
    plan: _Plan,
    spec: InputSpec,
    depth: F32,
    alpha: F32 | None,
    camera: Camera,
    window: Window,
    planes: Mapping[str, F32],
    counts: dict[str, int],
) -> tuple[dict[str, F32], DepthVerdict, list[str]]:
    verdict = infer_depth(
        depth,
        alpha,
        name=plan.depth_name,
        spec=spec.depth,
        camera=camera,
        window=window,
        position=planes.get("position"),
    )
    found = range_planes(depth, alpha, spec=verdict.spec, camera=camera, window=window)
    warnings = [*verdict.warnings, *unit_warnings(found.range, alpha, verdict.spec)]
    counts |= {
        "depth_mended": found.filled,
        "covered_without_depth": found.lost,
        "depth_without_cover": found.uncovered,
    }
    warnings += _disagreements(found, window)
    planes_found = {"range": found.range}
    if found.far_range is not None and found.far_share is not None:
        planes_found |= {"far_range": found.far_range, "far_share": found.far_share}
    return planes_found, verdict, warnings


def _disagreements(found: DepthPlanes, window: Window) -> list[str]:
    pixels = window.width * window.height
    warnings = []
    if found.lost > _DISAGREEMENT * pixels:
        warnings.append(
            f"beauty and depth disagree: {found.lost / pixels:.1%} of the pixels are covered (alpha above 0) "
            "but have no depth; they count as infinitely far"
        )
    if found.uncovered > _DISAGREEMENT * pixels:
        warnings.append(
            f"beauty and depth disagree: {found.uncovered / pixels:.1%} of the pixels have a depth but alpha "
            "0; they count as open water. Is the alpha missing, or does it belong to another render?"
        )
    return warnings


def _coverage_from(range_m: F32 | None, shape: tuple[int, int], warnings: list[str]) -> F32:
    """Stand in for a missing alpha: covered wherever the depth pass sees something."""
    if range_m is None:
        return np.ones(shape, np.float32)
    warnings.append(
        "the beauty has no alpha: every pixel with a depth counts as fully covered, so edges against open "
        "water are as hard as the depth pass"
    )
    return np.isfinite(range_m).astype(np.float32)


def _bad_pixel_warnings(bad: BadPixels, policy: Policy, counts: dict[str, int]) -> list[str]:
    counts |= {"nan": bad.nan, "infinite": bad.infinite, "negative": bad.negative}
    done = {"report": "left as they are", "clamp": "clamped", "inpaint": "mended from their neighbours"}[
        policy
    ]
    if not bad.any():
        return []
    return [
        f"bad pixels in the beauty: {bad.nan} not a number, {bad.infinite} infinite, "
        f"{bad.negative} negative; {done}"
    ]
