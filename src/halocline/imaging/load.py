"""Loading a rendered frame: from channels of files to planes, range, camera and working space.

Renderers crop: where the data window is smaller than the display window, what lies outside is open water.
Frames always cover the union of both.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Mapping
from dataclasses import field, replace
from pathlib import Path

import numpy as np
import OpenImageIO as oiio

from halocline._typing import F32
from halocline.compute.planes_on_disk import empty_plane, filled_plane
from halocline.errors import HaloclineError, ReadError
from halocline.files.unchanged import BeforeReading
from halocline.imaging.camera import Camera
from halocline.imaging.camera_metadata import find_camera, refuse_projection, refuse_two_pairs
from halocline.imaging.channel_plan import (
    BeautyChannels,
    ChannelPlan,
    common_window,
    describing_part,
    pass_file_of,
    plan_channels,
)
from halocline.imaging.colour import FoundSpace, find_space, to_working
from halocline.imaging.deep_load import DeepPicture, ReadSamples, deep_picture, deep_planes, read_samples
from halocline.imaging.depth import POSITIONS, DepthPlanes, DepthSpec, range_planes
from halocline.imaging.depth_inference import DepthVerdict, infer_depth, unit_warnings
from halocline.imaging.depth_steps import DepthSteps, fitted_normals, step_doubts
from halocline.imaging.edge_creases import edge_planes
from halocline.imaging.edge_mixture import ToldSurfaces, compared_colours, far_light_of
from halocline.imaging.exr import Header, Part, header_of_buffer, read_header, read_into
from halocline.imaging.flat_parts import kind_doubts
from halocline.imaging.frame import Frame, Window
from halocline.imaging.glows import COVER, Mask, find_glows, glow_range
from halocline.imaging.input_spec import FAR_DEPTH, NEAR_COVERAGE, SECOND_SURFACE, InputSpec
from halocline.imaging.picture_statistics import (
    BeautyStatistics,
    beauty_statistics,
    coverage_warnings,
    premultiplication_told,
)
from halocline.imaging.repair import BadPixels, Policy, repair, sound_guides
from halocline.late_dataclass import dataclass
from halocline.rgb import RGBSpace

# Puts channels of a part, each given with its name, where they belong.
_Reader = Callable[[Path, Part, Mapping[str, F32]], None]

# Beauty and depth disagree visibly where more than this share of the picture does.
_DISAGREEMENT = 1e-3


@dataclass(frozen=True)
class View:
    """One view of a frame: its planes, camera and working space, and what a person should know.

    Attributes
    ----------
    name, frame, camera, space
        The view, its planes, its camera and its working space.
    warnings, doubts
        What a person should know; those of them that doubt the unit or the kind of what was read.
    counts
        Numbers for the record: bad pixels by kind, pixels whose depth was repaired or is missing.
    passes
        Names of the channels that each plane was read from, by plane.
    depth_reasons, depth_spec
        Why the depth pass was taken to hold what it is; what that is, nothing left to ``auto`` but the
        background. None where no depth was read.
    statistics
        Of the beauty as it is in the file, where they were asked for.
    deep
        The samples of a deep picture, of which ``frame`` is the flat one; None where it came flat, or
        without range.
    """

    name: str
    frame: Frame
    camera: Camera
    space: RGBSpace
    warnings: tuple[str, ...]
    counts: Mapping[str, int]
    doubts: tuple[str, ...] = ()
    passes: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    depth_reasons: tuple[str, ...] = ()
    depth_spec: DepthSpec | None = None
    statistics: BeautyStatistics | None = None
    deep: DeepPicture | None = None


@dataclass(frozen=True)
class Template:
    """What the writer needs to write a frame as it came: see `halocline.imaging.save`.

    Attributes
    ----------
    source
        The beauty's file.
    inputs
        All files that were read; none of them may be written over.
    parts
        Parts of the beauty's file.
    beauties
        Channels of the picture, one set a view.
    window
        Display window.
    premultiplied
        Whether the file's colours are.
    before
        The beauty's file before it was read: what is carried over is read when the frame is written.
    """

    source: Path
    inputs: tuple[Path, ...]
    parts: tuple[Part, ...]
    beauties: tuple[BeautyChannels, ...]
    window: Window
    premultiplied: bool
    before: BeforeReading


@dataclass(frozen=True)
class Loaded:
    """A frame with all its views.

    Attributes
    ----------
    views
        One a view of the file.
    template
        What is to be known to write one like it.
    """

    views: tuple[View, ...]
    template: Template

    @property
    def warnings(self) -> tuple[str, ...]:
        """All views' warnings, each once."""
        return tuple(dict.fromkeys(warning for view in self.views for warning in view.warnings))

    @property
    def doubts(self) -> tuple[str, ...]:
        """All views' doubts about unit and kind, each once."""
        return tuple(dict.fromkeys(doubt for view in self.views for doubt in view.doubts))


def load(
    path: str | Path,
    spec: InputSpec | None = None,
    *,
    depth_path: str | Path | None = None,
    pass_paths: Mapping[str, str | Path] | None = None,
    wanted: Collection[str] = (),
    judged: bool = False,
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
    pass_paths
        Files that hold one pass each, by its name: ``normal``, ``position``, or the name of a matte, a light
        or any other pass. Those of passes that are not wanted are not opened.
    wanted
        Further planes to load: ``normal``, ``position``, ``matte.NAME``, ``light.NAME``. Only channels that
        become planes are read.
    judged
        Whether the picture is looked at too: statistics, and warnings where its colours or its alpha seem to
        be other than stated.

    Returns
    -------
    Loaded
        The frame, and what is to be known to write one like it.

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
        Where the camera is impossible or no perspective, or the colour space is not known.
    """
    reading = _Reading(Path(path), spec or InputSpec(), with_range=True, judged=judged)
    own = {name: Path(path) for name, path in (pass_paths or {}).items()}
    return reading.load(None if depth_path is None else Path(depth_path), wanted, own)


def load_beauty(path: str | Path, spec: InputSpec | None = None, *, judged: bool = False) -> Loaded:
    """Load only colour and alpha of a frame, which needs no depth. Raises as `load` does.

    Parameters
    ----------
    path
        The beauty's file.
    spec
        What is known about it.
    judged
        As `load` takes it.

    Returns
    -------
    Loaded
        The frame with ``rgb`` and ``alpha`` alone.
    """
    return _Reading(Path(path), spec or InputSpec(), with_range=False, judged=judged).load(None, (), {})


def load_surfaces(
    path: str | Path, spec: InputSpec | None = None, *, depth_path: str | Path | None = None
) -> Loaded:
    """Load what a frame's surfaces cover and how far away they are, without their colours. Raises as `load`.

    Light where alpha is 0 is not known to be there: it is open water. Of two surfaces in a pixel only an
    averaged depth pass tells. A deep picture is loaded as `load` does.

    Parameters
    ----------
    path
        The beauty's file.
    spec
        What is known about it.
    depth_path
        File that holds depth (and positions), where it is not the beauty's.

    Returns
    -------
    Loaded
        The frame with ``alpha`` and ``range``, and the farther surface where depth is averaged.
    """
    reading = _Reading(Path(path), spec or InputSpec(), with_range=True, judged=False, coloured=False)
    return reading.load(None if depth_path is None else Path(depth_path), (), {})


def load_buffer(
    buffer: oiio.ImageBuf, spec: InputSpec | None = None, *, wanted: Collection[str] = ()
) -> Loaded:
    """Load a frame from a picture in memory, by its channel names and metadata. As `load` does for a file.

    Parameters
    ----------
    buffer
        Colour and depth in one picture, channels named as in a file: ``R``, ``G``, ``B``, ``A``, ``Z``.
    spec, wanted
        As `load` takes them.

    Returns
    -------
    Loaded
        The frame, and what is to be known to write one like it.

    Raises
    ------
    HaloclineError
        As `load` raises; ``E-READ-OPEN`` where the buffer holds nothing.
    """
    header = header_of_buffer(buffer)
    if header.parts[0].deep:
        raise ReadError(
            "this ImageBuf holds a deep picture, whose samples it does not hand over",
            code="E-READ-DEEP",
            where=str(header.path),
            fix="Give the file itself, or ImageBufAlgo.flatten it.",
        )
    pixels = np.asarray(buffer.get_pixels("float"), np.float32)

    def from_memory(_: Path, part: Part, targets: Mapping[str, F32]) -> None:
        names = list(part.channels)
        for name, plane in targets.items():
            if part.channels[name] not in ("half", "float", "double"):
                raise ReadError(
                    f'"{name}" holds whole numbers, which an ImageBuf scales to 0..1 and rounds',
                    code="E-READ-PIXELS",
                    where=str(header.path),
                    fix="Give the file itself.",
                )
            plane[...] = pixels[..., names.index(name)]

    reading = _Reading(header.path, spec or InputSpec(), with_range=True, judged=False, read=from_memory)
    return reading.planned(header, None, wanted)


@dataclass(frozen=True)
class _Reading:
    """One file being read, and how."""

    path: Path
    spec: InputSpec
    with_range: bool
    judged: bool
    coloured: bool = True
    read: _Reader = read_into
    before: BeforeReading = field(default_factory=lambda: BeforeReading({}))

    def load(
        self, depth_path: Path | None, wanted: Collection[str], pass_paths: Mapping[str, Path]
    ) -> Loaded:
        reading = replace(self, before=BeforeReading.of([self.path]))
        header = read_header(self.path)
        depth_header = None if depth_path is None else read_header(depth_path)
        used = {path for name in wanted if (path := pass_file_of(name, pass_paths)) is not None}
        own = {name: read_header(path) for name, path in pass_paths.items() if path in used}
        return reading.planned(header, depth_header, wanted, own)

    def planned(
        self,
        header: Header,
        depth_header: Header | None,
        wanted: Collection[str],
        pass_headers: Mapping[str, Header] | None = None,
    ) -> Loaded:
        own = pass_headers or {}
        plans = plan_channels(
            header,
            self.spec,
            depth_header=depth_header,
            pass_headers=own,
            wanted=wanted,
            with_range=self.with_range,
        )
        window = common_window(plans)
        self._refuse_two_pairs(header, plans)
        views = tuple(self._view(header, plan, window) for plan in plans)
        if self.with_range:
            views = _told_of_one_camera(views)
        template = Template(
            self.path,
            tuple(each.path for each in (header, depth_header, *own.values()) if each is not None),
            header.parts,
            tuple(plan.beauty for plan in plans),
            window,
            self.spec.premultiplied,
            self.before,
        )
        return Loaded(views, template)

    def _refuse_two_pairs(self, header: Header, plans: Iterable[ChannelPlan]) -> None:
        """Refuse eyes that are stated beside cameras of their own."""
        found = {}
        for plan in plans:
            statement = self.spec.camera_of(plan.view)
            if self.with_range and statement.eye is not None and not statement.eye.replace:
                part = describing_part(header, plan.part, any_view=True)
                both = replace(statement, eye=None)
                unit = self.spec.depth.unit_m
                found[plan.view] = find_camera(part, view=plan.view, statement=both, unit_m=unit).camera
        if found:
            try:
                refuse_two_pairs(found)
            except HaloclineError as error:
                raise error.located(str(self.path)) from error

    def _view(self, header: Header, plan: ChannelPlan, window: Window) -> View:
        part = describing_part(header, plan.part, any_view=self.spec.camera_of(plan.view).eye is not None)
        deep = None
        if not (self.coloured or plan.part.deep):
            kept = {name: plan.planes[name] for name in ("alpha", "depth") if name in plan.planes}
            plan = replace(plan, planes=kept)
        if plan.part.deep:
            deep = read_samples(self.path, plan, window, self.spec, self.before, depth=self.with_range)
            flat = {name: plan.planes[name] for name in plan.planes.keys() - deep_planes(plan)}
            planes = {**deep.planes} | _read(replace(plan, planes=flat), window, self.read)
        else:
            planes = _read(plan, window, self.read)
        try:
            finish = _Finish(self, plan, part, window, deep)
            return finish.view(planes) if "rgb" in planes else finish.surfaces(planes)
        except HaloclineError as error:
            where = f'{self.path}, view "{plan.view}"' if plan.view else str(self.path)
            raise error.located(where) from error


def _read(plan: ChannelPlan, window: Window, read: _Reader) -> dict[str, F32]:
    """Read all channels of a view straight into planes over the window; one pass over each part."""
    planes: dict[str, F32] = {}
    targets: dict[tuple[Path, int], tuple[Part, dict[str, list[F32]]]] = {}
    for name, (path, channels) in plan.planes.items():
        covers = all(channel.part.data_window == window for channel in channels)
        shape = (len(channels), *window.shape)
        # Nothing was rendered outside a data window; no number is open water in a depth pass of any kind.
        fill = np.nan if name in {"depth", "position"} else 0.0
        plane = empty_plane(shape) if covers else filled_plane(shape, fill)
        planes[name] = plane[0] if len(channels) == 1 else plane
        for index, channel in enumerate(channels):
            _, by_channel = targets.setdefault((path, channel.part.index), (channel.part, {}))
            rows, columns = window.slices_of(channel.part.data_window)
            by_channel.setdefault(channel.name, []).append(plane[index][rows, columns])
    for (path, _), (part, by_channel) in targets.items():
        read(path, part, {name: views[0] for name, views in by_channel.items()})
        for copies in by_channel.values():
            for copy in copies[1:]:
                copy[...] = copies[0]
    for name, matte in plan.ids.items():
        planes[name] = matte.coverage(planes[name])
    return planes


class _Finish:
    """From what was read to a view: colours made sound, depth turned into range, and what is to be told."""

    def __init__(
        self, reading: _Reading, plan: ChannelPlan, part: Part, window: Window, deep: ReadSamples | None
    ) -> None:
        self.reading = reading
        self.deep = deep
        self.spec = reading.spec if deep is None else _of_deep(reading.spec)
        self.plan = plan
        self.part = part
        self.window = window
        self.counts: dict[str, int] = {} if deep is None else dict(deep.counts)
        self.warnings: list[str] = [*plan.warnings, *(() if deep is None else deep.warnings)]
        self.doubts: list[str] = list(plan.warnings)

    def view(self, planes: dict[str, F32]) -> View:
        spec, plan = self.spec, self.plan
        rgb, alpha = planes.pop("rgb"), planes.pop("alpha", None)
        space = find_space(self.part, spec.colour_space, spec.input_space)
        self.warnings += space.warnings
        lights = [plane for name, plane in planes.items() if name.startswith("light.")]
        # Light is judged as the file has it, and where that is no light yet, as it becomes one.
        statistics = beauty_statistics(rgb, alpha) if self.reading.judged and not space.given else None
        self._sound(rgb, alpha, lights)
        self.warnings += sound_guides(planes)
        self._convert(rgb, alpha, lights, space)
        if self.reading.judged and space.given:
            statistics = beauty_statistics(rgb, alpha)
        glows = self._glows(rgb, alpha)
        camera = self._camera()
        if not _overlap(self.part.data_window, self.part.display_window):
            self.warnings.append(
                "the picture's data window lies outside its display window: nothing of it is to be seen "
                "there, only water"
            )
        finished = {"rgb": rgb}
        second = {name: planes.pop(name) for name in SECOND_SURFACE & planes.keys()}
        verdict = None
        if "depth" in planes:
            depth = planes.pop("depth")
            ranged, verdict = self._ranged(depth, alpha, camera, planes.get("position"))
            finished |= ranged
            if alpha is not None and glows is not None:
                # Averaged edges say nothing here: there is one thing or none.
                sharp = replace(verdict.spec, edges="sharp")
                own = range_planes(depth, None, spec=sharp, camera=camera, window=self.window).range[glows]
                around = glow_range(rgb, alpha, ranged["range"], glows)
                ranged["range"][glows] = np.where(np.isfinite(own), own, around)
                np.copyto(alpha, np.float32(COVER), where=glows)
        if alpha is None:
            alpha = _coverage_from(finished.get("range"), self.window.shape, self.warnings)
        finished["alpha"] = alpha
        told = None if verdict is None else self._told(second, verdict, camera, finished, alpha)
        if told is None and "far_range" in finished:
            # An averaged depth has told the two surfaces already, and their shares of the area.
            far = (finished["far_range"], finished["far_share"])
            finished["far_light"] = far_light_of(compared_colours(rgb, space.space), finished["range"], *far)
        elif "range" in finished and (told is not None or spec.separate_edges):
            compared, normal = compared_colours(rgb, space.space), planes.pop("normal", None)
            finished |= edge_planes(compared, alpha, finished["range"], normal, told)
        if (
            verdict is not None
            and spec.fit_surfaces
            and "normal" not in planes | finished
            and camera.globe is None
        ):
            fitted = fitted_normals(
                depth, finished["range"], spec=verdict.spec, camera=camera, window=self.window
            )
            if fitted is not None:
                finished["fitted_normal"], steps = fitted
                verdict = replace(verdict, reasons=(*verdict.reasons, _fitted_over(steps)))
        if "position" in planes and spec.depth.unit_m != 1.0:
            planes["position"] *= np.float32(spec.depth.unit_m)
        if statistics is not None:
            self._judge(statistics, rgb, alpha)
        metadata = {name: entry.value for name, entry in plan.part.attributes.items()}
        return View(
            plan.view,
            Frame(finished | planes, self.window, self.part.display_window, self.part.pixel_aspect, metadata),
            camera,
            space.space,
            tuple(self.warnings),
            self.counts,
            doubts=tuple(self.doubts),
            passes=_read_from(plan, finished),
            depth_reasons=() if verdict is None else verdict.reasons,
            depth_spec=None if verdict is None else verdict.spec,
            statistics=statistics,
            deep=self._deep_picture(verdict, camera, space),
        )

    def surfaces(self, planes: dict[str, F32]) -> View:
        """Finish coverage and range of a picture whose colours were not read."""
        alpha = planes.get("alpha")
        if alpha is not None:
            repair(alpha[None], None, self.spec.repair)
        camera = self._camera()
        finished, verdict = self._ranged(planes["depth"], alpha, camera, None)
        if alpha is None:
            alpha = _coverage_from(finished["range"], self.window.shape, self.warnings)
        return View(
            self.plan.view,
            Frame(
                {"alpha": alpha, **finished}, self.window, self.part.display_window, self.part.pixel_aspect
            ),
            camera,
            find_space(self.part, self.spec.colour_space, self.spec.input_space).space,
            tuple(self.warnings),
            self.counts,
            doubts=tuple(self.doubts),
            passes=_read_from(self.plan, finished),
            depth_reasons=verdict.reasons,
            depth_spec=verdict.spec,
        )

    def _sound(self, rgb: F32, alpha: F32 | None, lights: list[F32]) -> None:
        """Fix colours in place, and premultiply them."""
        spec = self.spec
        told = _bad_pixel_warnings(repair(rgb, alpha, spec.repair), spec.repair, self.counts)
        if self.deep is None:
            self.warnings += told
        else:
            # What was wrong is told of the samples, which were looked at one by one.
            self.counts |= vars(self.deep.bad)
        # Light layers are parts of the beauty.
        for light in lights:
            repair(light, None, spec.repair)
        if alpha is not None and not spec.premultiplied:
            for colour in (rgb, *lights):
                np.multiply(colour, alpha, out=colour)

    def _convert(self, rgb: F32, alpha: F32 | None, lights: list[F32], space: FoundSpace) -> None:
        """Bring colours into the working space, in place."""
        for colour in (rgb, *lights):
            to_working(colour, alpha, space)

    def _glows(self, rgb: F32, alpha: F32 | None) -> Mask | None:
        """Find light at alpha 0 that is to be kept, and tell of it."""
        spec = self.spec
        if alpha is None or not (self.reading.with_range and spec.premultiplied and spec.keep_glows):
            return None
        glows = find_glows(rgb, alpha)
        count = int(np.count_nonzero(glows))
        self.counts["light_without_alpha"] = count
        if count == 0:
            return None
        if count > _DISAGREEMENT * alpha.size:
            self.warnings.append(
                f"{count / alpha.size:.1%} of the pixels have light but alpha 0: taken as glows, which go "
                "through the water before the surfaces they glow around, and cover nothing; if it is a "
                "backdrop, set input.keep_glows = false"
            )
        return glows

    def _camera(self) -> Camera:
        if self.reading.with_range:
            refuse_projection(self.part, self.spec.camera_of(self.plan.view))
        view = self.plan.view
        statement, unit = self.spec.camera_of(view), self.spec.depth.unit_m
        found = find_camera(self.part, view=view, statement=statement, unit_m=unit)
        self.warnings += found.warnings
        self.doubts += found.doubts
        return found.camera

    def _ranged(
        self, depth: F32, alpha: F32 | None, camera: Camera, position: F32 | None
    ) -> tuple[dict[str, F32], DepthVerdict]:
        name, spec, window = self.plan.depth_name, self.spec.depth, self.window
        verdict = infer_depth(
            depth, alpha, name=name, spec=spec, camera=camera, window=window, position=position
        )
        found = range_planes(depth, alpha, spec=verdict.spec, camera=camera, window=window)
        doubts = [*verdict.warnings, *unit_warnings(found.range, alpha, verdict.spec)]
        doubts += _coverage_doubts(found, alpha, self.counts.get("light_without_alpha", 0))
        if self.reading.judged:
            doubts += step_doubts(depth, alpha, verdict.spec)
            doubts += kind_doubts(depth, alpha, spec=verdict.spec, camera=camera, window=window)
        self.doubts += doubts
        self.warnings += [*doubts, *_disagreements(found, window)]
        self.counts |= {
            "depth_repaired": found.filled,
            "covered_without_depth": found.lost,
            "depth_without_cover": found.uncovered,
        }
        planes_found = {"range": found.range}
        if found.far_range is not None and found.far_share is not None:
            planes_found |= {"far_range": found.far_range, "far_share": found.far_share}
        return planes_found, verdict

    def _told(
        self,
        second: Mapping[str, F32],
        verdict: DepthVerdict,
        camera: Camera,
        finished: dict[str, F32],
        alpha: F32,
    ) -> ToldSurfaces | None:
        """Return what the render tells of pixels that show two surfaces, None where it tells nothing.

        What it leaves out, an averaged depth pass has told: this is taken out of what is finished.
        """
        if not second:
            return None
        far, share = second.get(FAR_DEPTH), second.get(NEAR_COVERAGE)
        if far is not None:
            kind = "planar" if verdict.spec.kind in POSITIONS else verdict.spec.kind
            spec = replace(verdict.spec, kind=kind, edges="sharp")
            far = range_planes(far, None, spec=spec, camera=camera, window=self.window).range
        told = ToldSurfaces(far, share)
        doubts = told.doubts(alpha, finished["range"])
        self.doubts += doubts
        self.warnings += doubts
        averaged, far_share = finished.pop("far_range", None), finished.pop("far_share", None)
        if averaged is None or far_share is None:
            return told
        return ToldSurfaces(
            averaged if far is None else far, np.float32(1.0) - far_share if share is None else share
        )

    def _deep_picture(
        self, verdict: DepthVerdict | None, camera: Camera, space: FoundSpace
    ) -> DeepPicture | None:
        if self.deep is None or verdict is None:
            return None
        return deep_picture(self.deep, verdict.spec, camera, self.window, space)

    def _judge(self, statistics: BeautyStatistics, rgb: F32, alpha: F32) -> None:
        """Tell what the picture itself says against what was stated of it."""
        edges, sure = premultiplication_told(rgb, alpha, stated=self.spec.premultiplied)
        doubts = [*statistics.encoding_warnings(), *coverage_warnings(alpha)]
        self.doubts += doubts + edges * sure
        self.warnings += doubts + edges


def _told_of_one_camera(views: tuple[View, ...]) -> tuple[View, ...]:
    """Warn where views of one frame are seen by one camera."""
    first, told = views[0], list(views[:1])
    for view in views[1:]:
        if view.camera.stands_as(first.camera):
            warning = (
                f'the views "{first.name}" and "{view.name}" have one camera: what floats in the water and '
                "what light draws on things stand in the screen plane. Render each view's own worldToCamera, "
                "give the views rows in camera.track, or state views.interaxial"
            )
            told.append(replace(view, warnings=(*view.warnings, warning)))
        else:
            told.append(view)
    return tuple(told)


def _of_deep(spec: InputSpec) -> InputSpec:
    """Return what is stated of a deep picture's flat one: samples are whole, premultiplied and apart."""
    depth = spec.depth if spec.depth.edges != "auto" else replace(spec.depth, edges="sharp")
    return replace(spec, depth=depth, premultiplied=True)


def _overlap(one: Window, other: Window) -> bool:
    across = max(one.x, other.x) < min(one.x_end, other.x_end)
    return across and max(one.y, other.y) < min(one.y_end, other.y_end)


def _read_from(plan: ChannelPlan, made: Collection[str]) -> dict[str, tuple[str, ...]]:
    """Return the channels that each plane comes from."""
    found = {
        name: tuple(channel.logical for channel in channels) for name, (_, channels) in plan.planes.items()
    }
    return {**found, **({"fitted_normal": found["depth"]} if "fitted_normal" in made else {})}


def _fitted_over(steps: DepthSteps) -> str:
    return f"stored as {steps.name}: surfaces are fitted over the steps, as no normals are read"


def _coverage_doubts(found: DepthPlanes, alpha: F32 | None, lit_at_zero: int) -> list[str]:
    """Tell where alpha and depth have nothing to do with each other: the whole picture is taken for water."""
    if alpha is None:
        return []
    covered = int(np.count_nonzero(alpha > 0))
    if covered and found.lost == covered:
        return [
            "no pixel that is covered (alpha above 0) has a depth: all surfaces count as infinitely far, and "
            "are lost in the water. Set input.depth_channel if it is another, or render it again"
        ]
    if not covered and min(found.uncovered, lit_at_zero) > _DISAGREEMENT * alpha.size:
        return [
            "alpha is 0 everywhere, where the beauty has light and depth: the whole picture counts as open "
            "water. Render its coverage, or leave the channel out of the file: what has a depth is covered "
            "then"
        ]
    return []


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
    done = {"report": "left as they are", "clamp": "clamped", "inpaint": "repaired from their neighbours"}[
        policy
    ]
    if not bad.any():
        return []
    return [
        f"bad pixels in the beauty: {bad.nan} not a number, {bad.infinite} infinite, "
        f"{bad.negative} negative; {done} (input.bad_pixels)"
    ]
