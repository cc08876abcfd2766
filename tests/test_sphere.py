"""Directions, rotations, grids, harmonics."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.special import sph_harm_y

from roomsim import sphere

angle = st.floats(-179, 179)
tilt = st.floats(-89, 89)


@given(angle, tilt)
def test_angles_there_and_back(azimuth, elevation):
    found = sphere.angles_deg(sphere.unit_vectors(azimuth, elevation))
    assert found == pytest.approx((azimuth, elevation), abs=1e-9)


@given(angle, tilt, angle)
def test_rotation_turns_x_to_the_named_direction_and_keeps_handedness(azimuth, elevation, roll):
    matrix = sphere.rotation(azimuth, elevation, roll)
    assert matrix[:, 0] == pytest.approx(sphere.unit_vectors(azimuth, elevation), abs=1e-12)
    assert matrix @ matrix.T == pytest.approx(np.eye(3), abs=1e-12)
    assert np.linalg.det(matrix) == pytest.approx(1.0)


def test_left_is_y_and_up_is_z():
    assert sphere.orbit_vectors("horizontal", 90) == pytest.approx([0, 1, 0], abs=1e-15)
    assert sphere.orbit_vectors("vertical", 90) == pytest.approx([0, 0, 1], abs=1e-15)
    with pytest.raises(ValueError, match="horizontal or vertical"):
        sphere.orbit_vectors("diagonal", 0)


def test_harmonics_equal_an_independent_library():
    # scipy.special.sph_harm_y (complex, with the Condon–Shortley sign), made real by hand.
    rng = np.random.default_rng(1)
    v = rng.normal(size=(40, 3))
    v /= np.linalg.norm(v, axis=1, keepdims=True)
    azimuth, elevation = np.radians(sphere.angles_deg(v))
    ours = sphere.real_harmonics(9, v)
    for n in range(10):
        for m in range(n + 1):
            theirs = sph_harm_y(n, m, np.pi / 2 - elevation, azimuth) * (-1) ** m
            if m == 0:
                assert ours[:, n * n + n] == pytest.approx(theirs.real, abs=1e-12)
            else:
                assert ours[:, n * n + n + m] == pytest.approx(np.sqrt(2) * theirs.real, abs=1e-12)
                assert ours[:, n * n + n - m] == pytest.approx(np.sqrt(2) * theirs.imag, abs=1e-12)


def test_gauss_grid_makes_harmonics_orthonormal():
    directions, weights = sphere.gauss_grid(8)
    assert weights.sum() == pytest.approx(4 * np.pi)
    y = sphere.real_harmonics(8, directions)
    assert y.T @ (weights[:, None] * y) == pytest.approx(np.eye(81), abs=1e-13)


def test_solid_harmonics_at_complex_directions_are_the_analytic_continuation():
    # n = 2, m = 0 in closed form: √(5/16π) (2z² - x² - y²), also for complex components.
    v = np.array([[0.3 + 1j, -0.2j, 1.1]])
    x, y, z = v[0]
    assert sphere.real_harmonics(2, v)[0, 6] == pytest.approx(np.sqrt(5 / (16 * np.pi)) * (2 * z**2 - x**2 - y**2))


def test_fibonacci_grid_is_even():
    d = sphere.fibonacci_grid(4000)
    assert np.linalg.norm(d, axis=1) == pytest.approx(1.0)
    # Second moments of an even grid are 1/3 each (closed form); 4000 points reach it to 1e-4.
    assert d.T @ d / 4000 == pytest.approx(np.eye(3) / 3, abs=1e-4)
