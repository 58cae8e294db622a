"""Planes: every name a plane may have, what it holds, and in which form.

A picture is a set of named planes, float32, each over the same pixels. Those listed here are known to all;
an operator of another package describes its own in ``own_planes``, and three families name passes of the
render: ``matte.NAME``, ``light.NAME`` and ``pass.NAME``.
"""

from __future__ import annotations

from collections.abc import Iterable
from enum import Enum

from halocline.late_dataclass import dataclass

RGB = "rgb"
BANDS = "bands"
ALPHA = "alpha"


class Form(Enum):
    """How a plane's numbers are to be taken; its value says what array that is."""

    COLOUR = "light per channel of the working space, premultiplied, scene-linear, (3, rows, columns)"
    LIGHT = "light per spectral band, premultiplied, scene-linear, (K, rows, columns)"
    SHARE_OF_LIGHT = "share per spectral band of the light there, a ratio, (K, rows, columns)"
    NUMBER = "one number a pixel, (rows, columns)"
    PAIR = "two numbers a pixel, (2, rows, columns)"
    VECTOR = "three numbers a pixel, (3, rows, columns)"
    AS_FOUND = "as the file has it: (rows, columns), or (channels, rows, columns)"


class MadeBy(Enum):
    """Who makes a plane."""

    RENDER = "the render"
    CAMERA = "the camera, where an operator reads it"
    LOADER = "the render's depth and coverage, on loading"
    STEP = "a step"


@dataclass(frozen=True)
class Plane:
    """One plane.

    Attributes
    ----------
    name
        Its name; with ``NAME`` in it, a family of names.
    form
        What array it is.
    unit
        Unit of its numbers; empty for light and ratios.
    meaning
        What it holds, in a sentence.
    maker
        Who makes it.
    key
        For what only a render can supply: the preset key that says under which name the file has it.
    """

    name: str
    form: Form
    unit: str
    meaning: str
    maker: MadeBy = MadeBy.STEP
    key: str = ""


_LISTED = (
    Plane(RGB, Form.COLOUR, "", "The picture's light, in the working space.", MadeBy.RENDER, "input.layer"),
    Plane(BANDS, Form.LIGHT, "", "The same light in spectral bands; a picture has one of the two."),
    Plane(ALPHA, Form.NUMBER, "", "Coverage, 0 to 1; filtered renders may overshoot.", MadeBy.RENDER),
    Plane(
        "range",
        Form.NUMBER,
        "m",
        "Distance along the view ray to what a pixel shows; inf where it shows nothing.",
        MadeBy.LOADER,
        "input.depth_channel",
    ),
    Plane("far_range", Form.NUMBER, "m", "Range of the farther of two surfaces in a pixel.", MadeBy.LOADER),
    Plane("far_share", Form.NUMBER, "", "Share of the pixel's area that shows it, 0 to 1.", MadeBy.LOADER),
    Plane("far_light", Form.NUMBER, "", "Share of the pixel's light that it gives, 0 to 1.", MadeBy.LOADER),
    Plane(
        "fitted_normal",
        Form.VECTOR,
        "",
        "World normal, unit, fitted over the steps of a coarse depth pass where there are no normals.",
        MadeBy.LOADER,
    ),
    Plane(
        "sample_width",
        Form.NUMBER,
        "",
        "Side of the part of a pixel that a sample of a deep picture shows, over the pixel's, 0 to 1.",
        MadeBy.LOADER,
    ),
    Plane("downward", Form.NUMBER, "", "Downward component of the unit view ray.", MadeBy.CAMERA),
    Plane("sun_cosine", Form.NUMBER, "", "Cosine between view ray and the sun's travel.", MadeBy.CAMERA),
    Plane("normal", Form.VECTOR, "", "World normal, unit.", MadeBy.RENDER, "input.normal_layer"),
    Plane("position", Form.VECTOR, "m", "World position.", MadeBy.RENDER, "input.position_layer"),
    Plane("matte.NAME", Form.NUMBER, "", "A matte, 0 to 1.", MadeBy.RENDER, "input.passes.NAME"),
    Plane(
        "light.NAME",
        Form.COLOUR,
        "",
        "The part of the beauty that one light gives.",
        MadeBy.RENDER,
        "input.lights.NAME",
    ),
    Plane(
        "pass.NAME",
        Form.AS_FOUND,
        "",
        "Any other pass: motion vectors, ids, a measure of one's own.",
        MadeBy.RENDER,
        "input.passes.NAME",
    ),
    # Light that water threw in on the way comes in this order to those that ask for it.
    Plane("veil", Form.LIGHT, "", "Daylight that the water threw in: veiling light."),
    Plane("shafts", Form.LIGHT, "", "What light shafts add to the veil; negative between them."),
    Plane("body_light", Form.LIGHT, "", "What turbid bodies add to such light; negative where they hide it."),
    Plane("matter_light", Form.LIGHT, "", "What suspended matter adds to it; negative where it hides it."),
    Plane("bubble_light", Form.LIGHT, "", "What bubbles add to it; negative where they hide it."),
    Plane("lamp_haze", Form.LIGHT, "", "Lamp light that the water threw in."),
    Plane("lamp_seen", Form.LIGHT, "", "What of it is the faces of lamps that shine in, and their glow."),
    Plane("lamp_water", Form.LIGHT, "", "What of it lamps light of the water, as turbid bodies leave it."),
    Plane("lamp_range", Form.NUMBER, "m", "Mean range of those lamps; inf where nothing is seen of any."),
    Plane("lamp_left", Form.NUMBER, "", "What turbid bodies have left of that light so far, 0 to 1."),
    Plane("render_light", Form.LIGHT, "", "The subject's light before daylight was lost on its way down."),
    Plane("render_far_light", Form.NUMBER, "", "What ``far_light`` was then."),
    Plane("transmittance", Form.SHARE_OF_LIGHT, "", "Share of the subject's light that the water leaves."),
    Plane("path_length", Form.NUMBER, "m", "Metres of water as optics count them; a story may bend them."),
    Plane("far_path_length", Form.NUMBER, "m", "The same to the farther surface."),
    Plane("coverage", Form.NUMBER, "", "The render's alpha, once water has filled the rest."),
    Plane("caustic_gain", Form.SHARE_OF_LIGHT, "", "Gathered over even light on the subject."),
    Plane("rim", Form.LIGHT, "", "The lit edge by itself."),
    Plane("surface_light", Form.LIGHT, "", "What is seen of sky and surface."),
    Plane("surface_share", Form.NUMBER, "", "Its share of the pixel's light as it left there, 0 to 1."),
    Plane("halo", Form.LIGHT, "", "Light turned by small angles, by itself."),
    Plane("particles", Form.LIGHT, "", "Suspended matter by itself."),
    Plane("particle_alpha", Form.NUMBER, "", "Its coverage, 0 to 1."),
    Plane("particle_range", Form.NUMBER, "m", "Its mean range; inf where there is none."),
    Plane("body_alpha", Form.NUMBER, "", "Share of what lies beyond that turbid bodies hide, 0 to 1."),
    Plane("bubbles", Form.LIGHT, "", "Bubbles by themselves."),
    Plane("bubble_alpha", Form.NUMBER, "", "Their coverage, 0 to 1."),
    Plane("bubble_range", Form.NUMBER, "m", "Their mean range; inf where there is none."),
    Plane("displacement", Form.PAIR, "px", "By how much what is seen was moved, right and down."),
    Plane("blur_px", Form.NUMBER, "px", "Standard deviation by which it was blurred."),
    Plane("lookup_map", Form.PAIR, "", "Where a pixel was taken from, 0 to 1 over the display window."),
    Plane("recovered", Form.NUMBER, "", "Share of the colour that was there to be found, 0 to 1."),
)
PLANES = {plane.name: plane for plane in _LISTED}
# Planes the engine can make from the camera alone; an operator reads them like any other.
VIEW_PLANES = frozenset(plane.name for plane in _LISTED if plane.maker is MadeBy.CAMERA)
# Planes every frame is loaded with, or may be: nobody has to ask for them.
LOADED_PLANES = frozenset(
    plane.name for plane in _LISTED if plane.maker is MadeBy.LOADER or plane.name in (RGB, ALPHA)
)
FAMILIES = ("matte.", "light.", "pass.")


def plane_named(name: str, own: Iterable[Plane] = ()) -> Plane | None:
    """Return what is known of a plane; None where nothing is.

    Parameters
    ----------
    name
        Its name, without the role of an input.
    own
        Planes described beside the table.

    Returns
    -------
    Plane | None
        Form, unit and meaning, or None.
    """
    for plane in own:
        if plane.name == name:
            return plane
    family, dot, _ = name.partition(".")
    return PLANES.get(f"{family}.NAME" if dot and f"{family}." in FAMILIES else name)


def is_pass(name: str) -> bool:
    """Tell whether only the render can supply a plane.

    Parameters
    ----------
    name
        Name of a plane, without the role of an input.

    Returns
    -------
    bool
        False too where nothing is known of it.
    """
    found = plane_named(name)
    return found is not None and found.maker is MadeBy.RENDER and name not in LOADED_PLANES


def key_of(name: str) -> str:
    """Return the preset key that says under which name the file has a pass; empty where there is none.

    Parameters
    ----------
    name
        Name of a plane, such as ``matte.arch``.

    Returns
    -------
    str
        A dotted key, such as ``input.passes.arch``.
    """
    found = plane_named(name)
    return "" if found is None else found.key.replace("NAME", name.partition(".")[2])


def in_order(names: Iterable[str]) -> tuple[str, ...]:
    """Return names of planes as the table lists them, others after them by name: the same for any graph."""
    places = {name: place for place, name in enumerate(PLANES)}
    return tuple(sorted(names, key=lambda name: (places.get(name, len(places)), name)))
