"""Laws that hold for any input, tried on many (hypothesis): see its documentation for how examples are found.

A failing example is printed in full; paste it into an ordinary test of the module it belongs to.
"""

from __future__ import annotations

import contextlib
import itertools
import math
import tomllib
from typing import Any

import numpy as np
import tomlkit
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st
from scipy.integrate import quad
from tests.conftest import Builders

from halocline.errors import HaloclineError, PresetError, UnitError
from halocline.graph.light_form import combine
from halocline.imaging.frame import Window
from halocline.physics.path.visibility import ENDLESS_M, RangeRemap, remap_through
from halocline.physics.water.path_integral import path_integral
from halocline.presets.curves import value_at
from halocline.presets.document import laid_over, merged
from halocline.presets.lines import key_lines
from halocline.presets.preset import preset_from_text
from halocline.units import metres

settings.register_profile("halocline", deadline=None, derandomize=True, max_examples=150)
settings.load_profile("halocline")

lengths = st.floats(1e-3, 9e4)
remaps = st.builds(RangeRemap, st.floats(0, 50), st.floats(1e-3, 1e6))


# --- range remap -----------------------------------------------------------------------------------------


@given(remaps, lengths, lengths)
def test_remap_keeps_order_and_never_lengthens(remap: RangeRemap, a: float, b: float) -> None:
    near, far = sorted((a, b))
    bent = remap.exact(np.array([near, far]))
    assert bent[0] <= bent[1]
    assert 0 <= bent[0] <= near * (1 + 1e-12)
    # No steeper than reality anywhere.
    assert bent[1] - bent[0] <= (far - near) * (1 + 1e-9) + 1e-9


@given(remaps, st.lists(lengths, min_size=2, max_size=50))
def test_remap_in_float32_keeps_order_too(remap: RangeRemap, values: list[float]) -> None:
    s = np.sort(np.array(values, np.float32))
    bent = remap.apply(s)
    assert (np.diff(bent) >= -2e-6 * bent[1:]).all()
    np.testing.assert_allclose(bent, remap.exact(s.astype(np.float64)), rtol=2e-6)


@given(st.floats(0, 5), st.floats(0.01, 200), st.floats(0.01, 4000))
def test_solved_remap_meets_its_subject(near: float, gap: float, more: float) -> None:
    seen, subject = near + gap, near + gap + more
    assume(subject < ENDLESS_M)
    remap = remap_through(near, subject, seen)
    assert math.isclose(float(remap.exact(subject)), seen, rel_tol=1e-8)


# --- veil ------------------------------------------------------------------------------------------------


@given(st.floats(-0.5, 5), st.floats(0, 40))
def test_path_integral_is_an_integral(k: float, s: float) -> None:
    exact, _ = quad(lambda t: math.exp(-k * t), 0, s, epsabs=1e-13, epsrel=1e-11, limit=200)
    assert math.isclose(float(path_integral(k, s)), exact, rel_tol=1e-9, abs_tol=1e-12)


@given(st.floats(-0.2, 3), st.floats(0, 30), st.floats(0, 30))
def test_path_integral_composes(k: float, first: float, second: float) -> None:
    whole = float(path_integral(k, first + second))
    parts = float(path_integral(k, first) + math.exp(-k * first) * path_integral(k, second))
    assert math.isclose(whole, parts, rel_tol=1e-9, abs_tol=1e-12)


@given(st.integers(1, 60), st.integers(1, 40), st.integers(1, 12), st.integers(0, 10_000))
@settings(max_examples=40)
def test_any_tiling_of_any_window_gives_the_same_bits(
    build: Builders, width: int, height: int, rows: int, seed: int
) -> None:
    window = Window(seed % 50 - 25, seed % 30 - 15, width, height)
    frame = build.frame(window, averaged_depth=bool(seed % 2), seed=seed)
    shot = build.shot(window, camera=build.camera(window, tilt_deg=seed % 120 - 60))
    whole = build.run(build.core(), frame, shot, threads=1, tile_rows=10_000)["rgb"]
    assert np.array_equal(build.run(build.core(), frame, shot, threads=2, tile_rows=rows)["rgb"], whole)


@given(st.integers(1, 7), st.integers(1, 7), st.integers(0, 99))
def test_mixing_planes_is_linear(n: int, m: int, seed: int) -> None:
    random = np.random.default_rng(seed)
    matrix = random.normal(size=(n, m))
    a, b = random.normal(size=(2, m, 3, 4)).astype(np.float32)
    np.testing.assert_allclose(combine(matrix, a + b), combine(matrix, a) + combine(matrix, b), atol=1e-4)


# --- curves ----------------------------------------------------------------------------------------------

numbers = st.floats(-1e6, 1e6)
keys = st.dictionaries(st.integers(-500, 5000), numbers, min_size=1, max_size=12).map(
    lambda found: [[frame, found[frame]] for frame in sorted(found)]
)


@given(st.sampled_from(["linear", "smooth", "held"]), keys, st.floats(-600, 6000))
def test_curve_stays_between_the_keys_around_it(kind: str, listed: list[Any], frame: float) -> None:
    value = value_at({"curve": kind, "keys": listed}, frame)
    before = [key for key in listed if key[0] <= frame][-1:] or listed[:1]
    after = [key for key in listed if key[0] >= frame][:1] or listed[-1:]
    low, high = sorted((before[0][1], after[0][1]))
    assert low <= value <= high


@given(keys, st.floats(-600, 6000))
def test_smooth_curve_has_no_jump(listed: list[Any], frame: float) -> None:
    curve = {"curve": "smooth", "keys": listed}
    step = 1e-6
    spread = max(abs(key[1]) for key in listed) + 1
    assert abs(value_at(curve, frame + step) - value_at(curve, frame)) < 20 * spread * step


# --- preset tables ---------------------------------------------------------------------------------------

names = st.text("abcdefghij_-", min_size=1, max_size=5)
values = st.one_of(st.integers(-9, 9), st.text(max_size=5), st.lists(st.integers(0, 3), max_size=3))
tables = st.recursive(
    st.dictionaries(names, values, max_size=4),
    lambda inner: st.dictionaries(names, st.one_of(values, inner), max_size=4),
    max_leaves=12,
)


@given(tables, tables)
def test_merging_lays_the_second_over_the_first(base: dict[str, Any], over: dict[str, Any]) -> None:
    result = merged(base, over)
    assert set(result) == set(base) | set(over)
    assert merged(result, over) == result
    assert merged(base, {}) == base
    assert merged({}, over) == over


@given(tables, tables, tables)
def test_merging_is_associative_over_plain_tables(
    a: dict[str, Any], b: dict[str, Any], c: dict[str, Any]
) -> None:
    def alike(first: Any, second: Any) -> bool:
        """Whether two tables have tables in the same places: else one replaces the other whole."""
        return all(
            isinstance(first[key], dict) == isinstance(second[key], dict)
            and (not isinstance(first[key], dict) or alike(first[key], second[key]))
            for key in set(first) & set(second)
        )

    assume(alike(a, b) and alike(b, c) and alike(a, c))
    assert merged(merged(a, b), c) == merged(a, merged(b, c))
    assert laid_over(laid_over(a, b), c) == laid_over(a, laid_over(b, c))


@given(tables)
def test_every_key_that_a_writer_writes_is_found_on_its_line(found: dict[str, Any]) -> None:
    text = tomlkit.dumps(found)
    lines = text.split("\n")

    def check(table: dict[str, Any], path: tuple[str, ...]) -> None:
        for key, value in table.items():
            if (*path, key) in places:
                assert key in lines[places[*path, key] - 1]
            else:
                # A table that holds tables only need not be written by itself.
                assert isinstance(value, dict)
            if isinstance(value, dict):
                check(value, (*path, key))

    assert tomllib.loads(text) == found
    places = key_lines(text)
    check(found, ())


@given(
    st.floats(0, 90),
    st.floats(0, 1),
    st.floats(0, 60),
    st.sampled_from(["I", "1C", "9C"]),
    st.one_of(st.none(), st.floats(2, 300)),
    st.floats(0, 1),
)
@settings(max_examples=25, suppress_health_check=[HealthCheck.too_slow])
def test_resolved_text_of_any_look_resolves_to_itself(
    elevation: float, overcast: float, depth: float, water: str, subject: float | None, balance: float
) -> None:
    story = "" if subject is None else f"[story]\nsubject_range = {subject}\nsilhouette_contrast = 0.2\n"
    preset = preset_from_text(
        f'format = 1\n[water]\njerlov_type = "{water}"\n[place]\ncamera_depth = {depth}\n{story}'
        f"[light]\nsun_elevation = {elevation}\novercast = {overcast}\n"
        f"[steps.attenuation]\n[steps.veiling_light]\n[steps.white_reference]\nbalance = {balance}\n"
    )
    again = preset_from_text(preset.resolved_text)
    assert again.resolved_text == preset.resolved_text
    assert again.at(7).light == preset.at(7).light
    assert again.at(7).story == preset.at(7).story


@given(st.text(max_size=200))
@settings(max_examples=300)
def test_any_text_is_a_preset_or_one_of_our_errors(text: str) -> None:
    with contextlib.suppress(PresetError):
        preset_from_text(text)


json_like = st.recursive(
    st.one_of(st.integers(-5, 2000), st.floats(-1e3, 1e3), st.booleans(), st.text(max_size=6)),
    lambda inner: st.one_of(
        st.lists(inner, max_size=3),
        st.dictionaries(st.sampled_from(["curve", "keys", "x", "operator", "input"]), inner, max_size=3),
    ),
    max_leaves=8,
)
known = {
    "light": ["overcast", "veil_tint", "sun_elevation", "lamps"],
    "story": ["softness", "subject_range"],
    "water": ["constituents", "jerlov_type"],
    "steps": ["attenuation", "mix", "haze", "water_layers"],
    "bands": ["count", "fitted"],
    "output": ["carry"],
}


@given(
    st.dictionaries(
        st.sampled_from(sorted(known)),
        st.one_of(
            json_like,
            st.dictionaries(st.sampled_from(sorted(itertools.chain(*known.values()))), json_like, max_size=3),
        ),
        max_size=4,
    )
)
@settings(max_examples=400, suppress_health_check=[HealthCheck.too_slow])
def test_any_tables_under_known_names_are_a_preset_or_one_of_our_errors(found: dict[str, Any]) -> None:
    text = tomlkit.dumps({"format": 1, **found})
    with contextlib.suppress(HaloclineError):
        preset_from_text(text)


# --- units -----------------------------------------------------------------------------------------------


@given(st.floats(-1e6, 1e6), st.sampled_from(["m", "cm", "ft", "in", "fathom", "km"]))
def test_length_written_with_any_unit_is_read_back(value: float, unit: str) -> None:
    one = metres(f"1 {unit}")
    assert math.isclose(metres(f"{value!r} {unit}"), value * one, rel_tol=1e-12, abs_tol=1e-300)


@given(st.text(max_size=30))
def test_any_text_is_a_length_or_a_unit_error(text: str) -> None:
    with contextlib.suppress(UnitError):
        assert isinstance(metres(text), float)
