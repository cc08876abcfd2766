"""Averages and spread over the seats: always mean-square pressure first, decibels last.

The functions here take and return labelled arrays (xarray) with the dimensions of a result; the
statistics of the late field are in fluctuation.py.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ..bands import OCTAVE, band_means, db, from_db, midbands_hz, smoothed
from .fluctuation import diffuse_variance, gamma_bias_db, gamma_spread_db, interference_variance

if TYPE_CHECKING:
    from xarray import DataArray, Dataset

_DB = 10 / np.log(10)


def seat_average_db(level_db: DataArray) -> DataArray:
    """Mean of p² over the listeners, then dB: never a mean of decibels. The `listener` dimension goes.

    Examples
    --------
    >>> level = xr.DataArray([[60.0, 60.0], [63.0, 50.0]], coords={"listener": [0, 1], "frequency": [100.0, 200.0]})
    >>> roomsim.seat_average_db(level).values.round(1)
    array([61.8, 57.4])
    """
    return _energy(level_db, lambda energy: energy.mean("listener"))


def channel_sum_db(level_db: DataArray) -> DataArray:
    """Power sum of the channels, as of channels that play unlike signals. The `channel` dimension goes.

    Channels that a design does not have (NaN) count as silent.

    Examples
    --------
    >>> level = xr.DataArray([[60.0, 60.0], [63.0, 50.0]], coords={"channel": [0, 1], "frequency": [100.0, 200.0]})
    >>> roomsim.channel_sum_db(level).values.round(1)
    array([64.8, 60.4])
    """
    return _energy(level_db, lambda energy: energy.sum("channel", skipna=True, min_count=1))


def smoothed_db(level_db: DataArray, fraction: float = 3) -> DataArray:
    """Energy smoothing over a sliding window of 1/`fraction` octave along `frequency`.

    Examples
    --------
    >>> f = np.geomspace(100, 10_000, 241)
    >>> notch = xr.DataArray(np.where(abs(f / 1000 - 1) < 0.02, 40.0, 60.0), coords={"frequency": f})
    >>> float(roomsim.smoothed_db(notch, 3).min().round(1))
    58.8
    """
    f = level_db["frequency"].values
    return _energy(level_db, lambda energy: _along_frequency(energy, lambda e: smoothed(e, f, fraction)))


def band_level_db(
    level_db: DataArray, fraction: int = 3, low_hz: float = 25.0, high_hz: float = 16000.0
) -> DataArray:
    """Mean level of each 1/`fraction`-octave band (mean of p² over the band, then dB).

    `frequency` gives way to `band` (exact midbands [Hz]) at the end.

    Examples
    --------
    >>> f = np.geomspace(80, 1300, 200)
    >>> bands = roomsim.band_level_db(xr.DataArray(20 * np.log10(f / 1000), coords={"frequency": f}), 1, 125, 1000)
    >>> bands.values.round(1)
    array([-17.7, -11.7,  -5.7,  -0.1])
    """
    f = level_db["frequency"].values
    mids = midbands_hz(fraction, max(low_hz, f[0]), min(high_hz, f[-1]))

    def means(energy: DataArray) -> DataArray:
        import xarray as xr

        bands = xr.apply_ufunc(
            lambda e: band_means(e, f, mids, fraction), energy,
            input_core_dims=[["frequency"]], output_core_dims=[["band"]],
        )
        return bands.assign_coords(band=("band", mids, {"units": "Hz"}))

    return _energy(level_db, means)


def seat_spread_db(result: Dataset, fraction: int = 3, low_hz: float = 25.0, high_hz: float = 16000.0) -> DataArray:
    """Standard deviation over the seats of the band level [dB], channels summed in power.

    Two parts, added as variances (law of total variance): the spread of the seats' expected levels, less
    what the coarse frequency grid alone brings into it (`interference_variance`); and what the fluctuation of
    late and scattered sound adds at every seat (`diffuse_variance`), because in a prediction they are means that
    no single seat shows.

    Parameters
    ----------
    result : a study's result or a part of it, with `channel` and `listener` dimensions
    fraction, low_hz, high_hz : the bands

    Returns
    -------
    `band` instead of `channel`, `listener`, `frequency`; NaN with fewer than two seats

    Notes
    -----
    Channels are taken as independent in their late parts; where the drivers of two channels are closer
    than half a wavelength this understates the late share of the spread.

    Examples
    --------
    >>> spread = roomsim.seat_spread_db(quick_result())
    >>> spread.dims
    ('design', 'room', 'setting', 'place', 'band')
    """
    f = result["frequency"].values
    mids = midbands_hz(fraction, max(low_hz, f[0]), min(high_hz, f[-1]))
    width = mids * (OCTAVE ** (0.5 / fraction) - OCTAVE ** (-0.5 / fraction))

    def bands(array: DataArray) -> DataArray:
        import xarray as xr

        means = xr.apply_ufunc(
            lambda e: band_means(e, f, mids, fraction), array,
            input_core_dims=[["frequency"]], output_core_dims=[["band"]],
        )
        return means.assign_coords(band=("band", mids, {"units": "Hz"}))

    beside = 1 - result["wave_weight"] ** 2 if "wave_weight" in result else 1.0
    total = bands(from_db_array(result["level_db"]))
    late = bands(from_db_array(result["late_level_db"]) * beside)
    scattered = (
        bands(from_db_array(result["scattered_level_db"]) * beside) if "scattered_level_db" in result else late * 0
    )
    direct = bands(from_db_array(result["direct_level_db"]))
    early = bands(from_db_array(result["early_level_db"]))
    coherent = (total - late - scattered).clip(min=0)
    decay = _decay_at(result["decay_s"], mids)
    share = (direct / (direct + early)).fillna(1.0)
    variance = diffuse_variance(
        coherent_mean_square=coherent, late_mean_square=late, scattered_mean_square=scattered, direct_share=share,
        bandwidth_hz=coherent["band"].copy(data=width), decay_s=decay,
    )
    sum_total = total.sum("channel", skipna=True, min_count=1)
    relative = variance.sum("channel", skipna=True, min_count=1) / sum_total**2
    expected = sum_total.copy(data=db(sum_total.values)) + relative.copy(data=gamma_bias_db(relative.values))
    own = (relative.copy(data=gamma_spread_db(relative.values)) ** 2).mean("listener")
    true, sampled = (
        ((2 * direct * early * cross + early**2 * square).sum("channel", skipna=True) / sum_total**2).mean("listener")
        for cross, square in _interference(decay, f, fraction)
    )
    seen = expected.var("listener", ddof=1)
    excess = (_DB**2 * (sampled - true)).clip(min=0)
    # less the grid's own noise, but never below the share that a random early field would leave
    between = np.maximum(seen - excess, seen * (true / sampled).clip(max=1).fillna(1))
    spread = np.sqrt(between + own)
    spread.attrs = {"units": "dB", "long_name": "spread over the seats (standard deviation of the band level)"}
    return spread.transpose(..., "band")


def from_db_array(level_db: DataArray) -> DataArray:
    """Energy of a labelled level."""
    return level_db.copy(data=from_db(level_db.values))


def _energy(level_db: DataArray, change) -> DataArray:
    out = change(from_db_array(level_db))
    out = out.copy(data=db(out.values))
    out.attrs = dict(level_db.attrs)
    return out


def _along_frequency(energy: DataArray, change) -> DataArray:
    import xarray as xr

    return xr.apply_ufunc(
        change, energy, input_core_dims=[["frequency"]], output_core_dims=[["frequency"]]
    ).transpose(*energy.dims)


def _interference(decay: DataArray, f: np.ndarray, fraction: int) -> list[list[DataArray]]:
    """`interference_variance` of every case: over all frequencies, then over the grid; alike cases once."""
    mids = decay["band"].values
    rows, where = np.unique(decay.values.reshape(-1, mids.size).round(3), axis=0, return_inverse=True)
    found = np.array([interference_variance(f, mids, fraction, row) for row in rows])   # (n_row, 2, 2, n_band)
    found = found[where.ravel()].reshape(*decay.shape[:-1], 2, 2, mids.size)
    return [[decay.copy(data=found[..., factor, grid, :]) for factor in (0, 1)] for grid in (0, 1)]


def _decay_at(decay_s: DataArray, mids: np.ndarray) -> DataArray:
    """Decay time at other midbands: linear over log frequency, held beyond the first and last band with one."""
    import xarray as xr

    log_f = np.log(decay_s["band"].values)

    def one(row: np.ndarray) -> np.ndarray:
        known = np.isfinite(row)
        return np.interp(np.log(mids), log_f[known], row[known]) if known.any() else np.full(mids.size, np.nan)

    out = xr.apply_ufunc(
        lambda t: np.apply_along_axis(one, -1, t), decay_s, input_core_dims=[["band"]], output_core_dims=[["third"]]
    )
    return out.rename(third="band").assign_coords(band=("band", mids))
