"""Lateral fraction and interaural correlation against closed forms."""

from __future__ import annotations

import numpy as np
import pytest

from roomsim.analysis.spatial import HEAD_RADIUS_M, interaural_correlation, lateral_fraction, sphere_pressure
from roomsim.sphere import fibonacci_grid


def test_lateral_fraction_by_hand():
    # direct 1; one reflection of -6.0206 dB (1/4) from 90°, one of the same from the front, one too early, one too late
    found = lateral_fraction([20, 20, 3, 90], [-6.0206] * 4, [90, 0, 90, 90], [0] * 4)
    assert found == pytest.approx(0.25 / 1.75, rel=1e-5)
    assert lateral_fraction([], [], [], [], rest=2.0) == pytest.approx((2 / 3) / 3)      # diffuse: cos² averages to 1/3
    assert lateral_fraction([10], [0.0], [90], [60]) == pytest.approx(0.25 / 2)           # from above: cos² 60° = 1/4


def test_a_sphere_much_smaller_than_a_wave_leads_by_one_and_a_half_radii():
    # low-frequency limit of the rigid sphere: 1 + (3/2) j ka cos γ, so that the ears differ by 3 (a/c) sin θ, not the
    # 2 (a/c) sin θ of two free points (Kuhn 1977, from memory; the limit follows from the first two terms)
    f, c = 30.0, 343.2
    ka = 2 * np.pi * f * HEAD_RADIUS_M / c
    cosine = np.array([-1.0, -0.3, 0.0, 0.5, 1.0])
    np.testing.assert_allclose(sphere_pressure(f, cosine)[:, 0], 1 + 1.5j * ka * cosine, atol=2 * ka**2)


def test_a_sphere_much_larger_than_a_wave_doubles_the_pressure_that_meets_it():
    assert abs(sphere_pressure(20000.0, [1.0])[0, 0]) == pytest.approx(2.0, rel=0.02)     # rigid wall; ka = 32


def test_the_diffuse_field_on_a_sphere():
    # a rigid body much smaller than a wave leaves the field alone, a larger one raises the pressure on it
    f = np.array([700.0])
    cosines = fibonacci_grid(2000)[:, 0]
    assert float((np.abs(sphere_pressure(f, cosines)) ** 2).mean()) > 1.0
    assert float((np.abs(sphere_pressure(np.array([20.0]), cosines)) ** 2).mean()) == pytest.approx(1.0, abs=1e-3)


def test_sound_from_ahead_is_the_same_at_both_ears():
    assert interaural_correlation([0.0], [0.0], [1.0]) == pytest.approx(1.0, abs=1e-12)
    assert interaural_correlation([0.0, 0.0], [0.0, 60.0], [1.0, 0.5]) == pytest.approx(1.0, abs=1e-12)  # median plane


def test_width_lowers_the_correlation():
    narrow = interaural_correlation([0, 30, -30], [0, 0, 0], [1, 0.1, 0.1])
    wide = interaural_correlation([0, 75, -75], [0, 0, 0], [1, 0.5, 0.5])
    diffuse = interaural_correlation([], [], [], rest=1.0)
    assert 1 > narrow > wide > diffuse and diffuse < 0.5
    # a mirror image of the room changes nothing
    assert interaural_correlation([0, 40], [0, 10], [1, 0.4]) == pytest.approx(
        interaural_correlation([0, -40], [0, 10], [1, 0.4]), rel=1e-9)


def test_what_has_no_listed_path_counts_as_the_rest_of_the_early_sound() -> None:
    """Early energy 2 of the direct sound, a listed path of 0.5 within 80 ms: 1.5 come from elsewhere. Later paths
    do not count.
    """
    from roomsim.analysis.spatial import _of_case

    db = 10 * np.log10(np.array([0.5, 4.0]))
    paths = [{"delay_ms": delay, "level_db": level, "azimuth_deg": 45.0, "elevation_deg": 0.0}
             for delay, level in zip((10.0, 120.0), db, strict=True)]
    found, _ = _of_case([paths], np.array([0.3]), np.array([0.6]))
    # (0.5 sin² 45° + 1.5 / 3) / (1 + 0.5 + 1.5): the rest comes from all round, a third of it from the sides
    assert found == pytest.approx(0.25, abs=1e-9)
