"""Mattes by the names of things: files as the open Cryptomatte specification has them, written by OpenEXR."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import mmh3
import numpy as np
import OpenEXR
import pytest
from hypothesis import given
from hypothesis import strategies as st

from halocline._typing import F32
from halocline.errors import ChannelError
from halocline.imaging.id_mattes import id_bits, name_hash
from halocline.imaging.input_spec import InputSpec
from halocline.imaging.load import load
from halocline.imaging.survey import mattes_there, planes_in

SHAPE = (6, 8)
NAMES = ("archway", "chain_a", "chain_b", "Anchor")
KEY = "cryptomatte/0a1b2c3"


@given(st.text(max_size=40).filter(lambda text: text.isprintable()))
def test_names_are_hashed_as_the_package_mmh3_hashes_them(name: str) -> None:
    assert name_hash(name) == mmh3.hash(name, 0, signed=False)


@pytest.mark.parametrize(("name", "told"), [("bunny", 0x13851A76), ("default", 0x42C9679F)])
def test_names_of_the_specification_have_its_hashes(name: str, told: int) -> None:
    # From the specification's example of a manifest; from memory, and computed with mmh3 5.
    assert name_hash(name) == told


def test_ids_are_numbers_whatever_the_hash() -> None:
    for hashed in (0, 1, 0x7F800000, 0x7FFFFFFF, 0xFF812345, 0x80000001, 0x3F800000):
        value = np.array(id_bits(hashed), np.uint32).view(np.float32)
        assert np.isfinite(value)
        assert abs(float(value)) >= np.finfo(np.float32).tiny
    assert id_bits(0x3F800000) == 0x3F800000


def stored(name: str) -> float:
    """An id as a renderer stores it, reckoned here with mmh3 and struct rules of the specification."""
    bits = mmh3.hash(name, 0, signed=False)
    exponent = bits >> 23 & 255
    bits ^= (1 << 23) if exponent in (0, 255) else 0
    return float(np.array(bits, np.uint32).view(np.float32))


def coverages() -> dict[str, F32]:
    """Four things with soft borders that add up to at most 1."""
    chance = np.random.default_rng(5)
    shares = chance.dirichlet(np.ones(5), SHAPE).astype(np.float32)
    return {name: np.ascontiguousarray(shares[..., number]) for number, name in enumerate(NAMES)}


def write(path: Path, kind: Any = np.float32, manifest: str | None = "inside", layer: str = "things") -> None:
    """Write a picture with depth and the ids of four things, ranked by coverage in each pixel."""
    cover = np.stack(list(coverages().values()))
    ids = np.array([stored(name) for name in NAMES], np.float32)
    order = np.argsort(-cover, axis=0, kind="stable")
    ranked = np.take_along_axis(cover, order, axis=0)
    rgb = np.full((*SHAPE, 3), 0.2, np.float32)
    channels: dict[str, Any] = {"RGB": rgb, "Z": np.full(SHAPE, 5.0, np.float32)}
    for rank in (0, 2):
        for offset, (id_name, cover_name) in enumerate((("R", "G"), ("B", "A"))):
            number = rank + offset
            channels[f"{layer}{rank // 2:02}.{id_name}"] = ids[order[number]].astype(kind)
            channels[f"{layer}{rank // 2:02}.{cover_name}"] = ranked[number].astype(kind)
    told = json.dumps({name: f"{mmh3.hash(name, 0, signed=False):08x}" for name in NAMES})
    header = {
        f"{KEY}/name": layer,
        f"{KEY}/hash": "MurmurHash3_32",
        f"{KEY}/conversion": "uint32_to_float32",
    }
    if manifest == "inside":
        header[f"{KEY}/manifest"] = told
    elif manifest is not None:
        header[f"{KEY}/manif_file"] = manifest
        (path.parent / Path(manifest).name).write_text(told, encoding="utf-8")
    OpenEXR.File(header, channels).write(str(path))


def matte(path: Path, name: str, passes: dict[str, str] | None = None) -> F32:
    spec = InputSpec(mattes=passes or {}, passes=passes or {})
    return load(path, spec, wanted=(f"matte.{name}",)).views[0].frame.planes[f"matte.{name}"]


@pytest.mark.parametrize("manifest", ["inside", "things.json"])
def test_a_thing_is_found_by_its_name_with_all_its_coverage(tmp_path: Path, manifest: str) -> None:
    path = tmp_path / "clean.exr"
    write(path, manifest=manifest)
    for name, cover in coverages().items():
        np.testing.assert_allclose(matte(path, name), cover, rtol=0, atol=1e-7)
    # The case of letters counts only where it must.
    np.testing.assert_array_equal(matte(path, "anchor"), matte(path, "Anchor"))


def test_several_things_are_one_matte_and_a_set_of_ids_can_be_named(tmp_path: Path) -> None:
    path = tmp_path / "clean.exr"
    write(path)
    cover = coverages()
    links = matte(path, "links", {"links": "chain_*"})
    np.testing.assert_allclose(links, cover["chain_a"] + cover["chain_b"], rtol=0, atol=1e-6)
    np.testing.assert_allclose(matte(path, "x", {"x": "things:archway"}), cover["archway"], atol=1e-7)


def test_without_a_manifest_a_name_is_hashed_where_the_set_is_said(tmp_path: Path) -> None:
    path = tmp_path / "clean.exr"
    write(path, manifest=None)
    np.testing.assert_allclose(matte(path, "x", {"x": "things:chain_a"}), coverages()["chain_a"], atol=1e-7)
    with pytest.raises(ChannelError, match=r'no channel "matte\.chain_a"'):
        matte(path, "chain_a")


def test_a_name_that_is_not_there_is_told_with_those_that_are(tmp_path: Path) -> None:
    path = tmp_path / "clean.exr"
    write(path)
    with pytest.raises(ChannelError, match="no id of that name") as caught:
        matte(path, "archwya")
    assert "Anchor, archway, chain_a, chain_b" in str(caught.value)
    assert 'Did you mean "archway"?' in str(caught.value)
    assert planes_in([path], InputSpec(), ["matte.archway", "matte.archwya"]) == {"matte.archway"}


def test_ids_in_half_floats_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "clean.exr"
    with np.errstate(over="ignore"):
        write(path, kind=np.float16)
    with pytest.raises(ChannelError, match="keeps too few of their bits") as caught:
        matte(path, "archway")
    assert caught.value.code == "E-CHANNEL-IDS"


def test_a_manifest_elsewhere_is_not_followed(tmp_path: Path) -> None:
    folder = tmp_path / "shot"
    folder.mkdir()
    path = folder / "clean.exr"
    write(path, manifest="../things.json")
    (tmp_path / "things.json").write_text((folder / "things.json").read_text("utf-8"), "utf-8")
    with pytest.raises(ChannelError):
        matte(path, "archway")


def test_mattes_are_listed_by_names_that_can_each_be_read(tmp_path: Path) -> None:
    clean, own, layer = tmp_path / "clean.exr", tmp_path / "rope.exr", tmp_path / "vectors.exr"
    write(clean)
    OpenEXR.File({}, {"Y": np.ones(SHAPE, np.float32)}).write(str(own))
    OpenEXR.File({}, {"RGB": np.ones((*SHAPE, 3), np.float32)}).write(str(layer))
    spec = InputSpec(mattes={"links": "chain_*", "gone": "nowhere"})
    files = {"beauty": clean, "pass rope": own, "pass speeds": layer}
    assert mattes_there(files, spec) == tuple(sorted([*NAMES, "links", "rope"]))
    for name in (*NAMES, "links"):
        assert load(clean, spec, wanted=(f"matte.{name}",)).views[0].frame.planes[f"matte.{name}"].any()


def test_mattes_that_are_channels_are_listed_and_those_of_two_sets_of_ids_by_their_set(
    tmp_path: Path,
) -> None:
    first, second = tmp_path / "first.exr", tmp_path / "second.exr"
    write(first)
    with OpenEXR.File(str(first), separate_channels=True) as file:
        header, channels = dict(file.header()), {name: each.pixels for name, each in file.channels().items()}
    twins = {
        name.replace("things", "stuffs"): pixels
        for name, pixels in channels.items()
        if name.startswith("things")
    }
    names = {
        f"cryptomatte/1a1b2c3/{key}": header[f"{KEY}/{key}"] for key in ("hash", "conversion", "manifest")
    }
    header = {key: value for key, value in header.items() if key.startswith(KEY)} | names
    header["cryptomatte/1a1b2c3/name"] = "stuffs"
    more = {"matte.arch": np.ones(SHAPE, np.float32), "format.hull": np.ones(SHAPE, np.float32)}
    OpenEXR.File(header, {**channels, **twins, **more}).write(str(second))
    told = mattes_there({"beauty": second}, InputSpec())
    assert told == tuple(sorted(["arch", *(f"{of}:{name}" for of in ("things", "stuffs") for name in NAMES)]))
    assert matte(second, "stuffs:Anchor").any()
