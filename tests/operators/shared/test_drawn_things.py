"""What is seen of lamps behind and before drawn things."""

from __future__ import annotations

import numpy as np

from halocline.operators.shared.drawn_things import SeenLamps

LAMP_M = 4.0


def lamps(range_m: float = LAMP_M) -> SeenLamps:
    return SeenLamps(np.ones((1, 1, 5), np.float32), np.full((1, 5), range_m, np.float32))


def test_lamps_lie_behind_what_is_nearer_and_half_behind_what_is_as_far() -> None:
    away = np.array([[0.5, 3.9, LAMP_M, 4.1, 9.0]], np.float32)
    behind = lamps().behind(away)[0]
    assert (behind[0], behind[-1]) == (1.0, 0.0)
    np.testing.assert_allclose(behind[2], 0.5, atol=1e-6)
    # Alike on both sides, so that a thing that swims past a lamp changes evenly.
    np.testing.assert_allclose(behind[1] + behind[3], 1.0, atol=1e-5)
    assert behind[1] > 0.5 > behind[3]


def test_where_no_lamp_is_seen_all_lies_before_it_and_endless_things_are_as_far() -> None:
    away = np.array([[0.5, 3.9, 60.0, 900.0, 2e3]], np.float32)
    assert (lamps(np.inf).behind(away) == 1.0).all()
    assert (lamps().behind(np.full((1, 5), np.inf, np.float32)) == 0.0).all()


def test_both_planes_are_needed() -> None:
    planes = {"lamp_seen": np.ones((1, 1, 5), np.float32), "lamp_range": np.ones((1, 5), np.float32)}
    found = SeenLamps.of(planes)
    assert found is not None
    assert found.range_m is planes["lamp_range"]
    for name, plane in planes.items():
        assert SeenLamps.of({name: plane}) is None
