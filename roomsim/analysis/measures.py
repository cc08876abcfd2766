"""Numbers that judge a response at the seats, each with its definition and its source.

Every function takes energies per twelfth of an octave, with any leading axes: `averages` weighs the seats, so that
drawing them again costs one matrix product.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..bands import db
from .seat_bands import wider
from .target import Target

Array = NDArray[np.float64]

TARGET_RANGE_HZ = (50.0, 16000.0)
SLOPE_RANGE_HZ = (100.0, 10000.0)
HALF_OCTAVES_HZ = (106.0, 12000.0)
"""Half octaves whose lower edges lie from 100 Hz on."""
REFERENCE_RANGE_HZ = (315.0, 10000.0)
"""Third octaves whose mean is the 0 dB of bass extension: 300 Hz to 10 kHz."""
BALANCE_RANGE_HZ = (500.0, 4000.0)
MATCH_RANGE_HZ = (200.0, 10000.0)
BASS_DOWN_DB = -6.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Measure:
    """A number per design and room.

    Attributes
    ----------
    key : name in arrays and files; ends in its unit
    title, unit : for people
    better : "low" where less is better, "high", or "" where the number only describes
    least : smallest difference that counts; below it a difference that is real is called too small to matter
    form : how a number is written
    definition : formula in words
    source : where it comes from; "ours" for this project's own
    """

    key: str
    title: str
    unit: str
    better: str
    least: float
    form: str
    definition: str
    source: str = "ours"


MEASURES: tuple[Measure, ...] = (
    Measure(
        key="target_deviation_db", title="deviation from the target", unit="dB", better="low", least=0.3, form=".1f",
        definition="root mean square over third octaves, 50 Hz to 16 kHz, of the seat-averaged level less the target, "
                   "the target's level fitted",
    ),
    Measure(
        key="slope_db_per_octave", title="slope", unit="dB/octave", better="", least=0.2, form="+.1f",
        definition="least-squares straight line of the seat-averaged third octaves, 100 Hz to 10 kHz, over octaves",
    ),
    Measure(
        key="narrow_band_deviation_db", title="roughness", unit="dB", better="low", least=0.2, form=".1f",
        definition="mean over half octaves, 100 Hz to 12 kHz, of the mean |level of a twelfth − mean level of its half "
                   "octave|; seat-averaged",
        source="NBD of [olive2004] (formula from memory, high confidence), there 1/20-octave levels of a predicted "
               "in-room response",
    ),
    Measure(
        key="bass_extension_hz", title="bass extension (−6 dB)", unit="Hz", better="low", least=5.0, form=".0f",
        definition="lowest frequency from which on, up to 300 Hz, the seat-averaged level over one octave stays above "
                   "−6 dB re its mean from 300 Hz to 10 kHz",
        source="the −6 dB point of [olive2004], there of the sound power; the octave, against modes, is ours",
    ),
    Measure(
        key="direct_to_rest_db", title="direct re early and late sound", unit="dB", better="", least=1.0, form="+.1f",
        definition="10 lg(direct / (early + late)), energies averaged over the seats, mean of third octaves, 500 Hz to "
                   "4 kHz: an equaliser does not change it",
    ),
    Measure(
        key="clarity_db", title="clarity (80 ms)", unit="dB", better="high", least=1.0, form="+.1f",
        definition="10 lg((direct + early) / late), early until 80 ms after the direct sound, energies averaged over "
                   "the seats, mean of third octaves, 500 Hz to 4 kHz",
        source="C80 of [iso3382-1]; the least difference is that standard's just noticeable one",
    ),
    Measure(
        key="direct_slope_db_per_octave", title="slope of the direct sound", unit="dB/octave", better="", least=0.2,
        form="+.1f", definition="as slope, of the direct sound alone",
    ),
    Measure(
        key="early_slope_db_per_octave", title="slope of the early sound", unit="dB/octave", better="", least=0.2,
        form="+.1f", definition="as slope, of the early reflections alone",
    ),
    Measure(
        key="late_slope_db_per_octave", title="slope of the late sound", unit="dB/octave", better="", least=0.2,
        form="+.1f", definition="as slope, of the late sound alone: its timbre is heard by itself",
    ),
    Measure(
        key="seat_difference_db", title="seat to seat", unit="dB", better="low", least=0.2, form=".1f",
        definition="standard deviation over the seats of the expected third-octave levels, root mean square of the "
                   "bands from 100 Hz to 10 kHz; without the fluctuation of late sound, which is alike for all designs",
    ),
    Measure(
        key="left_right_difference_db", title="left against right", unit="dB", better="low", least=0.3, form=".1f",
        definition="root mean square over third octaves, 200 Hz to 10 kHz, of the seat-averaged level of the left less "
                   "that of the right channel",
    ),
    Measure(
        key="speech_index", title="speech transmission index", unit="", better="high", least=0.03, form=".2f",
        definition="STI at a seat from the energy over time of the octaves 125 Hz to 8 kHz, all channels playing the "
                   "dialogue, no noise; mean over the seats",
        source="[iec60268-16], indirect method, male speech, weights from memory; just noticeable: 0.03, from memory",
    ),
    Measure(
        key="lateral_fraction", title="early lateral fraction", unit="", better="", least=0.05, form=".2f",
        definition="energy from 5 to 80 ms seen by a figure-of-eight across, over all energy to 80 ms; middle seat, "
                   "500 Hz to 4 kHz, listed reflections by their directions, other early sound from everywhere",
        source="LF of [iso3382-1], there 125 Hz to 1 kHz; the least difference is that standard's, from memory",
    ),
    Measure(
        key="interaural_correlation", title="interaural correlation", unit="", better="", least=0.075, form=".2f",
        definition="IACC of the early sound, mean of the octaves 500 Hz to 2 kHz; middle seat, paths as for the "
                   "lateral fraction, taken as incoherent; head: a rigid sphere of 8.75 cm radius, ears at "
                   "100° to either side",
        source="IACC_E3 of [iso3382-1]; the least difference is that standard's, from memory; the head model is ours",
    ),
)
"""Where the source is "ours", formula and least difference are this project's own choices."""

MIDDLE_SEAT = ("lateral_fraction", "interaural_correlation")
"""Measures of the middle seat alone, from the directions of its paths (spatial.py)."""
BY_KEY = {measure.key: measure for measure in MEASURES}


def averages(parts: Mapping[str, Array], band_hz: Array, weights: Array | None = None) -> dict[str, Array]:
    """Averages over the seats, as they are or with weights.

    Parameters
    ----------
    parts : total, direct, early, late: energies, shape (n_seat, n_band); pair: (2, n_seat, n_band), may miss
    weights : shape (n_draw, n_seat), each row sums to 1; without them every seat counts alike

    Returns
    -------
    the parts, shape (n_draw, n_band), pair (n_draw, 2, n_band); seat_variance of third-octave levels [dB²], 100 Hz to
    10 kHz, shape (n_draw, n_third). Without weights n_draw is 1
    """
    seats = parts["total"].shape[-2]
    w = np.full((1, seats), 1 / seats) if weights is None else np.asarray(weights, float)
    out = {name: w @ parts[name] for name in ("total", "direct", "early", "late")}
    if parts.get("pair") is not None:
        out["pair"] = np.moveaxis(w @ parts["pair"], 0, 1)
    level = db(wider(parts["total"], band_hz, 3, *SLOPE_RANGE_HZ)[0])
    level = level - level.mean(axis=-2, keepdims=True)
    variance = w @ level**2 - (w @ level) ** 2
    out["seat_variance"] = variance * seats / (seats - 1) if seats > 1 else np.full_like(variance, np.nan)
    if parts.get("speech") is not None:
        out["speech"] = w @ parts["speech"]
    return out


def measure(mean: Mapping[str, Array], band_hz: Array, target: Target) -> dict[str, Array]:
    """Every measure from averages over the seats.

    Parameters
    ----------
    mean : as `averages` returns it
    band_hz : midbands of the twelfths of an octave, shape (n_band,)
    target : what the response is measured against

    Returns
    -------
    key -> shape (n_draw,); NaN where a measure does not apply or has no band
    """
    low, high = BALANCE_RANGE_HZ
    at = {name: wider(mean[name], band_hz, 3, low, high)[0] for name in ("direct", "early", "late")}
    total = mean["total"]
    out = {
        "target_deviation_db": target_deviation_db(total, band_hz, target),
        "slope_db_per_octave": slope_db(total, band_hz),
        "narrow_band_deviation_db": narrow_band_deviation_db(total, band_hz),
        "bass_extension_hz": bass_extension_hz(total, band_hz),
        "direct_to_rest_db": _of(db(at["direct"]) - db(at["early"] + at["late"])),
        "clarity_db": _of(db(at["direct"] + at["early"]) - db(at["late"])),
        **{f"{name}_slope_db_per_octave": slope_db(mean[name], band_hz) for name in ("direct", "early", "late")},
        "seat_difference_db": np.sqrt(np.maximum(_of(mean["seat_variance"]), 0)),
        "left_right_difference_db": (
            left_right_difference_db(mean["pair"], band_hz) if "pair" in mean else _nothing(total)
        ),
        "speech_index": mean["speech"] if "speech" in mean else _nothing(total),
        **dict.fromkeys(MIDDLE_SEAT, _nothing(total)),
    }
    return {key: np.asarray(out[key], float) for key in BY_KEY}


def target_deviation_db(energy: Array, band_hz: Array, target: Target) -> Array:
    """Root mean square of level less target, third octaves, the target's level fitted; (..., n_band) -> (...)."""
    thirds, mids = wider(energy, band_hz, 3, *TARGET_RANGE_HZ)
    off = db(thirds) - target.at(mids)
    return off.std(axis=-1) if mids.size else _nothing(energy)


def slope_db(energy: Array, band_hz: Array, range_hz: tuple[float, float] = SLOPE_RANGE_HZ) -> Array:
    """Slope of the straight line through third octaves [dB per octave]; (..., n_band) -> (...)."""
    thirds, mids = wider(energy, band_hz, 3, *range_hz)
    if mids.size < 3:
        return _nothing(energy)
    octaves = np.log2(mids) - np.log2(mids).mean()
    with np.errstate(invalid="ignore"):
        return (db(thirds) @ octaves) / (octaves @ octaves)


def narrow_band_deviation_db(energy: Array, band_hz: Array) -> Array:
    """Mean deviation of the twelfths from their half octave's mean level; (..., n_band) -> (...)."""
    _, halves = wider(energy, band_hz, 2, *HALF_OCTAVES_HZ)
    if not halves.size:
        return _nothing(energy)
    first = np.searchsorted(band_hz, halves) - 3
    level = db(energy[..., first[:, None] + np.arange(6)])
    return np.abs(level - level.mean(axis=-1, keepdims=True)).mean(axis=(-1, -2))


def bass_extension_hz(energy: Array, band_hz: Array) -> Array:
    """Where the octave-wide level falls by 6 dB for the first time below 300 Hz; (..., n_band) -> (...).

    Linear between twelfths over log frequency; the lowest band where it never falls so far.
    """
    thirds, mids = wider(energy, band_hz, 3, *REFERENCE_RANGE_HZ)
    octave = _octave_wide(energy)
    low = band_hz <= 300.0
    if not mids.size or low.sum() < 2:
        return _nothing(energy)
    over = db(octave[..., low]) - db(thirds.mean(axis=-1))[..., None] - BASS_DOWN_DB
    f = np.log(band_hz[low])
    below = over < 0
    last = below.shape[-1] - 1 - np.argmax(below[..., ::-1], axis=-1)      # highest band that is below
    none, top = ~below.any(axis=-1), last == below.shape[-1] - 1
    k = np.minimum(last, below.shape[-1] - 2)
    y0 = np.take_along_axis(over, k[..., None], -1)[..., 0]
    y1 = np.take_along_axis(over, k[..., None] + 1, -1)[..., 0]
    with np.errstate(invalid="ignore", divide="ignore"):
        at = f[k] + (f[k + 1] - f[k]) * np.where(y1 > y0, -y0 / (y1 - y0), 0.0)
    return np.where(none, band_hz[0], np.where(top, np.nan, np.exp(at)))


def left_right_difference_db(pair: Array, band_hz: Array) -> Array:
    """Root mean square of left less right, third octaves; (..., 2, n_band) -> (...)."""
    thirds, mids = wider(pair, band_hz, 3, *MATCH_RANGE_HZ)
    if not mids.size:
        return _nothing(pair[..., 0, :])
    return np.sqrt(((db(thirds[..., 0, :]) - db(thirds[..., 1, :])) ** 2).mean(axis=-1))


def _octave_wide(energy: Array) -> Array:
    """Sliding mean over an octave of twelfths: eleven whole ones and two halves; narrower at the ends."""
    weights = np.convolve(np.ones(12), [0.5, 0.5])
    n = energy.shape[-1]
    matrix = np.zeros((n, n))
    for k in range(n):
        cells = np.arange(k - 6, k + 7)
        inside = (cells >= 0) & (cells < n)
        matrix[k, cells[inside]] = weights[inside] / weights[inside].sum()
    return energy @ matrix.T


def _of(bands: Array) -> Array:
    return bands.mean(axis=-1) if bands.shape[-1] else np.full(bands.shape[:-1], np.nan)


def _nothing(energy: Array) -> Array:
    return np.full(energy.shape[:-1], np.nan)
