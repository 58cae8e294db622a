"""Writing a frame's passes as OpenEXR: one part, or beauty, depth and data as parts of their own."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import OpenImageIO as oiio
from numpy.typing import NDArray
from scene.camera import FILM_HEIGHT_MM, FILM_WIDTH_MM, FOCAL_LENGTH_MM, FRAMES_PER_SECOND, Camera

F32 = NDArray[np.float32]

# Bits of mantissa that are kept. Noise-free digits below what the picture can show would triple the files.
BEAUTY_BITS = 7
BEAUTY_FINEST = 2.0**-11
DEPTH_BITS = 12
NORMAL_STEPS = 64
# Positions are rounded to the largest power of two below this share of their depth: with this lens they still
# project back to about 0.1 pixel at worst, 0.03 as a rule.
POSITION_SHARE = 1 / 7200
# Rec.709 primaries and D65, x and y each: red, green, blue, white.
CHROMATICITIES = (0.64, 0.33, 0.30, 0.60, 0.15, 0.06, 0.3127, 0.3290)
# Lossless for halves, and for floats that are rounded to no more than 15 bits of mantissa, as these are.
COMPRESSION = {"": "pxr24", "beauty": "zip", "depth": "pxr24", "data": "pxr24"}


@dataclass(frozen=True)
class Part:
    """Channels that go into one part: `names`, `planes` ``(channels, rows, columns)``, pixel type of each."""

    name: str
    names: tuple[str, ...]
    planes: F32
    types: tuple[str, ...]


def rounded(values: F32, bits: int, finest: float = 0.0) -> F32:
    """Round to `bits` binary digits after the leading one, but no finer than `finest`; infinities stay."""
    exponent = np.frexp(values)[1]
    step = np.maximum(np.ldexp(np.float32(1), exponent - 1 - bits), np.float32(finest))
    rounded: F32 = (np.round(values / step) * step).astype(np.float32)
    return rounded


def _rounded_position(position: F32, depth: F32) -> F32:
    """Round positions ``(3, rows, columns)`` to a share of their depth."""
    finite = np.where(np.isfinite(depth), depth, 1)
    step = np.exp2(np.floor(np.log2(finite * POSITION_SHARE)))
    rounded: F32 = (np.round(position / step) * step).astype(np.float32)
    return rounded


def parts_of(
    *, beauty: F32, alpha: F32, arch: F32, depth: F32, normal: F32, position: F32
) -> tuple[Part, Part, Part]:
    """Round a frame's passes and name their channels. Colour and vectors are ``(rows, columns, 3)``."""
    unit = normal / np.maximum(np.linalg.norm(normal, axis=2, keepdims=True), 1e-6)
    unit = np.round(unit * NORMAL_STEPS) / NORMAL_STEPS
    place = _rounded_position(position.transpose(2, 0, 1), depth)
    colour = np.concatenate([rounded(beauty, BEAUTY_BITS, BEAUTY_FINEST).transpose(2, 0, 1), alpha[None]])
    data = np.concatenate([unit.transpose(2, 0, 1), place, arch[None]])
    names = ("N.X", "N.Y", "N.Z", "P.X", "P.Y", "P.Z", "matte.arch")
    return (
        Part("beauty", ("R", "G", "B", "A"), colour, ("half",) * 4),
        Part("depth", ("Z",), rounded(depth, DEPTH_BITS)[None], ("float",)),
        Part("data", names, data.astype(np.float32), ("half",) * 3 + ("float",) * 3 + ("half",)),
    )


def _joined(parts: tuple[Part, ...]) -> Part:
    """Return the parts' channels as one part."""
    return Part(
        "",
        sum((part.names for part in parts), ()),
        np.concatenate([part.planes for part in parts]),
        sum((part.types for part in parts), ()),
    )


def _specification(part: Part, camera: Camera, frame: int) -> oiio.ImageSpec:
    """Return the header of one part."""
    rows, columns = part.planes.shape[1:]
    spec = oiio.ImageSpec(columns, rows, len(part.names), "float" if "float" in part.types else "half")
    spec.channelnames = part.names
    spec.channelformats = part.types
    spec.attribute("compression", COMPRESSION[part.name])
    spec.attribute("PixelAspectRatio", 1.0)
    spec.attribute("screenWindowWidth", FILM_WIDTH_MM / FOCAL_LENGTH_MM)
    spec.attribute("screenWindowCenter", oiio.TypeDesc("vector2"), (0.0, 0.0))
    spec.attribute("chromaticities", oiio.TypeDesc("float[8]"), CHROMATICITIES)
    spec.attribute("framesPerSecond", oiio.TypeRational, (FRAMES_PER_SECOND, 1))
    spec.attribute("imageCounter", frame)
    spec.attribute("worldToCamera", oiio.TypeMatrix, tuple(camera.world_to_camera().ravel().astype(float)))
    spec.attribute("worldToNDC", oiio.TypeMatrix, tuple(camera.world_to_ndc().ravel().astype(float)))
    spec.attribute("pinholeFocalLength", FOCAL_LENGTH_MM)
    spec.attribute("nominalFocalLength", FOCAL_LENGTH_MM)
    spec.attribute("sensorOverallDimensions", oiio.TypeDesc("vector2"), (FILM_WIDTH_MM, FILM_HEIGHT_MM))
    # A fixed date: the same scene gives the same file.
    spec.attribute("DateTime", "2026:01:01 00:00:00")
    if part.name:
        spec.attribute("oiio:subimagename", part.name)
    return spec


def write(
    path: Path, parts: tuple[Part, ...], camera: Camera, frame: int, *, multipart: bool = False
) -> None:
    """Write a frame under a temporary name and rename it once it reads back equal.

    Raises
    ------
    OSError
        When the file cannot be written, or does not read back as written.
    """
    if not multipart:
        parts = (_joined(parts),)
    path.parent.mkdir(parents=True, exist_ok=True)
    unfinished = path.with_name(f".{path.name}.tmp")
    specs = [_specification(part, camera, frame) for part in parts]
    output = oiio.ImageOutput.create("exr")
    if output is None:
        raise OSError(f"{path}: this OpenImageIO cannot write EXR: {oiio.geterror()}")
    opened = output.open(str(unfinished), specs if multipart else specs[0])
    for index, (spec, part) in enumerate(zip(specs, parts, strict=True)):
        if index:
            opened = opened and output.open(str(unfinished), spec, "AppendSubimage")
        pixels = np.ascontiguousarray(part.planes.transpose(1, 2, 0))
        opened = opened and output.write_image(pixels)
    if not (output.close() and opened):
        raise OSError(f"{path}: {output.geterror()}")
    for index, part in enumerate(parts):
        _check(unfinished, index, part)
    unfinished.replace(path)


def _check(path: Path, index: int, part: Part) -> None:
    """Compare one part of a file with what was to be written."""
    source = oiio.ImageInput.open(str(path))
    if source is None or not source.seek_subimage(index, 0):
        raise OSError(f"{path}: part {index} is missing: {oiio.geterror()}")
    names = source.spec().channelnames
    pixels = source.read_image(index, 0, 0, len(names), "float")
    source.close()
    for name, kind, plane in zip(part.names, part.types, part.planes, strict=True):
        wanted = plane.astype(np.float16).astype(np.float32) if kind == "half" else plane
        if pixels is None or not np.array_equal(pixels[..., names.index(name)], wanted):
            raise OSError(f"{path}: channel {name} does not read back as written")
