"""Deep samples that others rendered: an excerpt of a test picture of OpenEXR's (BSD licence, beside it).

Particles of several shapes, up to eight translucent samples a pixel, in half floats and with an id in each.
Its unit is not told: read in centimetres it is a few decimetres to twenty metres deep.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from tests.batch.test_deep import colours, wet
from tests.batch.test_deep_floating import BUBBLES, CLOUD, FLECKS
from tests.deep_files import Deep, flat_by_openimageio, read_by_openexr, write_deep_pixels

from halocline.imaging.depth import DepthSpec
from halocline.imaging.input_spec import InputSpec
from halocline.imaging.load import load

SAMPLES = Path(__file__).with_name("data") / "openexr_deep_samples.exr"
LOOK = """
format = 2
[water]
jerlov_type = "1C"
[input]
scene_unit = "cm"
depth_kind = "planar"
[output]
data_type = "float"
[light]
shadows = false
[steps.attenuation]
[steps.veiling_light]
"""


@pytest.fixture
def source(tmp_path: Path) -> Path:
    """The excerpt where wet files may be written beside it."""
    path = tmp_path / "samples.exr"
    path.write_bytes(SAMPLES.read_bytes())
    return path


def chosen(path: Path, *, even: bool) -> Path:
    """Write the samples whose id is even, or those whose is odd."""
    found = read_by_openexr(SAMPLES)
    pixels: Deep = [
        [
            [
                [*(float(found[name][y, x][number]) for name in "RGBA"), z, z]
                for number, z in enumerate(found["Z"][y, x].astype(float))
                if bool(found["modelid"][y, x][number] % 2 == 0) == even
            ]
            for x in range(found["Z"].shape[1])
        ]
        for y in range(found["Z"].shape[0])
    ]
    return write_deep_pixels(path, pixels)


def test_all_samples_are_read_and_flatten_as_openimageio_has_it(source: Path) -> None:
    found = read_by_openexr(SAMPLES)
    counts = np.array([[len(pixel) for pixel in row] for row in found["A"]])
    assert (int(counts.min()), int(counts.max()), int(counts.sum())) == (4, 8, 2353)
    view = load(source, InputSpec(depth=DepthSpec("planar", unit_m=0.01))).views[0]
    assert view.deep is not None
    samples = view.deep.rows(0, counts.shape[0]).samples
    assert np.array_equal(samples.counts, counts)
    np.testing.assert_array_equal(np.sort(samples.front), np.sort(np.concatenate(found["Z"].ravel())))
    flat = flat_by_openimageio(source)
    np.testing.assert_allclose(view.frame.plane("rgb"), flat[:3], atol=1e-5)
    np.testing.assert_allclose(view.frame.plane("alpha"), flat[3], atol=1e-5)


@pytest.mark.parametrize("floating", [False, True])
def test_wet_samples_flatten_to_the_wet_flat_picture(source: Path, floating: bool) -> None:
    text = LOOK + (CLOUD + FLECKS + BUBBLES if floating else "")
    flat = colours(wet(source, text=text)[0])
    settings = ("output.deep=true", *(["output.floating_samples=true"] if floating else []))
    np.testing.assert_allclose(flat_by_openimageio(wet(source, *settings, text=text)[0]), flat, atol=2e-6)
    # Nearly all is covered, and open water is behind the rest.
    np.testing.assert_allclose(flat[3], 1.0, atol=1e-6)


def test_some_merged_into_the_others_are_all_of_them(source: Path, tmp_path: Path) -> None:
    together = colours(wet(source, text=LOOK)[0])
    frame, _ = wet(chosen(tmp_path / "even.exr", even=True), "output.deep=true", text=LOOK)
    element, _ = wet(
        chosen(tmp_path / "odd.exr", even=False), "output.deep=true", "output.element=true", text=LOOK
    )
    np.testing.assert_allclose(flat_by_openimageio(frame, element), together, atol=2e-6)
    np.testing.assert_allclose(flat_by_openimageio(element, frame), together, atol=2e-6)
    assert np.abs(flat_by_openimageio(frame) - together).max() > 0.01
