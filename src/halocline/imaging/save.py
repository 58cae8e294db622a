"""Writing a processed frame back as its input came: same channels, types, compression, parts, metadata."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Mapping
from dataclasses import field, replace
from itertools import chain
from pathlib import Path

import numpy as np

from halocline._typing import F32, AnyArray
from halocline.errors import ChannelError, FrameError, WriteError, did_you_mean
from halocline.imaging.channel_plan import BeautyChannels
from halocline.imaging.channels import views_of
from halocline.imaging.compression import FALLBACK, name_of
from halocline.imaging.deep import Samples
from halocline.imaging.deep_file import DeepPixels, write_deep
from halocline.imaging.exr import Attribute, Header, Part, read_native
from halocline.imaging.exr_write import (
    PartPixels,
    PlaneByRows,
    RowsTogether,
    WriteRecord,
    can_write,
    write_exr,
)
from halocline.imaging.frame import Window
from halocline.imaging.glows import COVER
from halocline.imaging.load import Template
from halocline.imaging.names import beauty_rank, depth_hint
from halocline.imaging.passes import WRITTEN_LAYER, is_depth_channel
from halocline.late_dataclass import dataclass

AttributeValue = str | int | float | Attribute
# Where the file's own name for an attribute is not OpenImageIO's.
_NAMES_IN_FILES = {
    "ImageDescription": "comments",
    "Copyright": "owner",
    "DateTime": "capDate",
    "smpte:TimeCode": "timeCode",
    "smpte:KeyCode": "keyCode",
    "oiio:ColorSpace": "colorInteropID",
}
# Component names by number of channels, as OpenEXR's conventions have them.
_COMPONENTS = {1: "Y", 2: "XY", 3: "RGB", 4: "RGBA"}


@dataclass(frozen=True)
class Picture:
    """What is written for one view.

    Attributes
    ----------
    rgb, alpha
        ``(3, rows, columns)``, premultiplied, and ``(rows, columns)``, over the template's window.
    layers
        Further layers by name, ``(rows, columns)`` or ``(2 to 4, rows, columns)``: channels ``NAME.Y``,
        ``NAME.X`` and ``.Y``, ``NAME.R`` and so on. A name with a dot in it is one channel, as it stands.
    float_layers
        Names of layers written as 32-bit float; the others are half.
    """

    rgb: F32
    alpha: F32
    layers: Mapping[str, F32] = field(default_factory=dict)
    float_layers: Collection[str] = ()


@dataclass(frozen=True)
class PictureByRows:
    """What is written for one view, made some rows at a time as they are written.

    Attributes
    ----------
    shape
        Rows and columns of the template's window.
    rows
        Returns the picture over the rows from and to (not included). It may be asked for rows twice.
    """

    shape: tuple[int, int]
    rows: Callable[[int, int], Picture]


@dataclass(frozen=True)
class DeepRowsWritten:
    """Some rows of a deep picture.

    Attributes
    ----------
    samples
        The samples; their passes are layers, named as those of `Picture`.
    float_layers
        As those of `Picture`.
    """

    samples: Samples
    float_layers: Collection[str] = ()


@dataclass(frozen=True)
class DeepByRows:
    """What is written for one view where the file is to be deep.

    Attributes
    ----------
    shape
        Rows and columns of the template's window.
    rows
        The rows of that window from the first to the last, some at a time.
    """

    shape: tuple[int, int]
    rows: Iterable[DeepRowsWritten]


@dataclass(frozen=True)
class FileForm:
    """How a frame is put into a file; whatever is left out is as the input has it.

    Attributes
    ----------
    compression
        Of every part; where the input's own cannot be written, zip.
    data_type
        Pixel type of the beauty's channels, ``half`` or ``float``.
    """

    compression: str | None = None
    data_type: str | None = None

    def compression_of(self, part: Part) -> str:
        """Return the compression that a part is written with."""
        if self.compression is not None:
            return self.compression
        return part.compression if can_write(name_of(part.compression)) else FALLBACK


def save(
    path: str | Path,
    template: Template,
    pictures: Mapping[str, Picture | PictureByRows | DeepByRows],
    *,
    attributes: Mapping[str, AttributeValue] | None = None,
    carry: Collection[str] | str = (),
    form: FileForm | None = None,
    numbers: bool = False,
    overwrite: bool = False,
    check_all_rows: bool = False,
) -> WriteRecord:
    """Write a frame: the beauty's channels and metadata as they came, over the union of its windows.

    Parameters
    ----------
    path
        The file; never one of the inputs.
    template
        From `halocline.imaging.load.load`.
    pictures
        What to write by view name.
    attributes
        Further metadata for every part written; it wins over what the input has.
    carry
        Names (without the view) of other channels to bring over from the beauty's file, unchanged to the bit,
        for all views; ``"all"`` for all of them. Where the file's data window was smaller, 0 is added around
        (depth by its name: infinity, 1 where it is normalised, 0 where it is 1/Z).
    form
        Compression and pixel type; as they came where not given.
    numbers
        Whether each value of the beauty and of its alpha must be a number.
    overwrite, check_all_rows
        See `halocline.imaging.exr_write.write_exr`.

    Returns
    -------
    WriteRecord
        The file, its size, and how many values had to be clamped.

    Raises
    ------
    WriteError
        ``E-WRITE-INPUT`` where the path is one of the inputs; others as `write_exr`.
    ChannelError
        ``E-CHANNEL-MISSING`` where a channel to carry is not there.
    FrameError
        ``E-FRAME-VIEWS`` or ``E-FRAME-PLANE`` where pictures do not fit the template.
    ReadError
        ``E-READ-CHANGED`` where the file that channels are carried over from is another by now.
    """
    path = Path(path)
    _refuse_inputs(path, template)
    _check_pictures(template, pictures)
    carried = carried_channels(template, carry)
    form = form or FileForm()
    extra = {name: _attribute(value) for name, value in (attributes or {}).items()}
    layer = template.beauties[0].layer
    if beauty_rank(layer.rpartition(".")[2]) is None:
        # Beside other layers its name would not tell that it is the picture.
        extra[WRITTEN_LAYER] = Attribute("string", layer)
    deep = {view: picture for view, picture in pictures.items() if isinstance(picture, DeepByRows)}
    if deep:
        return _save_deep(path, template, deep, extra, form, numbers=numbers, overwrite=overwrite)
    flat = {view: picture for view, picture in pictures.items() if not isinstance(picture, DeepByRows)}
    parts = []
    for part in template.parts:
        beauties = [
            beauty for beauty in template.beauties if any(place.part == part.index for place in beauty.places)
        ]
        names = [name for index, name in carried if index == part.index]
        if beauties or names:
            parts += _part_pixels(template, part, beauties, flat, names, form.data_type)
    if carried:
        # What came of the file now and what came of it before must be of one picture.
        template.before.refuse_changed()
    held = [place for beauty in template.beauties for place in beauty.places] if numbers else []
    numbered = [
        PartPixels(
            _described(each.part, index, extra, form),
            each.planes,
            frozenset(place.name for place in held if place.part == each.part.index),
        )
        for index, each in enumerate(parts)
    ]
    return write_exr(path, numbered, overwrite=overwrite, check_all_rows=check_all_rows)


def _save_deep(
    path: Path,
    template: Template,
    pictures: Mapping[str, DeepByRows],
    extra: Mapping[str, Attribute],
    form: FileForm,
    *,
    numbers: bool,
    overwrite: bool,
) -> WriteRecord:
    """Write each view's samples as a deep part like the one it came in."""
    parts = []
    for index, beauty in enumerate(template.beauties):
        part = template.parts[beauty.part]
        rows = iter(pictures[beauty.view].rows)
        # The first rows tell what layers there are.
        first = next(rows)
        kinds = dict.fromkeys(_deep_channels(part, beauty, first.samples), "half")
        stem = _stem(beauty)
        kinds |= {name: form.data_type or part.channels[name] for name in _own_channels(beauty)}
        kinds |= dict.fromkeys(_depths(part, stem), "float")
        for layer in first.float_layers:
            own = _layer_channels(layer, _spelling(part, beauty), first.samples.passes[layer][..., None, :])
            kinds |= dict.fromkeys(own, "float")
        described = _described(replace(part, channels=kinds, data_window=template.window), index, extra, form)
        bands = (
            (each.samples.counts, _deep_channels(part, beauty, each.samples)) for each in chain([first], rows)
        )
        parts.append(DeepPixels(described, bands, frozenset(_own_channels(beauty) if numbers else ())))
    return write_deep(path, parts, overwrite=overwrite)


def _stem(beauty: BeautyChannels) -> str:
    return beauty.colours[0].name.rpartition(".")[0]


def _own_channels(beauty: BeautyChannels) -> list[str]:
    assert beauty.alpha is not None
    return [place.name for place in (*beauty.colours, beauty.alpha)]


def _depths(part: Part, stem: str) -> tuple[str, str]:
    """Return the names of where samples begin and end."""
    depth = f"{stem}.Z" if f"{stem}.Z" in part.channels else "Z"
    return depth, f"{depth}Back"


def _deep_channels(part: Part, beauty: BeautyChannels, samples: Samples) -> dict[str, F32]:
    """Return the values of each channel of some samples, by its name."""
    front, back = _depths(part, _stem(beauty))
    values = dict(zip(_own_channels(beauty), (*samples.rgb, samples.alpha), strict=True))
    values |= {front: samples.front, back: samples.back}
    for layer, plane in samples.passes.items():
        own = _layer_channels(layer, _spelling(part, beauty), plane[..., None, :])
        values |= {name: row[0] for name, row in own.items()}
    return values


def carried_channels(template: Template, carry: Collection[str] | str) -> list[tuple[int, str]]:
    """Return part and name of each channel to bring over, as `save` takes them.

    Parameters
    ----------
    template
        From `halocline.imaging.load.load`.
    carry
        Names of channels or layers without the view, or ``"all"``.

    Returns
    -------
    list[tuple[int, str]]
        Number of the part and full name, each once.

    Raises
    ------
    ChannelError
        ``E-CHANNEL-MISSING`` where one of them is not there.
    """
    replaced = {(place.part, place.name) for beauty in template.beauties for place in beauty.places}
    views = views_of(Header(template.source, template.parts))
    others = [
        channel
        for view in views
        for channel in view.channels
        if not channel.part.deep and (channel.part.index, channel.name) not in replaced
    ]
    places = {(channel.part.index, channel.name): channel for channel in others}
    if carry == "all":
        return list(places)
    chosen: dict[tuple[int, str], None] = {}
    for name in [carry] if isinstance(carry, str) else carry:
        # "Z" is the depth's, not the third component of the normal in a part called N.
        named = [(each.part.index, each.name) for view in views for each in view.named(name)]
        found = [place for place in named if place in places]
        if not found:
            known = [channel.logical for channel in others]
            raise ChannelError(
                f'no channel "{name}" to carry over (output.carry)',
                code="E-CHANNEL-MISSING",
                where=str(template.source),
                fix=f"Besides the beauty it has: {', '.join(known) or 'none'}.{did_you_mean(name, known)}",
            )
        chosen |= dict.fromkeys(found)
    return list(chosen)


def _refuse_inputs(path: Path, template: Template) -> None:
    for source in template.inputs:
        if path.exists() and source.exists() and path.samefile(source):
            raise WriteError(
                "is one of the inputs, which are never written over",
                code="E-WRITE-INPUT",
                where=str(path),
                fix="Give another folder or name with --out.",
            )


def _check_pictures(template: Template, pictures: Mapping[str, Picture | PictureByRows | DeepByRows]) -> None:
    views = {beauty.view for beauty in template.beauties}
    if set(pictures) != views:
        raise FrameError(
            f"pictures are given for the views {sorted(pictures)}, the input has {sorted(views)}",
            code="E-FRAME-VIEWS",
            where=str(template.source),
            fix="Give one picture for each view.",
        )
    for view, picture in pictures.items():
        if not isinstance(picture, Picture):
            continue
        planes = {"rgb": picture.rgb, "alpha": picture.alpha, **picture.layers}
        for name, plane in planes.items():
            if plane.shape[-2:] != template.window.shape:
                raise FrameError(
                    f"it is {plane.shape[-1]} x {plane.shape[-2]} pixels, the frame's window "
                    f"{template.window.width} x {template.window.height}",
                    code="E-FRAME-PLANE",
                    where=f'plane "{name}"' + (f' of view "{view}"' if view else ""),
                    fix="Give all planes over the window of the loaded frame.",
                )


def _described(part: Part, index: int, extra: Mapping[str, Attribute], form: FileForm) -> Part:
    written = {_NAMES_IN_FILES.get(name, name) for name in extra}
    return replace(
        part,
        index=index,
        compression=form.compression_of(part),
        attributes={**part.attributes, **extra},
        raw={name: entry for name, entry in part.raw.items() if name not in written},
    )


def _attribute(value: AttributeValue) -> Attribute:
    if isinstance(value, Attribute):
        return value
    kind = {str: "string", int: "int", float: "float"}[type(value)]
    return Attribute(kind, value)


def _part_pixels(
    template: Template,
    part: Part,
    beauties: list[BeautyChannels],
    pictures: Mapping[str, Picture | PictureByRows],
    carried: list[str],
    data_type: str | None,
) -> list[PartPixels]:
    """Build what is written for a part of the input: one part, or two where whole numbers are carried."""
    # A part without beauty keeps its own window: its pixels are not ours to widen.
    window = template.window if beauties else part.data_window
    new: dict[str, AnyArray | PlaneByRows] = {}
    types: dict[str, str] = {}
    for beauty in beauties:
        picture = pictures[beauty.view]
        if isinstance(picture, Picture):
            whole, kinds = _view_channels(template, part, beauty, picture, data_type)
            new |= whole
        else:
            by_rows, kinds = _channels_by_rows(template, part, beauty, picture, data_type)
            new |= by_rows
        types |= kinds
    old = read_native(template.source, part, carried) if carried else {}
    ids = {name: plane for name, plane in old.items() if plane.dtype == np.uint32}
    fills = _fills(template, part) if window != part.data_window else {}
    for name in old.keys() - ids.keys():
        new[name] = _over(window, part.data_window, old[name], fills.get(name, 0.0))
    ordered = {
        name: types.get(name, part.channels.get(name, "half"))
        for name in [*part.channels, *types]
        if name in new
    }
    written = [PartPixels(replace(part, channels=ordered, data_window=window), new)] if ordered else []
    if ids:
        # One part cannot hold whole numbers beside others without loss.
        name = f"{part.name or 'beauty'}.ids" if ordered else part.name
        described = replace(part, name=name, channels=dict.fromkeys(ids, "uint"))
        written.append(PartPixels(described, ids))
    return written


def _view_channels(
    template: Template, part: Part, beauty: BeautyChannels, picture: Picture, data_type: str | None
) -> tuple[dict[str, AnyArray], dict[str, str]]:
    rgb = picture.rgb if template.premultiplied else _unpremultiplied(picture.rgb, picture.alpha)
    # What covered nothing on the way in covers nothing on the way out.
    cover = picture.alpha
    if not cover.min(initial=np.inf) > COVER:
        cover = np.where(cover <= COVER, np.float32(0.0), cover)
    alphas = [] if beauty.alpha is None else [cover]
    planes: dict[str, AnyArray] = {
        place.name: plane
        for place, plane in zip(beauty.places, [*rgb, *alphas], strict=True)
        if place.part == part.index
    }
    types = {name: data_type or part.channels[name] for name in planes}
    spelt = _spelling(part, beauty)
    # Layers stand beside red; alpha may have a part of its own.
    for layer, values in picture.layers.items() if part.index == beauty.part else ():
        kind = "float" if layer in picture.float_layers else "half"
        for name, plane in _layer_channels(layer, spelt, values).items():
            planes[name] = plane
            types[name] = kind
    return planes, types


def _channels_by_rows(
    template: Template, part: Part, beauty: BeautyChannels, picture: PictureByRows, data_type: str | None
) -> tuple[dict[str, PlaneByRows], dict[str, str]]:
    """Return channels that are made as they are written, all of the same rows at once."""

    def channels(start: int, stop: int) -> Mapping[str, AnyArray]:
        return _view_channels(template, part, beauty, picture.rows(start, stop), data_type)[0]

    # The first row tells what there is.
    _, types = _view_channels(template, part, beauty, picture.rows(0, 1), data_type)
    together = RowsTogether(channels)
    return {name: PlaneByRows(name, together) for name in types}, types


def _spelling(part: Part, beauty: BeautyChannels) -> str:
    """Return what stands before a layer's component: in one part for several views, the view."""
    return f"{beauty.view}." if not part.view and _is_spelt(beauty) else ""


def _is_spelt(beauty: BeautyChannels) -> bool:
    return bool(beauty.view) and f"{beauty.view}." in beauty.colours[0].name


def _layer_channels(layer: str, view: str, values: F32) -> dict[str, F32]:
    if values.ndim == 2 and "." in layer:
        stem, _, component = layer.rpartition(".")
        return {f"{stem}.{view}{component}": values}
    stack = values[None] if values.ndim == 2 else values
    components = _COMPONENTS.get(len(stack))
    if components is None:
        raise FrameError(
            f"a layer of {len(stack)} channels has no names for them",
            code="E-FRAME-PLANE",
            where=f'layer "{layer}"',
            fix="Give layers of 1 to 4 channels.",
        )
    return {f"{layer}.{view}{name}": plane for name, plane in zip(components, stack, strict=True)}


def _unpremultiplied(rgb: F32, alpha: F32) -> F32:
    return np.divide(rgb, alpha, out=rgb.copy(), where=alpha > 0)


def _over(window: Window, inner: Window, plane: AnyArray, fill: float) -> AnyArray:
    """Return a carried plane over a larger window."""
    if window == inner:
        return plane
    wide = np.full(window.shape, fill, plane.dtype)
    wide[window.slices_of(inner)] = plane
    return wide


def _fills(template: Template, part: Part) -> dict[str, float]:
    """Return what stands for open water in a part's depth channels, whatever they are called."""
    ends = {"inverse": 0.0, "normalised": 1.0, "mist": 1.0}
    return {
        channel.name: ends.get(depth_hint(channel.logical) or "", np.inf)
        for view in views_of(Header(template.source, template.parts))
        for channel in view.channels
        if channel.part.index == part.index and is_depth_channel(view, channel)
    }
