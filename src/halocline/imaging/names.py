"""Words in the names of layers and channels, and what they say.

Programs write names as they like: ``WorldNormal``, ``world_normal``, ``N``. They are read by whole words,
split at signs, digits and capitals (``OrangeTruck`` has the words orange and truck, and no range in it). What
the words mean is common practice, no source.
"""

from __future__ import annotations

import re
from typing import Literal

Hint = Literal["range", "inverse", "normalised", "mist"]

# The main picture, by the last piece of its layer's name, in the order in which they are preferred; nothing
# at all is the layer of bare names.
BEAUTY_NAMES = (
    ("", "rgba", "rgb"),
    ("beauty",),
    ("combined",),
    ("composite",),
    ("c", "ci"),
    ("main",),
)
ALPHA_NAMES = ("a", "alpha", "opacity", "coverage")
# What has three channels and is no picture. One letter counts only where it is the whole name.
_UTILITIES = frozenset(
    [
        "n",
        "ng",
        "nn",
        "ns",
        "normal",
        "normals",
        "worldnormal",
        "p",
        "point",
        "points",
        "pos",
        "position",
        "positions",
        "worldposition",
        "pref",
        "pworld",
        "po",
        "uv",
        "uvs",
        "uvw",
        "st",
        "stmap",
        "texcoord",
        "texcoords",
        "tangent",
        "tangents",
        "motion",
        "motionvector",
        "motionvectors",
        "mv",
        "velocity",
        "vector",
        "vectors",
        "flow",
        "opticalflow",
        "speed",
        "albedo",
        "basecolor",
        "basecolour",
        "crypto",
        "cryptomatte",
        "cryptoobject",
        "cryptomaterial",
        "cryptoasset",
        "id",
        "ids",
        "objectid",
        "objectids",
        "materialid",
        "materialids",
        "index",
        "indexob",
        "indexma",
        "matte",
        "mattes",
        "mask",
        "masks",
        "alpha",
        "opacity",
        "coverage",
        "z",
        "depth",
        "zdepth",
        "distance",
        "disparity",
        "mist",
        "variance",
        "noise",
        "samplecount",
        "wireframe",
        "curvature",
        "facing",
        "preview",
        "thumbnail",
        "proxy",
    ]
)
_DEPTHS = frozenset({"z", "depth", "zdepth", "depthz", "zbuffer", "range", "distance", "disparity"})
# What may stand beside a word for depth without making it the depth of something else.
_BESIDE_DEPTH = frozenset(
    [
        "camera",
        "cam",
        "linear",
        "raw",
        "planar",
        "perpendicular",
        "orthogonal",
        "pass",
        "aov",
        "to",
        "from",
        "ray",
        "radial",
        "euclidean",
        "negative",
        "inverse",
        "inv",
        "reciprocal",
        "normalised",
        "normalized",
        "norm",
    ]
)
_HINTS: dict[Hint, frozenset[str]] = {
    "inverse": frozenset({"inverse", "inv", "invz", "disparity", "reciprocal"}),
    "range": frozenset({"range", "distance", "ray", "radial", "euclidean"}),
    "normalised": frozenset({"normalised", "normalized", "norm"}),
    "mist": frozenset({"mist"}),
}
_WORD = re.compile(r"[A-Z]+(?![a-z])|[A-Z]?[^\WA-Z\d_]+|\d+")


def words(name: str) -> tuple[str, ...]:
    """Return a name's words in small letters.

    Examples
    --------
    >>> words("OrangeTruck"), words("world_normal"), words("CryptoObject00"), words("ZDepth")
    (('orange', 'truck'), ('world', 'normal'), ('crypto', 'object', '00'), ('z', 'depth'))
    """
    return tuple(word.lower() for word in _WORD.findall(name))


def beauty_rank(piece: str) -> int | None:
    """Return the place of a layer's last piece among the usual names of the main picture, or None."""
    small = piece.lower()
    return next((rank for rank, names in enumerate(BEAUTY_NAMES) if small in names), None)


def is_utility(piece: str) -> bool:
    """Tell whether a layer's last piece names data rather than light."""
    found = [word for word in words(piece) if not word.isdigit()]
    if len(found) == 1 or "".join(found) in _UTILITIES:
        return "".join(found) in _UTILITIES
    return any(word in _UTILITIES for word in found if len(word) > 1)


def is_depth(piece: str) -> bool:
    """Tell whether a name is that of a depth pass by all of its words: ``Z``, ``zdepth``, ``RayDistance``."""
    found = {word for word in words(piece) if not word.isdigit()}
    return bool(found & _DEPTHS) and found <= _DEPTHS | _BESIDE_DEPTH


def is_some_depth(piece: str) -> bool:
    """Tell whether a name is that of depth of some special sort: ``depth_filtered``, ``Denoising Depth``."""
    return bool({"depth", "zdepth", "disparity"} & set(words(piece)))


def is_mist(piece: str) -> bool:
    """Tell whether a name is that of a mist pass: a share that grows with depth, not depth itself."""
    return "mist" in words(piece)


def depth_hint(name: str) -> Hint | None:
    """Return what the words of a depth pass's own name say of its kind, or None.

    The channel's name speaks, and its layer's where that is a name for depth: ``Ray.Z`` may be a person's.

    Examples
    --------
    >>> depth_hint("depth.range"), depth_hint("RayDepth.V"), depth_hint("Gray.Depth.Z"), depth_hint("Ray.Z")
    ('range', 'range', None, None)
    """
    *layers, component = name.split(".")
    said = [component, *(piece for piece in layers[-1:] if _speaks_of_depth(piece))]
    # "Ray" beside a word that is none of depth's is part of some other name.
    found = {
        word
        for piece in said
        for word in words(piece)
        if word != "ray" or set(words(piece)) <= _DEPTHS | _BESIDE_DEPTH
    }
    return next((hint for hint, telling in _HINTS.items() if found & telling), None)


def _speaks_of_depth(piece: str) -> bool:
    plain = {"inverse", "reciprocal", "normalised", "normalized"}
    return is_depth(piece) or is_some_depth(piece) or is_mist(piece) or set(words(piece)) <= plain
