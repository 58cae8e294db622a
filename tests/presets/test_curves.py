from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tomlkit

from halocline.errors import PresetError
from halocline.presets.curves import is_curve, key_frames, resolved_at, value_at
from halocline.presets.preset import Preset, load_preset, preset_from_text


def curve(kind: str, *keys: Any) -> dict[str, Any]:
    return {"curve": kind, "keys": [list(key) for key in keys]}


def test_value_stands_still_before_the_first_key_and_after_the_last() -> None:
    for kind in ("linear", "smooth", "held"):
        assert value_at(curve(kind, (10, 1.0), (20, 3.0)), -5) == 1.0
        assert value_at(curve(kind, (10, 1.0), (20, 3.0)), 99) == 3.0
        assert value_at(curve(kind, (10, 7.0)), 10) == 7.0


def test_every_kind_passes_through_its_keys() -> None:
    keys = [(1, 0.2), (5, 0.9), (6, 0.4), (20, 0.4)]
    for kind in ("linear", "smooth", "held"):
        for frame, value in keys:
            assert value_at(curve(kind, *keys), frame) == pytest.approx(value, abs=1e-15)


def test_kinds_differ_between_keys_as_their_names_say() -> None:
    keys = [(0, 0.0), (10, 10.0)]
    assert value_at(curve("linear", *keys), 2.5) == 2.5
    assert value_at(curve("held", *keys), 9.99) == 0.0
    # Slope 0 at both ends: 3 t^2 - 2 t^3.
    assert value_at(curve("smooth", *keys), 2.5) == pytest.approx(10 * (3 * 0.0625 - 2 * 0.015625))


def test_smooth_curve_never_overshoots_its_keys() -> None:
    keys = [(0, 0.0), (1, 10.0), (2, 10.1), (30, 10.1), (31, -4.0), (40, 0.0)]
    values = [value_at(curve("smooth", *keys), frame / 8) for frame in range(8 * 41)]
    assert max(values) == 10.1
    assert min(values) == -4.0


def test_lists_are_blended_number_by_number_and_units_first_become_metres() -> None:
    tint = curve("linear", (0, [1.0, 1.0, 1.0]), (10, [0.0, 1.0, 2.0]))
    assert value_at(tint, 5) == [0.5, 1.0, 1.5]
    assert value_at(curve("linear", (0, "1 m"), (10, "10 ft")), 10) == pytest.approx(3.048)
    assert value_at(curve("linear", (0, "1 ft"), (10, 2)), 5) == pytest.approx((0.3048 + 2) / 2)
    assert value_at(curve("linear", (0, "0 deg"), (10, "0.5 rad")), 10) == pytest.approx(28.6478898)
    assert value_at(curve("linear", (0, "40 ms"), (10, "1 min")), 10) == 60.0


def test_held_curve_may_hold_text_and_truth() -> None:
    assert value_at(curve("held", (1, "fill"), (5, "leave")), 4.9) == "fill"
    assert value_at(curve("held", (1, True), (5, False)), 5) is False


def test_tables_are_resolved_everywhere_and_left_alone_elsewhere() -> None:
    tables = {"a": {"b": curve("linear", (0, 0.0), (4, 4.0)), "c": "text"}, "d": [curve("held", (0, 1)), 2]}
    assert resolved_at(tables, 3) == {"a": {"b": 3.0, "c": "text"}, "d": [1, 2]}
    assert key_frames(tables) == {0, 4}
    assert is_curve(tables["a"]["b"])  # type: ignore[index]
    assert not is_curve(tables)


@pytest.mark.parametrize(
    ("broken", "message"),
    [
        ({"curve": "wavy", "keys": [[1, 2]]}, "'wavy' is no kind of curve"),
        ({"curve": "linear"}, "a curve has the keys curve and keys, not curve"),
        ({"curve": "linear", "keys": [[1, 2]], "loop": True}, "not curve, keys, loop"),
        ({"curve": "linear", "keys": []}, "a curve has 1 to 10000 keys"),
        ({"curve": "linear", "keys": 7}, "a curve has 1 to 10000 keys"),
        ({"curve": "linear", "keys": [[1, 2, 3]]}, "each key is [frame, value]"),
        ({"curve": "linear", "keys": [[True, 2]]}, "each key is [frame, value]"),
        ({"curve": "linear", "keys": [[float("nan"), 2]]}, "each key is [frame, value]"),
        ({"curve": "linear", "keys": [[3, 2], [3, 4]]}, "keys must be in order of frames, each frame once"),
        ({"curve": "linear", "keys": [[1, "a"], [2, "b"]]}, "'a' cannot be blended"),
        ({"curve": "smooth", "keys": [[1, True], [3, False]]}, "True cannot be blended"),
        ({"curve": "linear", "keys": [[1, [1, 2]], [3, [1]]]}, "its keys hold different counts of numbers"),
        ({"curve": "linear", "keys": [[1, [1, 2]], [3, 1]]}, "its keys hold different counts of numbers"),
    ],
)
def test_curve_that_is_not_well_formed_is_refused(broken: dict[str, Any], message: str) -> None:
    assert key_frames({"x": broken}) is not None
    with pytest.raises(PresetError) as caught:
        value_at(broken, 2, ("light", "overcast"))
    assert message in caught.value.message
    assert caught.value.where == "light.overcast"
    assert caught.value.key == ("light", "overcast")
    assert "kinds: linear, smooth, held." in str(caught.value.fix)


def baked(folder: Path, values: list[float]) -> Path:
    keys = ", ".join(f"[{1001 + index}, {value}]" for index, value in enumerate(values))
    path = folder / "baked.toml"
    path.write_text(
        'format = 1\nextends = "jerlov-1c"\n[light]\n'
        f'sun_elevation = {{ curve = "smooth", keys = [{keys}] }}\n'
    )
    return path


def test_a_baked_curve_of_many_keys_is_checked_on_a_few_frames_and_at_its_extremes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    values = [30 + 0.001 * index for index in range(10_000)]
    looked_at: list[float] = []
    honest = Preset._look

    def counting(preset: Preset, frame: float) -> object:
        looked_at.append(frame)
        return honest(preset, frame)

    monkeypatch.setattr(Preset, "_look", counting)
    preset = load_preset(baked(tmp_path, values))
    assert len(looked_at) < 80
    assert preset.at(8000.5).light.sun_elevation == pytest.approx(30 + 0.001 * 6999.5)
    # One key of ten thousand out of range, between the frames that stand for all.
    values[7777] = 95.0
    with pytest.raises(PresetError, match="sun_elevation"):
        load_preset(baked(tmp_path, values))


def test_a_long_list_is_written_as_the_library_writes_a_short_one(tmp_path: Path) -> None:
    preset = load_preset(baked(tmp_path, [30 + 0.01 * index for index in range(300)]))
    keys = tomllib.loads(preset.resolved_text)["light"]["sun_elevation"]["keys"]
    assert f"keys = {tomlkit.item(keys).as_string()}" in preset.resolved_text
    assert preset_from_text(preset.resolved_text).digest == preset.digest


def test_a_smooth_curve_needs_only_the_keys_around_a_frame() -> None:
    # scipy's pchip is the same interpolation but for its ends; inside it must agree (harmonic means).
    pchip = pytest.importorskip("scipy.interpolate").PchipInterpolator
    rng = np.random.default_rng(3)
    frames = np.cumsum(rng.uniform(0.5, 3.0, 12))
    values = rng.uniform(-1.0, 1.0, 12)
    curve = {"curve": "smooth", "keys": [[float(f), float(v)] for f, v in zip(frames, values, strict=True)]}
    for frame in np.linspace(frames[1], frames[-2], 200):
        assert value_at(curve, float(frame)) == pytest.approx(float(pchip(frames, values)(frame)), abs=1e-9)
