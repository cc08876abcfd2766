"""Frequency grids, fractional-octave bands (IEC 61260-1), band means, smoothing, decibels.

Everything is base-ten: one octave is the ratio G = 10^0.3, and the midbands are 1000·G^k or third-octave
steps of it, so that the analysis grid and the bands share their points. The last axis is frequency.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .errors import InvalidValue

OCTAVE = 10**0.3
"""Octave ratio G of IEC 61260-1 (base ten) [iec61260-1]."""

_NOMINAL = np.array([1, 1.25, 1.6, 2, 2.5, 3.15, 4, 5, 6.3, 8])
OCTAVES_HZ = 1000 * OCTAVE ** np.arange(-4, 4)
"""Exact midbands of the octaves 63 Hz to 8 kHz."""


def midbands_hz(fraction: int, low_hz: float, high_hz: float) -> NDArray[np.float64]:
    """Exact midbands of 1/`fraction`-octave bands whose midbands lie from low_hz to high_hz.

    Nominal limits work: midbands_hz(1, 63, 8000) has the eight octaves 63 Hz to 8 kHz. For even
    fractions the midbands lie between the steps of 1 kHz (IEC 61260-1, equation 3).
    """
    _check_range(low_hz, high_hz)
    offset = 0.0 if fraction % 2 else 0.5
    step = np.arange(-12 * fraction, 12 * fraction + 1) + offset
    mids = 1000 * OCTAVE ** (step / fraction)
    return mids[(mids > low_hz * 0.97) & (mids < high_hz * 1.03)]


def band_edges_hz(mid_hz: ArrayLike, fraction: int) -> NDArray[np.float64]:
    """Lower and upper edges of the bands, shape (n_band, 2)."""
    mid = np.asarray(mid_hz, float)
    half = OCTAVE ** (0.5 / fraction)
    return np.stack([mid / half, mid * half], axis=-1)


def analysis_grid_hz(
    low_hz: float = 20.0, high_hz: float = 20000.0, per_octave: int = 48
) -> NDArray[np.float64]:
    """Log-spaced frequencies 1000·G^(k/per_octave) that lie from low_hz to high_hz (1 % beyond is inside)."""
    _check_range(low_hz, high_hz)
    step = np.arange(-12 * per_octave, 12 * per_octave + 1)
    grid = 1000 * OCTAVE ** (step / per_octave)
    return grid[(grid >= low_hz * 0.99) & (grid <= high_hz * 1.01)]


def nominal(frequency_hz: float) -> str:
    """The nominal name of an octave or third-octave midband: 63, 125, …, 1k, 1.25k."""
    exponent = np.floor(np.log10(frequency_hz) + 1e-9)
    mantissa = frequency_hz / 10**exponent
    ratios = np.append(_NOMINAL, 10)
    best = float(ratios[np.argmin(np.abs(np.log(ratios / mantissa)))]) * 10**exponent
    return f"{best / 1000:g}k" if best >= 1000 else f"{best:g}"


def db(mean_square: ArrayLike, reference: float = 1.0) -> NDArray[np.float64]:
    """10 lg of an energy-like quantity; zero becomes -inf without a warning."""
    with np.errstate(divide="ignore"):
        return 10 * np.log10(np.asarray(mean_square, float) / reference)


def from_db(level_db: ArrayLike) -> NDArray[np.float64]:
    """Energy-like quantity of a level."""
    return 10 ** (np.asarray(level_db, float) / 10)


def band_means(
    mean_square: ArrayLike, frequency_hz: ArrayLike, mid_hz: ArrayLike, fraction: int
) -> NDArray[np.float64]:
    """Mean of an energy-like quantity over each band, on a logarithmic frequency axis.

    Parameters
    ----------
    mean_square : shape (..., n_frequency), linear (never decibels)
    frequency_hz : shape (n_frequency,), rising
    mid_hz : shape (n_band,), exact midbands
    fraction : bands are 1/fraction octave wide

    Returns
    -------
    shape (..., n_band); NaN where no frequency falls into a band
    """
    weights = band_weights(frequency_hz, mid_hz, fraction)
    total = weights.sum(axis=1)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(total > 0, np.asarray(mean_square, float) @ weights.T / total, np.nan)


def band_weights(frequency_hz: ArrayLike, mid_hz: ArrayLike, fraction: int) -> NDArray[np.float64]:
    """How much of each grid cell (in log frequency) lies in each band, shape (n_band, n_frequency)."""
    log_f = np.log(np.asarray(frequency_hz, float))
    if log_f.size == 1:
        cells = np.array([log_f[0] - 1e-9, log_f[0] + 1e-9])
    else:
        middle = (log_f[1:] + log_f[:-1]) / 2
        cells = np.concatenate([[2 * log_f[0] - middle[0]], middle, [2 * log_f[-1] - middle[-1]]])
    edges = np.log(band_edges_hz(mid_hz, fraction))
    low = np.maximum(cells[None, :-1], edges[:, :1])
    high = np.minimum(cells[None, 1:], edges[:, 1:])
    return np.clip(high - low, 0, None)


def smoothed(mean_square: ArrayLike, frequency_hz: ArrayLike, fraction: float) -> NDArray[np.float64]:
    """Energy smoothing over a sliding window 1/`fraction` octave wide; same shape."""
    f = np.asarray(frequency_hz, float)
    values = np.asarray(mean_square, float)
    log_f = np.log(f)
    if f.size < 2:
        return values.copy()
    middle = (log_f[1:] + log_f[:-1]) / 2
    cells = np.concatenate([[log_f[0]], middle, [log_f[-1]]])
    integral = np.concatenate(
        [np.zeros((*values.shape[:-1], 1)), np.cumsum(values * np.diff(cells), axis=-1)], axis=-1
    )
    half = 0.5 * np.log(OCTAVE) / fraction
    low, high = np.maximum(log_f - half, cells[0]), np.minimum(log_f + half, cells[-1])

    def at(x: NDArray[np.float64]) -> NDArray[np.float64]:
        k = np.clip(np.searchsorted(cells, x, side="right") - 1, 0, f.size - 1)
        return integral[..., k] + values[..., k] * (x - cells[k])

    return (at(high) - at(low)) / (high - low)


def _check_range(low_hz: float, high_hz: float) -> None:
    if not 0 < low_hz <= high_hz:
        raise InvalidValue("frequency range", (low_hz, high_hz), "must be positive and rising")
