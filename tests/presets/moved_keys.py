"""A small scene under a preset, what can be measured of it, and a row: one key moved and what comes of it.

Rows of a preset's sections stand in `test_every_key`; those of an operator may stand in its own test file.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from functools import lru_cache
from typing import Any, Literal

import numpy as np

from halocline._typing import F32, F64
from halocline.batch.layers import plan_layers
from halocline.batch.parts import named_planes
from halocline.batch.task import input_spec
from halocline.graph.engine import Evaluation
from halocline.graph.shot import Shot
from halocline.imaging.camera import pinhole
from halocline.imaging.camera_track import CameraTrack
from halocline.imaging.frame import Frame, Window
from halocline.presets.build import make_shot, shot_of_part
from halocline.presets.preset import Preset, preset_from_text
from halocline.rgb import LINEAR_REC709

WINDOW = Window(0, 0, 40, 24)
FRAME = 1001
WATER = "[water]\njerlov_type = '1C'\n"
ATTENUATION = "[steps.attenuation]\n"
VEIL = "[steps.veiling_light]\n"
CORE = ATTENUATION + VEIL
DOWN = "[steps.downwelling]\n"
CARD = "[steps.white_reference]\n"
MATTER = (
    "[steps.suspended_matter]\ncurrent = [1.0, 0.0, 0.0]\nhaze = 0.0\nclasses = [{ name = 'grit', "
    "kind = 'grain', per_litre = 2.0, smallest = 0.003, largest = 0.006, sinking = 0.0 }]\n"
)
LAMPS = "[steps.lamps]\ndaylight = 0.0\n"
CAUSTICS = "[sea]\ndetail = 256\n[steps.caustics]\n"
# The surface seen from below.
UPWARD = {"stripes": 0.4, "up": True}
FROM_BELOW = "[sea]\ndetail = 256\n[place]\ncamera_depth = 3.0\n[steps.sky_window]\n"
STEP_ORDER = (
    "downwelling",
    "caustics",
    "lamps",
    "draw_near",
    "attenuation",
    "veiling_light",
    "suspended_matter",
)


@dataclass(frozen=True)
class Seen:
    """A preset on a small frame: a wall that runs away to the right, half of it open water."""

    preset: Preset
    stripes: float = 1.0
    up: bool = False
    normals: bool = True
    ramp: Literal["x", "y"] | None = None

    def shot(self, frame: int = FRAME) -> Shot:
        place = self.preset.at(frame).camera
        focal = place.focal_length_mm or 20.0
        if place.horizontal_view is not None:
            focal = place.film_width_mm / 2.0 / math.tan(math.radians(place.horizontal_view / 2.0))
        matrix = np.eye(4)
        if self.up:
            matrix[1:3, 1:3] = [[0.5, -math.sqrt(0.75)], [math.sqrt(0.75), 0.5]]
        camera = pinhole(
            WINDOW, focal_length_mm=focal, film_width_mm=place.film_width_mm, camera_to_world=matrix
        )
        track = CameraTrack({frame: camera})
        return make_shot(
            self.preset, frame, track, space=LINEAR_REC709, display_window=WINDOW, data_window=WINDOW
        )

    def planes(self, frame: int = FRAME, *, far_m: float = 12.0) -> dict[str, F32]:
        return _planes(self, frame, far_m)

    def rgb(self, frame: int = FRAME) -> F32:
        return self.planes(frame)["rgb"]

    def light(self) -> F32:
        """The render's own light: an even wall, stripes, or light that says where it stands."""
        rows, columns = WINDOW.shape
        plane: F64
        if self.ramp == "x":
            plane = (np.arange(columns) + 0.5) / columns
        elif self.ramp == "y":
            plane = ((np.arange(rows) + 0.5) / rows)[:, None]
        else:
            plane = np.where(np.arange(columns) % 4 < 2, 0.18, 0.18 * self.stripes)
        return np.ascontiguousarray(np.broadcast_to(plane, (3, rows, columns)), np.float32)


# Many keys of an operator are moved from the same picture.
@lru_cache(maxsize=64)
def _planes(seen: Seen, frame: int, far_m: float) -> dict[str, F32]:
    shape = WINDOW.shape
    range_m = np.tile(np.geomspace(0.8, 12.0, shape[1]).astype(np.float32), (shape[0], 1))
    range_m[:, -1] = far_m
    range_m[:, :8] *= np.float32(0.5)
    if seen.up:
        range_m[...] = np.inf
    normal = np.zeros((3, *shape), np.float32)
    normal[0], normal[1] = 0.5, 0.866
    light = np.where(np.isfinite(range_m), seen.light()[0], 0.0).astype(np.float32)
    planes = {
        "rgb": np.ascontiguousarray(np.broadcast_to(light, (3, *shape))),
        "light.key": np.ascontiguousarray(np.broadcast_to(0.5 * light, (3, *shape))),
        "matte.arch": (np.arange(shape[1]) < 12).astype(np.float32) * np.ones(shape, np.float32),
        "alpha": np.isfinite(range_m).astype(np.float32),
        "range": range_m,
        "normal": normal,
    }
    if not seen.normals:
        # The upper part drops away, for what is found by depth alone.
        del planes["normal"]
        range_m[:10] *= np.float32(1.5)
    picture = Frame(planes, WINDOW, WINDOW)
    shot = replace(seen.shot(frame), surfaces=picture)
    look = seen.preset.at(frame)
    made = named_planes(look, shot, picture, Evaluation(1), ("rgb", "alpha"))[0]
    for plane in made.values():
        plane.flags.writeable = False
    return made


Measure = Callable[[Seen], float]


def brightness(seen: Seen) -> float:
    """The picture's luminance."""
    return float(LINEAR_REC709.luminance_row @ seen.rgb().mean(axis=(1, 2)))


def far(seen: Seen) -> float:
    """Luminance of the wall's far end."""
    return float(LINEAR_REC709.luminance_row @ seen.rgb()[:, :, -1].mean(axis=1))


def near(seen: Seen) -> float:
    """Luminance of the wall's near end."""
    return float(LINEAR_REC709.luminance_row @ seen.rgb()[:, :, 0].mean(axis=1))


def red(seen: Seen) -> float:
    """Share of red in the light."""
    means = seen.rgb().mean(axis=(1, 2))
    return float(means[0] / means.sum())


def detail(seen: Seen) -> float:
    """How much the picture changes from pixel to pixel, downward."""
    return float(np.abs(np.diff(seen.rgb(), axis=1)).mean())


def peak(seen: Seen) -> float:
    return float(seen.rgb().max())


def motion(seen: Seen) -> float:
    """How much the picture changes from one frame to the next."""
    return float(np.abs(seen.rgb(FRAME) - seen.rgb(FRAME + 1)).mean())


def picture(seen: Seen) -> F32:
    return seen.rgb()


def across(seen: Seen) -> float:
    """How much the picture changes from pixel to pixel, from left to right."""
    return float(np.abs(np.diff(seen.rgb(), axis=2)).mean())


def lowest(seen: Seen) -> float:
    return float(seen.rgb().min())


def change(seen: Seen) -> F32:
    """How far each pixel is from the render's own light."""
    return np.asarray(np.abs(seen.rgb() - seen.light()).mean(axis=0))


def amount(seen: Seen) -> float:
    """How far the picture is from the render's own light."""
    return float(change(seen).mean())


def amount_in_matte(seen: Seen) -> float:
    return float(change(seen)[:, :12].mean())


def amount_out_of_matte(seen: Seen) -> float:
    return float(change(seen)[:, 12:].mean())


def upper_half(seen: Seen) -> float:
    return float(change(seen)[: WINDOW.height // 2].mean())


def lower_half(seen: Seen) -> float:
    return float(change(seen)[WINDOW.height // 2 :].mean())


def middle_of_change(seen: Seen) -> float:
    """Where, from left to right, the picture is changed."""
    found = change(seen).sum(axis=0)
    return float((found * np.arange(found.size)).sum() / found.sum())


def height_of_change(seen: Seen) -> float:
    """Where, from the top down, the picture is changed."""
    found = change(seen).sum(axis=1)
    return float((found * np.arange(found.size)).sum() / found.sum())


def lines_down(seen: Seen) -> float:
    """How much more the picture changes across than down: lines that run down it."""
    return across(seen) / detail(seen)


def looks_from_left(seen: Seen) -> float:
    """Of a picture that says where its light stood: how far to the right its left part looks."""
    return float((seen.rgb() - seen.light())[1, :, 3:10].mean())


def mean_shift(seen: Seen) -> float:
    """Of a picture that says where its light stood: how far to the right, or down, all of it looks."""
    return float((seen.rgb() - seen.light())[1].mean())


def fringe(seen: Seen) -> float:
    """How far red and blue are apart."""
    rgb = seen.rgb()
    return float(np.abs(rgb[0] - rgb[2]).mean())


def apart_from(text: str) -> Callable[[Seen], float]:
    """How far the picture is from that of another preset on the same scene."""

    def measure(seen: Seen) -> float:
        other = replace(seen, preset=_preset("format = 1\n" + _joined(WATER + text)))
        return float(np.abs(seen.rgb() - other.rgb()).mean())

    return measure


def layers_made(seen: Seen) -> tuple[str, ...]:
    look = seen.preset.at(FRAME)
    return tuple(plan_layers(look.graph, look.output.layers).additive)


def of_shot(read: Callable[[Shot], Any]) -> Callable[[Seen], Any]:
    return lambda seen: read(seen.shot())


def of_part(read: Callable[[Shot], Any]) -> Callable[[Seen], Any]:
    """What the surroundings of the one part of the picture hold."""
    return lambda seen: read(shot_of_part(seen.preset.at(FRAME).parts[0], seen.shot()))


def of_input(name: str) -> Callable[[Seen], Any]:
    """What the frame's reader is told."""
    return lambda seen: getattr(input_spec(seen.preset, FRAME), name)


def of_depth(name: str) -> Callable[[Seen], Any]:
    return lambda seen: getattr(input_spec(seen.preset, FRAME).depth, name)


def of_camera(name: str) -> Callable[[Seen], Any]:
    return lambda seen: getattr(input_spec(seen.preset, FRAME).camera, name)


def camera_axes(seen: Seen) -> F64:
    return np.array(input_spec(seen.preset, FRAME).camera.camera_to_world).round(12)


def place_of_camera(seen: Seen) -> tuple[float, ...] | None:
    """Where the lens is said to be, scene units."""
    stated = input_spec(seen.preset, FRAME).camera.camera_to_world
    return None if stated is None else tuple(row[3] for row in stated[:3])


def view_of_camera(seen: Seen) -> tuple[float, ...]:
    """Which way the lens is said to look."""
    return tuple(-camera_axes(seen)[:3, 2])


def top_of_camera(seen: Seen) -> tuple[float, ...]:
    """Which way the picture's upper edge is said to be."""
    return tuple(camera_axes(seen)[:3, 1])


def loop_error(seen: Seen) -> float:
    """How far two seconds, 48 frames, are from a whole turn of the sea."""
    return float(np.abs(seen.rgb(FRAME) - seen.rgb(FRAME + 48)).mean())


def hues(seen: Seen) -> float:
    """How much the channels differ from each other beyond their means."""
    rgb = seen.rgb()
    even = rgb / rgb.mean(axis=(1, 2), keepdims=True)
    return float(np.abs(even[0] - even[2]).mean())


def contrast(seen: Seen) -> float:
    """How far the wall's far end is from the water, of the water's brightness."""
    water = Seen(seen.preset)
    end = far(seen)
    open_end = float(
        LINEAR_REC709.luminance_row @ water.planes(FRAME, far_m=np.inf)["rgb"][:, :, -1].mean(axis=1)
    )
    return abs(end - open_end) / open_end


def open_alpha(seen: Seen) -> float:
    """Coverage where nothing is hit."""
    return float(seen.planes(FRAME, far_m=np.inf)["alpha"][:, -1].mean())


@dataclass(frozen=True)
class Row:
    """One key: the rest of the preset, its values before and after, what is measured, and how it goes.

    ``goes`` is "up" or "down" from the first value to the second, "gone" (to nothing), "turned" (to the other
    sign), "little" (to another picture that is off by less than a tenth), "redrawn" (as much is changed as
    before, in other places: what chooses among pictures of which none is more than the other), a ratio, or
    the two values exactly.
    """

    text: str
    values: tuple[str | None, str]
    measure: Callable[[Seen], Any]
    goes: str | float | tuple[Any, Any]
    scene: Mapping[str, Any] = field(default_factory=dict)


STRIPED = {"stripes": 0.4}
BY_DEPTH = {"stripes": 0.4, "normals": False}


def of(operator: str, rows: dict[str, Row]) -> dict[str, Row]:
    """Name the rows of an operator's keys as a preset does."""
    return {f"steps.{operator}.{key}": row for key, row in rows.items()}


def seen_with(row: Row, key: str, value: str | None) -> Seen:
    """The row's preset with the key at a value."""
    base = "" if key.startswith("water.") else WATER
    settings = [] if value is None else [f"{key}={value}"]
    return Seen(_preset("format = 1\n" + _joined(base + row.text), *settings))


@lru_cache(maxsize=64)
def _preset(text: str, *settings: str) -> Preset:
    return preset_from_text(text, settings)


def _joined(text: str) -> str:
    """Put tables that are named twice together."""
    tables: dict[str, list[str]] = {}
    name = ""
    for line in text.splitlines():
        if line.startswith("["):
            name = line
        tables.setdefault(name, []).extend([] if line.startswith("[") else [line])
    order = sorted(tables, key=_place)
    return "\n".join("\n".join([head, *tables[head]]) for head in order)


def _place(head: str) -> int:
    kind = head.strip("[]").removeprefix("steps.")
    return STEP_ORDER.index(kind) if kind in STEP_ORDER else len(STEP_ORDER) * ("steps." in head) - 1
