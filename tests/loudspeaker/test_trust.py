"""Where channels of measured drivers can be trusted, and what a measurement is worth."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from independent.point_sources import C, even_grid, far_field, level, pressure, sixth_octaves

from roomsim.errors import InvalidValue
from roomsim.loudspeaker.assembly import assemble
from roomsim.loudspeaker.channels import PlacedDriver
from roomsim.loudspeaker.drivers import Omni
from roomsim.loudspeaker.far_field import far_field_limit_hz, without_distance
from roomsim.loudspeaker.filters import Filter, Fir
from roomsim.loudspeaker.measured import MeasuredDirectivity
from roomsim.loudspeaker.measurement import MeasurementSetup
from roomsim.loudspeaker.quality import measurement_quality, summary
from roomsim.loudspeaker.trust import trusted_frequencies, trusted_range_hz
from roomsim.sphere import orbit_vectors

GRID = even_grid(20)
F = sixth_octaves(100, 8000)
TWO, STRENGTHS = np.array([[0.0, 0.0, 0.1], [0.0, 0.05, -0.1]]), np.array([1.0, 0.7])


def measured(grid: np.ndarray = GRID, distance: float = 2.0, phase: bool = True, **setup) -> MeasuredDirectivity:
    p = pressure(F, grid, distance, TWO, STRENGTHS)
    return assemble(
        name="two", frequency_hz=F, directions=grid, pressure=p if phase else np.abs(p) + 0j,
        distance_m=np.full(len(grid), distance), has_phase=phase,
        setup=MeasurementSetup(speed_m_s=C, radius_m=0.13, **setup),
    )


def placed(directivity, **filters) -> PlacedDriver:
    return PlacedDriver(name="d", directivity=directivity, position_m=np.zeros(3), filter=Filter(**filters))


# trusted ranges --------------------------------------------------------------------------------------------


def test_a_tweeter_without_a_low_end_limits_nothing_below_its_crossover():
    """Fourth order at 2 kHz: 20 dB down at 2000/10^(20/80) Hz or so; the woofer is a sketch and always trusted."""
    tweeter = measured(low_hz=500.0)
    f = np.geomspace(30, 7900, 200)                                        # the data end at 7943 Hz
    both = [placed(Omni(name="w"), lowpass_hz=2000), placed(tweeter, highpass_hz=2000)]
    assert trusted_range_hz(both, f) == (0.0, np.inf)
    alone = [placed(tweeter)]
    low, high = trusted_range_hz(alone, f)
    assert low == tweeter.low_hz and high == np.inf
    assert trusted_frequencies(alone, f).tolist() == (f >= tweeter.low_hz * (1 - 1e-6)).tolist()
    louder = [placed(Omni(name="w"), lowpass_hz=2000), placed(tweeter, highpass_hz=300)]
    assert 200 < trusted_range_hz(louder, f)[0] == tweeter.low_hz


def test_upper_ends_and_nothing_at_all():
    data = measured(high_hz=3000.0)
    assert trusted_range_hz([placed(data)], np.geomspace(50, 20000, 100))[1] == data.high_hz
    f = np.array([20.0, 30, 50])
    assert trusted_range_hz([placed(data)], f) == (50.0, 20.0)                 # all of it is to be hatched
    assert not trusted_frequencies([placed(data)], f).any()


# distance --------------------------------------------------------------------------------------------------


def test_distance_comes_out_where_it_can_and_stays_where_it_cannot():
    data = measured()
    f = F[F < 1500]
    true = far_field(f, GRID, TWO, STRENGTHS)
    loud = np.abs(true) > 0.1 * np.abs(true).max(axis=0)
    assert np.abs(level(without_distance(data).far_pressure(f, GRID) / true)[loud]).max() < 0.1
    assert without_distance(replace(data, far_field=True)).values is not None
    for kept, why in ((measured(phase=False), "no phase"), (measured(grid=GRID[GRID[:, 0] > -0.6]), "directions were")):
        found = without_distance(kept)
        np.testing.assert_array_equal(found.values, kept.values)
        assert found.notes[-1].startswith(why) and "2 m stays in the data" in found.notes[-1]


def test_a_distance_that_is_far_enough_is_not_talked_about():
    """λ/16 of path difference over a source of 2 cm at 2 m: up to 214 kHz."""
    data = replace(measured(phase=False), radius_m=0.02)
    assert far_field_limit_hz(2.0, 0.02, 343.2) == pytest.approx(343.2 * 2 / (8 * 0.02**2))
    assert without_distance(data).far_field and without_distance(data).notes == data.notes


def test_a_microphone_inside_the_source_is_refused():
    with pytest.raises(InvalidValue, match="must exceed the source's radius"):
        without_distance(replace(measured(), radius_m=2.5))


# what a measurement is worth ---------------------------------------------------------------------------------


def test_quality_of_a_sphere_counts_and_limits():
    quality = measurement_quality(measured())
    assert (quality.measured, quality.filled, quality.filled_share) == (len(GRID), 0, 0.0)
    assert quality.spacing_deg == pytest.approx(20, abs=1)
    assert quality.far_field_hz == pytest.approx(C * 2 / (8 * 0.13**2))
    assert quality.order == 8 and 1500 < quality.removed_hz < 2500          # (8 - 3) c / (2π 0.13 m) = 2.1 kHz
    error = dict(zip(np.round(quality.band_hz), quality.leave_out_db, strict=True))
    assert error[251] < 0.05 and error[3981] > 0.3                      # ka = 0.6, and 9: more than 20° can carry


@pytest.mark.parametrize("phase", [True, False], ids=["with phase", "magnitudes"])
def test_what_is_filled_does_not_run_away(phase: bool):
    """A gap of 90° under two points 0.2 m apart, up to ka = 30 where a 10° grid carries nothing: mean square in the gap
    within 1.3 dB of the known field to ka = 2, and nowhere above twice its pressure, 6 dB, which is what lobes beside
    the gap can do to it (a plain continuation: 10 to 24 dB)."""
    grid = even_grid(10)
    part = grid[grid[:, 2] > -0.7]
    f = sixth_octaves(100, 16000)
    values = far_field(f, part, TWO, STRENGTHS)
    data = assemble(
        name="part", frequency_hz=f, directions=part, pressure=values if phase else np.abs(values) + 0j,
        distance_m=np.ones(len(part)), has_phase=phase,
        setup=MeasurementSetup(speed_m_s=C, delay="none", radius_m=0.13),
    )
    gap = data.directions[data.filled]
    assert 40 < len(gap) < 70 and np.all(gap[:, 2] < -0.5)
    off = level(np.sqrt(np.mean(np.abs(data.values[data.filled]) ** 2, axis=0)
                        / np.mean(np.abs(far_field(f, gap, TWO, STRENGTHS)) ** 2, axis=0)))
    assert off.max() < 6.02 and np.abs(off[f < 850]).max() < 1.3
    edge = np.abs(values[part[:, 2] < -0.4]).max(axis=0)
    assert np.all(np.abs(data.values[data.filled]).max(axis=0) <= edge * (1 + 1e-6))


def test_summaries_say_what_was_filled():
    horizontal = orbit_vectors("horizontal", np.arange(-170, 181, 10))
    vertical = orbit_vectors("vertical", np.arange(-170, 181, 10))
    orbits = measured(grid=np.vstack([horizontal, vertical[np.abs(vertical[:, 2]) > 1e-6]]), phase=False)
    assert summary(orbits) == ("measured in 70 directions (two orbits) at 2 m without phase, all between them filled "
                               "in, trusted from 100 to 7943 Hz")
    assert "with phase, nothing filled in" in summary(measured())
    quality = measurement_quality(orbits)
    assert quality.filled_share == 1.0 and quality.filled > 300 and quality.removed_hz is None


def test_long_filters_are_summed_exactly():
    """5000 taps against a plain sum at a few frequencies; rounding only."""
    taps = np.random.default_rng(3).standard_normal(5000)
    f = np.array([0.0, 17.3, 1000.0, 23999.0, 25000.0])
    plain = [np.sum(taps * np.exp(-2j * np.pi * one * np.arange(5000) / 48000)) for one in f[:4]]
    found = Fir(taps=taps, sample_rate_hz=48000).response(f)
    np.testing.assert_allclose(found[:4], plain, rtol=1e-9)
    assert found[4] == 0


def test_spectra_of_shifted_pulses() -> None:
    """A unit sample at n is e^{-j2πfn/rate}, whatever the axes before; to 0.45 of the sampling rate."""
    from roomsim.loudspeaker.impulse import spectra_of_impulses

    pulses = np.zeros((2, 3, 400))
    at = np.array([[0, 5, 17], [399, 40, 1]])
    pulses[np.arange(2)[:, None], np.arange(3), at] = 2.0
    f, found = spectra_of_impulses(pulses, 8000.0, delay_samples=np.full((2, 3), 3.0))
    assert found.shape == (2, 3, f.size)
    np.testing.assert_allclose(found, 2 * np.exp(-2j * np.pi * f * (at[..., None] + 3) / 8000), atol=1e-9)
    assert 20.0 * 0.97 <= f[0] <= 20.0 * 1.03 and 3600 / 1.03 < f[-1] <= 3600 * 1.001


def test_a_known_sensitivity_scales_and_nothing_else() -> None:
    from roomsim.loudspeaker.drivers import Cap, Omni
    from roomsim.loudspeaker.wrapped import Scaled

    cap = Cap(name="c", radius_m=0.03, sphere_radius_m=0.05)
    loud = Scaled(driver=cap, axis_pa_m=2.5)
    way = np.array([[1.0, 0, 0], [0, 1.0, 0]])
    np.testing.assert_allclose(loud.far_pressure([500, 5000], way), 2.5 * cap.far_pressure([500, 5000], way))
    assert abs(loud.far_pressure([1000], way[:1])[0, 0]) == pytest.approx(2.5)           # sketches have 1 Pa m there
    assert loud.calibrated and not cap.calibrated and loud.sphere_radius_m == 0.05 and loud.name == "c"
    assert Scaled(driver=Omni(name="o"), axis_pa_m=1.0).sphere_radius_m == 0.0


def test_a_hole_in_the_front_counts_as_part_of_the_front() -> None:
    """A cap of 20° about the axis is missing; up to 1.1 to 1.6 spacings from a measured direction is covered."""
    from roomsim.loudspeaker.coverage import coverage_of
    from roomsim.sphere import fibonacci_grid

    grid = fibonacci_grid(4000)
    seen = coverage_of(grid[(grid[:, 0] > 0) & (grid[:, 0] < np.cos(np.radians(20)))])
    assert seen.kind == "partial" and seen.front_only
    least, most = (1 - np.cos(np.radians(20 - reach * seen.spacing_deg)) for reach in (1.6, 1.1))
    assert least - 0.001 < seen.missing < most + 0.001                   # of the front half; 1500 directions tell 0.001


def test_the_trusted_range_of_a_measurement_is_what_it_says() -> None:
    from roomsim.loudspeaker.measured import MeasuredDirectivity
    from roomsim.sphere import fibonacci_grid

    f, way = np.array([100.0, 200, 400, 800, 1600, 3200]), fibonacci_grid(200)
    data = MeasuredDirectivity(name="x", frequency_hz=f, directions=way, values=np.ones((200, 6), complex),
                               has_phase=True, speed_m_s=343.0, low_hz=200.0, high_hz=800.0)
    assert data.trusted.tolist() == [False, True, True, True, False, False]


@pytest.mark.parametrize(("rate", "fine"), [(999.0, False), (1000.0, True), (1e6, True), (1.1e6, False)])
def test_rates_of_taps(rate: float, fine: bool) -> None:
    from roomsim.errors import InvalidValue
    from roomsim.loudspeaker.filters import Fir

    if fine:
        assert Fir(taps=np.array([0.0, 1.0]), sample_rate_hz=rate).delay_s == pytest.approx(1 / rate)
    else:
        with pytest.raises(InvalidValue, match="1000 to 1e6"):
            Fir(taps=np.array([1.0]), sample_rate_hz=rate)
