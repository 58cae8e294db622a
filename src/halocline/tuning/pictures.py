"""Frames under a preset as the page shows them: display pixels, and what there is at one pixel."""

from __future__ import annotations

import math
from collections import OrderedDict
from collections.abc import Callable, Mapping
from functools import cached_property
from pathlib import Path
from threading import Lock, RLock
from time import perf_counter
from typing import Any

import cv2
import numpy as np

from halocline._typing import F32
from halocline.batch.frame_task import planes_of_look
from halocline.batch.parts import named_planes
from halocline.batch.still import Still, seen, tasks_of
from halocline.batch.task import FrameTask, input_spec_of
from halocline.errors import HaloclineError, ReadError
from halocline.graph.engine import Evaluation, HeldReady
from halocline.graph.shot import Shot
from halocline.imaging.camera import Camera
from halocline.imaging.colour import display_pixels
from halocline.imaging.display_grid import DisplayGrid
from halocline.imaging.survey import mattes_there
from halocline.late_dataclass import dataclass
from halocline.presets.preset import Preset, load_preset
from halocline.review.contact_sheet import U8
from halocline.rgb import RGBSpace
from halocline.tuning.pace import Pace
from halocline.tuning.reference import ReferenceStill

MOST_FRAMES = 8
STRIP_PIXELS = 12_000
MOST_IN_STRIP = 8
JPEG_QUALITY = 90
# Near to far: warm to cold through grey, all about as light; open water stays dark.
RANGE_STOPS_M = (0.5, 1.0, 2.0, 4.0, 8.0, 16.0, 32.0, 64.0)
RANGE_COLOURS = (
    (250, 238, 214),
    (236, 197, 138),
    (214, 150, 108),
    (178, 120, 122),
    (137, 112, 142),
    (96, 112, 150),
    (62, 96, 130),
    (38, 62, 88),
)
OPEN_WATER = (16, 20, 26)


@dataclass(frozen=True)
class Wish:
    """What a page wants to see.

    Attributes
    ----------
    frame
        Which frame.
    exposure
        Stops brighter than the frame.
    shows
        ``picture``, ``clean``, ``range``, ``preset:NAME`` or ``reference``.
    step
        Stop after this step; at the end where empty.
    """

    frame: int
    exposure: float = 0.0
    shows: str = "picture"
    step: str = ""


@dataclass(frozen=True)
class ShownPicture:
    """A picture for the display.

    Attributes
    ----------
    pixels
        ``(rows, columns, 3)``.
    size
        Width and height of the frame that it shows, pixels.
    block
        Pixels of the frame along each side of one of these; the frame may be larger or smaller by less than
        a half of one.
    """

    pixels: U8
    size: tuple[int, int]
    block: int = 1


class Pictures:
    """Frames of a sequence, read once and put under water again and again.

    Parameters
    ----------
    frames, depth, passes, numbers
        The sequence, as on the command line.
    reference
        A still to compare with.
    """

    def __init__(
        self,
        frames: str,
        *,
        depth: str | None = None,
        passes: Mapping[str, str] | None = None,
        numbers: str | None = None,
        reference: Path | None = None,
    ) -> None:
        self.tasks: dict[int, FrameTask] = {
            task.frame: task for task in tasks_of(frames, depth=depth, passes=passes, frames=numbers)
        }
        self.reference = None if reference is None else ReferenceStill(reference)
        self._stills: OrderedDict[Any, tuple[Still, dict[int, Still]]] = OrderedDict()
        self._pace = Pace()
        # One picture at a time: each uses all processors by itself.
        self._lock = RLock()
        # What is told of headers waits for no picture.
        self._headers = Lock()
        self._mattes: tuple[str, tuple[str, ...]] | None = None
        self._guides: tuple[Any, dict[str, F32]] | None = None
        # Of first looks and of finished ones: what one makes ready is coarser than what the other does.
        self._shots: dict[bool, tuple[Still, tuple[object, ...], Shot]] = {}
        self._held = {coarse: HeldReady() for coarse in (True, False)}

    @property
    def numbers(self) -> list[int]:
        """The frames there are."""
        return list(self.tasks)

    def picture(
        self,
        preset: Preset,
        wish: Wish,
        *,
        coarse: bool = False,
        unwanted: Callable[[], bool] = lambda: False,
    ) -> ShownPicture:
        """Return a picture for the display.

        Parameters
        ----------
        preset, wish
            What to show.
        coarse
            For a first look, of fewer pixels.
        unwanted
            Tells when nobody wants the picture any more.

        Raises
        ------
        NoLongerWanted
            Once ``unwanted`` tells so.
        HaloclineError
            Where the frame cannot be read or rendered.
        """
        with self._lock:
            if wish.shows == "reference":
                pixels = self.still().pixels()
                return ShownPicture(pixels, (pixels.shape[1], pixels.shape[0]))
            rows, columns = self._still(wish.frame, preset).clean.shape[-2:]
            still = self._still(wish.frame, preset, coarse=coarse)
            return ShownPicture(
                self._of_frame(still, preset, wish, coarse=coarse, unwanted=unwanted),
                (columns, rows),
                still.block,
            )

    def pixels(self, preset: Preset, wish: Wish, *, coarse: bool = False) -> U8:
        """Return the pixels of a `picture`."""
        return self.picture(preset, wish, coarse=coarse).pixels

    def _of_frame(
        self, still: Still, preset: Preset, wish: Wish, *, coarse: bool, unwanted: Callable[[], bool]
    ) -> U8:
        if wish.shows == "range":
            return range_colours(self._plane(still, "range"))
        if wish.shows == "clean":
            return self._shown(still.clean, still.space, wish.exposure, coarse=coarse)
        look = load_preset(wish.shows.removeprefix("preset:")) if wish.shows.startswith("preset:") else preset
        if look is not preset:
            still = self._still(wish.frame, look, coarse=coarse)
        began = perf_counter()
        held = self._held[coarse]
        held.begin()
        rgb = still.planes(
            look,
            step=wish.step or None,
            how=Evaluation(self._pace.threads if coarse else None, held=held, unwanted=unwanted),
            shot=self._around(still, look),
        )["rgb"]
        if coarse:
            self._pace.took(perf_counter() - began)
        return self._shown(rgb, still.space, wish.exposure, coarse=coarse)

    def mattes(self, preset: Preset) -> tuple[str, ...]:
        """Return the names of the mattes that frames through the sequence have, as their headers tell."""
        with self._headers:
            tasks = [self.tasks[number] for number in self._through()]
            specs = [input_spec_of(task, preset) for task in tasks]
            key = repr(specs)
            if self._mattes is None or self._mattes[0] != key:
                found = {
                    name
                    for task, spec in zip(tasks, specs, strict=True)
                    for name in mattes_there(task.by_role, spec)
                }
                self._mattes = (key, tuple(sorted(found)))
            return self._mattes[1]

    def strip(self, preset: Preset) -> list[tuple[int, U8]]:
        """Return small pictures of frames evenly through the sequence."""
        return [(number, self._small(preset, number)) for number in self._through()]

    def probe(self, preset: Preset, number: int, frame: int, x: int, y: int) -> dict[str, Any]:
        """Return what there is at a pixel of the display window, as plain values.

        Parameters
        ----------
        preset, number
            The preset, and the number of its state, for which whole planes are kept.
        frame, x, y
            The pixel: column and row, counted from the upper left.
        """
        with self._lock:
            still = self._still(frame, preset)
            planes = self._guide_planes(still, preset, (number, frame))
            rows, columns = still.clean.shape[-2:]
            if not (0 <= x < columns and 0 <= y < rows):
                return {"x": x, "y": y, "values": []}
            view = still.inputs.loaded.views[0]
            told = [
                {"name": "under water, linear", "value": _numbers(planes["rgb"][:, y, x])},
                {"name": "clean, linear", "value": _numbers(still.clean[:, y, x])},
                {"name": "range, m", "value": _numbers(self._plane(still, "range")[y, x])},
                {"name": "coverage", "value": _numbers(self._plane(still, "alpha")[y, x])},
                {"name": "depth pass", "value": "" if view.depth_spec is None else view.depth_spec.kind},
            ]
            for name, label in (("transmittance", "transmittance"), ("veil", "veil")):
                if name in planes:
                    told.append({"name": label, "value": _numbers(planes[name][..., y, x])})
            return {"x": x, "y": y, "values": told}

    def lens(self, preset: Preset, frame: int) -> Camera:
        """Return the camera that a frame's story is reckoned for."""
        with self._lock:
            return self._still(frame, preset).lens(preset)

    def _through(self) -> list[int]:
        """Return frames evenly through the sequence."""
        numbers = self.numbers
        count = min(MOST_IN_STRIP, len(numbers))
        return [numbers[round(at)] for at in np.linspace(0, len(numbers) - 1, count)]

    def _small(self, preset: Preset, number: int) -> U8:
        with self._lock:
            still = self._still(number, preset)
            smaller = still.reduced(_step(still, STRIP_PIXELS))
            return self._shown(smaller.planes(preset)["rgb"], still.space, 0.0, coarse=False)

    def _still(self, frame: int, preset: Preset, *, coarse: bool = False) -> Still:
        """Return a frame, or fewer pixels of it; read anew where the preset reads it otherwise."""
        task = self.tasks.get(frame)
        if task is None:
            raise ReadError(
                f"there is no frame {frame}",
                code="E-READ-OPEN",
                fix=f"Frames are {self.numbers[0]} to {self.numbers[-1]}.",
            )
        key = (frame, repr(input_spec_of(task, preset)), planes_of_look(preset.at(frame)))
        found = self._stills.get(key)
        if found is None:
            found = self._stills[key] = (Still.read(task, preset), {})
            while len(self._stills) > MOST_FRAMES:
                self._stills.popitem(last=False)
        self._stills.move_to_end(key)
        still, reduced = found
        if not coarse:
            return still
        step = _step(still, self._pace.pixels)
        if step not in reduced:
            # Of another size none is wanted any more.
            reduced.clear()
            reduced[step] = still.reduced(step)
        return reduced[step]

    def _around(self, still: Still, preset: Preset) -> Shot:
        """Return the surroundings of a frame: the same object as long as they are the same."""
        follows = still.surroundings(preset)
        if follows is None:
            return still.shot(preset)
        before = self._shots.get(still.draft)
        if before is None or before[0] is not still or before[1] != follows:
            before = self._shots[still.draft] = (still, follows, still.shot(preset))
        return before[2]

    def _plane(self, still: Still, name: str) -> F32:
        frame = still.inputs.loaded.views[0].frame
        return seen(frame.plane(name), frame.data_window, frame.display_window)

    def _shown(self, rgb: F32, space: RGBSpace, exposure: float, *, coarse: bool) -> U8:
        if exposure:
            rgb = rgb * np.float32(2.0**exposure)
        return self._grid.pixels(rgb, space) if coarse else display_pixels(rgb, space)

    @cached_property
    def _grid(self) -> DisplayGrid:
        """Where display pixels of first looks are looked up."""
        return DisplayGrid()

    def _guide_planes(self, still: Still, preset: Preset, key: Any) -> dict[str, F32]:
        if self._guides is not None and self._guides[0] == key:
            return self._guides[1]
        frame = still.inputs.loaded.views[0].frame
        preset = still.placed(preset)
        look, shot = preset.at(key[1]), still.shot(preset)
        written = {
            name for graph in look.graphs for step in graph.steps for name in step.operator.planes().writes
        }
        names = ["rgb", *(name for name in ("transmittance", "veil") if name in written)]
        made, _ = named_planes(look, shot, frame, Evaluation(), names)
        planes = {name: seen(plane, frame.data_window, frame.display_window) for name, plane in made.items()}
        down = shot.path.bands.down.astype(np.float32)
        for name in ("transmittance", "veil"):
            # Light in bands is told in the picture's own three colours.
            if name in planes and planes[name].shape[0] == down.shape[1]:
                planes[name] = np.einsum("ck,kyx->cyx", down, planes[name])
        self._guides = (key, planes)
        return planes

    def still(self) -> ReferenceStill:
        """Return the still to compare with.

        Raises
        ------
        ReadError
            ``E-READ-OPEN`` where none was given.
        """
        if self.reference is None:
            raise ReadError(
                "there is no reference still", code="E-READ-OPEN", fix="Start the page with --reference."
            )
        return self.reference


def encoded(pixels: U8, *, coarse: bool) -> bytes:
    """Return a picture for the browser: quick while it is coarse, without any loss once it is fine."""
    how = (
        (".jpg", [cv2.IMWRITE_JPEG_QUALITY, JPEG_QUALITY])
        if coarse
        else (".png", [cv2.IMWRITE_PNG_COMPRESSION, 1])
    )
    good, data = cv2.imencode(how[0], np.ascontiguousarray(pixels[..., ::-1]), how[1])
    if not good:
        raise HaloclineError("the picture cannot be encoded", code="E-WRITE-OPEN")
    return bytes(data)


def range_colours(range_m: F32) -> U8:
    """Return range as colours, near warm and far cold, by its logarithm; open water dark."""
    finite = np.isfinite(range_m)
    at = np.log2(np.clip(np.where(finite, range_m, 1.0), RANGE_STOPS_M[0], RANGE_STOPS_M[-1]))
    stops = np.log2(RANGE_STOPS_M)
    out = np.empty((*range_m.shape, 3), np.uint8)
    for channel in range(3):
        column = [colour[channel] for colour in RANGE_COLOURS]
        out[..., channel] = np.where(finite, np.interp(at, stops, column), OPEN_WATER[channel])
    return out


def _step(still: Still, pixels: int) -> int:
    rows, columns = still.clean.shape[-2:]
    return max(1, math.ceil(math.sqrt(rows * columns / pixels)))


def _numbers(values: Any) -> list[float | None]:
    return [float(f"{value:.5g}") if math.isfinite(value) else None for value in np.ravel(values).tolist()]
