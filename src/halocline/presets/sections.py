"""The sections of a preset: every key, its unit and its range. The preset format is documented from here."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Annotated, Any, ClassVar, Literal

from pydantic import AfterValidator, Field, WithJsonSchema, model_validator
from pydantic_core import PydanticCustomError

from halocline.errors import ColourError
from halocline.files.named_by_presets import AnyFile
from halocline.graph.limits import StepLimits
from halocline.graph.origins import WorldLength, WorldLight, WorldPoint
from halocline.graph.sea import Sea
from halocline.imaging.compression import PATTERN, compression_problem
from halocline.imaging.depth import DepthEdges, DepthKind
from halocline.presets.camera_tracks import AnyTrack
from halocline.quantities import (
    Angle,
    Colour,
    Distance,
    Factor,
    Length,
    PerMetre,
    Position,
    Ratio,
    SceneUnit,
    Share,
    Strict,
)
from halocline.rgb import space_named

FORMAT = 2
# A lamp whose target is nearer than this, metres, is aimed nowhere.
LEAST_AIM_M = 1e-6


class SequenceSection(Strict):
    """Time and chance.

    Attributes
    ----------
    frames_per_second
        Frame rate.
    seed
        Keys everything random; the same for all shots of a sequence.
    shutter_angle
        Degrees; 180 exposes half of each frame's time.
    """

    frames_per_second: Factor = 24.0
    seed: Annotated[int, Field(ge=0, lt=2**63)] = 1
    shutter_angle: Annotated[Angle, Field(ge=0.0, le=360.0)] = 180.0


class MotionSection(Strict):
    """Motion vectors of the render, and how they are meant: ``inspect`` holds them against the cameras.

    Attributes
    ----------
    layer
        Layer that holds them, across in its first channel and along columns in its second: ``vector`` for
        vector.X and vector.Y.
    unit
        ``px``, or ``fraction`` of the picture's width and height.
    points
        ``to_next``: a vector points to where the surface is on the next frame; ``to_last``: to where it was
        on the last.
    up
        Whether the second number grows upward.
    """

    layer: str
    unit: Literal["px", "fraction"] = "px"
    points: Literal["to_next", "to_last"] = "to_next"
    up: bool = True


# Passes that have files of their own by these names, and keys of their own where they stand among others.
_PASSES_WITH_KEYS = {
    "normal": "normal_layer",
    "position": "position_layer",
    "far_depth": "far_depth_channel",
    "near_coverage": "near_coverage_channel",
}


class InputSection(Strict):
    """What the render delivers. All of it is found by itself where left out.

    Attributes
    ----------
    layer
        Layer of the beauty: ``diver`` for the channels diver.R, diver.G, diver.B, or for a part ``diver``.
    depth_channel
        Channel of the depth pass, such as ``Z``, or ``diver.Z`` for the one in that layer or part.
    far_depth_channel
        Channel of the depth of what stands behind in pixels that show two surfaces, such as a depth pass that
        keeps the farthest sample of each pixel; of the same kind and unit as the depth pass (along the
        optical axis, beside positions). Elsewhere it equals the depth pass. Found by itself where it is
        called ``far_depth``.
    near_coverage_channel
        Channel of the share of each pixel that its nearest surface takes, 0 to 1; 1 where it is the only
        one. With it, and with ``far_depth_channel``, pixels that show two surfaces are taken apart as the
        render has them and not by their colours, whatever ``separate_edges`` says. Found by itself where it
        is called ``near_coverage``.
    normal_layer, position_layer
        Layers of the world normal and the world position, such as ``N`` and ``P``.
    lights
        Light layers by name, for steps that deal with one light alone: ``{ sun = "key" }`` for the channels
        key.R, key.G, key.B, which are a part of the beauty. A layer called as the light needs no entry.
    passes
        Any other pass by the name under which a step asks for it: ``{ arch = "ids.R", motion = "vector" }``
        for the channel ids.R, as the matte ``arch``, and the layer vector. A matte whose channel is called
        ``matte.NAME``, and a channel or layer called as the pass, need no entry. Where no channel is called
        so, a matte is looked for in the render's ID mattes (open Cryptomatte specification), by the name of
        a thing, ``"anchor"``, of several, ``"chain*"``, or of one in a certain set, ``"material:rust"``.
    motion
        Motion vectors, so that light on moving things is blurred by the shutter as it moves over them.
    depth_kind
        ``planar`` (along the optical axis), ``range`` (along the view ray), ``negative_planar``, ``inverse``
        (1/Z), ``normalised`` (0 at ``near``, 1 at ``far``), ``normalised_white_near`` (1 at ``near``, 0 at
        ``far``), ``depth_buffer`` (a graphics card's: as ``normalised``, but even in 1/Z),
        ``depth_buffer_reversed`` (1 at ``near``), ``position`` (world position instead of depth),
        ``camera_position`` (position in the camera's own axes, from the lens).
    scene_unit
        Length of one unit of the scene, of camera, positions and depth: "cm", "ft", or metres as a number.
    depth_unit
        Length of one unit of the depth pass, where it is not the scene's: "cm" for depth in centimetres
        beside a camera in metres.
    sun_depth
        Depth picture rendered from the sun, an EXR beside the preset: all that it shows casts shadows, and
        nothing else does. It states its camera, best an orthographic one, in the attributes worldToCamera
        and worldToNDC, and has depth along the axis in Z. Where things move, give one a frame instead, as
        the pass ``sun_depth`` (``--pass sun_depth=FRAMES``).
    near, far
        Where normalised depth or a depth buffer begins and ends, metres.
    depth_edges
        How depth is filtered where an edge runs through a pixel: ``sharp``, ``averaged``, ``premultiplied``.
    premultiplied
        Whether colour is premultiplied by alpha.
    keep_glows
        Whether light where alpha is 0 is kept, such as the halo of a lamp: it goes through the water before
        the nearest surface, and covers nothing. Turn it off where a backdrop stands there.
    separate_edges
        Whether pixels along the outline of a near thing before a far one are taken apart by their colour, so
        that each part goes through its own water. Without, thin things before bright ones turn to beads. Of a
        render with normals the two sides of a crease are taken apart too, which lamps and the sun light
        otherwise each.
    bad_pixels
        What becomes of NaN, infinite or negative colour: ``report`` only, ``clamp``, or ``inpaint`` from
        their neighbours.
    """

    layer: str | None = None
    depth_channel: str | None = None
    far_depth_channel: str | None = None
    near_coverage_channel: str | None = None
    normal_layer: str | None = None
    position_layer: str | None = None
    lights: dict[str, str] = Field(default_factory=dict)
    passes: dict[str, str] = Field(default_factory=dict)
    motion: MotionSection | None = None
    depth_kind: DepthKind = "auto"
    scene_unit: SceneUnit = 1.0
    depth_unit: SceneUnit | None = None
    sun_depth: AnyFile | None = None
    near: Length | None = None
    far: Distance | None = None
    depth_edges: DepthEdges = "auto"
    premultiplied: bool = True
    keep_glows: bool = True
    separate_edges: bool = True
    bad_pixels: Literal["report", "clamp", "inpaint"] = "clamp"

    @model_validator(mode="after")
    def _each_by_its_own_key(self) -> InputSection:
        for name, key in _PASSES_WITH_KEYS.items():
            if name in self.passes:
                stated = f'{key} = "{self.passes[name]}"'
                raise ValueError(f"passes.{name} is read by nothing: say {stated} in [input] instead")
        return self


class BioOpticalSection(Strict):
    """Water by what is in it.

    Attributes
    ----------
    chlorophyll
        Milligrams of chlorophyll a per cubic metre.
    dissolved_organic
        Absorption of dissolved organic matter at 440 nm, 1/m.
    mineral
        Grams of suspended mineral per cubic metre.
    """

    chlorophyll: Ratio = 0.3
    dissolved_organic: PerMetre = 0.02
    mineral: Ratio = 0.0


class WaterSection(Strict):
    """Which water. Give one of ``jerlov_type``, ``table`` and ``constituents``; and at most one scale.

    Attributes
    ----------
    jerlov_type
        I, IA, IB, II, III (ocean), 1C, 3C, 5C, 7C, 9C (coast), as far as there is data.
    source
        Whose data: ``best`` takes the measured (williamson2022) where there is any, for the clearest ocean a
        model of sea water and chlorophyll (morel2001), else what was found from Kd (solonenko2015).
    table
        CSV file of wavelength in nm, a and b in 1/m, and optionally Kd in 1/m, beside the preset.
    constituents
        Chlorophyll, dissolved organic matter and mineral load.
    attenuation_550
        Scale so that beam attenuation at 550 nm is this, 1/m.
    secchi_depth
        Scale so that a Secchi disc vanishes at this depth, metres.
    visibility
        Scale so that a small black object vanishes at this level range, metres: 3.912/c. Large ones are seen
        a fifth farther (4.6 to 4.8/c).
    """

    RENAMED: ClassVar[Mapping[str, str]] = {"contents": "constituents"}

    jerlov_type: str | None = None
    source: str = "best"
    table: str | None = None
    constituents: BioOpticalSection | None = None
    attenuation_550: Annotated[PerMetre, Field(gt=0.0)] | None = None
    secchi_depth: Distance | None = None
    visibility: Distance | None = None

    @model_validator(mode="after")
    def _one_water_one_scale(self) -> WaterSection:
        given = [name for name in ("jerlov_type", "table", "constituents") if getattr(self, name) is not None]
        if len(given) > 1:
            raise ValueError(f"{' and '.join(given)} are given; a water is one of them")
        scales = ("attenuation_550", "secchi_depth", "visibility")
        scaled = [name for name in scales if getattr(self, name) is not None]
        if len(scaled) > 1:
            raise ValueError(f"{' and '.join(scaled)} are given; a water is scaled by one of them")
        return self


class LampSection(Strict):
    """A lamp under water: a diver's or a vehicle's. Lights the subject, the water and what floats in it.

    Attributes
    ----------
    name
        For people and reports.
    space
        ``camera``: position and target are metres right of, above and ahead of the lens, and the lamp moves
        with it. ``world``: metres in the scene's world; or from an ``origin``.
    origin
        Name of the origin that a lamp in the ``world`` is given from.
    position, target
        Where it is, and a point that it is aimed at.
    cone_angle
        Full angle of the cone in which it shines fully, degrees; with a ``beam_angle``, of the cone that its
        spill fills.
    edge_angle
        Degrees beyond the cone, on each side, in which it falls softly to nothing.
    beam_angle
        Full angle of its core between half intensities (full width at half maximum), degrees. A lamp without
        one shines evenly over its cone.
    field_angle
        Full angle between tenths of the intensity, degrees; that of a Gaussian, 1.82 beam angles, where not
        given. Wider is a hot core in a soft skirt.
    spill
        With a ``beam_angle``: intensity over that on the axis in the cone around the core, 0 to below 0.1.
    brightness
        Illuminance one metre in front of it without water, relative to daylight at the reference depth.
    temperature
        Colour temperature in kelvin, of a glowing body; daylight (D65) where not given.
    tint
        A filter, per channel of linear Rec.709.
    radius
        Radius of its glowing face, metres: how large it is where it shines into the lens, and how soft the
        shadows are that it throws.
    shadows
        Whether things throw shadows in its light, on others, on what floats and in the water. They are found
        by depth, so only what the camera sees casts: the unseen back of a thing is open, and what lies
        outside the picture throws nothing.
    shadow_softness
        Art: multiplies the radius as far as shadows go; 1 is physical.
    """

    name: str | None = None
    space: Literal["camera", "world"] = "camera"
    origin: str | None = None
    position: WorldPoint = (0.4, 0.3, 0.0)
    target: WorldPoint = (0.0, 0.0, 5.0)
    cone_angle: Annotated[Angle, Field(gt=0.0, le=360.0)] = 40.0
    edge_angle: Annotated[Angle, Field(gt=0.0, le=90.0)] = 20.0
    beam_angle: Annotated[Angle, Field(gt=0.0, lt=180.0)] | None = None
    field_angle: Annotated[Angle, Field(gt=0.0, le=360.0)] | None = None
    spill: Annotated[float, Field(ge=0.0, lt=0.1)] = 0.0
    brightness: WorldLight = 4.0
    temperature: Annotated[float, Field(ge=1000.0, le=40000.0)] | None = None
    tint: Colour = (1.0, 1.0, 1.0)
    radius: WorldLength = 0.04
    shadows: bool = True
    shadow_softness: Ratio = 1.0

    @model_validator(mode="after")
    def _possible(self) -> LampSection:
        if self.origin is not None and self.space == "camera":
            raise ValueError('a lamp with an origin stands in the world: space = "world"')
        if self.beam_angle is None:
            if self.field_angle is not None or self.spill > 0.0:
                raise ValueError("field_angle and spill go with a beam_angle, the width of the core")
        elif self.field_angle is not None and self.field_angle <= self.beam_angle:
            raise ValueError(
                f"field_angle {self.field_angle:g} (a tenth of the intensity) is not wider than "
                f"beam_angle {self.beam_angle:g} (half of it)"
            )
        if math.dist(self.position, self.target) < LEAST_AIM_M:
            raise ValueError("the lamp is aimed at its own place: position and target are the same")
        return self


class LightSection(Strict):
    """Daylight, and lamps.

    Attributes
    ----------
    sun_elevation
        Degrees above the horizon, in air.
    sun_azimuth
        Degrees clockwise seen from above; 0 stands in the direction of ``place.ahead``.
    overcast
        0 is a clear sky, 1 leaves no direct sun.
    reference_depth
        Depth at which the render's own lighting holds, metres; the lens's depth where not given.
    daylight
        Multiplies all daylight: on the subject, in the water, on what floats in it, through the surface. 1 is
        the day that the render was lit for, 0 night: then only lamps give light.
    veil_brightness
        Art, on top of ``daylight``: multiplies the light that the water itself shows, be it the veil before a
        subject, open water, their shafts or the rim that they give; 1 is physical. What lights the subject,
        haze and flakes stays.
    veil_tint
        Art: multiplies the same light per channel of linear Rec.709; 1, 1, 1 is physical. It is shared out to
        the spectral bands: a channel that the water is bright in follows within .05, one that it hardly has,
        as blue in 9C, less closely, and red that is 0 or below, as in clear water, not at all.
    shadows
        Whether things that stand in daylight shade the water, what floats in it, and caustics. Only what the
        camera sees casts: the unseen back of a thing is open, and what lies outside the picture throws
        nothing.
    shadow_softness
        Art: how soft the edges of shadows are, a ratio; 1 is physical.
    subject_shaded
        Whether shadows lie on the subject's own light as well: for a render that was lit without shadows, or
        without what casts them.
    lamps
        Lamps: one table ``[[light.lamps]]`` each. The operators ``lamps`` and ``lamp_backscatter`` use them.
    """

    sun_elevation: Annotated[Angle, Field(ge=0.0, le=90.0)] = 45.0
    sun_azimuth: Angle = 40.0
    overcast: Share = 0.2
    reference_depth: Position | None = None
    daylight: Ratio = 1.0
    veil_brightness: Ratio = 1.0
    veil_tint: Colour = (1.0, 1.0, 1.0)
    shadows: bool = True
    shadow_softness: Ratio = 1.0
    subject_shaded: bool = False
    lamps: tuple[LampSection, ...] = ()


class PlaceSection(Strict):
    """Where the shot is under water.

    Attributes
    ----------
    sea_level
        Height of the surface in the scene's world, metres. Right for a camera that moves.
    camera_depth
        Depth of the lens, metres, whatever the camera matrix says; 10 where neither is given.
    up
        Axis of the scene's world that points up.
    ahead
        Axis of the scene's world, level, from which the sun's azimuth is counted.
    bottom_depth
        Depth of a level bottom, metres: it throws light back, and brightens the whole water above it. Without
        one the water has no end. The render still draws the bottom itself; where it shows none, the water
        goes on.
    bottom_reflectance
        Share of the light that the bottom throws back, 0 to 1; 0.3 where not given. Pale sand some 0.3 to
        0.5, dark rock and weed 0.05 to 0.15 (common practice, no source). It goes with a ``bottom_depth``.
    """

    sea_level: Position | None = None
    camera_depth: Length | None = None
    up: Literal["+x", "-x", "+y", "-y", "+z", "-z"] = "+y"
    ahead: Literal["+x", "-x", "+y", "-y", "+z", "-z"] = "-z"
    bottom_depth: Distance | None = None
    bottom_reflectance: Share | None = None

    @model_validator(mode="after")
    def _consistent(self) -> PlaceSection:
        if self.sea_level is not None and self.camera_depth is not None:
            raise ValueError("sea_level and camera_depth are both given; each fixes the other")
        if self.up[1] == self.ahead[1]:
            raise ValueError(f"ahead {self.ahead} is not level where up is {self.up}")
        if self.bottom_depth is None and self.bottom_reflectance is not None:
            raise ValueError("bottom_reflectance goes with a bottom_depth, where the bottom lies")
        return self


# What a whole angle of view leaves nothing to say of.
_NOT_BESIDE_AN_ANGLE = ("focal_length_mm", "film_height_mm", "squeeze", "overscan")


class CameraSection(Strict):
    """The camera, for renders that do not carry one.

    Attributes
    ----------
    focal_length_mm, film_width_mm
        Lens and film back, millimetres.
    horizontal_view
        Full horizontal angle of view, degrees, instead of a focal length. It is the whole picture's: neither
        squeeze nor overscan is left to say.
    film_height_mm
        Height of the film back, millimetres; from its width and the file's pixel aspect where not given.
    film_offset_mm
        Shift of the film back, or of the lens, to the right and up, millimetres on the film: positive shows
        more of what is on the right and above.
    squeeze
        By how much an anamorphic lens squeezes the view horizontally: 2 sees twice as wide as the film is.
    overscan
        How many times as wide and high as the film back the display window is, where overscan was rendered
        into it. What lies in the data window alone needs no key.
    position
        The lens in the scene's world, metres.
    pan, tilt, roll
        Degrees from the level camera that looks along ``place.ahead``: to the right (clockwise from above),
        then up, then clockwise as seen from behind the camera.
    track
        File of cameras by frame, beside the preset: CSV, JSON, or a USD stage with the ``prim`` that is meant
        (see ``docs/cameras.md``). What it says wins over the render; what it leaves out is taken from the
        render or from the keys here.
    projection
        ``latlong``: the picture is a panorama of all directions, 360 x 180 degrees, columns by longitude and
        rows by latitude. Files that say so themselves (OpenEXR's attribute ``envmap``) need no key.
    latlong_pixels
        What of a panorama's outer pixels lies on the poles and on the seam: their ``centres``, as OpenEXR's
        documentation has it for ``envmap``, so that the first and the last column show the same; or their
        ``edges``, so that none does, which a panorama without that attribute is taken to have.
    replace
        Use the keys here even where the render carries a camera.
    """

    focal_length_mm: Factor | None = None
    film_width_mm: Factor = 36.0
    horizontal_view: Annotated[Angle, Field(gt=0.0, lt=180.0)] | None = None
    film_height_mm: Factor | None = None
    film_offset_mm: tuple[float, float] | None = None
    squeeze: Factor | None = None
    overscan: Factor | None = None
    position: tuple[Position, Position, Position] | None = None
    pan: Angle | None = None
    tilt: Angle | None = None
    roll: Angle | None = None
    track: AnyTrack | None = None
    projection: Literal["latlong"] | None = None
    latlong_pixels: Literal["centres", "edges"] | None = None
    replace: bool = False

    @model_validator(mode="after")
    def _one_lens(self) -> CameraSection:
        if self.horizontal_view is None:
            return self
        for name in _NOT_BESIDE_AN_ANGLE:
            if getattr(self, name) is not None:
                raise ValueError(f"{name} and horizontal_view are both given; the angle fixes the other")
        return self

    @property
    def placed(self) -> bool:
        """Whether the keys say where the camera is or which way it looks."""
        return any(value is not None for value in (self.position, self.pan, self.tilt, self.roll))


class ViewsSection(Strict):
    """The two eyes of a stereo picture, for renders that carry one camera.

    Attributes
    ----------
    interaxial
        Distance between the lenses, metres. The eyes look the same way.
    convergence
        Distance of what stands in the screen plane, metres, by shifting the film backs; not shifted where not
        given.
    camera
        Where the render's (or the stated) camera stands: in the ``middle`` between the eyes, or in one.
    left, right
        Names of the two views in the files.
    eye
        Which eye a sequence of one view is of, where each eye has a sequence of its own.
    replace
        Reckon the eyes from the render's cameras even where each view has its own.
    """

    interaxial: Distance | None = None
    convergence: Distance | None = None
    camera: Literal["middle", "left", "right"] = "middle"
    left: str = "left"
    right: str = "right"
    eye: Literal["left", "right"] | None = None
    replace: bool = False

    @model_validator(mode="after")
    def _two_eyes(self) -> ViewsSection:
        if self.interaxial is None and (self.convergence is not None or self.eye is not None):
            raise ValueError("convergence and eye are of two eyes: give interaxial")
        if self.left == self.right:
            raise ValueError("left and right name one view")
        return self

    def shifts(self) -> dict[str, float]:
        """Return how far each eye stands to the right of the camera, metres, by ``left`` and ``right``."""
        between = self.interaxial or 0.0
        from_left = {"left": 0.0, "middle": 0.5 * between, "right": between}[self.camera]
        return {"left": -from_left, "right": between - from_left}


class ColourSection(Strict):
    """Colour.

    Attributes
    ----------
    working_space
        Space of the render's colour, such as "ACEScg"; from the file where not given. With an
        ``input_space``, the space that colours are converted to: "ACEScg" where not given.
    input_space
        Space that the file's colours are in, where they are no working space yet: by its name in the
        studio's colour configuration, which the environment variable OCIO names, or in the built-in one.
        Colour is converted as frames are read; what is carried over is not.
    """

    working_space: str | None = None
    input_space: str | None = None


class StorySection(Strict):
    """Where the story breaks physics, openly. Left alone, all is physical.

    Attributes
    ----------
    subject_range, silhouette_contrast
        The subject at this range, metres, is to stand out as a silhouette by this share of the brightness of
        the water beside it. Range is remapped to make it so, of all that is farther than ``near_limit``. For
        one subject alone, by its matte, see ``draw_near``. One remap holds for the whole picture, reckoned
        for the view along the lens's axis: looking down things show less, looking up, and towards the sun,
        more. A view that would leave the water before the subject counts as the steepest that does not; one
        all around counts as level. A subject is drawn nearer and never away: what shows more by itself is
        left so. Further subjects have a contrast of their own by ``draw_near`` or a part each.
    subject_size
        How large the subject is, metres: the side of a square about as large. Large things keep more contrast
        than small ones; 0 is a thing so small that it fills with light. The contrast is that of its mean
        light. Level pictures show it within a twentieth for a tenth of the picture's height, in all types
        of water; up to a tenth off for a subject of two to ten pixels, and for one that fills a third of the
        height an eighth more where 40 % is asked for and two fifths more where 12 % is. As a small one moves
        over the pixels it changes by as much.
    near_limit
        Up to here range stays physical, metres; half of what the water would show where not given.
    softness
        The remap's softness length, metres, stated instead of solved.
    depth
        Depth at which the contrast is reckoned, metres; the lens's depth where not given. State it for a lens
        that rises or sinks far, to keep one remap throughout.
    pitch
        How far up the view looks for which the contrast is reckoned, degrees, below 0 down, with the sun
        abeam; the lens's own view where not given. State it for a lens that turns far, to keep one remap
        throughout.
    attenuation_scale, veil_scale, downwelling_scale
        Multiply range (or depth) in that term alone; 1 is physical.
    """

    subject_range: Distance | None = None
    silhouette_contrast: Annotated[Share, Field(gt=0.0, lt=1.0)] | None = None
    subject_size: Length = 2.0
    near_limit: Length | None = None
    softness: Distance | None = None
    depth: Length | None = None
    pitch: Annotated[Angle, Field(ge=-90.0, le=90.0)] | None = None
    attenuation_scale: Ratio = 1.0
    veil_scale: Ratio = 1.0
    downwelling_scale: Ratio = 1.0

    @model_validator(mode="after")
    def _solvable(self) -> StorySection:
        if (self.subject_range is None) != (self.silhouette_contrast is None):
            raise ValueError("subject_range and silhouette_contrast go together")
        if self.softness is not None and self.subject_range is not None:
            raise ValueError("softness is stated, or found from subject_range: not both")
        return self


class BandsSection(Strict):
    """The spectral fit.

    Attributes
    ----------
    count
        Number of spectral bands.
    range, depth
        Interval over which the fit holds: range and depth in metres.
    fitted
        The fit itself, written by ``preset show`` and into every frame's metadata, so that a resolved preset
        gives the same bits anywhere. Leave it out of a preset that people edit.
    """

    count: Annotated[int, Field(ge=4, le=12)] = 6
    range: Distance = 100.0
    depth: Distance = 40.0
    fitted: dict[str, Any] | None = None


def _compression(text: str) -> str:
    if problem := compression_problem(text):
        # Braces would be taken for places to fill in.
        raise PydanticCustomError("compression", "{text}", {"text": problem})
    return text


def _space(text: str) -> str:
    try:
        space_named(text)
    except ColourError as error:
        raise PydanticCustomError("space", "{text}", {"text": f"{error.message}. {error.fix}"}) from None
    return text


_Compression = Annotated[
    str, AfterValidator(_compression), WithJsonSchema({"type": "string", "pattern": PATTERN})
]
_Space = Annotated[str, AfterValidator(_space)]


class OutputSection(Strict):
    """What is written.

    Attributes
    ----------
    carry
        Other channels of the input to write unchanged, by name; ``["*"]`` for all.
    layers
        Separable layers to write: see `apply --layers`.
    compression
        How files are compressed: ``none``, ``rle``, ``zips``, ``zip``, ``piz``, ``zstd``, ``htj2k256``,
        ``htj2k32`` (nothing is lost); ``pxr24``, ``b44``, ``b44a``, ``dwaa``, ``dwab``, ``lj2k`` (something
        is). ``dwaa`` and ``dwab`` may have a level, as ``dwaa:45``: the larger, the smaller the file. As the
        render's where not given.
    data_type
        Pixel type of the picture and of layers that hold light: ``half`` or ``float``. Where not given, the
        picture's as the render's, the layers' half.
    guide_type
        Pixel type of layers that hold metres, pixels or places.
    colour_space
        Space of what is written, such as "ACEScg"; the working space where not given. Channels carried over
        stay as they are.
    gamut_compression
        What becomes of colours that the written space cannot hold, as Rec.709 cannot those of most waters.
        ``none``: they keep negative values, which the next power or logarithm makes no numbers. ``full``:
        they are drawn in smoothly, and no value is negative. ``reference``: the ACES reference gamut
        compression, in AP1 whatever is written. Not given is ``none``, with a warning where it matters.
    element
        Whether what is read is an element rendered after its frame: written as a premultiplied layer that
        covers what the element covers, without open water, to be laid over the finished frame.
    deep
        Whether a deep render is written deep, each sample with the water before it, open water behind the
        last. Otherwise it is written flat.
    floating_samples
        With ``deep``: whether drawn particles, bubbles and turbid bodies are samples of their own, so that
        what is rendered later can be merged into the water. An element of such a frame is made with it, too,
        and without them. Not with ``layers``.
    """

    carry: tuple[str, ...] = ()
    layers: tuple[str, ...] = ()
    compression: _Compression | None = None
    data_type: Literal["half", "float"] | None = None
    guide_type: Literal["half", "float"] = "float"
    colour_space: _Space | None = None
    gamut_compression: Literal["none", "reference", "full"] | None = None
    element: bool = False
    deep: bool = False
    floating_samples: bool = False

    @model_validator(mode="after")
    def _of_deep(self) -> OutputSection:
        if self.floating_samples and not (self.deep or self.element):
            raise ValueError("floating_samples are samples of deep pictures: set deep = true, too")
        if self.floating_samples and self.layers:
            raise ValueError("floating_samples tell layers apart by depth alone: leave out layers")
        return self


class StepHead(Strict):
    """What every step may say, beside its operator's own keys.

    Attributes
    ----------
    operator
        The operator's name; the step's own name where not given.
    input
        Step to take the picture from; the one before where not given. ``render`` is the render itself.
    other
        Second input, for operators that take two.
    after, before
        Place the step right after or right before another, where a preset that it extends has the order.
        After ``render`` is first of all.
    enabled
        Whether the step is done.
    """

    operator: str | None = None
    input: str | None = None
    other: str | None = None
    after: str | None = None
    before: str | None = None
    enabled: bool = True

    @model_validator(mode="after")
    def _one_place(self) -> StepHead:
        if self.after is not None and self.before is not None:
            raise ValueError("after and before are both given; a step has one place")
        return self


class FoundOrigin(Strict):
    """A place as it was found.

    Attributes
    ----------
    frame
        On which frame.
    position
        Where, world metres.
    right, above, ahead
        Axes of what is given from there, unit, world.
    unit_m
        Metres of one unit.
    """

    frame: int
    position: tuple[float, float, float]
    right: tuple[float, float, float]
    above: tuple[float, float, float]
    ahead: tuple[float, float, float]
    unit_m: Annotated[float, Field(gt=0.0)] = 1.0


# A frame's number, where the lens is then, and its axes right, above and ahead.
LensRow = Annotated[tuple[float, ...], Field(min_length=13, max_length=13)]


class OriginSection(Strict):
    """A place that things are bound to: what names it as its ``origin`` is given from there.

    Such a lamp, source, body or layer is given in metres to the right, above and ahead of the place, as the
    levelled camera sees it, and holds on a scene whose metres and axes are others. The place is found on one
    frame of the sequence and is the same on all frames, unless it ``follows`` the lens. Say one of ``point``,
    ``pixel``, ``matte``, ``lens`` and ``position``.

    Attributes
    ----------
    point
        What the picture shows at this share of its width, from the left, and of its height, from the top.
    pixel
        What it shows at this pixel of the display window: column and row, from 0 at the upper left.
    matte
        The middle of what this matte covers: the mean of the places that the picture shows of it.
    lens
        The lens, looking as it looks: above is the top of the picture.
    follows
        With ``lens``: whether the place goes and turns with the lens, on each frame where it is as the
        shutter is half open; with two eyes, with the middle of both. A track given from there goes with the
        lens from its first key to its last, and what it gave off stays behind in the world.
    position
        A place in the scene's world, metres.
    frame
        The frame to find it on; the first of the sequence that is there where not given.
    otherwise_range
        Where the picture shows nothing at that point: this far from the lens, metres. Without it that is an
        error.
    floor
        Put it on the floor, straight below or above: at a height in the world, metres; or ``"found"``, the
        height above which nine tenths lie of what the picture shows around there.
    unit
        What is given from it is counted in ``metres``; or in its ``range``, its own distance from the lens:
        all of it then grows with the scene, and a lamp lights what is there as brightly, water apart.
    found
        The place, once found: written by a render into its record and its frames, so that they can be made
        again.
    way
        With ``follows``, where tracks are given from it, once found: on each frame of theirs its number, the
        lens's place, world metres, and its axes right, above and ahead; thirteen numbers.
    """

    point: tuple[Share, Share] | None = None
    pixel: tuple[float, float] | None = None
    matte: str | None = None
    lens: bool = False
    follows: bool = False
    position: tuple[Position, Position, Position] | None = None
    frame: int | None = None
    otherwise_range: Distance | None = None
    floor: Position | Literal["found"] | None = None
    unit: Literal["metres", "range"] = "metres"
    found: FoundOrigin | None = None
    way: tuple[LensRow, ...] = ()

    @model_validator(mode="after")
    def _one_place(self) -> OriginSection:
        ways = {name: getattr(self, name) for name in ("point", "pixel", "matte", "position")}
        given = [name for name, value in ways.items() if value is not None] + ["lens"] * self.lens
        if len(given) != 1:
            told = " and ".join(given) if given else "none"
            raise ValueError(f"say one of point, pixel, matte, lens and position; {told} given")
        if self.lens and self.unit == "range":
            raise ValueError('unit = "range" is a distance from the lens, and this is the lens itself')
        if self.follows and not self.lens:
            raise ValueError("only the lens can be followed: follows = true goes with lens = true")
        if self.follows and (self.frame is not None or self.floor == "found"):
            more = "frame" if self.frame is not None else 'floor = "found"'
            raise ValueError(f"what follows the lens is found on every frame by its camera: leave out {more}")
        return self


# What a part says once for all frames, beside its look.
STEADY_OF_PART = ("after", "before", "preset", "alone")


class PartSection(StepLimits):
    """A part of the picture that has a look of its own: a thing by its matte, or a slab of range or height.

    Such a part is seen through water of its own, with that water's veil and what floats before it; it is no
    dry cut-out. What differs stands below the part, in sections like those of the whole picture:
    ``[parts.chain.light]``. Where two parts hold one place, the later lies over the earlier: in the order of
    the file, those of presets that it extends first, unless a part says otherwise.

    Attributes
    ----------
    matte
        Name of a matte of the render: the part is what it covers. ``arch`` is the channel ``matte.arch``, or
        whatever ``[input] passes`` says.
    invert_matte
        The part is all but that.
    amount
        Share of its own look that it gets, 0 to 1; at 0 it has that of the whole picture.
    within_range
        Slab of range that it is, or to which the matte's part is limited.
    within_height
        Slab of height, likewise.
    after, before
        Place the part right after another, which it then lies over, or right before, beneath it.
    preset
        Another preset, a file beside this one or a name, whose look the part keeps: water, light, place,
        sea, story, bands, steps and parts. Where not given it is that of the whole picture. How the render is
        read, its cameras, time, and what is written are the whole picture's in any case.
    alone
        Whether what stands below the part is all of its look, with nothing of another's under it. Written by
        ``preset show --resolved`` and into every frame's metadata.
    water, light, place, sea, story, bands
        What differs from that look: keys of the section of that name.
    origins
        Origins that differ, by name.
    steps
        Steps that differ, by name.
    parts
        Parts of the part.
    """

    after: str | None = None
    before: str | None = None
    preset: str | None = None
    alone: bool = False
    water: dict[str, Any] | None = None
    light: dict[str, Any] | None = None
    place: dict[str, Any] | None = None
    sea: dict[str, Any] | None = None
    story: dict[str, Any] | None = None
    bands: dict[str, Any] | None = None
    origins: dict[str, Any] | None = None
    steps: dict[str, Any] | None = None
    parts: dict[str, Any] | None = None

    @model_validator(mode="after")
    def _one_look(self) -> PartSection:
        if self.alone and self.preset is not None:
            raise ValueError("alone and preset are both given; the look stands in one place")
        if self.after is not None and self.before is not None:
            raise ValueError("after and before are both given; a part has one place")
        return self

    @property
    def limits(self) -> StepLimits:
        """Where it is, and how much of its own look it gets."""
        return StepLimits(**{name: getattr(self, name) for name in StepLimits.model_fields})


SECTIONS: dict[str, type[Strict]] = {
    "sequence": SequenceSection,
    "input": InputSection,
    "water": WaterSection,
    "light": LightSection,
    "place": PlaceSection,
    "sea": Sea,
    "camera": CameraSection,
    "views": ViewsSection,
    "colour": ColourSection,
    "story": StorySection,
    "bands": BandsSection,
    "output": OutputSection,
}

# What of a preset makes its look, and a part of the picture can have of its own.
LOOK_TABLES = ("water", "light", "place", "sea", "story", "bands", "origins", "steps", "parts")

# Keys of which one choice only can be given. A preset that makes a choice puts away the other that a preset
# it extends has made: to extend a shipped water and state another table, nothing need be unset.
PLACE_CHOICES: tuple[tuple[tuple[str, ...], ...], ...] = ((("after",), ("before",)),)
# A place stated anew is to be found anew.
ORIGIN_FOUND = ("found",)
ORIGIN_CHOICES: tuple[tuple[tuple[str, ...], ...], ...] = (
    (("point",), ("pixel",), ("matte",), ("position",), ("lens",), ORIGIN_FOUND),
)
CHOICES: dict[str, tuple[tuple[tuple[str, ...], ...], ...]] = {
    "water": (
        (("jerlov_type",), ("table",), ("constituents",)),
        (("attenuation_550",), ("secchi_depth",), ("visibility",)),
    ),
    "place": ((("sea_level",), ("camera_depth",)),),
    "camera": ((_NOT_BESIDE_AN_ANGLE, ("horizontal_view",)),),
    "story": ((("softness",), ("subject_range", "silhouette_contrast")),),
}
