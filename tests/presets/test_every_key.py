"""Every key of a preset does what it says: moved from its default it changes the picture, in the stated way.

One table for all sections: what is set before and after, what is measured, and which way it goes. A key
without a row fails, so that a new key cannot come without one. Figures beside which stands "exactly" are
reckoned here from the key's own meaning (docs/presets.md), not taken from the code.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from halocline._typing import F32
from halocline.batch.task import input_spec
from halocline.graph.engine import Evaluation, evaluate
from halocline.graph.shot import Shot
from halocline.imaging.camera import pinhole
from halocline.imaging.camera_track import CameraTrack
from halocline.imaging.frame import Frame, Window
from halocline.operators.registry import BUILT_IN, operator_named
from halocline.presets.build import make_shot
from halocline.presets.preset import Preset, preset_from_text
from halocline.presets.sections import SECTIONS
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
        shape = WINDOW.shape
        range_m = np.tile(np.geomspace(0.8, 12.0, shape[1]).astype(np.float32), (shape[0], 1))
        range_m[:, -1] = far_m
        range_m[:, :8] *= np.float32(0.5)
        if self.up:
            range_m[...] = np.inf
        normal = np.zeros((3, *shape), np.float32)
        normal[0], normal[1] = 0.5, 0.866
        stripes = np.where(np.arange(shape[1]) % 4 < 2, 1.0, self.stripes)
        light = np.where(np.isfinite(range_m), 0.18 * stripes, 0.0).astype(np.float32)
        planes = {
            "rgb": np.ascontiguousarray(np.broadcast_to(light, (3, *shape))),
            "light.key": np.ascontiguousarray(np.broadcast_to(0.5 * light, (3, *shape))),
            "matte.arch": (np.arange(shape[1]) < 12).astype(np.float32) * np.ones(shape, np.float32),
            "alpha": np.isfinite(range_m).astype(np.float32),
            "range": range_m,
            "normal": normal,
        }
        if not self.normals:
            # The upper part drops away, for what is found by depth alone.
            del planes["normal"]
            range_m[:10] *= np.float32(1.5)
        picture = Frame(planes, WINDOW, WINDOW)
        shot = replace(self.shot(frame), surfaces=picture)
        graph = self.preset.at(frame).graph
        return evaluate(graph, picture, shot, wanted=("rgb", "alpha"), how=Evaluation(1))

    def rgb(self, frame: int = FRAME) -> F32:
        return self.planes(frame)["rgb"]


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


def of_shot(read: Callable[[Shot], Any]) -> Callable[[Seen], Any]:
    return lambda seen: read(seen.shot())


def of_input(name: str) -> Callable[[Seen], Any]:
    """What the frame's reader is told."""
    return lambda seen: getattr(input_spec(seen.preset.at(FRAME)), name)


def of_depth(name: str) -> Callable[[Seen], Any]:
    return lambda seen: getattr(input_spec(seen.preset.at(FRAME)).depth, name)


def of_camera(name: str) -> Callable[[Seen], Any]:
    return lambda seen: getattr(input_spec(seen.preset.at(FRAME)).camera, name)


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

    ``goes`` is "up", "down" or "other" from the first value to the second, or the two values exactly.
    """

    text: str
    values: tuple[str | None, str]
    measure: Callable[[Seen], Any]
    goes: str | tuple[Any, Any]


LIGHT_OFF = "[light]\nveil_brightness = 0.0\n"
SWELL = "[[sea.swells]]\nheight = 1.0\nperiod = 8.0\n"
ROWS: dict[str, Row] = {
    # --- sequence: exactly, by what a frame rate and a shutter are
    "sequence.frames_per_second": Row(
        "", ("24.0", "48.0"), of_shot(lambda s: s.time_s), (1001 / 24, 1001 / 48)
    ),
    "sequence.seed": Row(MATTER, ("1", "2"), picture, "other"),
    "sequence.shutter_angle": Row(
        "", ("180.0", "360.0"), of_shot(lambda s: s.shutter()), ((1000.75, 1001.25), (1000.5, 1001.5))
    ),
    # --- input: what the reader of files is told; that it obeys is held by tests/imaging
    "input.layer": Row("", (None, "'diver'"), of_input("beauty"), ("", "diver")),
    "input.depth_channel": Row("", (None, "'Z'"), of_input("depth_channel"), (None, "Z")),
    "input.normal_layer": Row("", (None, "'N'"), of_input("normal"), (None, "N")),
    "input.position_layer": Row("", (None, "'P'"), of_input("position"), (None, "P")),
    "input.lights": Row("", (None, "{ sun = 'key' }"), of_input("lights"), ({}, {"sun": "key"})),
    "input.depth_kind": Row("", (None, "'planar'"), of_depth("kind"), ("auto", "planar")),
    "input.scene_unit": Row("", (None, "'cm'"), of_depth("unit_m"), (1.0, 0.01)),
    "input.depth_unit": Row("", (None, "'cm'"), of_depth("pass_unit_m"), (None, 0.01)),
    "input.near": Row("[input]\nscene_unit = 'cm'\n", (None, "2.0"), of_depth("near"), (None, 200.0)),
    "input.far": Row("[input]\nscene_unit = 'cm'\n", (None, "9.0"), of_depth("far"), (None, 900.0)),
    "input.depth_edges": Row("", (None, "'averaged'"), of_depth("edges"), ("auto", "averaged")),
    "input.premultiplied": Row("", (None, "false"), of_input("premultiplied"), (True, False)),
    "input.separate_edges": Row("", (None, "false"), of_input("separate_edges"), (True, False)),
    "input.passes": Row("", (None, "{ normal = 'Nrm' }"), of_input("passes"), ({}, {"normal": "Nrm"})),
    "input.keep_glows": Row("", (None, "false"), of_input("keep_glows"), (True, False)),
    "input.bad_pixels": Row("", (None, "'inpaint'"), of_input("repair"), ("clamp", "inpaint")),
    "colour.working_space": Row("", (None, "'ACEScg'"), of_input("colour_space"), (None, "ACEScg")),
    "camera.replace": Row("", (None, "true"), of_camera("override"), (False, True)),
    "camera.focal_length_mm": Row("", (None, "50.0"), of_camera("focal_length_mm"), (None, 50.0)),
    "camera.film_width_mm": Row(
        "[camera]\nfocal_length_mm = 35.0\n", (None, "24.0"), of_camera("film_width_mm"), (36.0, 24.0)
    ),
    "camera.horizontal_view": Row("", (None, "'1 rad'"), of_camera("hfov_deg"), (None, math.degrees(1.0))),
    # --- water: clear to murky takes the far end's own light
    "water.jerlov_type": Row(LIGHT_OFF + ATTENUATION, ("'IB'", "'7C'"), far, "down"),
    "water.source": Row(LIGHT_OFF + ATTENUATION, ("'williamson2022'", "'solonenko2015'"), picture, "other"),
    "water.constituents": Row(
        LIGHT_OFF + ATTENUATION, ("{ chlorophyll = 0.1 }", "{ chlorophyll = 10.0 }"), far, "down"
    ),
    "water.attenuation_550": Row(LIGHT_OFF + ATTENUATION, ("0.4", "0.8"), far, "down"),
    "water.secchi_depth": Row(LIGHT_OFF + ATTENUATION, ("5.0", "10.0"), far, "up"),
    "water.visibility": Row(LIGHT_OFF + ATTENUATION, ("5.0", "10.0"), far, "up"),
    # --- light
    "light.sun_elevation": Row(
        "", ("30.0", "80.0"), of_shot(lambda s: s.path.sun_travel @ s.path.up), "down"
    ),
    "light.sun_azimuth": Row("", ("0.0", "90.0"), of_shot(lambda s: s.path.sun_travel @ [1.0, 0, 0]), "down"),
    "light.overcast": Row("", ("0.0", "0.9"), of_shot(lambda s: s.path.surface_sun_share), "down"),
    "light.reference_depth": Row(DOWN, ("2.0", "5.0"), brightness, "up"),
    "light.daylight": Row(CORE, ("1.0", "0.5"), brightness, "down"),
    "light.veil_brightness": Row(CORE, ("1.0", "2.0"), far, "up"),
    "light.veil_tint": Row(CORE, ("[1.0, 1.0, 1.0]", "[3.0, 1.0, 1.0]"), red, "up"),
    "light.lamps": Row(
        LAMPS, (None, "[{ position = [0.0, 3.0, 0.0], cone_angle = 120.0 }]"), brightness, "up"
    ),
    # --- place
    "place.camera_depth": Row("[light]\nreference_depth = 1.0\n" + DOWN, ("2.0", "20.0"), brightness, "down"),
    # The lens is at height 0 of the world.
    "place.sea_level": Row("", ("2.0", "20.0"), of_shot(lambda s: s.path.camera_depth_m), (2.0, 20.0)),
    "place.up": Row(
        "[place]\nahead = '+x'\n", ("'+y'", "'+z'"), of_shot(lambda s: s.path.up @ [0, 0, 1.0]), (0.0, 1.0)
    ),
    "place.ahead": Row(
        "[light]\nsun_azimuth = 0.0\n", ("'-z'", "'+z'"), of_shot(lambda s: s.path.sun_travel[2]), "down"
    ),
    # --- sea
    "sea.wind": Row(CAUSTICS, ("2.0", "8.0"), picture, "other"),
    "sea.wind_direction": Row(CAUSTICS, ("0.0", "90.0"), picture, "other"),
    "sea.fetch": Row(CAUSTICS, ("500.0", "5000.0"), picture, "other"),
    "sea.sea_depth": Row(CAUSTICS, (None, "2.0"), picture, "other"),
    "sea.spread": Row(CAUSTICS, ("2.0", "40.0"), picture, "other"),
    "sea.smooth_below": Row(CAUSTICS, ("0.0", "1.0"), picture, "other"),
    "sea.swells": Row(CAUSTICS, (None, "[{ height = 1.0, period = 4.0 }]"), picture, "other"),
    "sea.loop": Row(CAUSTICS, (None, "2.0"), loop_error, "down"),
    "sea.speed": Row(CAUSTICS, ("1.0", "0.0"), motion, "down"),
    "sea.scale": Row(CAUSTICS, ("1.0", "4.0"), detail, "down"),
    "sea.softness": Row(CAUSTICS, ("1.0", "8.0"), detail, "down"),
    "sea.colour": Row(CAUSTICS, ("0.0", "8.0"), hues, "up"),
    "sea.patch": Row(CAUSTICS, ("12.0", "6.0"), picture, "other"),
    "sea.detail": Row(CAUSTICS, ("256", "512"), picture, "other"),
    # --- story
    "story.subject_range": Row(
        "[story]\nsilhouette_contrast = 0.3\n" + CORE, ("12.0", "40.0"), contrast, "up"
    ),
    "story.silhouette_contrast": Row(
        "[story]\nsubject_range = 12.0\n" + CORE, ("0.2", "0.5"), contrast, "up"
    ),
    "story.subject_size": Row(
        "[story]\nsubject_range = 12.0\nsilhouette_contrast = 0.3\n" + CORE + "[steps.forward_scatter]\n",
        ("0.0", "6.0"),
        picture,
        "other",
    ),
    "story.near_limit": Row("[story]\nsoftness = 2.0\n" + VEIL, ("1.0", "4.0"), far, "up"),
    "story.softness": Row("[story]\nnear_limit = 1.0\n" + VEIL, ("2.0", "20.0"), far, "up"),
    "story.depth": Row(
        "[story]\nsubject_range = 12.0\nsilhouette_contrast = 0.3\n" + CORE, ("2.0", "40.0"), picture, "other"
    ),
    "story.attenuation_scale": Row(LIGHT_OFF + ATTENUATION, ("1.0", "0.5"), far, "up"),
    "story.veil_scale": Row(VEIL, ("1.0", "0.5"), far, "down"),
    "story.downwelling_scale": Row(
        "[light]\nreference_depth = 1.0\n[place]\ncamera_depth = 12.0\n" + DOWN,
        ("1.0", "0.5"),
        brightness,
        "up",
    ),
    # --- bands
    "bands.count": Row("", ("4", "8"), of_shot(lambda s: s.path.bands.count), (4, 8)),
    "bands.range": Row("", ("20.0", "100.0"), of_shot(lambda s: s.path.bands.range_m), (20.0, 100.0)),
    "bands.depth": Row("", ("10.0", "40.0"), of_shot(lambda s: s.path.bands.depth_m), (10.0, 40.0)),
    # --- the operators of every look
    "steps.downwelling.brightest": Row(
        "[light]\nreference_depth = 30.0\n[place]\ncamera_depth = 2.0\n" + DOWN,
        ("2.0", "4.0"),
        brightness,
        "up",
    ),
    "steps.veiling_light.open_water": Row(VEIL, ("'fill'", "'leave'"), open_alpha, (1.0, 0.0)),
    "steps.white_reference.card_range": Row(CORE + CARD, ("0.5", "2.0"), brightness, "up"),
    "steps.white_reference.card_depth": Row(CORE + DOWN + CARD, ("10.0", "15.0"), brightness, "up"),
    "steps.white_reference.card_reflectance": Row(
        CORE + CARD + "value = 0.18\n", ("0.18", "0.36"), brightness, "down"
    ),
    "steps.white_reference.value": Row(CORE + CARD, ("0.18", "0.36"), brightness, "up"),
    "steps.white_reference.balance": Row(CORE + CARD, ("0.0", "1.0"), red, "up"),
    "steps.white_reference.largest_gain": Row(
        CORE + CARD + "card_range = 8.0\n", ("16.0", "1.05"), brightness, "down"
    ),
    "steps.forward_scatter.strength": Row("[steps.forward_scatter]\n", ("0.0", "1.0"), picture, "other"),
    "steps.lamps.daylight": Row("[steps.lamps]\n", ("1.0", "0.5"), brightness, "down"),
    "steps.caustics.contrast": Row(CAUSTICS, ("1.0", "0.3"), detail, "down"),
    "steps.mix.amount": Row(
        ATTENUATION + "[steps.mix]\nother = 'render'\n", ("1.0", "0.5"), picture, "other"
    ),
    "steps.suspended_matter.density": Row(MATTER, ("1.0", "0.2"), picture, "other"),
    "steps.suspended_matter.brightness": Row(MATTER, ("1.0", "3.0"), peak, "up"),
    "steps.suspended_matter.current": Row(MATTER, ("[0.0, 0.0, 0.0]", "[2.0, 0.0, 0.0]"), picture, "other"),
}
# Further keys of operators: what is set before and after; the picture must change. Ways are not stated where
# a key only makes the picture another one.
_BEND = "[steps.%s]\n"
_SHAFTS = "[sea]\ndetail = 256\n[steps.veiling_light]\n[steps.light_shafts]\n"
_SEEN_LAMP = "[[light.lamps]]\nposition = [0.0, 0.0, 1.0]\ntarget = [0.0, 0.0, 0.0]\n"
_LAMP = "[[light.lamps]]\nposition = [0.0, 3.0, 0.0]\ncone_angle = 120.0\n"
_SOURCE = "[{ name = 'vent', track = [{ frame = 1001, position = [%s, -0.5, -2.0], per_second = 400.0 }] }]"
_VENT = "[steps.bubbles]\nsources = " + _SOURCE % "0.0" + "\n"
_OFF_CENTRE = "pupil_forward = 0.03\n"
_SLAB = "[steps.draw_near]\nfarthest = 8.0\n"
_HAZE = MATTER.replace("haze = 0.0", "")
_EDGE = "[steps.rim_light]\nedge_step = 0.01\n"
_LAYER = "layers = [{ depth = 10.0 }]\n"
_CHURNED = "layers = [{ depth = 10.0, thickness = 1.0, turbulence = { strength = 0.5 } }]\n"
_TWO = (
    "[steps.layered_water]\nother_water = { side = 'above', turbidity = 2.5 }\n"
    "layer = { depth = 10.0, thickness = 0.3, waves = { height = 0.1, length = 4.0 } }\n"
)
_WINDOW = "[sea]\ndetail = 256\n[place]\ncamera_depth = 3.0\n[steps.sky_window]\n"
StepRow = tuple[str, str | None, str]


def each(text: str, values: dict[str, str]) -> dict[str, StepRow]:
    """Rows of one rest of the preset, every key from its default."""
    return {key: (text, None, value) for key, value in values.items()}


STEPS: dict[str, dict[str, StepRow]] = {
    "downwelling": {},
    "bubbles": {
        "sources": (
            _VENT,
            None,
            _SOURCE % "0.3",
        ),
        "opacity": (_VENT, None, "0.2"),
        "brightness": (_VENT, None, "4.0"),
        "lamp_haze": (_LAMP + _VENT, None, "0.0"),
        "current": (_VENT, None, "[0.3, 0.0, 0.0]"),
        "turbulence": (_VENT, None, "0.5"),
        "turbulence_scale": (_VENT + "turbulence = 0.5\n", None, "0.2"),
        "lens": (_VENT, None, "{ f_number = 1.0, focus = 0.5 }"),
    },
    "caustics": {
        "surface": (CAUSTICS, None, "{ wind = 9.0, detail = 256 }"),
        "normals": (CAUSTICS, None, "'none'"),
        "matte": (CAUSTICS, None, "'arch'"),
        "invert_matte": (CAUSTICS + "matte = 'arch'\n", None, "true"),
        "shadow_matte": (CAUSTICS, None, "'arch'"),
        "key_light": (CAUSTICS, None, "'key'"),
    },
    "dome_port": each(
        _BEND % "dome_port" + _OFF_CENTRE,
        {
            "mode": "'remove'",
            "subject_range": "0.6",
            "temperature": "30.0",
            "salinity": "0.0",
            "fringes": "6.0",
            "softness": "6.0",
            "f_number": "1.0",
            "radius": "0.05",
            "glass_thickness": "0.02",
            "glass": "'glass'",
            "pupil_right": "0.02",
            "pupil_up": "0.02",
        },
    )
    | {"pupil_forward": (_BEND % "dome_port", None, "0.03")},
    "flat_port": each(
        _BEND % "flat_port",
        {
            "mode": "'remove'",
            "subject_range": "0.6",
            "temperature": "30.0",
            "salinity": "0.0",
            "fringes": "6.0",
            "softness": "6.0",
            "f_number": "1.0",
            "pupil_distance": "0.2",
            "glass_thickness": "0.04",
            "glass": "'acrylic'",
            "render_lens": "'air'",
        },
    ),
    "draw_near": {
        "share": (_SLAB + CORE, None, "0.1"),
        "matte": (_SLAB + CORE, None, "'arch'"),
        "nearest": (_SLAB + CORE, None, "3.0"),
        "softness": (_SLAB + CORE, None, "4.0"),
        "farthest": ("[steps.draw_near]\n" + CORE, "3.0", "8.0"),
    },
    "forward_scatter": {
        "acts_on": (_BEND % "forward_scatter" + VEIL, None, "'subject'"),
        "detail": (_BEND % "forward_scatter", None, "'bands'"),
        "law": (_BEND % "forward_scatter", None, "'smooth'"),
        "asymmetry": (_BEND % "forward_scatter" + "law = 'smooth'\n", None, "0.8"),
        "width": (_BEND % "forward_scatter" + "law = 'empirical'\n", None, "0.02"),
        "gain": (_BEND % "forward_scatter" + "law = 'empirical'\n", None, "0.2"),
    },
    "lamp_backscatter": each(
        _LAMP + "[steps.lamp_backscatter]\nclouds = 0.8\n",
        {
            "strength": "0.3",
            "cloud_scale": "0.3",
            "current": "[0.3, 0.0, 0.0]",
            "surge": "[0.0, 0.5, 0.0]",
        },
    )
    | {
        "clouds": (_LAMP + "[steps.lamp_backscatter]\n", None, "0.8"),
        "surge_period": (
            _LAMP + "[steps.lamp_backscatter]\nclouds = 0.8\nsurge = [0.0, 0.5, 0.0]\n",
            None,
            "3.0",
        ),
    }
    | each(_SEEN_LAMP + "[steps.lamp_backscatter]\n", {"glow": "0.0", "brightest": "0.5"}),
    "lamps": {
        "grey": (_LAMP + LAMPS, None, "1.0"),
        "grey_reflectance": (_LAMP + LAMPS + "grey = 1.0\n", None, "0.6"),
    },
    "light_shafts": {
        "surface": (_SHAFTS, None, "{ wind = 9.0, detail = 256 }"),
        "contrast": (_SHAFTS, None, "3.0"),
        "even_to": (_SHAFTS, None, "8.0"),
        "shadows": (_SHAFTS, None, "false"),
        "shadow_softness": (_SHAFTS, None, "8.0"),
        "rays": (_SHAFTS, None, "32"),
        "steps": (_SHAFTS, None, "32"),
        "first_step": (_SHAFTS, None, "0.5"),
    },
    "mix": {
        "matte": (ATTENUATION + "[steps.mix]\nother = 'render'\n", None, "'arch'"),
        "invert_matte": (ATTENUATION + "[steps.mix]\nother = 'render'\nmatte = 'arch'\n", None, "true"),
    },
    "remove_water": {
        "undo": (_BEND % "remove_water", None, "['attenuation']"),
        "noise": (_BEND % "remove_water", None, "0.2"),
        "grey": (_BEND % "remove_water", None, "0.4"),
        "white_reference": (_BEND % "remove_water", None, "{ card_range = 3.0 }"),
        "forward_scatter": (_BEND % "remove_water", None, "{ law = 'smooth' }"),
    },
    "rim_light": each(
        _EDGE,
        {
            "strength": "3.0",
            "rise": "80.0",
            "sharpness": "8.0",
            "reflectance": "0.9",
            "edge_width": "8",
            "edge_step": "0.9",
            "nearest": "6.0",
            "farthest": "2.0",
            "matte": "'arch'",
        },
    )
    | {
        "contrast": (_EDGE + "subject_range = 5.0\n", "0.3", "0.9"),
        "subject_range": (_EDGE + "contrast = 0.5\n", "3.0", "9.0"),
    },
    "sky_window": each(
        _WINDOW,
        {
            "surface": "{ wind = 9.0, detail = 256 }",
            "brightness": "3.0",
            "waves": "3.0",
            "sun_blur": "4.0",
            "brightest": "0.3",
            "ground_depth": "9.0",
            "farthest": "4.0",
        },
    )
    | {
        "ground": (_WINDOW + "ground_depth = 9.0\n", None, "[0.9, 0.9, 0.9]"),
    },
    "suspended_matter": {
        "classes": (MATTER, None, "[{ name = 'grit', per_litre = 9.0, smallest = 0.003, largest = 0.006 }]"),
        "lens": (MATTER, None, "{ f_number = 1.0, focus = 0.5 }"),
        "haze": (_HAZE, None, "4.0"),
        "lamp_haze": (_LAMP + MATTER, None, "0.0"),
        "farthest": (MATTER, None, "1.0"),
        "nearest": (MATTER, None, "1.5"),
        "smallest_angle": (MATTER, None, "1.0"),
        "most_particles": (MATTER, None, "40"),
        "surge": (MATTER, None, "[0.0, 0.5, 0.0]"),
        "surge_period": (MATTER + "surge = [0.0, 0.5, 0.0]\n", None, "3.0"),
        "turbulence": (MATTER, None, "0.8"),
        "turbulence_scale": (MATTER + "turbulence = 0.8\n", None, "0.3"),
        "drift": (MATTER, None, "[{ frame = 1001, translation = [0.0, 0.4, 0.0] }]"),
        "caustics": ("[sea]\ndetail = 256\n" + MATTER, None, "true"),
        "surface": (
            MATTER + "caustics = true\n",
            "{ wind = 3.0, detail = 256 }",
            "{ wind = 9.0, detail = 256 }",
        ),
    },
    "layered_water": {
        "layer": (_TWO, "{ depth = 10.0, thickness = 0.3 }", "{ depth = 11.0, thickness = 0.3 }"),
        "other_water": (_TWO, "{ side = 'above', turbidity = 2.5 }", "{ side = 'below', turbidity = 2.5 }"),
        "layer_number": (_TWO, None, "3"),
    },
    "water_layers": {
        "smear": (_BEND % "water_layers" + _CHURNED, None, "0.0"),
        "layers": (_BEND % "water_layers", "[{ depth = 10.0 }]", "[{ depth = 10.2, thickness = 1.0 }]"),
        "bend": (_BEND % "water_layers" + _LAYER, None, "5.0"),
        "sheen": (_BEND % "water_layers" + _LAYER, None, "0.0"),
        "fringes": (_BEND % "water_layers" + _LAYER, None, "9.0"),
    },
}
# Keys whose effect needs files: the test that moves each, and what it says.
ELSEWHERE = {
    "water.table": "tests/presets/test_preset.py",
    "bands.fitted": "tests/presets/test_preset.py",
    "steps.layered_water.open_water": "tests/operators/test_layered_water.py",
    "steps.measured_port.water": "tests/operators/test_ports.py",
    "steps.measured_port.air": "tests/operators/test_ports.py",
    "steps.measured_port.photograph": "tests/operators/test_ports.py",
    "steps.measured_port.mode": "tests/operators/test_ports.py",
    "steps.suspended_matter.wakes": "tests/operators/test_suspended_matter.py",
    "output.carry": "tests/cli/test_apply.py",
    "output.layers": "tests/batch/test_layers.py",
    "output.compression": "tests/batch/test_output.py",
    "output.data_type": "tests/batch/test_output.py",
    "output.guide_type": "tests/batch/test_output.py",
    "output.colour_space": "tests/batch/test_output.py",
    "output.gamut_compression": "tests/batch/test_output.py",
}
SECTION_KEYS = [f"{name}.{key}" for name, model in SECTIONS.items() for key in model.model_fields]

STEP_KEYS = [
    f"steps.{name}.{key}" for name in BUILT_IN for key in operator_named(name).Parameters.model_fields
]


def seen_with(row: Row, key: str, value: str | None) -> Seen:
    """The row's preset with the key at a value."""
    base = "" if key.startswith("water.") else WATER
    settings = [] if value is None else [f"{key}={value}"]
    return Seen(preset_from_text("format = 1\n" + _joined(base + row.text), settings))


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


@pytest.mark.parametrize("key", ROWS)
def test_a_key_moved_changes_what_it_says(key: str) -> None:
    row = ROWS[key]
    before, after = (row.measure(seen_with(row, key, value)) for value in row.values)
    if row.goes == "up":
        assert after > before * (1 + 1e-6) + 1e-9
    elif row.goes == "down":
        assert after < before * (1 - 1e-6) - 1e-9
    elif row.goes == "other":
        assert (np.abs(after - before) > 1e-6).any()
    else:
        assert (
            (before, after) == pytest.approx(row.goes) if _numbers(row.goes) else (before, after) == row.goes
        )


def _numbers(pair: Any) -> bool:
    return all(isinstance(value, int | float) and not isinstance(value, bool) for value in pair)


def test_every_key_of_every_section_and_every_operator_has_a_row() -> None:
    steps = {f"steps.{name}.{key}" for name, keys in STEPS.items() for key in keys}
    assert {*ROWS, *ELSEWHERE, *steps} == {*SECTION_KEYS, *STEP_KEYS}
    assert not steps.intersection({*ROWS, *ELSEWHERE})


@pytest.mark.parametrize("key", ELSEWHERE)
def test_a_key_that_needs_files_is_moved_by_a_test_of_files(key: str) -> None:
    text = (Path(__file__).parents[2] / ELSEWHERE[key]).read_text(encoding="utf-8")
    assert key.rpartition(".")[2] in text


def test_a_grey_card_comes_out_as_it_went_in_at_any_depth() -> None:
    """A card at its stated range and depth, on the axis, has its reflectance in the frame."""
    for depth in ("6.0", "10.0", "14.0"):
        place = f"[light]\nreference_depth = 10.0\n[place]\ncamera_depth = {depth}\n"
        text = place + CORE + DOWN + CARD
        row = Row(
            text + f"card_range = 3.0\ncard_depth = {depth}\nlargest_gain = 200.0\n",
            (None, ""),
            picture,
            "other",
        )
        seen = seen_with(row, "steps.white_reference.balance", "1.0")
        rgb = seen.rgb()
        column = int(np.argmin(np.abs(np.geomspace(0.8, 12.0, WINDOW.shape[1]) - 3.0)))
        middle = rgb[:, WINDOW.shape[0] // 2, column]
        # The card stands abeam of the sun, the frame looks elsewhere: red differs most.
        np.testing.assert_allclose(middle, 0.18, rtol=0.11)


@pytest.mark.parametrize(("operator", "key"), [(name, key) for name, keys in STEPS.items() for key in keys])
def test_a_key_of_a_step_changes_the_picture(operator: str, key: str) -> None:
    text, before, after = STEPS[operator][key]
    row = Row(text, (before, after), picture, "other")
    first, second = (
        replace(
            seen_with(row, f"steps.{operator}.{key}", value),
            stripes=0.4,
            up=operator == "sky_window",
            normals="edge" not in key,
        )
        for value in row.values
    )
    assert (np.abs(second.rgb() - first.rgb()) > 1e-7).any()
