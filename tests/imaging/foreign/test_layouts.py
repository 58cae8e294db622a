"""Every layout gives the picture, alpha and depth that are right, or the refusal that is."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from tests.imaging.foreign.layouts import LAYOUTS, Expected, Layout, write

from halocline.errors import HaloclineError
from halocline.imaging.input_spec import InputSpec
from halocline.imaging.load import View, load

# Half floats, and the codecs that are not exact, in half a per cent.
_EXACT_ENOUGH = 5e-3


@pytest.mark.parametrize("layout", LAYOUTS, ids=[layout.name for layout in LAYOUTS])
def test_layout_is_read_right_or_refused(layout: Layout, tmp_path: Path) -> None:
    path = write(tmp_path / "foreign.exr", layout)
    spec = InputSpec(**layout.stated)
    refusal = next((each for each in layout.expected.values() if each.refused), None)
    if refusal is not None:
        with pytest.raises(HaloclineError) as caught:
            load(path, spec)
        assert caught.value.code == refusal.refused
        for words in refusal.says:
            assert words in str(caught.value)
        assert str(path) in str(caught.value)
        return
    loaded = load(path, spec)
    assert [view.name for view in loaded.views] == list(layout.expected)
    for view in loaded.views:
        _check(view, layout.expected[view.name])


def _check(view: View, expected: Expected) -> None:
    covered = view.frame.plane("alpha") > 0
    assert covered.any()
    np.testing.assert_allclose(view.frame.plane("rgb")[:, covered], expected.level, rtol=_EXACT_ENOUGH)
    assert view.passes.get("alpha") == (None if expected.alpha is None else (expected.alpha,))
    assert view.passes["depth"] == (expected.depth,)
    metres = view.frame.plane("range")
    if not expected.along_ray:
        metres = metres / view.camera.range_per_depth(view.frame.data_window)
    np.testing.assert_allclose(metres[covered], expected.metres, rtol=_EXACT_ENOUGH)
    for words in expected.says:
        assert any(words in warning for warning in view.warnings), view.warnings
    if expected.quiet:
        told = "\n".join(view.warnings)
        assert "the beauty was taken" not in told
        assert "has no alpha" not in told


def test_there_are_layouts_enough_with_names_of_their_own() -> None:
    names = [layout.name for layout in LAYOUTS]
    assert len(names) == len(set(names)) >= 60
