"""Decay parameters of ISO 3382 from energy over time, the same for simulated and measured responses.

Energy comes in equal steps: step i holds what arrives from i·step_s to (i+1)·step_s. A squared impulse
response is the same thing with one sample per step. Time zero is the arrival of the direct sound.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from enum import IntFlag

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..errors import InvalidValue
from .noise_floor import NoiseFloor, no_noise, noise_floor

PARAMETERS = ("edt_s", "t20_s", "t30_s", "c50_db", "c80_db", "d50", "ts_s", "curvature_percent")
"""EDT, T20, T30 [s], C50, C80 [dB], D50 [1], centre time [s], curvature 100 (T30/T20 - 1) [%]."""

FIT_RANGES_DB = {"edt_s": (0.0, -10.0), "t20_s": (-5.0, -25.0), "t30_s": (-5.0, -35.0)}
USABLE_RANGE_DB = {"edt_s": 25.0, "t20_s": 35.0, "t30_s": 45.0}
"""Decay range above the noise that each evaluation needs [iso3382-1] (transcribed)."""

EARLY_S = {"c50_db": 0.05, "c80_db": 0.08, "d50": 0.05}
LATE_MARGIN_DB = 10.0
"""The energy after the early limit must reach this far above the noise for C50, C80 and D50 to be given."""

CURVATURE_LIMIT_PERCENT = 10.0
"""Beyond this a decay is not straight [iso3382-2] (transcribed)."""

END_MARGIN_DB = 5.0
"""How far a decay without noise must go on below the end of an evaluation range (our choice: the part that
is put back is then under a third of the energy at that end)."""

MIN_RANGE_DB = 20.0
"""Least range for any energy ratio (our choice: the noise is then under 1 % of the energy)."""

FILTER_SHARE = 0.5
"""C50, C80 and D50 are not given where the filter spreads the direct sound over more than this part of the early
time (our choice): third octaves below 80 Hz for 80 ms, below 125 Hz for 50 ms."""

CUT_OFF_DB = 60.0
CURVE_STEP_S = 1e-3
MIN_POINTS = 4


class Flag(IntFlag):
    """Why a value is missing, or what to mind about it."""

    OK = 0
    RANGE = 1            # the usable decay range is too small, or too coarsely sampled
    BANDWIDTH = 2        # bandwidth times decay time too small for the filter
    NO_DECAY = 4         # no decay above the noise
    BAND = 8             # the band reaches above half the sample rate
    CURVED = 16          # the decay is not straight: the value depends on the range it is read from
    CUT_OFF = 32         # the recording ends before the decay reaches the noise
    CLIPPED = 64         # the recording clips
    FEW_POSITIONS = 128  # fewer positions than the method asks for


BLOCKING = Flag.RANGE | Flag.BANDWIDTH | Flag.NO_DECAY | Flag.BAND
"""With one of these a value is not given (NaN)."""

MEANING = {
    Flag.RANGE: "usable decay range too small",
    Flag.BANDWIDTH: "bandwidth times decay time too small for the band filter",
    Flag.NO_DECAY: "no decay above the noise",
    Flag.BAND: "band above half the sample rate",
    Flag.CURVED: "decay not straight (curvature over 10 %)",
    Flag.CUT_OFF: "recording ends before the noise; the rest is extrapolated",
    Flag.CLIPPED: "recording clips",
    Flag.FEW_POSITIONS: "too few positions",
}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DecayCurve:
    """Backward-integrated decay of one response in one band, with what was read from it.

    Attributes
    ----------
    time_s : shape (n,), from the direct sound on
    level_db : energy still to come re all of it, noise taken out, the part beyond the end put back
    energy_s, energy_db : energy over time as it was, means over steps of at least a millisecond, re their
        largest; from before the direct sound to the end of the data, noise included
    fits : parameter -> (slope [dB/s], level at time zero [dB]) of its line
    end_db, end_s : where the curve ends
    to_noise : whether it ends at the noise
    """

    time_s: NDArray[np.float64]
    level_db: NDArray[np.float64]
    energy_s: NDArray[np.float64]
    energy_db: NDArray[np.float64]
    fits: Mapping[str, tuple[float, float]]
    end_db: float
    end_s: float
    to_noise: bool


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DecayAnalysis:
    """Parameters of every response in every band; `analysis["t30_s"]` is an array (n_response, n_band).

    Attributes
    ----------
    band_hz : exact midbands, NaN for broadband, shape (n_band,)
    fraction : 1 for octaves, 3 for third octaves, 0 for broadband
    values : parameter name -> array (n_response, n_band), NaN where not valid
    flags : parameter name -> array of Flag bits, same shape
    usable_range_db : how far the decay can be followed, same shape
    curves : curves[response][band]
    """

    band_hz: NDArray[np.float64]
    fraction: int
    values: Mapping[str, NDArray[np.float64]]
    flags: Mapping[str, NDArray[np.int64]]
    usable_range_db: NDArray[np.float64]
    curves: tuple[tuple[DecayCurve, ...], ...] = field(repr=False)

    def __getitem__(self, parameter: str) -> NDArray[np.float64]:
        return self.values[parameter]

    def reasons(self, parameter: str, response: int, band: int) -> tuple[str, ...]:
        """What is to be known about one value, in words."""
        bits = Flag(int(self.flags[parameter][response, band]))
        return tuple(text for flag, text in MEANING.items() if flag & bits)


@dataclass(frozen=True, slots=True, kw_only=True)
class BandLimits:
    """What a band filter does to the time axis of one band: see energy_filters.

    Attributes
    ----------
    delay_s : by which the filtered energy lies late (negative: early, time-reversed)
    before_s : how far before the direct sound filtered energy begins
    shortest_decay_s : the shortest decay time that may be read
    resolution_s : about the inverse bandwidth
    """

    delay_s: float = 0.0
    before_s: float = 0.0
    shortest_decay_s: float = 0.0
    resolution_s: float = 0.0


NO_FILTER = BandLimits()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Reading:
    """What was read from one response in one band: parameter -> value, parameter -> flags, range, curve."""

    values: dict[str, float]
    flags: dict[str, Flag]
    usable_range_db: float
    curve: DecayCurve


def decay_from_energy(
    energy: ArrayLike,
    step_s: float,
    *,
    band_hz: ArrayLike | None = None,
    fraction: int = 1,
    start_s: ArrayLike = 0.0,
) -> DecayAnalysis:
    """Decay parameters of simulated energy over time, which holds no noise.

    Parameters
    ----------
    energy : shape (..., n_band, n_step); without `band_hz`, shape (..., n_step), one broadband
    step_s : time per step
    band_hz : exact midbands, shape (n_band,)
    start_s : arrival of the direct sound, broadcast to the leading axes (...)

    Raises
    ------
    InvalidValue : negative or infinite energy, no steps, wrong shapes
    """
    e = np.asarray(energy, float)
    if e.ndim == 0 or e.shape[-1] == 0 or not step_s > 0:
        raise InvalidValue("energy", e.shape, "needs at least one time step, and a positive step_s")
    if not np.all(np.isfinite(e)) or e.min() < 0:
        raise InvalidValue("energy", None, "must be finite and not negative")
    if band_hz is None:
        e, bands, fraction = e[..., None, :], np.array([np.nan]), 0
    else:
        bands = np.atleast_1d(np.asarray(band_hz, float))
        if e.ndim < 2 or e.shape[-2] != bands.size:
            raise InvalidValue("energy", e.shape, f"needs an axis of {bands.size} bands before the time axis")
    starts = np.broadcast_to(np.asarray(start_s, float), e.shape[:-2]).reshape(-1)
    rows = e.reshape(-1, bands.size, e.shape[-1])
    read = [
        [read_decay(energies, step_s, start_s=start, noise=False) for energies in row]
        for row, start in zip(rows, starts, strict=True)
    ]
    return collect(read, bands, fraction)


def jackknife_error(without: NDArray[np.float64], whole: NDArray[np.float64]) -> NDArray[np.float64]:
    """Relative standard error of values by how they change when one part in turn is left out [efron-tibshirani1993].

    Parameters
    ----------
    without : values without each of the parts, shape (n_part, ...)
    whole : value with all of them, shape (...)

    Returns
    -------
    shape (...), NaN where a value is
    """
    count = len(without)
    with np.errstate(invalid="ignore"):
        return np.sqrt((count - 1) / count * ((without - without.mean(axis=0)) ** 2).sum(axis=0)) / whole


def collect(
    readings: Sequence[Sequence[Reading]], band_hz: NDArray[np.float64], fraction: int
) -> DecayAnalysis:
    """Join the readings of all responses (rows) and bands."""

    def table(get: Callable[[Reading], float | int]) -> NDArray:
        array = np.array([[get(one) for one in row] for row in readings])
        array.setflags(write=False)
        return array

    return DecayAnalysis(
        band_hz=band_hz,
        fraction=fraction,
        values={name: table(lambda one, name=name: one.values[name]) for name in PARAMETERS},
        flags={name: table(lambda one, name=name: int(one.flags[name])) for name in PARAMETERS},
        usable_range_db=table(lambda one: one.usable_range_db),
        curves=tuple(tuple(one.curve for one in row) for row in readings),
    )


def read_decay(
    energy: NDArray[np.float64],
    step_s: float,
    *,
    start_s: float = 0.0,
    noise: bool = True,
    limits: BandLimits = NO_FILTER,
    common: Flag = Flag.OK,
) -> Reading:
    """Read one response in one band.

    Parameters
    ----------
    energy : shape (n_step,)
    start_s : arrival of the direct sound in `energy`'s time, before any filter
    noise : look for a noise floor, take it out and end the decay there
    limits : of the filter that `energy` has passed
    common : flags that concern the whole response

    Notes
    -----
    E(t) = ∫ p² from t on [schroeder1965]. The noise is subtracted, and the part beyond the crossing is put
    back as an exponential of the late slope, a correction that [iso3382-1] allows. Lines are least squares
    in decibels, T = -60 dB / slope [iso3382-1]. Between steps E is linear.
    """
    first = int(np.clip(np.floor((start_s - limits.before_s) / step_s + 1e-9), 0, energy.size - 1))
    part = energy[first:]
    origin = (start_s + limits.delay_s) / step_s - first                # of the time axis, in steps
    floor = noise_floor(part, step_s, limits.resolution_s) if noise else no_noise(part)
    if not floor.found_decay:
        return nothing(common | Flag.NO_DECAY)
    remaining, beyond = _integral(part, floor)
    total = remaining[0]
    time_s = (np.arange(remaining.size) - origin) * step_s
    level = 10 * np.log10(np.maximum(remaining, 1e-30 * total) / total)
    usable = -10 * np.log10(max(beyond, 1e-30 * total) / total)

    values, flags, fits = {}, {}, {}
    for name in FIT_RANGES_DB:
        values[name], flags[name], line = _decay_time(name, time_s, level, usable, floor.reached, limits)
        if line is not None:
            fits[name] = line
    best = next((values[name] for name in ("t30_s", "t20_s", "edt_s") if np.isfinite(values[name])), np.nan)
    if best <= limits.shortest_decay_s:      # the others may only by chance lie above the limit
        flags = {name: flag | Flag.BANDWIDTH for name, flag in flags.items()}
    for name, limit_s in EARLY_S.items():
        later = _at(remaining, origin + limit_s / step_s) / total
        values[name] = 1 - later if name == "d50" else 10 * np.log10((1 - later) / max(later, 1e-30))
        enough = usable >= max(LATE_MARGIN_DB - 10 * np.log10(max(later, 1e-30)), MIN_RANGE_DB)
        flags[name] = Flag.OK if enough else Flag.RANGE
        if abs(limits.delay_s) > FILTER_SHARE * limit_s:
            flags[name] |= Flag.BANDWIDTH
    moment = remaining.sum() - 0.5 * (total + remaining[-1]) + beyond * floor.late_steps
    values["ts_s"] = (moment / total - origin) * step_s
    flags["ts_s"] = Flag.OK if usable >= MIN_RANGE_DB else Flag.RANGE
    if best <= limits.shortest_decay_s:
        flags["ts_s"] |= Flag.BANDWIDTH
    values["curvature_percent"] = 100 * (values["t30_s"] / values["t20_s"] - 1)
    flags["curvature_percent"] = flags["t20_s"] | flags["t30_s"]
    if abs(values["curvature_percent"]) > CURVATURE_LIMIT_PERCENT and not flags["curvature_percent"]:
        for name in ("t20_s", "t30_s", "curvature_percent"):
            flags[name] |= Flag.CURVED
    if noise and not floor.reached and usable < CUT_OFF_DB:
        common |= Flag.CUT_OFF
    flags = {name: flag | common for name, flag in flags.items()}
    thin = max(int(CURVE_STEP_S / step_s), 1)
    energy_s, energy_db = _energy_over_time(part, origin, step_s, thin)
    return Reading(
        values={name: np.nan if flags[name] & BLOCKING else float(value) for name, value in values.items()},
        flags=flags,
        usable_range_db=float(usable),
        curve=DecayCurve(
            time_s=time_s[::thin], level_db=level[::thin], energy_s=energy_s, energy_db=energy_db, fits=fits,
            end_db=float(-usable), end_s=float(time_s[-1]), to_noise=floor.reached,
        ),
    )


def nothing(flags: Flag) -> Reading:
    """A reading without values, for the reason in `flags`."""
    empty = np.empty(0)
    return Reading(
        values=dict.fromkeys(PARAMETERS, np.nan),
        flags=dict.fromkeys(PARAMETERS, flags),
        usable_range_db=0.0,
        curve=DecayCurve(
            time_s=empty, level_db=empty, energy_s=empty, energy_db=empty, fits={}, end_db=0.0, end_s=0.0,
            to_noise=False,
        ),
    )


def _energy_over_time(
    energy: NDArray[np.float64], origin: float, step_s: float, thin: int
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Times and levels of block means re the largest, -200 dB for none."""
    count = energy.size // thin
    means = energy[: count * thin].reshape(count, thin).mean(axis=1)
    time_s = ((np.arange(count) + 0.5) * thin - origin) * step_s
    return time_s, 10 * np.log10(np.maximum(means / max(means.max(), 1e-300), 1e-20))


def _integral(energy: NDArray[np.float64], floor: NoiseFloor) -> tuple[NDArray[np.float64], float]:
    """Energy still to come at every step edge up to the end of the decay, and its part beyond that end."""
    used = energy[: floor.cross] - floor.noise
    if floor.reached:
        beyond = floor.noise * floor.late_steps
    else:
        window = int(np.clip(2.3 * floor.late_steps, 1, used.size))      # the last 10 dB
        beyond = used[-window:].sum() / np.expm1(window / floor.late_steps)
    remaining = np.concatenate([np.cumsum(used[::-1])[::-1], [0.0]]) + beyond
    return remaining, float(beyond)


def _decay_time(
    name: str,
    time_s: NDArray[np.float64],
    level: NDArray[np.float64],
    usable: float,
    to_noise: bool,
    limits: BandLimits,
) -> tuple[float, Flag, tuple[float, float] | None]:
    """Decay time, flag and line (slope, level at zero) from one evaluation range."""
    high, low = FIT_RANGES_DB[name]
    need = USABLE_RANGE_DB[name] if to_noise else END_MARGIN_DB - low
    below = np.flatnonzero(level < low)
    if usable < need or not below.size:
        return np.nan, Flag.RANGE, None
    use = np.flatnonzero((level[: below[0]] <= high) & (time_s[: below[0]] >= -1e-12))
    if use.size < MIN_POINTS:
        return np.nan, Flag.RANGE, None
    t, y = time_s[use], level[use]
    centre = t.mean()
    slope = float(((t - centre) * (y - y.mean())).sum() / ((t - centre) ** 2).sum())
    if not slope < 0:
        return np.nan, Flag.NO_DECAY, None
    decay = -60 / slope
    flag = Flag.OK if decay > limits.shortest_decay_s else Flag.BANDWIDTH
    return decay, flag, (slope, float(y.mean() - slope * centre))


def _at(remaining: NDArray[np.float64], step: float) -> float:
    """E at a fractional step."""
    return float(np.interp(step, np.arange(remaining.size), remaining))
