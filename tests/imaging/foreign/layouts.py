"""Files as other programs lay them out, written with the OpenEXR package, which Halocline does not use.

Each layout says which channels are right, or which refusal; nothing of Halocline is asked for that. Every
layer of colour has a level of its own, and so has every depth pass, so that pixels tell which was read. The
conventions are common practice, no source, but for the views of one part (openexr_multiview, from memory).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import OpenEXR
from numpy.typing import NDArray

Array = NDArray[Any]
HEIGHT, WIDTH = 12, 16
DISPLAY = (0, 0, WIDTH, HEIGHT)
Box = tuple[int, int, int, int]


@dataclass(frozen=True)
class Part:
    """One part: its name, its channels (a kind of pixels and a level each), its windows and metadata."""

    channels: Mapping[str, Array]
    name: str = ""
    view: str = ""
    data: Box = DISPLAY
    header: Mapping[str, Any] = field(default_factory=dict)
    compression: Any = OpenEXR.ZIP_COMPRESSION
    deep: bool = False


@dataclass(frozen=True)
class Expected:
    """What is right for one view: level of the colour, logical names of alpha and depth, metres away.

    ``refused`` is the code of an error instead, and ``says`` what its text or a warning must hold.
    ``quiet`` asks for no warning about the choice of channels.
    """

    level: float = 0.5
    alpha: str | None = "A"
    depth: str | None = "Z"
    metres: float = 5.0
    along_ray: bool = False
    refused: str = ""
    says: tuple[str, ...] = ()
    quiet: bool = True


@dataclass(frozen=True)
class Layout:
    """A file, what is stated about it, and what is right, by view."""

    name: str
    parts: tuple[Part, ...]
    expected: Mapping[str, Expected]
    stated: Mapping[str, Any] = field(default_factory=dict)


def plane(level: float, kind: Any = np.float16, box: Box = DISPLAY) -> Array:
    return np.full((box[3], box[2]), level, kind)


def half(names: str, level: float = 0.5, box: Box = DISPLAY) -> dict[str, Array]:
    """Half channels of one level, named in one text; those that end in A are fully covered."""
    return {
        name: plane(1.0 if name.rpartition(".")[2] in {"A", "a", "alpha"} else level, box=box)
        for name in names.split()
    }


def rgba(layer: str = "", level: float = 0.5, box: Box = DISPLAY) -> dict[str, Array]:
    dot = f"{layer}." if layer else ""
    return half(" ".join(f"{dot}{component}" for component in "RGBA"), level, box)


def rgb(layer: str = "", level: float = 0.5) -> dict[str, Array]:
    dot = f"{layer}." if layer else ""
    return half(" ".join(f"{dot}{component}" for component in "RGB"), level)


def depth(name: str = "Z", metres: float = 5.0, box: Box = DISPLAY) -> dict[str, Array]:
    return {name: plane(metres, np.float32, box)}


def vector(layer: str, level: float = 0.25, components: str = "XYZ") -> dict[str, Array]:
    return {f"{layer}.{each}" if layer else each: plane(level, np.float32) for each in components}


def ids(*names: str) -> dict[str, Array]:
    return {name: plane(7, np.uint32) for name in names}


def write(path: Path, layout: Layout) -> Path:
    """Write a layout."""
    parts = []
    for part in layout.parts:
        x, y, width, height = part.data
        header = {
            "compression": OpenEXR.ZIPS_COMPRESSION if part.deep else part.compression,
            "type": OpenEXR.deepscanline if part.deep else OpenEXR.scanlineimage,
            "dataWindow": (np.array([x, y], np.int32), np.array([x + width - 1, y + height - 1], np.int32)),
            "displayWindow": (np.zeros(2, np.int32), np.array([WIDTH - 1, HEIGHT - 1], np.int32)),
            "chromaticities": (0.64, 0.33, 0.3, 0.6, 0.15, 0.06, 0.3127, 0.329),
            **part.header,
        }
        if part.view:
            header["view"] = part.view
        channels = {
            name: OpenEXR.Channel(_deep(plane) if part.deep else plane)
            for name, plane in part.channels.items()
        }
        parts.append(OpenEXR.Part(header, channels, part.name))
    if len(parts) == 1 and not parts[0].name():
        OpenEXR.File(parts[0].header, parts[0].channels).write(str(path))
    else:
        OpenEXR.File(parts).write(str(path))
    return path


def _deep(plane: Array) -> Array:
    samples = np.empty(plane.shape, object)
    for place in np.ndindex(plane.shape):
        samples[place] = np.full(2, plane[place], plane.dtype)
    return samples


def one(*channels: Mapping[str, Array], **rest: Any) -> tuple[Part, ...]:
    """A file of one part."""
    return (Part({name: plane for some in channels for name, plane in some.items()}, **rest),)


def parts(*named: tuple[str, Mapping[str, Array]]) -> tuple[Part, ...]:
    """A file of parts with names."""
    return tuple(Part(channels, name) for name, channels in named)


LAYOUTS: list[Layout] = []


def add(
    name: str, file: tuple[Part, ...], expected: Expected | Mapping[str, Expected], **stated: Any
) -> None:
    by_view = expected if isinstance(expected, Mapping) else {"": expected}
    LAYOUTS.append(Layout(name, file, by_view, stated))


def refused(code: str, *says: str) -> Expected:
    return Expected(refused=code, says=says)


def guessed(*says: str, **rest: Any) -> Expected:
    return Expected(says=says, quiet=False, **rest)


MISSING, AMBIGUOUS = "E-CHANNEL-MISSING", "E-CHANNEL-AMBIGUOUS"
NO_DEPTH = "E-DEPTH-MISSING"
DATA = (
    "N",
    "normal",
    "P",
    "position",
    "UV",
    "motion",
    "albedo",
    "CryptoObject00",
    "objectid",
    "depth",
    "mist",
)

# ---- One part, plain
add("bare names", one(rgba(), depth()), Expected())
add("bare names, part with the shot's name", one(rgba(), depth(), name="shot_id_010"), Expected())
add("small letters", one(half("r g b a"), depth("z")), Expected(alpha="a", depth="z"))
add("colours spelt out", one(half("red green blue alpha"), depth()), Expected(alpha="alpha"))
add(
    "colours spelt out in a layer",
    one(half("beauty.red beauty.green beauty.blue beauty.alpha"), depth("depth.Z")),
    Expected(alpha="beauty.alpha", depth="depth.Z"),
)
add("no alpha", one(rgb(), depth()), guessed("no alpha", alpha=None))
add("depth called depth", one(rgba(), depth("depth")), Expected(depth="depth"))
add("depth as a layer with V", one(rgba(), depth("Depth.V")), Expected(depth="Depth.V"))
add("depth as a layer with Y", one(rgba(), depth("distance.Y")), Expected(depth="distance.Y", along_ray=True))
add(
    "depth as a grey picture",
    one(rgba(), {f"depth.{c}": plane(5.0, np.float32) for c in "RGB"}),
    Expected(depth="depth.R"),
)
add("Z before depth.Z", one(rgba(), depth(), depth("depth.Z", 9.0)), Expected())
add(
    "exact depth before filtered",
    one(rgba("beauty"), depth("depth_filtered.Z", 9.0), depth("depth.Z")),
    Expected(alpha="beauty.A", depth="depth.Z"),
)
add("depth as capitals of two words", one(rgba(), depth("ZDepth.Z")), Expected(depth="ZDepth.Z"))
add("depth only in a layer of no name known", one(rgba(), depth("pass7.Z")), Expected(depth="pass7.Z"))
add(
    "two depths of equal right",
    one(rgba(), depth("depth.Z"), depth("distance.Y")),
    refused(AMBIGUOUS, 'input.depth_channel = "depth.Z"', 'input.depth_channel = "distance.Y"'),
)
add(
    "one of two depths stated",
    one(rgba(), depth("depth.Z", 9.0), depth("distance.Y")),
    Expected(depth="distance.Y", along_ray=True),
    depth_channel="distance.Y",
)
add("no depth", one(rgba()), refused(NO_DEPTH, "input.depth_channel", "--depth"))
add("normals are no depth", one(rgba(), vector("N")), refused(NO_DEPTH, "input.depth_channel"))
add(
    "Z stated where only normals have one",
    one(rgba(), vector("N")),
    refused(MISSING, "N.Z"),
    depth_channel="Z",
)
add("mist beside depth", one(rgba(), depth("Mist.Z", 0.5), depth("Depth.Z")), Expected(depth="Depth.Z"))
add("mist alone", one(rgba(), depth("Mist.Z", 0.5)), refused("E-DEPTH-PLANES", "input.near", "input.far"))
add(
    "passes around the picture",
    one(rgba(), depth(), vector("N"), rgb("diffuse", 0.2), rgb("albedo", 0.9), half("motion.X motion.Y")),
    Expected(),
)
add("luminance alone", one(half("Y A"), depth()), refused(MISSING, "luminance"))
add("no colour at all", one(depth()), refused(MISSING, "no R, G and B"))
add("colours as whole numbers", one(ids("R", "G", "B"), depth()), refused(MISSING, "no R, G and B"))

# ---- One part, layers
for layer in ("rgba", "RGB", "beauty", "Beauty", "Combined", "C", "Ci", "main"):
    add(
        f"picture in the layer {layer}",
        one(rgba(layer), rgb("diffuse", 0.2), rgb("specular", 0.1), depth()),
        Expected(alpha=f"{layer}.A"),
    )
add(
    "picture and depth of a view layer",
    one(
        rgba("ViewLayer.Combined"),
        depth("ViewLayer.Depth.Z"),
        vector("ViewLayer.Normal"),
        rgb("ViewLayer.AO", 0.9),
    ),
    Expected(alpha="ViewLayer.Combined.A", depth="ViewLayer.Depth.Z"),
)
FOREGROUND = (rgba("Fg.Combined"), rgba("Bg.Combined", 0.2), depth("Fg.Depth.Z"), depth("Bg.Depth.Z", 9.0))
add("two view layers", one(*FOREGROUND), refused(AMBIGUOUS, 'input.layer = "Bg.Combined"', '"Fg.Combined"'))
add(
    "one of two view layers",
    one(*FOREGROUND),
    Expected(alpha="Fg.Combined.A", depth="Fg.Depth.Z"),
    beauty="Fg.Combined",
)
add(
    "the other view layer by its first word",
    one(*FOREGROUND),
    Expected(level=0.2, alpha="Bg.Combined.A", depth="Bg.Depth.Z", metres=9.0),
    beauty="Bg.Combined",
    depth_channel="Depth.Z",
)
add(
    "depth of another view layer only",
    one(rgba("Fg.Combined"), rgba("Bg.Combined", 0.2), depth("Bg.Depth.Z")),
    refused(NO_DEPTH, "Bg.Depth.Z"),
    beauty="Fg.Combined",
)
add(
    "depth of a view layer that has no picture here",
    one(rgba("Fg.Combined"), depth("Bg.Depth.Z")),
    refused(NO_DEPTH, "Bg.Depth.Z"),
)
add(
    "eyes as layers without a word in the file",
    one(rgba("left", 0.2), rgba("right"), depth("left.Z", 9.0), depth("right.Z")),
    Expected(alpha="right.A", depth="right.Z"),
    beauty="right",
)
add(
    "one eye has no depth",
    one(rgba("left", 0.2), rgba("right"), depth("left.Z")),
    refused(NO_DEPTH, "left.Z"),
    beauty="right",
)
add(
    "bare names are the other eye",
    one(rgba("", 0.2), rgba("right"), depth("Z")),
    refused(NO_DEPTH, "Z"),
    beauty="right",
)
add(
    "eyes as layers, none stated",
    one(rgba("left"), rgba("right"), depth("left.Z")),
    refused(AMBIGUOUS, "right"),
)
add(
    "only one layer of light",
    one(rgba("diffuse"), vector("N"), depth()),
    guessed('"diffuse"', "input.layer", alpha="diffuse.A"),
)
add(
    "two layers of light, no picture",
    one(rgba("diffuse"), rgba("specular", 0.2), depth()),
    refused(AMBIGUOUS, 'input.layer = "diffuse"', 'input.layer = "specular"'),
)
add(
    "a layer stated in other letters",
    one(rgba("Key"), rgba("Fill", 0.1), depth()),
    Expected(alpha="Key.A"),
    beauty="key",
)
add("a layer stated that is not there", one(rgba(), depth()), refused(MISSING, "input.layer"), beauty="diver")
for layer in DATA:
    add(
        f"nothing but data in {layer}",
        one(rgb(layer), depth()),
        refused(MISSING, "data passes", f'"{layer}"'),
    )
    if layer in {"depth", "mist"}:
        continue
    add(
        f"data in {layer} beside one layer of light",
        one(rgb(layer, 0.9), rgba("torch"), depth()),
        guessed('"torch"', "input.layer", alpha="torch.A"),
    )
for layer in ("Normandy", "Motionless", "Identity", "Depthless", "Maskerade", "Pier"):
    add(
        f"{layer} is no data",
        one(rgb(layer), depth()),
        guessed(f'"{layer}"', alpha=None),
    )
for name in (
    "Gray.Depth.Z",
    "OrangeTruck.Depth.Z",
    "raytraced.depth",
    "Invisible.Depth.Z",
    "Normandy.Depth.Z",
):
    add(f"{name} is planar", one(rgba(), depth(name)), Expected(depth=name))
add("alpha beside the layer", one(rgb("beauty"), half("A"), depth()), guessed("A was taken", alpha="A"))
add(
    "alpha of the bare picture is not the layer's",
    one(rgba("", 0.2), rgb("diver"), depth()),
    guessed("no alpha", alpha=None),
    beauty="diver",
)
add(
    "mattes by number in the metadata",
    one(
        rgba("heroes00", 0.9),
        rgba("torch"),
        depth(),
        header={"cryptomatte/abc1234/name": "heroes", "cryptomatte/abc1234/hash": "MurmurHash3_32"},
    ),
    guessed('"torch"', alpha="torch.A"),
)

# ---- Parts
BEAUTY, ZED, DIFFUSE = ("Beauty", rgba()), ("Z", depth()), ("diffuse", rgba("", 0.2))
CRYPTO, MATTE, NORMALS = ("crypto00", rgba("", 0.9)), ("matte", half("R G B A", 0.8)), ("N", vector(""))
PICTURE = Expected(alpha="Beauty.A")
add("light before the picture", parts(DIFFUSE, BEAUTY, ZED), PICTURE)
add("picture before light", parts(BEAUTY, DIFFUSE, ZED), PICTURE)
add("depth first", parts(ZED, DIFFUSE, BEAUTY), PICTURE)
add("mattes by number first", parts(CRYPTO, BEAUTY, ZED), PICTURE)
add("matte with alpha first", parts(MATTE, BEAUTY, ZED), PICTURE)
add("normals first", parts(NORMALS, ZED, BEAUTY), PICTURE)
add(
    "Z stated, normals first",
    parts(NORMALS, ("depth", depth()), BEAUTY),
    Expected(alpha="Beauty.A", depth="depth.Z"),
    depth_channel="Z",
)
add(
    "layer and part say the same",
    parts(("N", vector("N")), ("Beauty", rgba("Beauty")), ("depth", depth("depth.Z"))),
    Expected(alpha="Beauty.A", depth="depth.Z"),
)
add(
    "alpha in a part of its own",
    parts(("rgba", rgb()), ("alpha", half("A")), ZED),
    guessed("alpha.A", alpha="alpha.A"),
)
add(
    "alpha as a grey part",
    parts(("rgba", rgb()), ("Alpha", half("Y", 1.0)), ZED),
    guessed("Alpha.Y", alpha="Alpha.Y"),
)
add("no alpha, a matte before it", parts(MATTE, ("rgba", rgb()), ZED), guessed("no alpha", alpha=None))
add("every channel is a part", parts(*((c, half(c)) for c in "ABGR"), ZED), Expected())
add(
    "parts of no known name",
    parts(("renderA", rgba()), ("data", depth())),
    guessed('"renderA"', alpha="renderA.A", depth="data.Z"),
)
add(
    "two parts of no known name",
    parts(("renderA", rgba()), ("renderB", rgba()), ZED),
    refused(AMBIGUOUS, 'input.layer = "renderA"'),
)
add(
    "a part stated",
    parts(("renderA", rgba("", 0.2)), ("renderB", rgba()), ZED),
    Expected(alpha="renderB.A"),
    beauty="renderB",
)
add(
    "each part has its own depth",
    parts(("diffuse", {**rgba("", 0.2), **depth("Z", 9.0)}), ("Beauty", {**rgba(), **depth()})),
    Expected(alpha="Beauty.A", depth="Beauty.Z"),
)
add(
    "only another part has depth",
    parts(("diffuse", {**rgba("", 0.2), **depth()}), BEAUTY),
    refused(NO_DEPTH, "diffuse.Z"),
)
add("ids beside colour", parts(("Beauty", {**rgba(), **ids("id", "mask.id")}), ZED), PICTURE)
add("ids called Z", parts(BEAUTY, ("id", ids("Z"))), refused(NO_DEPTH, "id.Z"))
add(
    "a small preview first",
    (Part(rgba("", 0.2, (0, 0, 4, 3)), "preview", data=(0, 0, 4, 3)), *parts(BEAUTY, ZED)),
    PICTURE,
)
add(
    "deep beside flat",
    (
        Part({**rgba("", 0.2), **depth("Z", 9.0)}, "deep", deep=True),
        *parts(BEAUTY, ZED),
    ),
    PICTURE,
)
add(
    "deep alone",
    (Part({**rgba(), **depth()}, "deep", deep=True),),
    Expected(),
)
add(
    "deep without depth",
    (Part(rgba(), "deep", deep=True),),
    refused("E-DEPTH-MISSING"),
)
add(
    "rgba before a copy called beauty",
    parts(("beauty", rgba("", 0.2)), ("rgba", rgba()), ZED),
    guessed('"beauty"', "input.layer", alpha="rgba.A"),
)

add(
    "a part with layers in it",
    (
        Part({**rgba(), **rgb("diffuse", 0.1), **depth(), **vector("N")}, "Main Layer"),
        Part(rgba("", 0.9), "CryptoAsset00"),
    ),
    guessed('"Main Layer"', "input.layer", alpha="Main Layer.A", depth="Main Layer.Z"),
)
add(
    "a part called as one of its channels",
    parts(("r", {**rgba(), **depth()}), ("N", vector(""))),
    guessed('"r"', alpha="r.A", depth="r.Z"),
)
add(
    "parts below one name",
    parts(("shot.diffuse", rgba("", 0.2)), ("shot.Z", depth()), ("shot.beauty", rgba())),
    Expected(alpha="shot.beauty.A", depth="shot.Z"),
)
add(
    "two last pieces of one name",
    one(rgba("Composite.Combined"), rgba("ViewLayer.Combined", 0.2), depth("ViewLayer.Depth.Z")),
    refused(AMBIGUOUS, 'input.layer = "Composite.Combined"', 'input.layer = "ViewLayer.Combined"'),
)
add("ray in a longer name", one(rgba(), depth("LensRayLikeDepth.R")), Expected(depth="LensRayLikeDepth.R"))
add("ray and depth alone", one(rgba(), depth("RayDepth.V")), Expected(depth="RayDepth.V", along_ray=True))
add("part of depth behind", one(rgba(), depth(), depth("ZBack", 9.0)), Expected())
add(
    "two position passes",
    one(rgba(), vector("a.P", -5.0), vector("b.P", -6.0)),
    refused(AMBIGUOUS, 'input.position_layer = "a.P"'),
)

# ---- Windows and codecs
add(
    "a crop and a larger depth",
    (Part(rgba("", 0.5, (2, 2, 8, 6)), "rgba", data=(2, 2, 8, 6)), Part(depth(), "depth")),
    Expected(alpha="rgba.A", depth="depth.Z"),
)
add(
    "overscan",
    one(rgba("", 0.5, (-4, -3, 24, 18)), depth("Z", 5.0, (-4, -3, 24, 18)), data=(-4, -3, 24, 18)),
    Expected(),
)
for codec in ("RLE", "ZIPS", "PIZ", "PXR24", "B44", "B44A", "DWAA", "DWAB", "HTJ2K32"):
    add(
        f"compressed as {codec}",
        one(rgba(), depth(), compression=getattr(OpenEXR, f"{codec}_COMPRESSION")),
        Expected(),
    )

# ---- Views
EYES = {"left": Expected(level=0.2, alpha="A", metres=9.0), "right": Expected()}
add(
    "eyes in one part",
    one(
        rgba("", 0.2),
        rgba("right"),
        depth("Z", 9.0),
        depth("right.Z"),
        header={"multiView": ["left", "right"]},
    ),
    EYES,
)
add(
    "both eyes spelt",
    one(
        rgba("left", 0.2),
        rgba("right"),
        depth("left.Z", 9.0),
        depth("right.Z"),
        header={"multiView": ["left", "right"]},
    ),
    EYES,
)
add(
    "layers of eyes",
    one(
        rgba("", 0.2),
        rgba("right"),
        depth("Z", 9.0),
        depth("depth.right.Z"),
        rgb("diffuse.right", 0.9),
        header={"multiView": ["left", "right"]},
    ),
    {"left": EYES["left"], "right": Expected(depth="depth.Z")},
)
add(
    "eyes in parts",
    (
        Part({**rgba("", 0.2), **depth("Z", 9.0)}, "rgba.left", "left"),
        Part({**rgba(), **depth()}, "rgba.right", "right"),
    ),
    {
        "left": Expected(level=0.2, alpha="rgba.A", depth="rgba.Z", metres=9.0),
        "right": Expected(alpha="rgba.A", depth="rgba.Z"),
    },
)
add(
    "eyes in parts whose names end so",
    (
        Part(rgba("", 0.2), "beauty_left", "left"),
        Part(depth("Z", 9.0), "depth_left", "left"),
        Part(rgba(), "beauty_right", "right"),
        Part(depth(), "depth_right", "right"),
    ),
    {
        "left": Expected(level=0.2, alpha="beauty.A", depth="depth.Z", metres=9.0),
        "right": Expected(alpha="beauty.A", depth="depth.Z"),
    },
)
add(
    "one depth for two eyes",
    one(rgba("", 0.2), rgba("right"), depth(), header={"multiView": ["left", "right"]}),
    {"right": refused(NO_DEPTH, 'view "right"')},
)

# ---- Cameras that are none
add(
    "all directions at once, but not twice as wide as high",
    one(rgba(), depth(), header={"envmap": OpenEXR.ENVMAP_LATLONG}),
    refused("E-CAMERA-PROJECTION", "16 x 12", "360 x 180"),
)
add(
    "the faces of a cube",
    one(rgba(), depth(), header={"envmap": OpenEXR.ENVMAP_CUBE}),
    refused("E-CAMERA-PROJECTION", "cube map", "latlong"),
)
add(
    "a camera called orthographic",
    one(rgba(), depth(), header={"cameraType": "orthographic"}),
    refused("E-CAMERA-PROJECTION", "orthographic"),
)
add(
    "a projection called fisheye",
    one(rgba(), depth(), header={"render/camera/projection": "fisheye"}),
    refused("E-CAMERA-PROJECTION", "fisheye"),
)
add("a camera called perspective", one(rgba(), depth(), header={"cameraType": "perspective"}), Expected())


# Parts called "layer.view" without the attribute that says so: what all end in tells none apart.
add(
    "parts that all end in one view's name",
    parts(("rgba.main", rgba()), ("depth.main", depth())),
    Expected(alpha="rgba.A", depth="depth.Z"),
)
add(
    "the same, depth first, beside a normal",
    parts(("depth.C0", depth()), ("N.C0", vector("", 0.9)), ("beauty.C0", rgba())),
    Expected(alpha="beauty.A", depth="depth.Z"),
)
add(
    "two pictures that end alike are two pictures",
    parts(("hero.main", rgba()), ("set.main", rgba("", 0.2)), ("depth.main", depth())),
    Expected(refused="E-CHANNEL-AMBIGUOUS", says=('input.layer = "hero.main"', 'input.layer = "set.main"')),
)
add(
    "parts that end in the views that the file lists",
    tuple(
        Part(channels, name=name, header={"multiView": ["left", "right"]})
        for name, channels in (
            ("rgba.left", rgba("", 0.3)),
            ("depth.left", depth("Z", 4.0)),
            ("rgba.right", rgba("", 0.6)),
            ("depth.right", depth("Z", 6.0)),
        )
    ),
    {
        "left": Expected(level=0.3, alpha="rgba.A", depth="depth.Z", metres=4.0),
        "right": Expected(level=0.6, alpha="rgba.A", depth="depth.Z", metres=6.0),
    },
)

# ---- Names and forms that were tried later
add(
    "colours spelt in capitals",
    one(half("RED GREEN BLUE ALPHA"), depth("DEPTH")),
    Expected(alpha="ALPHA", depth="DEPTH"),
)
add(
    "depth of whole numbers",
    one(rgba(), {"Z": plane(5, np.uint32)}),
    refused(NO_DEPTH, "Z (whole numbers)", "input.depth_channel"),
)
add("depth of whole numbers, stated", one(rgba(), {"Z": plane(5, np.uint32)}), Expected(), depth_channel="Z")
add("the back of depth alone", one(rgba(), depth("ZBack")), refused(NO_DEPTH, "ZBack", "input.depth_channel"))
add("front and back of depth", one(rgba(), depth(), depth("ZBack", 9.0)), Expected())
add(
    "depth's front and back as channels",
    one(rgba(), depth("depth.front"), depth("depth.back", 9.0)),
    refused(NO_DEPTH, "depth.front", "input.depth_channel"),
)
add(
    "two layers that both are called as pictures are",
    one(rgba("rgba"), rgba("beauty", 0.2), depth()),
    guessed('input.layer = "beauty"', alpha="rgba.A"),
)
add(
    "layers of many pieces",
    one(rgba("shot.fg.beauty.v2"), depth("shot.fg.depth.v2.Z")),
    refused(NO_DEPTH, "shot.fg.depth.v2.Z", "input.depth_channel"),
)
add(
    "parts of many pieces",
    parts(("fg.v001.beauty", rgba()), ("fg.v001.depth", depth())),
    guessed(alpha="fg.v001.beauty.A", depth="fg.v001.depth.Z"),
)
add(
    "names with spaces",
    one({f"Beauty Pass.{c}": plane(0.5 if c != "A" else 1.0) for c in "RGBA"}, depth("Depth Pass.Z")),
    guessed('"Beauty Pass"', alpha="Beauty Pass.A", depth="Depth Pass.Z"),
)
add(
    "coverage as opacity",
    one(rgb(), half("opacity.R opacity.G opacity.B", 1.0), depth()),
    guessed("opacity.R was taken", alpha="opacity.R"),
)
add("a cleaned copy beside the picture", one(rgba(), rgba("denoised", 0.4), depth()), Expected())
add("luminance and chroma", one(half("Y RY BY A"), depth()), refused(MISSING, "luminance", "R, G and B"))
add("rows from the bottom up", one(rgba(), depth(), header={"lineOrder": OpenEXR.DECREASING_Y}), Expected())
add(
    "a preview picture",
    one(rgba(), depth(), header={"preview": OpenEXR.PreviewImage(np.zeros((3, 4, 4), np.uint8))}),
    guessed(),
)


def _tiles(levels: str) -> dict[str, Any]:
    tiles = OpenEXR.TileDescription()
    tiles.xSize = tiles.ySize = 8
    tiles.mode = getattr(OpenEXR, levels)
    return {"type": OpenEXR.tiledimage, "tiles": tiles}


for levels in ("ONE_LEVEL", "MIPMAP_LEVELS", "RIPMAP_LEVELS"):
    add(f"tiles, {levels}", one(rgba(), depth(), header=_tiles(levels)), Expected())
_AWAY = (np.array([1000, -500], np.int32), np.array([1000 + WIDTH - 1, HEIGHT - 501], np.int32))
add(
    "a display window far from 0",
    one(rgba(), depth(), header={"dataWindow": _AWAY, "displayWindow": _AWAY}),
    Expected(),
)
add(
    "a data window outside the display window",
    one(rgba(), depth(), header={"dataWindow": _AWAY}),
    guessed("lies outside its display window"),
)
