"""Leaving the measuring distance: point sources whose far field is known exactly."""

from __future__ import annotations

import numpy as np
import pytest
from independent.point_sources import C, even_grid, far_field, level, pressure, sixth_octaves, spiral

from roomsim.errors import InvalidValue
from roomsim.loudspeaker.measured import MeasuredDirectivity
from roomsim.loudspeaker.nearfield import expansion, far_field_distance_m, to_far_field

LINE = np.column_stack([np.zeros(11), np.linspace(-0.5, 0.5, 11), np.zeros(11)])
"""A bar one metre wide."""

WEIGHTS = np.exp(1j * np.array([0.0, 0.3, -0.4, 0.1, 0.5, -0.2, 0.4, -0.5, 0.2, 0.1, -0.3]))
DISTANCE = 1.5


def bar(grid: np.ndarray, f: np.ndarray, noise: float = 0.0, **more) -> MeasuredDirectivity:
    values = DISTANCE * pressure(f, grid, DISTANCE, LINE, WEIGHTS) * np.exp(2j * np.pi * f * DISTANCE / C)
    rng = np.random.default_rng(6)
    rms = np.sqrt(np.mean(np.abs(values) ** 2, axis=0))
    values = values + noise * rms * (rng.standard_normal((*values.shape, 2)) @ np.array([1, 1j])) / np.sqrt(2)
    return MeasuredDirectivity(
        name="bar", frequency_hz=f, directions=grid, values=values, has_phase=True, distance_m=DISTANCE, speed_m_s=C,
        radius_m=more.pop("radius_m", 0.5), **more,
    )


@pytest.mark.parametrize(("step", "at_least", "at_most"), [(10, 1100, 1600), (7.5, 1500, 2200)])
def test_a_metre_wide_bar_measured_at_1_5_m(step: float, at_least: float, at_most: float) -> None:
    """Within 0.3 dB of the true far field, in measured directions and between, up to the stated frequency.

    Directions within 20 dB of the loudest. A ring grid of N azimuths carries order N/2 - 1, so with ka + 3 the
    limit is about c (N/2 - 4)/(2πa): 1530 Hz for 10°, 2185 Hz for 7.5°, less what the fit leaves unexplained.
    The measurement itself is wrong by 6 dB and more there, so there is something to remove.
    """
    f = sixth_octaves(100, 4000)
    grid, between = even_grid(step), spiral(1501)
    data = bar(grid, f)
    waves = expansion(data)
    assert waves.order == round(180 / step) - 1
    assert at_least <= waves.limit_hz <= at_most
    far = to_far_field(data)
    assert any(f"removed up to {waves.limit_hz:.0f} Hz" in note and "above" in note for note in far.notes)
    inside = f <= waves.limit_hz
    for directions in (grid, between):
        true = far_field(f, directions, LINE, WEIGHTS)
        wrong = level(far.far_pressure(f, directions)) - level(true)
        loud = (level(true) > level(true).max(axis=0) - 20) & inside
        assert np.abs(wrong[loud]).max() < 0.3
        before = level(data.far_pressure(f, directions)) - level(true)
        assert np.abs(before[loud]).max() > 6


def test_above_the_limit_the_data_stay_as_measured() -> None:
    f = sixth_octaves(100, 4000)
    data = bar(even_grid(10), f)
    far, limit = to_far_field(data), expansion(data).limit_hz
    above = f > limit * 2 ** (1 / 3) * 1.001
    np.testing.assert_array_equal(far.values[:, above], data.values[:, above])
    assert not far.far_field


def test_other_distances() -> None:
    """Pressure at 1 m and at 4 m from the measurement at 1.5 m, 1 % of the loudest direction."""
    f = sixth_octaves(100, 1000)
    grid, asked = even_grid(10), spiral(801)
    waves = expansion(bar(grid, f))
    for distance in (1.0, 4.0):
        true = pressure(f, asked, distance, LINE, WEIGHTS) * np.exp(2j * np.pi * f * distance / C)
        found = waves.pressure(f, asked, distance)
        assert np.max(np.abs(found - true) / np.abs(true).max(axis=0)) < 0.01


def test_noise_is_told_and_does_not_grow() -> None:
    """Noise of -40 dB in every value: the residual shows it (√ of the free share of 614 - 324 degrees), the limit
    stays above 1 kHz, and outwards no order grows, so the far field is wrong by no more than the noise."""
    f = sixth_octaves(100, 4000)
    grid = even_grid(10)
    waves = expansion(bar(grid, f, noise=0.01))
    assert 0.004 < waves.noise < 0.01
    assert 1000 < waves.limit_hz < 1600
    quiet = f < 1000
    true = far_field(f, grid, LINE, WEIGHTS)
    rms = np.sqrt(np.mean(np.abs(true) ** 2, axis=0))
    wrong = np.sqrt(np.mean(np.abs(waves.far_values(f, grid) - true) ** 2, axis=0)) / rms
    assert np.all(wrong[quiet] < 0.01)


def test_inwards_noisy_orders_are_left_out() -> None:
    """At 0.6 m order 17 has grown by (1.5/0.6)^17, 135 dB, at low frequency: kept, noise would drown the field."""
    f = sixth_octaves(100, 200)
    grid, distance = even_grid(10), 0.6
    waves = expansion(bar(grid, f, noise=0.001))
    true = pressure(f, grid, distance, LINE, WEIGHTS) * np.exp(2j * np.pi * f * distance / C)
    rms = np.sqrt(np.mean(np.abs(true) ** 2))
    guarded = np.sqrt(np.mean(np.abs(waves.pressure(f, grid, distance) - true) ** 2)) / rms
    naive = np.sqrt(np.mean(np.abs(waves.pressure(f, grid, distance, noise_db=-400) - true) ** 2)) / rms
    assert guarded < 0.2 < 10 < naive


def test_a_half_sphere_is_extended_by_its_wall() -> None:
    """The bar 0.05 m in front of a rigid wall: sources and images measured over the half sphere at 1.5 m."""
    f = sixth_octaves(100, 900)
    grid = even_grid(10)
    grid = grid[grid[:, 0] > -1e-9]
    off = np.array([0.05, 0, 0])
    both, weights = np.vstack([LINE + off, LINE - off]), np.concatenate([WEIGHTS, WEIGHTS])
    values = DISTANCE * pressure(f, grid, DISTANCE, both, weights) * np.exp(2j * np.pi * f * DISTANCE / C)
    data = MeasuredDirectivity(
        name="wall", frequency_hz=f, directions=grid, values=values, has_phase=True, half_space=True, coverage="half",
        distance_m=DISTANCE, radius_m=0.51, speed_m_s=C,
    )
    far = to_far_field(data)
    true = far_field(f, grid, both, weights)
    loud = level(true) > level(true).max(axis=0) - 20
    assert far.far_field
    assert np.abs(level(far.values) - level(true))[loud].max() < 0.3


def test_a_point_at_the_origin_needs_no_change() -> None:
    f = np.array([50.0, 500.0, 5000.0])
    grid = even_grid(15)
    data = MeasuredDirectivity(
        name="point", frequency_hz=f, directions=grid, values=np.ones((len(grid), 3)), has_phase=True, radius_m=0.01
    )
    np.testing.assert_allclose(to_far_field(data).values, 1.0, atol=1e-9)
    assert to_far_field(data).far_field


def test_what_cannot_be_expanded_says_so() -> None:
    grid, f = even_grid(15), np.array([100.0, 200.0])
    common = {"name": "x", "frequency_hz": f, "directions": grid, "values": np.ones((len(grid), 2))}
    with pytest.raises(InvalidValue, match="phase is needed"):
        expansion(MeasuredDirectivity(**common, has_phase=False))
    filled = np.zeros(len(grid), bool)
    filled[:5] = True
    with pytest.raises(InvalidValue, match="filled, not measured"):
        expansion(MeasuredDirectivity(**common, has_phase=True, filled=filled))
    with pytest.raises(InvalidValue, match="must be positive"):
        expansion(MeasuredDirectivity(**common, has_phase=True)).pressure(f, grid, 0.0)


def test_far_field_distance() -> None:
    """2 (2a)²/λ: 1 m of aperture at 3432 Hz (λ = 0.1 m) is 20 m."""
    assert far_field_distance_m(3432.0, 0.5, 343.2) == pytest.approx(20.0)
