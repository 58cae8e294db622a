"""Ports: symmetry, inverses and limits."""

from __future__ import annotations

import math

import numpy as np
import pytest

from halocline.errors import PhysicsError
from halocline.physics.bending.ports import (
    ACRYLIC,
    CROWN_GLASS,
    DomePort,
    FlatPort,
    Port,
    colour_smear,
    lens_tangents,
    pinhole_tangents,
)
from halocline.physics.bending.refraction import WaterMass

SEA = WaterMass(12.0, 35.0)
FLAT = FlatPort(0.04, 0.008, SEA)
DOME = DomePort(0.1, 0.006, SEA)
OFF_CENTRE = DomePort(0.1, 0.006, SEA, decentre_m=(0.004, -0.002, 0.015))
X, Y = (np.ascontiguousarray(a) for a in np.meshgrid(np.linspace(-1.2, 1.2, 25), np.linspace(-0.7, 0.7, 15)))


@pytest.mark.parametrize("port", [FLAT, DOME])
def test_port_on_its_axis_is_symmetric_and_keeps_the_axis(port: Port) -> None:
    x, y = pinhole_tangents(port, X, Y, wavelength_nm=550.0, subject_m=2.0)
    np.testing.assert_allclose(x, -x[:, ::-1], atol=1e-12)
    np.testing.assert_allclose(y, -y[::-1], atol=1e-12)
    np.testing.assert_allclose(x * Y, y * X, atol=1e-12)
    assert (x[7, 12], y[7, 12]) == (0.0, 0.0)


@pytest.mark.parametrize("port", [FLAT, DOME, OFF_CENTRE])
@pytest.mark.parametrize("subject_m", [0.5, 3.0, math.inf])
def test_what_the_lens_sees_leads_back_to_the_lens(port: Port, subject_m: float) -> None:
    water = pinhole_tangents(port, X, Y, wavelength_nm=464.0, subject_m=subject_m)
    back = lens_tangents(port, *water, wavelength_nm=464.0, subject_m=subject_m)
    np.testing.assert_allclose(back[0], X, atol=1e-6)
    np.testing.assert_allclose(back[1], Y, atol=1e-6)


def test_view_wider_than_a_flat_port_can_show_is_refused() -> None:
    wide = np.array([math.tan(math.radians(49.0))])
    with pytest.raises(PhysicsError, match=r"E-PHYSICS-PORT.*49.0 degrees(.|\n)*use a longer lens or a dome"):
        lens_tangents(FLAT, wide, np.zeros(1), wavelength_nm=550.0, subject_m=math.inf)


def test_flat_port_pulls_corners_outwards_and_blue_most() -> None:
    radius = np.linspace(0.05, 1.4, 28)
    scale = {}
    for nm in (464.0, 549.0, 611.0):
        water, _ = pinhole_tangents(FLAT, radius, np.zeros_like(radius), wavelength_nm=nm, subject_m=math.inf)
        scale[nm] = radius / water
        # Pincushion: magnification grows with the angle.
        assert (np.diff(scale[nm]) > 0).all()
    assert (scale[464.0] > scale[549.0]).all()
    assert (scale[549.0] > scale[611.0]).all()


def test_flat_port_has_no_single_viewpoint() -> None:
    near, _ = pinhole_tangents(FLAT, np.array([1.0]), np.zeros(1), wavelength_nm=549.0, subject_m=0.3)
    far, _ = pinhole_tangents(FLAT, np.array([1.0]), np.zeros(1), wavelength_nm=549.0, subject_m=math.inf)
    assert near[0] > far[0] + 0.01


def test_centred_dome_leaves_the_picture_in_place_and_free_of_colour() -> None:
    for nm in (464.0, 611.0):
        x, y = pinhole_tangents(DOME, X, Y, wavelength_nm=nm, subject_m=0.5)
        np.testing.assert_allclose(x, X, atol=1e-12)
        np.testing.assert_allclose(y, Y, atol=1e-12)
    assert colour_smear(DOME, X, Y, wavelength_nm=549.0, subject_m=0.5).max() < 1e-12


def test_pupil_behind_the_domes_centre_distorts_and_one_beside_it_does_so_unevenly() -> None:
    x, _ = pinhole_tangents(OFF_CENTRE, X, Y, wavelength_nm=549.0, subject_m=math.inf)
    assert np.abs(x - X).max() > 0.01
    assert np.abs((x - X) + (x - X)[:, ::-1]).max() > 1e-3


def test_softness_grows_towards_the_corner_with_the_aperture_and_near_subjects() -> None:
    for port in (FLAT, DOME):
        radius = np.linspace(0.0, 1.2, 13)
        soft = port.softness(radius, np.zeros(13), aperture_m=0.01, focus_m=1.0)
        assert soft[0] == pytest.approx(0.0, abs=1e-9)
        assert (np.diff(soft) > 0).all()
        stopped = port.softness(radius, np.zeros(13), aperture_m=0.005, focus_m=1.0)
        np.testing.assert_allclose(stopped, soft / 2)
    far = FLAT.softness(np.array([1.0]), np.zeros(1), aperture_m=0.01, focus_m=10.0)
    assert far < FLAT.softness(np.array([1.0]), np.zeros(1), aperture_m=0.01, focus_m=1.0)


def test_colour_smear_of_a_flat_port_grows_towards_the_corner() -> None:
    smear = colour_smear(
        FLAT, np.linspace(0.0, 1.2, 13), np.zeros(13), wavelength_nm=464.0, subject_m=math.inf
    )
    assert smear[0] == 0.0
    assert (np.diff(smear) > 0).all()


def test_materials_bend_blue_more() -> None:
    for glass in (CROWN_GLASS, ACRYLIC):
        assert glass.index(464.0) > glass.index(549.0) > glass.index(611.0)


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: FlatPort(-0.01, 0.0, SEA), "Give lengths of 0 or more"),
        (lambda: DomePort(0.05, 0.05, SEA), "thinner than the radius"),
        (lambda: DomePort(0.05, 0.005, SEA, decentre_m=(0.0, 0.0, 0.05)), "outside the dome"),
    ],
)
def test_impossible_ports_are_refused(make, message: str) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(PhysicsError, match=message):
        make()
