"""Averages and spread over the seats."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr

import roomsim
from roomsim.analysis.seats import (
    band_level_db,
    channel_sum_db,
    seat_average_db,
    seat_spread_db,
    smoothed_db,
)
from roomsim.bands import analysis_grid_hz, midbands_hz


def levels(values, dims) -> xr.DataArray:
    return xr.DataArray(np.asarray(values, float), dims=dims)


def test_average_is_of_energy_not_of_decibels() -> None:
    """0 dB and 20 dB: the mean of 1 and 100 is 50.5, that is 17.03 dB, not 10 dB."""
    assert float(seat_average_db(levels([0, 20], "listener"))) == pytest.approx(10 * np.log10(50.5))
    assert roomsim.seat_average_db is seat_average_db


def test_sum_of_channels_is_of_power_and_skips_channels_that_are_not_there() -> None:
    assert float(channel_sum_db(levels([70, 70], "channel"))) == pytest.approx(73.0103, abs=1e-4)
    assert float(channel_sum_db(levels([70, np.nan], "channel"))) == pytest.approx(70)
    assert np.isnan(channel_sum_db(levels([np.nan, np.nan], "channel")))


def test_order_of_averages_does_not_matter() -> None:
    level = levels(np.random.default_rng(0).normal(size=(2, 5)), ("channel", "listener"))
    assert float(seat_average_db(channel_sum_db(level))) == pytest.approx(float(channel_sum_db(seat_average_db(level))))


def test_dimensions_and_attributes_stay(made_result) -> None:
    result = made_result(per_octave=12, seats=3)
    level = result["level_db"]
    average = seat_average_db(level)
    assert average.dims == tuple(d for d in level.dims if d != "listener")
    assert average.attrs["units"] == "dB" and average.attrs["reference"] == level.attrs["reference"]
    assert smoothed_db(level, 3).dims == level.dims
    assert band_level_db(level, 3).dims == (*level.dims[:-1], "band")


def test_flat_stays_flat() -> None:
    f = analysis_grid_hz()
    flat = xr.DataArray(np.full(f.size, 60.0), dims="frequency", coords={"frequency": f})
    np.testing.assert_allclose(smoothed_db(flat, 3), 60.0)
    bands = band_level_db(flat, 3, 100, 10000)
    np.testing.assert_allclose(bands, 60.0)
    np.testing.assert_allclose(bands["band"], midbands_hz(3, 100, 10000))


def test_bands_are_means_of_energy() -> None:
    f = analysis_grid_hz()
    level = xr.DataArray(np.where(np.arange(f.size) % 2, 60.0, -200.0), dims="frequency", coords={"frequency": f})
    # every other line is silent: -3.01 dB, up to the half cells at the edges (1/16 of a band, 0.3 dB)
    np.testing.assert_allclose(band_level_db(level, 3, 100, 10000), 60 - 3.0103, atol=0.3)


def field(
    rng: np.random.Generator, seats: int, late_share: float, decay_s: float, scattered: float, arrivals: int = 150
) -> tuple[xr.Dataset, xr.DataArray]:
    """A field of its own and what a study would return of it.

    Direct sound, random arrivals under one exponential from the first moment; those before 80 ms are the
    early part, of which the share `scattered` enters the result as its mean only, like all that is late.
    Returned beside it: the level that a real seat would show, late arrivals included, over all frequencies of
    each third octave.
    """
    a = 6 * np.log(10) / decay_s
    grid = analysis_grid_hz(400, 2600, 48)
    mids = midbands_hz(3, 500, 2000)
    early = np.exp(-a * 0.08)
    energy = late_share / early / (1 - late_share)     # of all arrivals, re the direct sound
    parts = {name: np.empty((seats, grid.size)) for name in ("level", "direct", "early", "late", "scattered")}
    shown = np.empty((seats, mids.size))
    for seat in range(seats):
        t = rng.exponential(1 / a, arrivals)
        gain = rng.choice([-1, 1], arrivals) * np.sqrt(energy / arrivals)
        before = t < 0.08
        specular = before & (rng.random(arrivals) >= scattered)

        def sums(f, which, t=t, gain=gain):
            return gain[which] @ np.exp(-2j * np.pi * np.outer(t[which], f))

        reflected = sums(grid, specular)
        parts["direct"][seat] = 1.0
        parts["early"][seat] = np.abs(reflected) ** 2
        parts["late"][seat] = energy * early
        parts["scattered"][seat] = energy * (1 - early) * scattered
        parts["level"][seat] = np.abs(1 + reflected) ** 2 + energy * (early + (1 - early) * scattered)
        for k, mid in enumerate(mids):
            f = np.linspace(mid * 10**-0.05, mid * 10**0.05, int(mid * 0.23 * decay_s * 2.5) + 40)
            shown[seat, k] = np.mean(np.abs(1 + sums(f, t >= 0)) ** 2)
    dims = ("channel", "listener", "frequency")
    result = xr.Dataset(
        {f"{name}_db" if name == "level" else f"{name}_level_db": (dims, 10 * np.log10(np.maximum(values, 1e-30))[None])
         for name, values in parts.items()},
        coords={"frequency": grid, "band": [500.0, 1000.0, 2000.0], "channel": ["one"]},
    )
    result["decay_s"] = ("band", np.full(3, decay_s))
    return result, xr.DataArray(10 * np.log10(shown), dims=("listener", "band"), coords={"band": mids})


@pytest.mark.parametrize(
    ("late_share", "decay_s", "scattered"), [(0.05, 0.4, 0.0), (0.3, 0.6, 0.0), (0.1, 0.5, 0.6), (0.1, 0.4, 1.0)]
)
def test_spread_is_that_of_a_real_field(late_share: float, decay_s: float, scattered: float) -> None:
    result, shown = field(np.random.default_rng(2), 60, late_share, decay_s, scattered)
    ours = seat_spread_db(result, 3, 500, 2000)
    truth = shown.std("listener", ddof=1)
    # both are standard deviations of 60 seats: 9 % standard error each, seven bands averaged; the rest is for
    # the model of the early field
    assert float(np.sqrt((ours**2).mean())) == pytest.approx(float(np.sqrt((truth**2).mean())), rel=0.12)


def test_late_sound_adds_to_the_spread_where_it_is_all_there_is() -> None:
    """A purely late field, all of it a mean: the spread must come from the formula, 4.34 V for wide bands."""
    f = analysis_grid_hz(400, 2600, 48)
    dims = ("channel", "listener", "frequency")
    zero = np.full((1, 8, f.size), -300.0)
    result = xr.Dataset(
        {"level_db": (dims, zero * 0), "late_level_db": (dims, zero * 0), "direct_level_db": (dims, zero),
         "early_level_db": (dims, zero)},
        coords={"frequency": f, "band": [500.0, 2000.0]},
    )
    result["decay_s"] = ("band", [0.5, 0.5])
    spread = seat_spread_db(result, 3, 1000, 1000)
    # third octave at 1 kHz: B = 230.8 Hz, BT = 115.4; V² = 0.0561 from the closed form by hand
    assert float(spread[0]) == pytest.approx(4.3429 * np.sqrt(0.0561), rel=0.02)


def test_no_late_fluctuation_is_added_where_the_exact_field_holds_it_all(made_result) -> None:
    result = made_result(per_octave=24, seats=6)
    result["wave_weight"] = ("frequency", np.ones(result.sizes["frequency"]))
    result["late_level_db"] = result["late_level_db"] + 40       # would dominate if it counted
    spread = seat_spread_db(result, 3, 100, 400)
    plain = band_level_db(channel_sum_db(result["level_db"]), 3, 100, 400).std("listener", ddof=1)
    np.testing.assert_allclose(spread.transpose(*plain.dims), plain, atol=0.05)


def test_one_seat_has_no_spread(made_result) -> None:
    assert np.all(np.isnan(seat_spread_db(made_result(per_octave=12, seats=1))))


def test_alike_seats_and_no_late_sound_have_no_spread() -> None:
    f = analysis_grid_hz(400, 2600, 48)
    dims = ("channel", "listener", "frequency")
    zero = np.zeros((2, 5, f.size))
    result = xr.Dataset(
        {"level_db": (dims, zero), "direct_level_db": (dims, zero), "early_level_db": (dims, zero - 300),
         "late_level_db": (dims, zero - 300)},
        coords={"frequency": f, "band": [500.0, 2000.0]},
    )
    result["decay_s"] = ("band", [0.5, 0.5])
    assert float(seat_spread_db(result, 3, 500, 2000).max()) < 1e-4
