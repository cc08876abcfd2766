"""Frequency weightings of sound level meters, and levels of a programme at the seats."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..bands import db, from_db
from ..errors import InvalidValue

if TYPE_CHECKING:
    from collections.abc import Mapping

    from xarray import DataArray, Dataset

WEIGHTINGS = ("Z", "A", "C")
"""Z: none."""

_POLES_HZ = (20.60, 107.7, 737.9, 12194.0)


def weighting_db(frequency_hz: ArrayLike, kind: str) -> NDArray[np.float64]:
    """Frequency weighting A, C or Z [dB], 0 at 1 kHz [iec61672-1]; shape of `frequency_hz`.

    Raises
    ------
    InvalidValue : another kind
    """
    if kind not in WEIGHTINGS:
        raise InvalidValue("weighting", kind, f"must be one of {', '.join(WEIGHTINGS)}")
    f = np.asarray(frequency_hz, float)
    if kind == "Z":
        return np.zeros(f.shape)
    return 20 * np.log10(_gain(f, kind) / _gain(np.array(1000.0), kind))


def _gain(f: NDArray[np.float64], kind: str) -> NDArray[np.float64]:
    one, two, three, four = (pole**2 for pole in _POLES_HZ)
    square = f**2
    with np.errstate(divide="ignore"):
        gain = square * four / ((square + one) * (square + four))
    return gain * square / np.sqrt((square + two) * (square + three)) if kind == "A" else gain


def pink_weights(frequency_hz: ArrayLike, low_hz: float, high_hz: float) -> NDArray[np.float64]:
    """Share of pink noise of unit mean square at each analysis frequency, 0 outside the range; sums to 1.

    Raises
    ------
    InvalidValue : no analysis frequency in the range
    """
    f = np.asarray(frequency_hz, float)
    inside = (f >= low_hz * 0.99) & (f <= high_hz * 1.01)
    if inside.sum() < 2:
        raise InvalidValue("programme", f"{low_hz:g} to {high_hz:g} Hz", "holds fewer than two analysis frequencies",
                           "widen it, or the study's frequency range")
    weights = np.where(inside, np.gradient(np.log(f)), 0)
    return weights / weights.sum()


def programme_sum_db(level_db: DataArray, channels_db: Mapping[str, float] | None = None) -> DataArray:
    """Level of all channels of a programme whose channels carry unlike signals: power sum, each at its own level.

    Parameters
    ----------
    level_db : of each channel, with a `channel` dimension
    channels_db : level of the signal of each channel [dB]; those that are not named have 0

    Examples
    --------
    >>> level = xr.DataArray([60.0, 60.0], coords={"channel": ["left", "right"]})
    >>> float(roomsim.programme_sum_db(level).round(1)), float(roomsim.programme_sum_db(level, {"right": -20}).round(1))
    (63.0, 60.0)
    """
    gain = _gains(level_db, channels_db) ** 2
    energy = (level_db.copy(data=from_db(level_db.values)) * gain).sum("channel", skipna=True, min_count=1)
    return energy.copy(data=db(energy.values)).assign_attrs(level_db.attrs)


def coherent_sum_db(result: Dataset, channels_db: Mapping[str, float] | None = None) -> DataArray:
    """Level at each seat where all channels carry the same signal: |Σ p|² of what has phase, the rest as energy.

    Parameters
    ----------
    result : with `level_db`, `pressure_real`, `pressure_imag` and `reference_db`
    channels_db : level of the signal in each channel [dB]; those that are not named have 0

    Examples
    --------
    >>> level = roomsim.coherent_sum_db(quick_result(), {"left": 0, "right": -6})
    >>> level.dims
    ('design', 'room', 'setting', 'place', 'listener', 'frequency')
    """
    level = result["level_db"]
    gain = _gains(level, channels_db)
    reference = (20e-6) ** 2 * result["reference_db"].copy(data=from_db(result["reference_db"].values))
    alone = (result["pressure_real"] ** 2 + result["pressure_imag"] ** 2) / reference
    rest = (level.copy(data=from_db(level.values)) - alone).clip(min=0)
    real, imaginary = ((result[name] * gain).sum("channel", skipna=True, min_count=1)
                       for name in ("pressure_real", "pressure_imag"))
    together = (real**2 + imaginary**2) / reference + (rest * gain**2).sum("channel", skipna=True, min_count=1)
    together = together.transpose(*(dim for dim in level.dims if dim != "channel"))
    return together.copy(data=db(together.values)).assign_attrs(level.attrs)


def _gains(level_db: DataArray, channels_db: Mapping[str, float] | None) -> DataArray:
    """Amplitude of each channel's signal."""
    import xarray as xr

    names = [str(name) for name in level_db["channel"].values]
    unknown = set(channels_db or {}) - set(names)
    if unknown:
        raise InvalidValue("channels_db", ", ".join(sorted(unknown)), "is no channel here",
                           f"channels are {', '.join(names)}")
    gains = [10 ** ((channels_db or {}).get(name, 0.0) / 20) for name in names]
    return xr.DataArray(gains, coords={"channel": level_db["channel"].values}, dims=["channel"])
