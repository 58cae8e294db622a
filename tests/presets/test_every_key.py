"""Every key of a preset does what it says: moved from its default it changes the picture, in the stated way.

One table for all sections: what is set before and after, what is measured, and which way it goes. The rows of
an operator may stand in its own test file, ``tests/operators/test_NAME.py``, as ``ROWS``. A key without a row
fails, so that a new key cannot come without one. Figures beside which stands "exactly" are reckoned here from
the key's own meaning (docs/presets.md), not taken from the code.
"""

from __future__ import annotations

import ast
import math
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from tests.operators.every import told_by_its_tests
from tests.presets.moved_keys import (
    ATTENUATION,
    BY_DEPTH,
    CARD,
    CAUSTICS,
    CORE,
    DOWN,
    FRAME,
    FROM_BELOW,
    LAMPS,
    MATTER,
    STRIPED,
    UPWARD,
    VEIL,
    WINDOW,
    Row,
    Seen,
    across,
    amount,
    amount_in_matte,
    amount_out_of_matte,
    apart_from,
    brightness,
    change,
    contrast,
    detail,
    far,
    fringe,
    height_of_change,
    hues,
    layers_made,
    lines_down,
    looks_from_left,
    loop_error,
    lower_half,
    mean_shift,
    middle_of_change,
    motion,
    near,
    of,
    of_camera,
    of_depth,
    of_input,
    of_part,
    of_shot,
    open_alpha,
    peak,
    picture,
    place_of_camera,
    red,
    seen_with,
    top_of_camera,
    upper_half,
    view_of_camera,
)

from halocline._typing import F32
from halocline.errors import GraphError
from halocline.graph.limits import HeightWindow, RangeWindow, StepLimits
from halocline.graph.sea import Sea
from halocline.imaging.motion import MotionVectors
from halocline.operators.registry import BUILT_IN, operator_named
from halocline.presets.sections import SECTIONS, PartSection
from halocline.quantities import Strict

LIGHT_OFF = "[light]\nveil_brightness = 0.0\n"
ROWS: dict[str, Row] = {
    # --- sequence: exactly, by what a frame rate and a shutter are
    "sequence.frames_per_second": Row(
        "", ("24.0", "48.0"), of_shot(lambda s: s.time_s), (1001 / 24, 1001 / 48)
    ),
    "sequence.seed": Row(MATTER, ("1", "2"), change, "redrawn"),
    "sequence.shutter_angle": Row(
        "", ("180.0", "360.0"), of_shot(lambda s: s.shutter()), ((1000.75, 1001.25), (1000.5, 1001.5))
    ),
    # --- input: what the reader of files is told; that it obeys is held by tests/imaging
    "input.layer": Row("", (None, "'diver'"), of_input("beauty"), ("", "diver")),
    "input.depth_channel": Row("", (None, "'Z'"), of_input("depth_channel"), (None, "Z")),
    "input.far_depth_channel": Row("", (None, "'far.Z'"), of_input("far_depth"), (None, "far.Z")),
    "input.near_coverage_channel": Row("", (None, "'cover'"), of_input("near_coverage"), (None, "cover")),
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
    "input.passes": Row("", (None, "{ arch = 'ids.R' }"), of_input("passes"), ({}, {"arch": "ids.R"})),
    "input.motion": Row(
        "",
        (None, "{ layer = 'v', unit = 'fraction', points = 'to_last', up = false }"),
        of_input("motion"),
        (None, MotionVectors("v", "fraction", "to_last", up=False)),
    ),
    "input.keep_glows": Row("", (None, "false"), of_input("keep_glows"), (True, False)),
    "input.bad_pixels": Row("", (None, "'inpaint'"), of_input("repair"), ("clamp", "inpaint")),
    "colour.working_space": Row("", (None, "'ACEScg'"), of_input("colour_space"), (None, "ACEScg")),
    "colour.input_space": Row("", (None, "'ACEScct'"), of_input("input_space"), (None, "ACEScct")),
    "camera.replace": Row("", (None, "true"), of_camera("override"), (False, True)),
    "camera.focal_length_mm": Row("", (None, "50.0"), of_camera("focal_length_mm"), (None, 50.0)),
    "camera.film_width_mm": Row(
        "[camera]\nfocal_length_mm = 35.0\n", (None, "24.0"), of_camera("film_width_mm"), (36.0, 24.0)
    ),
    "camera.film_height_mm": Row("", (None, "24.0"), of_camera("film_height_mm"), (None, 24.0)),
    "camera.film_offset_mm": Row("", (None, "[1.0, -2.0]"), of_camera("film_offset_mm"), (None, (1.0, -2.0))),
    "camera.squeeze": Row("", (None, "2.0"), of_camera("squeeze"), (None, 2.0)),
    "camera.overscan": Row("", (None, "1.1"), of_camera("overscan"), (None, 1.1)),
    "camera.position": Row(
        "[input]\nscene_unit = 'cm'\n",
        (None, "[1.0, '50 cm', 3.0]"),
        place_of_camera,
        (None, (100.0, 50.0, 300.0)),
    ),
    # A level camera looks down -z; +x is on its right, +y above.
    "camera.pan": Row("", ("0.0", "90.0"), view_of_camera, ((0.0, 0.0, -1.0), (1.0, 0.0, 0.0))),
    "camera.tilt": Row("", ("0.0", "90.0"), view_of_camera, ((0.0, 0.0, -1.0), (0.0, 1.0, 0.0))),
    "camera.roll": Row("", ("0.0", "90.0"), top_of_camera, ((0.0, 1.0, 0.0), (1.0, 0.0, 0.0))),
    "camera.horizontal_view": Row("", (None, "'1 rad'"), of_camera("hfov_deg"), (None, math.degrees(1.0))),
    "camera.projection": Row("", (None, "'latlong'"), of_camera("latlong"), (False, True)),
    "camera.latlong_pixels": Row("", (None, "'edges'"), of_camera("latlong_pixels"), (None, "edges")),
    # --- water: clear to murky takes the far end's own light
    "water.jerlov_type": Row(LIGHT_OFF + ATTENUATION, ("'IB'", "'7C'"), far, "down"),
    # At 550 nm c of 1C is .441 1/m by solonenko2015 and .526 by williamson2022.
    "water.source": Row(LIGHT_OFF + ATTENUATION, ("'williamson2022'", "'solonenko2015'"), far, "up"),
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
    # The wall shades the water before it, and of itself what turns from the sun.
    "light.shadows": Row(CORE, ("true", "false"), brightness, "up"),
    "light.shadow_softness": Row(CORE, ("1.0", "6.0"), picture, "little"),
    "light.subject_shaded": Row(DOWN, ("false", "true"), brightness, "down"),
    "light.lamps": Row(
        LAMPS, (None, "[{ position = [0.0, 3.0, 0.0], cone_angle = 120.0 }]"), brightness, "up"
    ),
    # --- place
    "place.camera_depth": Row("[light]\nreference_depth = 1.0\n" + DOWN, ("2.0", "20.0"), brightness, "down"),
    # The lens is at height 0 of the world.
    "place.sea_level": Row("", ("2.0", "20.0"), of_shot(lambda s: s.path.camera_depth_m), (2.0, 20.0)),
    # A pale bottom brightens the water above it, and no bottom at all is darker than that.
    "place.bottom_depth": Row(
        VEIL + "[place]\ncamera_depth = 5.0\nbottom_reflectance = 0.6\n", ("40.0", "7.0"), brightness, "up"
    ),
    "place.bottom_reflectance": Row(
        VEIL + "[place]\ncamera_depth = 5.0\nbottom_depth = 7.0\n", ("0.05", "0.6"), brightness, "up"
    ),
    "place.up": Row(
        "[place]\nahead = '+x'\n", ("'+y'", "'+z'"), of_shot(lambda s: s.path.up @ [0, 0, 1.0]), (0.0, 1.0)
    ),
    "place.ahead": Row(
        "[light]\nsun_azimuth = 0.0\n", ("'-z'", "'+z'"), of_shot(lambda s: s.path.sun_travel[2]), "down"
    ),
    # --- sea
    # Slopes grow with the wind (cox1954), and waves with the wind and its fetch (hasselmann1973).
    "sea.wind": Row(FROM_BELOW, ("2.0", "8.0"), detail, "up", UPWARD),
    "sea.fetch": Row(CAUSTICS, ("500.0", "5000.0"), amount, "up"),
    # Crests lie across the wind, the longer the narrower its waves' directions are. At 0 it blows away from
    # the lens: crests lie across the picture.
    "sea.wind_direction": Row(FROM_BELOW, ("0.0", "90.0"), lines_down, "up", UPWARD),
    "sea.spread": Row(
        FROM_BELOW + "[sea]\nwind_direction = 0.0\n", ("2.0", "40.0"), lines_down, "down", UPWARD
    ),
    # A swell of one period is shorter, and so steeper, where the sea is shallow (dispersion).
    "sea.sea_depth": Row(
        CAUSTICS + "[sea]\nwind = 0.5\nswells = [{ height = 0.5, period = 6.0 }]\n",
        (None, "2.0"),
        amount,
        "up",
    ),
    "sea.smooth_below": Row(FROM_BELOW, ("0.0", "1.0"), detail, "down", UPWARD),
    "sea.swells": Row(CAUSTICS, (None, "[{ height = 1.0, period = 4.0 }]"), amount, "up"),
    "sea.loop": Row(CAUSTICS, (None, "2.0"), loop_error, "down"),
    "sea.speed": Row(CAUSTICS, ("1.0", "0.0"), motion, "down"),
    "sea.scale": Row(CAUSTICS, ("1.0", "4.0"), detail, "down"),
    "sea.softness": Row(CAUSTICS, ("1.0", "8.0"), detail, "down"),
    "sea.colour": Row(CAUSTICS, ("0.0", "8.0"), hues, "up"),
    # The fine waves of a smaller patch are drawn anew; with more points along its side the sea is the same.
    "sea.patch": Row(CAUSTICS, ("12.0", "6.0"), change, "redrawn"),
    "sea.detail": Row(CAUSTICS, ("512", "1024"), change, "little"),
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
        # A large thing fades less than a small one: it need not be drawn as near.
        of_shot(lambda s: float(s.path.remap.exact(12.0))),
        "up",
    ),
    "story.near_limit": Row("[story]\nsoftness = 2.0\n" + VEIL, ("1.0", "4.0"), far, "up"),
    "story.softness": Row("[story]\nnear_limit = 1.0\n" + VEIL, ("2.0", "20.0"), far, "up"),
    "story.depth": Row(
        "[story]\nsubject_range = 12.0\nsilhouette_contrast = 0.3\n" + CORE,
        ("2.0", "40.0"),
        # Deep down light is nearer to the colour that the water lets through best, and contrast lasts longer.
        of_shot(lambda s: float(s.path.remap.exact(12.0))),
        "up",
    ),
    "story.pitch": Row(
        "[story]\nsubject_range = 12.0\nsilhouette_contrast = 0.3\n" + CORE,
        ("-40.0", "40.0"),
        # Light falls along a view down: of what is hidden less would have come from beyond.
        of_shot(lambda s: float(s.path.remap.exact(12.0))),
        "up",
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
    # It multiplies the halo's light: half of it leaves half of the change.
    "steps.forward_scatter.strength": Row(
        ATTENUATION + "[steps.forward_scatter]\n", ("1.0", "0.5"), apart_from(ATTENUATION), 0.5
    ),
    "steps.lamps.daylight": Row("[steps.lamps]\n", ("1.0", "0.5"), brightness, "down"),
    "steps.caustics.contrast": Row(CAUSTICS, ("1.0", "0.3"), detail, "down"),
    "steps.mix.amount": Row(
        ATTENUATION + "[steps.mix]\nother = 'render'\n", ("1.0", "0.5"), apart_from(ATTENUATION), 0.5
    ),
    "steps.suspended_matter.density": Row(MATTER, ("1.0", "0.2"), amount, "down"),
    "steps.suspended_matter.brightness": Row(MATTER, ("1.0", "3.0"), peak, "up"),
}
# --- further keys of operators, on a striped wall
_BEND = "[steps.%s]\n"
PLACES, HEIGHTS = {"ramp": "x"}, {"ramp": "y"}
_SEA = "[sea]\ndetail = 256\n"
_ROUGH = "wind = 9.0, detail = 256"
_SHAFTS = "[steps.veiling_light]\n[steps.light_shafts]\n"
_SEEN_LAMP = "[[light.lamps]]\nposition = [0.0, 0.0, 1.0]\ntarget = [0.0, 0.0, 0.0]\n"
_LAMP = "[[light.lamps]]\nposition = [0.0, 3.0, 0.0]\ncone_angle = 120.0\n"
_SOURCE = "[{ name = 'vent', track = [{ frame = 1001, position = [%s, -0.5, -2.0], per_second = 400.0 }] }]"
_VENT = "[steps.bubbles]\nsources = " + _SOURCE % "0.0" + "\n"
_BEAMS = "[steps.lamp_backscatter]\n"
_CLOUDED = _BEAMS + "clouds = 0.8\n"
# Clouds moved to where they would be had they drifted steadily since frame 0.
_CARRIED = _LAMP + _CLOUDED + "current = [0.0, %.12f, 0.0]\n"
_DOME = "[steps.dome_port]\npupil_forward = 0.03\n"
_FLAT = "[steps.flat_port]\n"
_MEASURED = "[steps.measured_port]\nphotograph = [40, 24]\n"
_SLAB = "[steps.draw_near]\nfarthest = 8.0\n"
_HALO = "[steps.forward_scatter]\n"
_FILTERED = "[steps.more]\noperator = 'attenuation'\nafter = 'forward_scatter'\n"
_UNDONE = "[steps.remove_water]\nnoise = 0.0001\nundo = ['attenuation', 'veiling_light']\n"
_HAZE = MATTER.replace("haze = 0.0", "")
_STILL = MATTER.replace("current = [1.0, 0.0, 0.0]\n", "turbulence = 0.0\n")
_EDGE = "[steps.rim_light]\nedge_step = 0.01\n"
_LAYERS = "[steps.water_layers]\nlayers = [{ depth = 10.1 }]\n"
_CHURNED = (
    "[steps.water_layers]\nlayers = [{ depth = 10.0, thickness = 1.0, turbulence = { strength = 0.5 } }]\n"
)
_TWO = (
    "[steps.layered_water]\nother_water = { side = 'above', turbidity = 2.5 }\n"
    "layer = { depth = 10.0, thickness = 0.3, waves = { height = 0.1, length = 4.0 } }\n"
)
_WINDOW = "[place]\ncamera_depth = 3.0\n[steps.sky_window]\n"
# A swell of half a metre carries the water, at time t, by half a metre times sin(2 pi t / period).
_SWUNG = "drift = [{ frame = 1001, translation = [0.0, %.9f, 0.0] }]\n"
_SURGE = 0.5 * math.sin(2.0 * math.pi * FRAME / 24.0 / 8.0)
_QUICK_SURGE = 0.5 * math.sin(2.0 * math.pi * FRAME / 24.0 / 3.0)
_BODY = (
    "[{ track = [{ frame = 990, nose = [-2.0, 0.0, -3.0] }, { frame = 1010, nose = [2.0, 0.0, -3.0] }], "
    "radius = 0.6 }]"
)


def same_sea(step: str, scene: Mapping[str, Any]) -> Row:
    """A sea of a step's own is the sea that [sea] states."""
    rough = apart_from(step.replace(_SEA, "") + "[sea]\nwind = 9.0\ndetail = 256\n")
    return Row(step, (None, f"{{ {_ROUGH} }}"), rough, "gone", scene)


def port(text: str, rows: dict[str, tuple[str, Callable[[Seen], Any], str]]) -> dict[str, Row]:
    """Rows of a port, on light that says where in the picture it stood."""
    return {
        key: Row(text, (None, value), measure, goes, PLACES) for key, (value, measure, goes) in rows.items()
    }


# Keys that ports of glass between water and air share.
HOUSED: dict[str, tuple[str, Callable[[Seen], Any], str]] = {
    "mode": ("'remove'", looks_from_left, "turned"),
    # Warm and fresh water bend less: their index is lower (quan1995).
    "temperature": ("30.0", amount, "down"),
    "salinity": ("0.0", amount, "down"),
    "fringes": ("6.0", fringe, "up"),
    "softness": ("6.0", picture, "little"),
    "f_number": ("1.0", picture, "little"),
}

STEPS: dict[str, Row] = {
    **of(
        "bubbles",
        {
            "sources": Row(_VENT, (None, _SOURCE % "0.3"), middle_of_change, "up"),
            "opacity": Row(_VENT, (None, "0.2"), amount, "down"),
            "brightness": Row(_VENT, (None, "4.0"), brightness, "up"),
            "brightest": Row(_VENT, (None, "0.1"), brightness, "down"),
            "lamp_haze": Row(_LAMP + _VENT, (None, "0.0"), brightness, "down"),
            "current": Row(_VENT, (None, "[0.3, 0.0, 0.0]"), middle_of_change, "up"),
            "turbulence": Row(_VENT, (None, "0.5"), motion, "up"),
            "turbulence_scale": Row(_VENT + "turbulence = 0.5\n", (None, "0.2"), change, "redrawn"),
            "lens": Row(_VENT, (None, "{ f_number = 1.0, focus = 0.5 }"), detail, "down"),
        },
    ),
    **of(
        "caustics",
        {
            "surface": same_sea(_SEA + "[steps.caustics]\n", STRIPED),
            # Faces at a slant to the sun see a pattern that is drawn out less than level ones do.
            "normals": Row(CAUSTICS, (None, "'none'"), detail, "down", STRIPED),
            "matte": Row(CAUSTICS, (None, "'arch'"), amount_out_of_matte, "gone", STRIPED),
            "invert_matte": Row(
                CAUSTICS + "matte = 'arch'\n", (None, "true"), amount_in_matte, "gone", STRIPED
            ),
            "shadow_matte": Row(CAUSTICS, (None, "'arch'"), amount_in_matte, "gone", STRIPED),
            # The key light is half of the light here, and has no diffuse share.
            "key_light": Row(CAUSTICS, (None, "'key'"), amount, "down", STRIPED),
        },
    ),
    **of(
        "dome_port",
        port(
            _DOME,
            {
                "subject_range": ("0.6", amount, "down"),
                **HOUSED,
                # The smaller a dome, the farther off its centre 3 cm are.
                "radius": ("0.05", amount, "up"),
                # Light crosses two faces at a slant, the farther apart the more it is set aside.
                "glass_thickness": ("0.02", amount, "up"),
                "glass": ("'glass'", picture, "little"),
                # Behind glass that faces right, the pupil looks to the right; so with up.
                "pupil_right": ("0.02", mean_shift, "up"),
            },
        ),
    ),
    **of(
        "dome_port",
        {
            "pupil_up": Row(_DOME, (None, "0.02"), mean_shift, "down", HEIGHTS),
            "pupil_forward": Row(_BEND % "dome_port", (None, "0.03"), amount, "up", PLACES),
        },
    ),
    **of(
        "flat_port",
        port(
            _FLAT,
            {
                # The more of the way to the subject lies in air, the less is bent.
                "subject_range": ("0.6", amount, "down"),
                **HOUSED,
                "pupil_distance": ("0.2", amount, "down"),
                "glass_thickness": ("0.04", picture, "little"),
                # Acrylic bends less than crown glass (indices 1.49 and 1.52).
                "glass": ("'acrylic'", picture, "little"),
                # The lens's own field in air is narrowed by the water's index: the left edge looks inwards.
                "render_lens": ("'air'", looks_from_left, "up"),
            },
        ),
    ),
    **of(
        "measured_port",
        {
            "water": Row(
                _MEASURED, ("{}", "{ radial = [0.1, 0.0, 0.0] }"), lambda seen: -amount(seen), "down", PLACES
            ),
            # What the lens does in air is not the water's.
            "air": Row(
                _MEASURED + "water = { radial = [0.1, 0.0, 0.0] }\n",
                (None, "{ radial = [0.1, 0.0, 0.0] }"),
                amount,
                "gone",
                PLACES,
            ),
            "mode": Row(
                _MEASURED + "water = { radial = [0.1, 0.0, 0.0] }\n",
                (None, "'remove'"),
                looks_from_left,
                "turned",
                PLACES,
            ),
        },
    ),
    # What looks nearer keeps more of its red.
    **of(
        "draw_near",
        {
            "share": Row(_SLAB + CORE, (None, "0.1"), red, "up", STRIPED),
            "matte": Row(_SLAB + CORE, (None, "'arch'"), red, "down", STRIPED),
            "nearest": Row(_SLAB + CORE, (None, "3.0"), red, "down", STRIPED),
            "softness": Row(_SLAB + CORE, (None, "4.0"), red, "down", STRIPED),
            "farthest": Row("[steps.draw_near]\n" + CORE, ("3.0", "8.0"), red, "up", STRIPED),
            "contrast": Row(
                _SLAB + "subject_range = 8.0\nsubject_size = 0.0\n" + CORE, ("0.6", "0.9"), red, "up", STRIPED
            ),
            # The farther or the smaller it is, the nearer it has to be drawn.
            "subject_range": Row(_SLAB + "contrast = 0.7\n" + CORE, ("8.0", "16.0"), red, "up", STRIPED),
            "subject_size": Row(
                _SLAB + "contrast = 0.7\nsubject_range = 8.0\n" + CORE, (None, "0.0"), red, "up", STRIPED
            ),
        },
    ),
    **of(
        "forward_scatter",
        {
            # A subject's light alone scatters more in than what sets a dark wall apart from bright water.
            "acts_on": Row(CORE + _HALO, (None, "'subject'"), brightness, "up", STRIPED),
            # It matters where a later step filters what was scattered.
            "detail": Row(CORE + _HALO + _FILTERED, (None, "'bands'"), picture, "little", STRIPED),
            # Rounder lobes and wider halos blur more.
            "law": Row(ATTENUATION + _HALO, (None, "'smooth'"), across, "down", STRIPED),
            "asymmetry": Row(
                ATTENUATION + _HALO + "law = 'smooth'\n", (None, "0.8"), across, "down", STRIPED
            ),
            "width": Row(
                ATTENUATION + _HALO + "law = 'empirical'\n", (None, "0.02"), across, "down", STRIPED
            ),
            "gain": Row(
                ATTENUATION + _HALO + "law = 'empirical'\nacts_on = 'subject'\n",
                (None, "0.2"),
                brightness,
                "down",
                STRIPED,
            ),
        },
    ),
    **of(
        "lamp_backscatter",
        {
            "strength": Row(_LAMP + _BEAMS, (None, "0.3"), brightness, "down", STRIPED),
            "clouds": Row(_LAMP + _BEAMS, ("0.4", "0.8"), apart_from(_LAMP + _BEAMS), "up", STRIPED),
            "cloud_scale": Row(_LAMP + _CLOUDED, (None, "0.3"), detail, "up", STRIPED),
            "current": Row(_LAMP + _CLOUDED, (None, "[0.3, 0.0, 0.0]"), motion, "up", STRIPED),
            # A swell has carried them as far by now as a current that takes as long would have.
            "surge": Row(
                _LAMP + _CLOUDED,
                (None, "[0.0, 0.5, 0.0]"),
                apart_from(_CARRIED % (_SURGE * 24.0 / FRAME)),
                "gone",
                STRIPED,
            ),
            "surge_period": Row(
                _LAMP + _CLOUDED + "surge = [0.0, 0.5, 0.0]\n",
                (None, "3.0"),
                apart_from(_CARRIED % (_QUICK_SURGE * 24.0 / FRAME)),
                "gone",
                STRIPED,
            ),
            # A lamp that shines into the lens is seen, and glows.
            "glow": Row(_SEEN_LAMP + _BEAMS, (None, "0.0"), brightness, "down", STRIPED),
            "brightest": Row(_SEEN_LAMP + _BEAMS, (None, "0.5"), peak, "down", STRIPED),
        },
    ),
    **of(
        "lamps",
        {
            # A wall of plain grey has no stripes; its light goes by its reflectance, 0.18 before.
            "grey": Row(_LAMP + LAMPS, (None, "1.0"), across, "down", STRIPED),
            "grey_reflectance": Row(
                _LAMP + LAMPS + "grey = 1.0\n", ("0.18", "0.6"), brightness, 0.6 / 0.18, STRIPED
            ),
            # The wall faces the lamp that is at the lens: it takes all, where other surfaces take two thirds.
            "normals": Row(_LAMP + LAMPS, (None, "'none'"), brightness, "down", STRIPED),
        },
    ),
    **of(
        "light_shafts",
        {
            "surface": same_sea(_SEA + _SHAFTS, STRIPED),
            "contrast": Row(_SEA + _SHAFTS, (None, "3.0"), apart_from(VEIL), "up", STRIPED),
            "even_to": Row(
                _SEA + _SHAFTS + "shadows = false\n", (None, "8.0"), apart_from(VEIL), "down", STRIPED
            ),
            # The veil that shafts share out is shaded already ([light] shadows).
            "shadows": Row(_SEA + _SHAFTS, (None, "false"), picture, "little", STRIPED),
            "shadow_softness": Row(_SEA + _SHAFTS, (None, "8.0"), picture, "little", STRIPED),
            # How finely shafts are sampled: the picture is nearly the same.
            "rays": Row(_SEA + _SHAFTS, (None, "32"), picture, "little", STRIPED),
            "steps": Row(_SEA + _SHAFTS, (None, "32"), picture, "little", STRIPED),
            "first_step": Row(_SEA + _SHAFTS, (None, "0.5"), picture, "little", STRIPED),
        },
    ),
    **of(
        "mix",
        {
            # The render stands in the place of what the water has dimmed, in the matte or out of it alone.
            "matte": Row(
                "[steps.mix]\nother = 'render'\n" + ATTENUATION, (None, "'arch'"), far, "down", STRIPED
            ),
            "invert_matte": Row(
                "[steps.mix]\nother = 'render'\nmatte = 'arch'\n" + ATTENUATION,
                (None, "true"),
                near,
                "down",
                STRIPED,
            ),
        },
    ),
    # What was put on comes off: the picture is the render's light again.
    **of(
        "remove_water",
        {
            "undo": Row(
                CORE + "[steps.remove_water]\nnoise = 0.0001\n",
                ("['attenuation', 'veiling_light']", "['attenuation']"),
                amount,
                "up",
                STRIPED,
            ),
            "noise": Row(
                CORE + _UNDONE.replace("noise = 0.0001\n", ""), ("0.0001", "0.2"), amount, "up", STRIPED
            ),
            "grey": Row(CORE + _UNDONE.replace("0.0001", "0.2"), (None, "0.4"), far, "up", STRIPED),
            # What was given less has less to be taken off.
            "brightest": Row(
                "[light]\nreference_depth = 30.0\n[place]\ncamera_depth = 2.0\n[steps.remove_water]\n"
                "noise = 0.0001\nundo = ['downwelling']\n",
                (None, "1.5"),
                brightness,
                "up",
            ),
            "white_reference": Row(
                CORE + CARD + "card_range = 3.0\n" + _UNDONE,
                (None, "{ card_range = 3.0 }"),
                amount,
                "down",
                STRIPED,
            ),
            "forward_scatter": Row(CORE + _HALO + _UNDONE, (None, "{}"), amount, "down", STRIPED),
        },
    ),
    **of(
        "rim_light",
        {
            "strength": Row(_EDGE, (None, "3.0"), brightness, "up", STRIPED),
            # The water is brighter above the horizon.
            "rise": Row(_EDGE, (None, "80.0"), brightness, "up", STRIPED),
            "sharpness": Row(_EDGE, (None, "8.0"), brightness, "down", STRIPED),
            "reflectance": Row(_EDGE, (None, "0.9"), brightness, "up", STRIPED),
            "edge_width": Row(_EDGE, (None, "8"), brightness, "up", BY_DEPTH),
            "edge_step": Row(_EDGE, (None, "0.9"), brightness, "down", BY_DEPTH),
            "nearest": Row(_EDGE, (None, "6.0"), amount_in_matte, "gone", STRIPED),
            "farthest": Row(_EDGE, (None, "2.0"), far, "down", STRIPED),
            "matte": Row(_EDGE, (None, "'arch'"), amount_out_of_matte, "gone", STRIPED),
            "softness": Row(_EDGE + "nearest = 3.0\n", (None, "6.0"), amount_in_matte, "up", STRIPED),
            "contrast": Row(_EDGE + "subject_range = 5.0\n", ("0.3", "0.9"), brightness, "up", STRIPED),
            # The farther the subject, the more light it takes to outshine the water there.
            "subject_range": Row(_EDGE + "contrast = 0.5\n", ("3.0", "9.0"), brightness, "up", STRIPED),
        },
    ),
    **of(
        "sky_window",
        {
            "surface": same_sea(_SEA + _WINDOW, UPWARD),
            "brightness": Row(_SEA + _WINDOW, (None, "3.0"), brightness, "up", UPWARD),
            "waves": Row(_SEA + _WINDOW, (None, "3.0"), detail, "up", UPWARD),
            # A wider sun is cut less by the limit of brightness.
            "sun_blur": Row(_SEA + _WINDOW, (None, "4.0"), brightness, "up", UPWARD),
            "brightest": Row(_SEA + _WINDOW, (None, "0.3"), peak, "down", UPWARD),
            # White ground is brighter than endless water.
            "ground_depth": Row(
                _SEA + _WINDOW + "ground = [0.9, 0.9, 0.9]\n", (None, "9.0"), brightness, "up", UPWARD
            ),
            "ground": Row(
                _SEA + _WINDOW + "ground_depth = 9.0\n", (None, "[0.9, 0.9, 0.9]"), brightness, "up", UPWARD
            ),
            "farthest": Row(_SEA + _WINDOW, (None, "4.0"), brightness, "down", UPWARD),
            "from_angle": Row(_SEA + _WINDOW, (None, "60.0"), brightness, "down", UPWARD),
        },
    ),
    **of(
        "suspended_matter",
        {
            "classes": Row(
                MATTER,
                (
                    None,
                    "[{ name = 'grit', per_litre = 9.0, smallest = 0.003, largest = 0.006, sinking = 0.0 }]",
                ),
                amount,
                "up",
            ),
            "lens": Row(MATTER, (None, "{ f_number = 1.0, focus = 0.5 }"), detail, "down"),
            "haze": Row(_HAZE, (None, "4.0"), amount, "up"),
            "lamp_haze": Row(_LAMP + MATTER, (None, "0.0"), brightness, "down"),
            "farthest": Row(MATTER, (None, "1.0"), amount, "down"),
            "nearest": Row(MATTER, (None, "1.5"), amount, "down"),
            "smallest_angle": Row(MATTER, (None, "1.0"), amount, "down"),
            "most_particles": Row(MATTER, (None, "40"), amount, "down"),
            "surge": Row(_STILL, (None, "[0.0, 0.5, 0.0]"), apart_from(_STILL + _SWUNG % _SURGE), "down"),
            "surge_period": Row(
                _STILL + "surge = [0.0, 0.5, 0.0]\n",
                (None, "3.0"),
                apart_from(_STILL + _SWUNG % _QUICK_SURGE),
                "down",
            ),
            "turbulence": Row(_STILL, ("0.0", "0.8"), motion, "up"),
            "turbulence_scale": Row(
                _STILL.replace("turbulence = 0.0", "turbulence = 0.8"), (None, "0.3"), change, "redrawn"
            ),
            "wakes": Row(_STILL, (None, _BODY), motion, "up"),
            "drift": Row(
                _STILL,
                (None, "[{ frame = 1001, translation = [0.0, %.9f, 0.0] }]" % (0.02 * FRAME / 24.0)),
                apart_from(_STILL + "current = [0.0, 0.02, 0.0]\n"),
                "down",
            ),
            "caustics": Row(_SEA + MATTER, (None, "true"), picture, "little"),
            "surface": same_sea(_SEA + MATTER + "caustics = true\n", {}),
        },
    ),
    **of(
        "layered_water",
        {
            # The lens comes to lie in the turbid water.
            "layer": Row(
                _TWO,
                ("{ depth = 10.0, thickness = 0.3 }", "{ depth = 11.0, thickness = 0.3 }"),
                across,
                "down",
                STRIPED,
            ),
            "other_water": Row(
                _TWO,
                ("{ side = 'above', turbidity = 2.5 }", "{ side = 'above', turbidity = 6.0 }"),
                across,
                "down",
                STRIPED,
            ),
            "layer_number": Row(_TWO, (None, "3"), change, "redrawn", STRIPED),
            "open_water": Row(_TWO, ("'fill'", "'leave'"), open_alpha, (1.0, 0.0)),
        },
    ),
    **of(
        "water_layers",
        {
            "layers": Row(
                _BEND % "water_layers",
                # Above the lens, then below it.
                ("[{ depth = 9.5 }]", "[{ depth = 10.5 }]"),
                height_of_change,
                "up",
                STRIPED,
            ),
            "bend": Row(_LAYERS + "smear = 0.0\nsheen = 0.0\n", (None, "5.0"), amount, "up", HEIGHTS),
            "smear": Row(_CHURNED, (None, "0.0"), across, "up", STRIPED),
            "sheen": Row(_LAYERS + "bend = 0.0\nsmear = 0.0\n", (None, "0.0"), amount, "gone", STRIPED),
            "fringes": Row(_LAYERS + "smear = 0.0\nsheen = 0.0\n", (None, "9.0"), fringe, "up", HEIGHTS),
        },
    ),
    "steps.suspended_matter.current": Row(
        _STILL,
        ("[0.0, 0.0, 0.0]", "[0.0, 0.02, 0.0]"),
        apart_from(_STILL + _SWUNG % (0.02 * FRAME / 24.0)),
        "down",
    ),
    "output.layers": Row(CORE, (None, "['veil']"), layers_made, ((), ("veil",))),
}
# Keys whose effect needs files: the test that moves each, and what it says.
ELSEWHERE = {
    "views.interaxial": (
        "batch/test_stereo.py",
        "test_eyes_stand_apart_and_meet_in_the_screen_plane",
    ),
    "views.convergence": (
        "batch/test_stereo.py",
        "test_eyes_stand_apart_and_meet_in_the_screen_plane",
    ),
    "views.camera": (
        "batch/test_stereo.py",
        "test_the_render_camera_may_be_one_of_the_eyes",
    ),
    "views.left": (
        "batch/test_stereo.py",
        "test_views_go_by_their_names_and_a_sequence_of_one_by_its_eye",
    ),
    "views.right": (
        "batch/test_stereo.py",
        "test_views_go_by_their_names_and_a_sequence_of_one_by_its_eye",
    ),
    "views.eye": (
        "batch/test_stereo.py",
        "test_views_go_by_their_names_and_a_sequence_of_one_by_its_eye",
    ),
    "views.replace": (
        "batch/test_stereo.py",
        "test_eyes_with_cameras_of_their_own_are_not_moved_unless_asked",
    ),
    "input.sun_depth": (
        "batch/test_shadows.py",
        "test_what_the_sun_sees_casts_and_what_the_camera_sees_no_longer",
    ),
    "output.deep": (
        "batch/test_deep.py",
        "test_a_deep_file_is_read_back_with_open_water_behind",
    ),
    "output.floating_samples": (
        "batch/test_deep_floating.py",
        "test_flattened_it_is_the_flat_frame",
    ),
    "output.element": (
        "batch/test_elements.py",
        "test_an_element_laid_over_the_frame_is_what_both_together_are",
    ),
    "camera.track": (
        "batch/test_stated_cameras.py",
        "test_a_file_of_cameras_moves_the_lens_within_the_shutter",
    ),
    "water.table": (
        "presets/test_preset.py",
        "test_table_of_a_water_beside_the_preset_is_read_and_then_carried_in_the_text",
    ),
    "bands.fitted": (
        "presets/test_preset.py",
        "test_fitted_bands_in_a_preset_are_taken_and_not_fitted_again",
    ),
    "steps.measured_port.photograph": (
        "presets/test_every_key.py",
        "test_photographs_of_one_shape_give_one_picture_and_others_are_refused",
    ),
    "output.carry": (
        "cli/test_input_told_first.py",
        "test_a_channel_that_a_preset_carries_comes_out_as_it_went_in",
    ),
    "output.compression": (
        "batch/test_output.py",
        "test_compression_asked_for_is_in_the_file",
    ),
    "output.data_type": (
        "batch/test_output.py",
        "test_data_type_is_that_of_picture_and_light_and_not_of_measures",
    ),
    "output.guide_type": (
        "batch/test_output.py",
        "test_guide_type_says_otherwise",
    ),
    "output.colour_space": (
        "batch/test_output.py",
        "test_colour_space_is_converted_and_stated",
    ),
    "output.gamut_compression": (
        "batch/test_output.py",
        "test_layers_and_what_compression_did_sum_to_the_frame",
    ),
}
# Any operator will do: that all of them obey is held by tests/operators/test_limits.py.
_LIMITED = "steps.downwelling"
_BRIGHTER = "[light]\nreference_depth = 4.0\n" + DOWN
LIMITS: dict[str, Row] = {
    "matte": Row(_BRIGHTER, (None, "'arch'"), amount_out_of_matte, "gone"),
    "invert_matte": Row(_BRIGHTER + "matte = 'arch'\n", ("false", "true"), amount_in_matte, "gone"),
    "amount": Row(_BRIGHTER, ("1.0", "0.25"), amount, 0.25),
    "within_range": Row(_BRIGHTER, (None, "{ nearest = 4.0 }"), near, "up"),
    "within_range.nearest": Row(_BRIGHTER, (None, "4.0"), middle_of_change, "up"),
    "within_range.farthest": Row(_BRIGHTER, (None, "4.0"), middle_of_change, "down"),
    "within_range.softness": Row(
        # The window comes on from nearer by, and from farther down.
        _BRIGHTER + "within_range = { nearest = 4.0, softness = 0.01 }\n",
        (None, "4.0"),
        middle_of_change,
        "down",
    ),
    "within_height": Row(_BRIGHTER, (None, "{ lowest = 0.0, softness = 0.1 }"), amount, "down"),
    "within_height.lowest": Row(_BRIGHTER, (None, "0.0"), lower_half, "down"),
    "within_height.highest": Row(_BRIGHTER, (None, "0.0"), upper_half, "down"),
    "within_height.softness": Row(
        _BRIGHTER + "within_height = { lowest = 0.0, softness = 0.01 }\n", (None, "3.0"), lower_half, "up"
    ),
}
# Of a part of the picture; of the whole picture nothing is done where the row does not say so.


def origins_of_part(seen: Seen) -> int:
    return len(seen.preset.at(FRAME).parts[0].look.origins)


def lowest(seen: Seen) -> str:
    return seen.preset.at(FRAME).parts[0].name


def uppermost(seen: Seen) -> str:
    return seen.preset.at(FRAME).parts[-1].name


_PART = "[parts.thing]\nsteps = { attenuation = {} }\n"
_TWO_PARTS = "[parts.first]\n[parts.thing]\n[parts.other]\n"
PARTS: dict[str, Row] = {
    "matte": Row(_PART, (None, "'arch'"), amount_out_of_matte, "gone"),
    "invert_matte": Row(_PART + "matte = 'arch'\n", ("false", "true"), amount_in_matte, "gone"),
    "amount": Row(_PART, ("1.0", "0.25"), amount, 0.25),
    "within_range": Row(_PART, (None, "{ nearest = 4.0 }"), near, "up"),
    "within_height": Row(_PART, (None, "{ lowest = 0.0, softness = 0.1 }"), amount, "down"),
    "after": Row(_TWO_PARTS, (None, "'other'"), uppermost, ("other", "thing")),
    "before": Row(_TWO_PARTS, (None, "'first'"), lowest, ("first", "thing")),
    "preset": Row(LIGHT_OFF + "[parts.thing]\n", (None, "'jerlov-1c'"), near, "down"),
    # Nothing is under it then: of the whole picture's steps none.
    "alone": Row(
        ATTENUATION + "[parts.thing]\nsteps = { downwelling = {} }\n", ("false", "true"), amount, "down"
    ),
    "water": Row(LIGHT_OFF + ATTENUATION + "[parts.thing]\n", (None, "{ visibility = 5.0 }"), far, "down"),
    "light": Row(CORE + "[parts.thing]\n", (None, "{ veil_brightness = 3.0 }"), far, "up"),
    "place": Row(
        "[light]\nreference_depth = 1.0\n" + DOWN + "[parts.thing]\n",
        (None, "{ camera_depth = 20.0 }"),
        brightness,
        "down",
    ),
    "sea": Row("[parts.thing]\n", (None, "{ wind = 3.0 }"), of_part(lambda s: s.sea.wind), (Sea().wind, 3.0)),
    "story": Row(
        LIGHT_OFF + ATTENUATION + "[parts.thing]\n", (None, "{ attenuation_scale = 0.5 }"), far, "up"
    ),
    "bands": Row("[parts.thing]\n", (None, "{ count = 8 }"), of_part(lambda s: s.path.bands.count), (6, 8)),
    "origins": Row(
        "[parts.thing]\n", (None, "{ a = { position = [1.0, 2.0, 3.0] } }"), origins_of_part, (0, 1)
    ),
    "steps": Row(
        ATTENUATION + "[parts.thing]\n", (None, "{ attenuation = { amount = 0.25 } }"), amount, 0.25
    ),
    "parts": Row("[parts.thing]\n", ("{}", "{ inner = { steps = { attenuation = {} } } }"), near, "down"),
}
for _operator in BUILT_IN:
    STEPS |= of(_operator, told_by_its_tests(_operator, "ROWS") or {})
SECTION_KEYS = [f"{name}.{key}" for name, model in SECTIONS.items() for key in model.model_fields]

STEP_KEYS = [
    f"steps.{name}.{key}" for name in BUILT_IN for key in operator_named(name).Parameters.model_fields
]


_ALL_ROWS = {
    **ROWS,
    **STEPS,
    **{f"{_LIMITED}.{key}": row for key, row in LIMITS.items()},
    **{f"parts.thing.{key}": row for key, row in PARTS.items()},
}


@pytest.mark.parametrize("key", _ALL_ROWS)
def test_a_key_moved_changes_what_it_says(key: str) -> None:
    row = _ALL_ROWS[key]
    before, after = (row.measure(replace(seen_with(row, key, value), **row.scene)) for value in row.values)
    if row.goes == "up":
        assert after > before * (1 + 1e-6) + 1e-9
    elif row.goes == "down":
        assert after < before * (1 - 1e-6) - 1e-9
    elif row.goes == "gone":
        assert before > 1e-5
        assert after < 0.01 * before
    elif row.goes == "turned":
        assert before * after < -1e-6
    elif row.goes == "little":
        moved = np.abs(after - before)
        assert (moved > 1e-7).any()
        assert moved.mean() < 0.1 * np.abs(before).mean()
    elif row.goes == "redrawn":
        assert after.mean() == pytest.approx(before.mean(), rel=0.5)
        assert np.abs(after - before).mean() > 0.02 * before.mean()
    elif isinstance(row.goes, float):
        assert after / before == pytest.approx(row.goes, rel=1e-4)
    else:
        assert (
            (before, after) == pytest.approx(row.goes) if _numbers(row.goes) else (before, after) == row.goes
        )


def _numbers(pair: Any) -> bool:
    return all(isinstance(value, int | float) and not isinstance(value, bool) for value in pair)


def test_every_key_of_every_section_and_every_operator_has_a_row() -> None:
    assert {*ROWS, *ELSEWHERE, *STEPS} == {*SECTION_KEYS, *STEP_KEYS}
    windows: dict[str, type[Strict]] = {"within_range": RangeWindow, "within_height": HeightWindow}
    inner = {f"{name}.{key}" for name, window in windows.items() for key in window.model_fields}
    assert LIMITS.keys() == StepLimits.model_fields.keys() | inner
    assert PARTS.keys() == PartSection.model_fields.keys()
    assert len({*ROWS, *ELSEWHERE, *STEPS}) == len(ROWS) + len(ELSEWHERE) + len(STEPS)


@pytest.mark.parametrize("key", ELSEWHERE)
def test_a_key_that_needs_files_is_moved_by_a_test_of_files(key: str) -> None:
    """The test that is named is there, and sets the key."""
    file, name = ELSEWHERE[key]
    tree = ast.parse((Path(__file__).parents[1] / file).read_text(encoding="utf-8"))
    (found,) = (node for node in tree.body if isinstance(node, ast.FunctionDef) and node.name == name)
    assert key.rpartition(".")[2] in ast.unparse(found)


def test_a_grey_card_comes_out_as_it_went_in_at_any_depth() -> None:
    """A card at its stated range and depth, on the axis, has its reflectance in the frame."""
    for depth in ("6.0", "10.0", "14.0"):
        # Of open water: the slanting wall that the picture shows would hide some of the sky.
        place = f"[light]\nreference_depth = 10.0\nshadows = false\n[place]\ncamera_depth = {depth}\n"
        text = place + CORE + DOWN + CARD
        row = Row(
            text + f"card_range = 3.0\ncard_depth = {depth}\nlargest_gain = 200.0\n",
            (None, ""),
            picture,
            "little",
        )
        seen = seen_with(row, "steps.white_reference.balance", "1.0")
        rgb = seen.rgb()
        column = int(np.argmin(np.abs(np.geomspace(0.8, 12.0, WINDOW.shape[1]) - 3.0)))
        middle = rgb[:, WINDOW.shape[0] // 2, column]
        # The card stands abeam of the sun, the frame looks elsewhere: red differs most.
        np.testing.assert_allclose(middle, 0.18, rtol=0.11)


def test_photographs_of_one_shape_give_one_picture_and_others_are_refused() -> None:
    def seen(photograph: str) -> F32:
        text = "[steps.measured_port]\nwater = { radial = [0.1, 0.0, 0.0] }\nphotograph = [40, 24]\n"
        row = Row(text, (None, photograph), picture, "little")
        return replace(seen_with(row, "steps.measured_port.photograph", photograph), ramp="x").rgb()

    np.testing.assert_allclose(seen("[40, 24]"), seen("[1920, 1152]"), atol=1e-5)
    with pytest.raises(GraphError, match="the photographs are 1920 x 1080 and the picture 40 x 24"):
        seen("[1920, 1080]")


def test_a_card_of_no_stated_depth_stands_at_the_reference_depth() -> None:
    place = "[light]\nreference_depth = 6.0\n[place]\ncamera_depth = 14.0\n"
    row = Row(place + CORE + DOWN + CARD, (None, ""), picture, "little")
    stated = seen_with(row, "steps.white_reference.card_depth", "6.0").rgb()
    at_lens = seen_with(row, "steps.white_reference.card_depth", "14.0").rgb()
    np.testing.assert_array_equal(seen_with(row, "", None).rgb(), stated)
    assert np.abs(at_lens - stated).max() > 0.01
