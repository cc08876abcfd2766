"""Decay analysis of impulse responses, simulated or measured: the checks, the bands, the positions."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..bands import midbands_hz
from ..errors import InvalidValue
from .decay import PARAMETERS, BandLimits, DecayAnalysis, Flag, Reading, collect, nothing, read_decay
from .energy_filters import band_filter, shortest_decay_s

FRACTIONS = {"octave": 1, "third-octave": 3, "broadband": 0}
RATE_LIMITS_HZ = (2000.0, 1_000_000.0)
SHORTEST_S = 0.05
START_DB = -20.0
"""The direct sound arrives where the response first comes this near its maximum [iso3382-1] (transcribed)."""

CLIPPED_RUN = 3
"""So many equal samples in a row at the largest magnitude are taken for clipping (our choice)."""


def analyse_impulse_response(
    samples: ArrayLike | Sequence[ArrayLike],
    rate_hz: float,
    *,
    bands: str = "octave",
    low_hz: float = 63.0,
    high_hz: float = 8000.0,
    reverse_time: bool = True,
) -> DecayAnalysis:
    """Decay parameters of one or several impulse responses.

    Parameters
    ----------
    samples : shape (n,) or (n_response, n), float or integer of any scale; or a list of arrays (n,)
    rate_hz : sample rate
    bands : "octave", "third-octave" or "broadband"
    low_hz, high_hz : nominal range of the midbands
    reverse_time : filter backwards in time, which reads shorter decays in narrow bands [jacobsen1987]

    Raises
    ------
    InvalidValue : what is no impulse response (silence, a constant, too short, not finite), two axes the
        wrong way round, an impossible rate, or an unknown kind of band

    Notes
    -----
    What can be told only from the decay (noise, range, clipping, filters) is a flag, not an error. The time
    axis of a band starts at the direct sound of the whole response, moved by the centre of gravity of the
    band filter's squared impulse response.
    """
    if bands not in FRACTIONS:
        raise InvalidValue("bands", bands, f"must be one of {', '.join(FRACTIONS)}")
    rate = checked_rate(rate_hz)
    fraction = FRACTIONS[bands]
    mids = midbands_hz(fraction, low_hz, high_hz) if fraction else np.array([np.nan])
    responses = checked_responses(samples, rate)
    readings = [_read_response(x, rate, mids, fraction, reverse_time) for x in responses]
    return collect(readings, mids, fraction)


def checked_rate(rate_hz: float) -> float:
    """The sample rate as a float; InvalidValue for one that no recording of sound has."""
    low, high = RATE_LIMITS_HZ
    if not low <= float(rate_hz) <= high:
        raise InvalidValue("sample rate", rate_hz, f"must be {low:g} to {high:g} Hz", "is it in kilohertz?")
    return float(rate_hz)


def checked_responses(samples: ArrayLike | Sequence[ArrayLike], rate_hz: float) -> list[NDArray[np.float64]]:
    """One float array per response; raises what analyse_impulse_response says."""
    array = None if _ragged(samples) else np.asarray(samples)
    if array is not None and array.ndim not in (1, 2):
        raise InvalidValue("samples", array.shape, "must have shape (n,) or (n_response, n)")
    if array is not None and array.ndim == 2 and array.shape[0] > array.shape[1]:
        raise InvalidValue("samples", array.shape, "the last axis must be time", "transpose the array")
    rows = [np.asarray(row) for row in (samples if array is None else np.atleast_2d(array))]
    return [_checked(row, index, rate_hz) for index, row in enumerate(rows)]


def _ragged(samples: ArrayLike | Sequence[ArrayLike]) -> bool:
    return isinstance(samples, (list, tuple)) and len({np.shape(row) for row in samples}) > 1


def _checked(row: NDArray, index: int, rate_hz: float) -> NDArray[np.float64]:
    key = f"response {index + 1}"
    if row.ndim != 1 or np.iscomplexobj(row) or row.dtype.kind not in "iuf":
        raise InvalidValue(key, f"{row.dtype} {row.shape}", "must be real samples along one axis")
    x = row.astype(float)
    if row.dtype == np.uint8:
        x -= 128                                             # unsigned bytes have their zero there
    if not np.all(np.isfinite(x)):
        raise InvalidValue(key, None, "holds samples that are not finite numbers")
    if x.size < SHORTEST_S * rate_hz:
        raise InvalidValue(
            key, f"{x.size} samples", f"too short: {1e3 * x.size / rate_hz:.3g} ms, at least 50 ms are needed"
        )
    if not np.any(x):
        raise InvalidValue(key, None, "is silent", "is it the right channel?")
    if np.ptp(x) <= 1e-9 * np.abs(x).max():
        raise InvalidValue(key, None, "is a constant, not a sound")
    return x[: int(np.flatnonzero(x)[-1]) + 1]               # digital silence at the end is no noise floor


def _read_response(
    x: NDArray[np.float64], rate: float, mids: NDArray[np.float64], fraction: int, reverse_time: bool
) -> list[Reading]:
    common = Flag.CLIPPED if is_clipped(x) else Flag.OK
    start = direct_sound_index(x)
    if start is None:
        return [nothing(common | Flag.NO_DECAY) for _ in mids]
    if not fraction:
        return [read_decay(x**2, 1 / rate, start_s=start / rate, common=common)]
    return [_read_band(x, rate, float(mid), fraction, reverse_time, start, common) for mid in mids]


def _read_band(
    x: NDArray[np.float64], rate: float, mid: float, fraction: int, reverse_time: bool, start: int, common: Flag
) -> Reading:
    try:
        band = band_filter(mid, fraction, rate)
    except InvalidValue:
        return nothing(common | Flag.BAND)
    filtered, zero = band.apply(x, rate, reverse_time=reverse_time)
    ring = filtered.size - x.size
    # Reversed, the filter has not yet swung in at the end of the recording; forward it rings past the end.
    used = filtered[: filtered.size - ring]
    sign = -1 if reverse_time else 1
    limits = BandLimits(
        delay_s=sign * band.centroid_s,
        before_s=band.length_s if reverse_time else 0.0,
        shortest_decay_s=shortest_decay_s(band, reverse_time=reverse_time),
        resolution_s=1 / band.width_hz,
    )
    if used.size < 2 * ring:
        return nothing(common | Flag.BANDWIDTH)
    return read_decay(used**2, 1 / rate, start_s=(start + zero) / rate, limits=limits, common=common)


def direct_sound_index(x: NDArray[np.float64]) -> int | None:
    """First sample within 20 dB of the maximum and clear of the noise at the end; None for only noise."""
    magnitude = np.abs(x)
    peak = magnitude.max()
    noise = np.sqrt(np.mean(x[-max(x.size // 10, 1) :] ** 2))
    limit = max(peak * 10 ** (START_DB / 20), 5 * noise)     # 5 σ: one sample in two million of normal noise
    return None if limit > 0.9 * peak else int(np.argmax(magnitude >= limit))


def is_clipped(x: NDArray[np.float64]) -> bool:
    """Whether at least CLIPPED_RUN samples in a row stand at the largest magnitude."""
    top = np.abs(x) >= np.abs(x).max() * (1 - 1e-12)
    run = np.convolve(top & (np.diff(x, prepend=x[0] + 1) == 0), np.ones(CLIPPED_RUN - 1), "valid")
    return bool(np.any(run >= CLIPPED_RUN - 1))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SpatialMean:
    """Mean over positions of each parameter, shape (n_band,) each; NaN where no position is valid.

    Attributes
    ----------
    mean, standard_deviation : parameter -> array; the deviation is that of the sample (n - 1)
    count : parameter -> number of valid positions
    flags : parameter -> Flag bits that concern the mean
    """

    mean: Mapping[str, NDArray[np.float64]]
    standard_deviation: Mapping[str, NDArray[np.float64]]
    count: Mapping[str, NDArray[np.int64]]
    flags: Mapping[str, NDArray[np.int64]]


POSITIONS = {"survey": 2, "engineering": 6, "precision": 12}
"""Least source-microphone combinations of [iso3382-2] table 1 (from memory, high confidence)."""


def spatial_mean(analysis: DecayAnalysis, method: str = "engineering") -> SpatialMean:
    """Arithmetic mean over the responses of an analysis, with its spread.

    Decay times are averaged as times and C50, C80 in decibels, as [iso3382-1] and [iso3382-2] do for single
    values (from memory). Too few valid positions for the method set a flag, the mean stays.
    """
    if method not in POSITIONS:
        raise InvalidValue("method", method, f"must be one of {', '.join(POSITIONS)}")
    mean, deviation, count, flags = {}, {}, {}, {}
    for name in PARAMETERS:
        values = analysis[name]
        valid = np.isfinite(values)
        n = valid.sum(axis=0)
        filled = np.where(valid, values, 0)
        with np.errstate(invalid="ignore", divide="ignore"):
            mean[name] = filled.sum(axis=0) / n
            square = np.where(valid, values - mean[name], 0) ** 2
            deviation[name] = np.sqrt(square.sum(axis=0) / (n - 1))
        deviation[name] = np.where(n > 1, deviation[name], np.nan)
        count[name] = n
        flags[name] = np.where(n < POSITIONS[method], int(Flag.FEW_POSITIONS), 0)
    return SpatialMean(mean=mean, standard_deviation=deviation, count=count, flags=flags)


_PRECISION = {"t20_s": (0.88, 1.90), "t30_s": (0.55, 1.52)}


def decay_precision(parameter: str, decay_s: ArrayLike, width_hz: ArrayLike, positions: int) -> NDArray[np.float64]:
    """Relative standard deviation of a spatial mean of T20 or T30, from the statistics of the decay alone.

    Parameters
    ----------
    parameter : "t20_s" or "t30_s"
    decay_s, width_hz : decay time and bandwidth; shapes broadcast
    positions : number of source-microphone combinations

    References: [iso3382-2] clause 7.1, equations 4 and 5 (transcribed), an integrated impulse response
    standing for ten decays.
    """
    scale, spread = _PRECISION[parameter]
    periods = positions * np.asarray(width_hz, float) * np.asarray(decay_s, float)
    return scale * np.sqrt((1 + spread / 10) / periods)
