"""Mattes by the names of things: ids and coverages as the open Cryptomatte specification has them.

A renderer writes, for every pixel, the few things that cover most of it: pairs of an id and a coverage, two
pairs to a layer (``NAME00``, ``NAME01``, ...), the largest first. An id is the hash of a thing's name, kept
as the bits of a 32-bit float, and the file's metadata may hold a manifest of names and hashes. The matte of a
thing is the sum of the coverages that stand beside its id.

Source: the open Cryptomatte specification, version 1.2 (friedman2015; from memory): ids, ranks, metadata,
manifests. Hash: MurmurHash3_x86_32 (public domain), checked against the package mmh3.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Mapping
from fnmatch import fnmatchcase
from functools import lru_cache
from pathlib import Path

import numpy as np

from halocline._typing import F32
from halocline.errors import ChannelError, did_you_mean
from halocline.files.regular import read_text
from halocline.imaging.channels import Channel, ViewChannels
from halocline.imaging.exr import Part
from halocline.late_dataclass import dataclass

# A manifest in a file of its own is no larger than a header may be.
LARGEST_MANIFEST_BYTES = 1 << 26
_WORD = 0xFFFFFFFF
_ID, _COVERAGE = (("r", "red"), ("b", "blue")), (("g", "green"), ("a", "alpha"))


def name_hash(name: str, seed: int = 0) -> int:
    """Return MurmurHash3_x86_32 of a name's UTF-8 bytes.

    Parameters
    ----------
    name
        Any text.
    seed
        32 bits; 0 for ids.

    Returns
    -------
    int
        32 bits.

    Examples
    --------
    >>> hex(name_hash("hello"))
    '0x248bfa47'
    """
    data = name.encode()
    whole = len(data) // 4 * 4
    state = seed
    for first in range(0, whole, 4):
        state ^= _mixed(int.from_bytes(data[first : first + 4], "little"))
        state = (_rotated(state, 13) * 5 + 0xE6546B64) & _WORD
    state ^= _mixed(int.from_bytes(data[whole:], "little"))
    state ^= len(data)
    state = ((state ^ state >> 16) * 0x85EBCA6B) & _WORD
    state = ((state ^ state >> 13) * 0xC2B2AE35) & _WORD
    return state ^ state >> 16


def id_bits(hashed: int) -> int:
    """Return the bits of the float that stands for a hash: one that is neither subnormal nor inf nor NaN.

    Parameters
    ----------
    hashed
        32 bits.

    Returns
    -------
    int
        The same bits, the lowest of the exponent turned where all of it are 0, or all 1.
    """
    return hashed ^ (1 << 23) if hashed >> 23 & 0xFF in (0, 0xFF) else hashed


@dataclass(frozen=True)
class IdLayer:
    """One set of ids: of objects, of materials.

    Attributes
    ----------
    name
        What the file calls it.
    channels
        Id and coverage by turns, the largest coverage first.
    names
        Bits of the ids by the names of things; empty without a manifest.
    """

    name: str
    channels: tuple[Channel, ...]
    names: Mapping[str, int]


@dataclass(frozen=True)
class IdMatte:
    """A matte by name: the channels that it is found in, and the ids of its things."""

    channels: tuple[Channel, ...]
    ids: frozenset[int]

    def coverage(self, planes: F32) -> F32:
        """Return the matte.

        Parameters
        ----------
        planes
            Ids and coverages by turns, ``(channels, rows, columns)``.

        Returns
        -------
        F32
            ``(rows, columns)``, 0 to 1.
        """
        wanted = np.array(sorted(self.ids), np.uint32)
        matte = np.zeros(planes.shape[1:], np.float32)
        for rank in range(0, len(planes) - 1, 2):
            bits = np.ascontiguousarray(planes[rank]).view(np.uint32)
            there = bits == wanted[0] if wanted.size == 1 else np.isin(bits, wanted)
            np.add(matte, planes[rank + 1], out=matte, where=there)
        return matte


def find_id_matte(view: ViewChannels, name: str, key: str) -> IdMatte | None:
    """Return the matte of the things that a name means; None where no set of ids knows it.

    Parameters
    ----------
    view
        Where to look.
    name
        Name of a thing as the manifest has it, case if it must; with ``*`` or ``?``, all that match, as one
        matte. ``LAYER:NAME`` looks in one set of ids alone, and finds its things without a manifest too.
    key
        Preset key that says the name, for the message.

    Returns
    -------
    IdMatte | None
        Channels to read, and ids.

    Raises
    ------
    ChannelError
        ``E-CHANNEL-AMBIGUOUS`` where several sets of ids know the name, ``E-CHANNEL-IDS`` where they are
        stored in fewer than 32 bits.
    """
    layers = id_layers(view)
    stated = [each for each in layers if name.startswith(f"{each.name}:")]
    found: list[tuple[IdLayer, frozenset[int]]] = []
    for layer in stated or layers:
        thing = name.removeprefix(f"{layer.name}:") if stated else name
        ids = _ids_of(layer, thing, hashed=bool(stated))
        if ids:
            found.append((layer, ids))
    if len(found) > 1:
        raise view.ambiguous(
            f'several sets of ids know "{name}"', key, [f"{layer.name}:{name}" for layer, _ in found]
        )
    if not found:
        return None
    layer, ids = found[0]
    for channel in layer.channels:
        if channel.part.channels[channel.name] != "float":
            raise ChannelError(
                f'the ids of "{layer.name}" are stored as {channel.part.channels[channel.name]}, which keeps '
                "too few of their bits",
                code="E-CHANNEL-IDS",
                where=view.place,
                fix="Render them as 32-bit float, and do not convert or filter them.",
            )
    return IdMatte(layer.channels, ids)


def names_told(view: ViewChannels, name: str) -> str:
    """Return what can be asked for by name, for a message; empty where the file has no ids."""
    layers = [layer for layer in id_layers(view) if layer.names]
    known = sorted({thing for layer in layers for thing in layer.names})
    if not known:
        return ""
    more = f" and {len(known) - 12} more" if len(known) > 12 else ""
    return f"Names of its ids: {', '.join(known[:12])}{more}.{did_you_mean(name, known)}"


def id_layers(view: ViewChannels) -> list[IdLayer]:
    """Return the sets of ids that a view has channels and metadata of.

    Parameters
    ----------
    view
        Where to look.

    Returns
    -------
    list[IdLayer]
        In the order of their names.
    """
    parts = {channel.part.index: channel.part for channel in view.channels}
    found: dict[str, IdLayer] = {}
    for part in parts.values():
        for key, name in coded_layers(part).items():
            channels = _ranks(view, name)
            if channels and name not in found:
                found[name] = IdLayer(name, channels, _manifest(part, key, view.where))
    return [found[name] for name in sorted(found)]


def coded_layers(part: Part) -> dict[str, str]:
    """Return the names of sets of ids by their key in a part's metadata."""
    return {
        name.split("/")[1]: str(entry.value)
        for name, entry in part.attributes.items()
        if name.startswith("cryptomatte/") and name.endswith("/name")
    }


def is_rank_of(layer: str, name: str) -> bool:
    """Tell whether a layer holds ids and coverages, or the preview, of a set of ids called so."""
    plain = re.sub(r"\d+$", "", layer)
    return plain == name or plain.endswith(f".{name}")


def _ids_of(layer: IdLayer, thing: str, *, hashed: bool) -> frozenset[int]:
    for fold in (str, str.lower):
        asked = fold(thing)
        known = {name: bits for name, bits in layer.names.items() if fnmatchcase(fold(name), asked)}
        exact = {bits for name, bits in layer.names.items() if fold(name) == asked}
        if exact or known:
            return frozenset(exact or known.values())
    # Names that no manifest tells of can still be hashed.
    return frozenset({id_bits(name_hash(thing))}) if hashed and not layer.names else frozenset()


def _ranks(view: ViewChannels, name: str) -> tuple[Channel, ...]:
    """Return the channels of a set of ids, rank by rank."""
    numbered: dict[int, Mapping[str, Channel]] = {}
    for path, components in view.layers.items():
        text = ".".join(path)
        number = re.search(r"\d+$", text)
        if number is not None and is_rank_of(text, name):
            numbered[int(number[0])] = components
    channels: list[Channel] = []
    for _, components in sorted(numbered.items()):
        for pair in zip(_ID, _COVERAGE, strict=True):
            both = [next((components[each] for each in names if each in components), None) for names in pair]
            if both[0] is None or both[1] is None:
                return tuple(channels)
            channels += [both[0], both[1]]
    return tuple(channels)


def _manifest(part: Part, key: str, file: str) -> Mapping[str, int]:
    """Return ids by name; empty where the file does not tell them, or not so that they can be read."""
    text = part.value(f"cryptomatte/{key}/manifest")
    beside = part.value(f"cryptomatte/{key}/manif_file")
    if not isinstance(text, str) and isinstance(beside, str):
        # A name only: a render must not lead to files elsewhere.
        place = Path(file).parent / Path(beside).name
        text = _text_beside(place) if Path(beside).name == beside else None
    return _names_in(text) if isinstance(text, str) else {}


def _text_beside(place: Path) -> str | None:
    try:
        return read_text(place, LARGEST_MANIFEST_BYTES)
    except (OSError, ValueError):
        return None


@lru_cache(maxsize=8)
def _names_in(text: str) -> Mapping[str, int]:
    try:
        told = json.loads(text)
        pairs: Iterable[tuple[str, str]] = told.items()
        return {str(name): int(hashed, 16) & _WORD for name, hashed in pairs}
    except (ValueError, TypeError, AttributeError, RecursionError):
        return {}


def _rotated(word: int, by: int) -> int:
    return (word << by | word >> 32 - by) & _WORD


def _mixed(block: int) -> int:
    return _rotated(block * 0xCC9E2D51 & _WORD, 15) * 0x1B873593 & _WORD
