"""What shadows of lamps leave of haze is made of what was found along a ray, and of nothing else."""

from __future__ import annotations

import numpy as np
import pytest
from tests.operators.test_laws import poisoned

from halocline.compute.compiled import Compiled
from halocline.physics.path import lamp_shadow_loops
from halocline.physics.path.phase import lobe_numbers


def test_no_ray_reads_past_its_end(monkeypatch: pytest.MonkeyPatch) -> None:
    """Rays that are followed to where their neighbours end: what nobody wrote is not a number here."""
    rays, bins = 60, (np.arange(48, dtype=np.float32) + np.float32(0.5)) * np.float32(np.pi / 48)
    cast = np.full((1, 48), 1.2, np.float32)
    by_angle = np.stack([np.cos(bins), np.sin(bins)], axis=1)
    shares = np.empty((1, rays, 9, 2), np.float32)
    seen = np.linspace(1.5, 6.0, rays, dtype=np.float32)
    seen[::2] = 1.3
    monkeypatch.setattr(Compiled, "__call__", lambda self, *args: self.loop(*args))
    monkeypatch.setattr(np, "empty", poisoned)
    lamp_shadow_loops.fill_shares(
        cast,
        (cast, cast),
        (1, 1, False),
        (np.full(rays, 1.2, np.float32), np.linspace(0, 8, 9, dtype=np.float32), np.zeros(1, np.float32)),
        seen[None],
        np.array([0.8, 0.05, -0.9, 4.0], np.float32),
        (by_angle, np.ones(6, np.float32), np.array([lobe_numbers(0.9)], np.float32)),
        np.full((2, 2), 0.2, np.float32),
        np.array([0, 1]),
        shares,
    )
    assert ((shares >= 0.0) & (shares <= 1.0)).all()
    assert shares.min() < 0.95
