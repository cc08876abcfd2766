"""Low-frequency correction of an anechoic chamber from loudspeakers measured there and in free space.

Common practice, no source: an anechoic room stops being anechoic below a cut-off, often 80 Hz. Measure several
loudspeakers in free space and in the chamber, average the difference of their levels, subtract it; good to
about ±1 dB to 20 Hz. The spread over the loudspeakers is what the correction does not know.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..errors import DefinitionError, InvalidValue, Problem
from .measured import MeasuredDirectivity

CUT_OFF_HZ = 80.0
"""Usual cut-off of a chamber (common practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ResponsePair:
    """One loudspeaker on axis in free space and in the chamber, levels for the same drive.

    Attributes
    ----------
    label : the loudspeaker
    free_hz, free_db : in free space, shapes (n,); relative levels will do, if they are the same in both
    chamber_hz, chamber_db : in the chamber, shapes (m,)
    """

    label: str
    free_hz: NDArray[np.float64]
    free_db: NDArray[np.float64]
    chamber_hz: NDArray[np.float64]
    chamber_db: NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ChamberCorrection:
    """What the chamber adds to a level, and how well that is known.

    Attributes
    ----------
    name : of the chamber
    frequency_hz : rising, shape (n_frequency,)
    mean_db : chamber minus free space, mean over the loudspeakers, shape (n_frequency,)
    spread_db : standard deviation over the loudspeakers, shape (n_frequency,)
    count : loudspeakers
    cut_off_hz : the correction is whole below, and gone one blend above
    blend_octaves : width of the blend above the cut-off
    """

    name: str
    frequency_hz: NDArray[np.float64]
    mean_db: NDArray[np.float64]
    spread_db: NDArray[np.float64]
    count: int
    cut_off_hz: float = CUT_OFF_HZ
    blend_octaves: float = 1.0

    def __post_init__(self) -> None:
        for key in ("frequency_hz", "mean_db", "spread_db"):
            array = np.array(getattr(self, key), float)
            array.setflags(write=False)
            object.__setattr__(self, key, array)
        f = self.frequency_hz
        if f.ndim != 1 or f.size < 2 or not np.all(np.isfinite(f)) or f[0] <= 0 or np.any(np.diff(f) <= 0):
            raise InvalidValue("frequency_hz", f, "must be positive and rising, at least two")
        for key in ("mean_db", "spread_db"):
            array = getattr(self, key)
            if array.shape != f.shape or not np.all(np.isfinite(array)):
                raise InvalidValue(key, array, "must be finite, one per frequency")
        if np.any(self.spread_db < 0):
            raise InvalidValue("spread_db", float(self.spread_db.min()), "must not be negative")
        if self.count < 2:
            raise InvalidValue("count", self.count, "at least two loudspeakers are needed to know the spread")
        if not (np.isfinite(self.cut_off_hz) and self.cut_off_hz > 0):
            raise InvalidValue("cut_off_hz", self.cut_off_hz, "must be positive")
        if not (np.isfinite(self.blend_octaves) and self.blend_octaves > 0):
            raise InvalidValue("blend_octaves", self.blend_octaves, "must be positive")

    def correction_db(self, frequency_hz: ArrayLike) -> NDArray[np.float64]:
        """Level to subtract from a measurement in the chamber; held below the lowest frequency."""
        f = np.asarray(frequency_hz, float)
        return self._weight(f) * _interpolated(f, self.frequency_hz, self.mean_db)

    def uncertainty_db(self, frequency_hz: ArrayLike) -> NDArray[np.float64]:
        """Standard uncertainty of a corrected level: spread √(1 + 1/count), blended out with the correction.

        It holds for one more loudspeaker like those of the pairs: its own deviation, and that of the mean.
        """
        f = np.asarray(frequency_hz, float)
        spread = _interpolated(f, self.frequency_hz, self.spread_db)
        return self._weight(f) * spread * np.sqrt(1 + 1 / self.count)

    def apply(self, data: MeasuredDirectivity) -> MeasuredDirectivity:
        """A corrected directivity: all directions by the same level, phases as they are, uncertainty added.

        Uncertainties that the data carried already add up as independent ones.
        """
        f = data.frequency_hz
        gain = 10 ** (-self.correction_db(f) / 20)
        own = np.zeros(f.size) if data.level_uncertainty_db is None else data.level_uncertainty_db
        total = np.hypot(own, self.uncertainty_db(f))
        text = (
            f"levels below {self.cut_off_hz * 2**self.blend_octaves:.0f} Hz corrected for the chamber {self.name} "
            f"({self.count} loudspeakers, standard uncertainty up to {total.max():.1f} dB)"
        )
        notes = [*data.notes, text]
        if f[0] < self.frequency_hz[0] * (1 - 1e-6):
            notes.append(f"below {self.frequency_hz[0]:g} Hz the chamber's correction is held: not measured there")
        return replace(data, values=data.values * gain, level_uncertainty_db=total, notes=tuple(notes))

    def _weight(self, frequency_hz: NDArray[np.float64]) -> NDArray[np.float64]:
        return blend_weight(frequency_hz, self.cut_off_hz, self.blend_octaves)


def chamber_correction(
    pairs: Sequence[ResponsePair],
    *,
    name: str,
    cut_off_hz: float = CUT_OFF_HZ,
    blend_octaves: float = 1.0,
    align_hz: tuple[float, float] | None = None,
) -> ChamberCorrection:
    """Mean difference chamber minus free space over the pairs, with its spread.

    Parameters
    ----------
    align_hz : where given, each pair is shifted so that its mean difference over this range is zero (unlike
        gains in the two places); it should lie above the blend

    Raises
    ------
    DefinitionError : every problem of every pair at once
    """
    if not (np.isfinite(cut_off_hz) and cut_off_hz > 0 and np.isfinite(blend_octaves) and blend_octaves > 0):
        raise InvalidValue("cut_off_hz, blend_octaves", (cut_off_hz, blend_octaves), "must be positive")
    problems = _pair_problems(pairs, cut_off_hz * 2**blend_octaves)
    if align_hz is not None and not cut_off_hz * 2**blend_octaves <= align_hz[0] < align_hz[1]:
        problems.append(Problem(key="align_hz", value=align_hz, rule="must rise and lie above the blend"))
    if problems:
        raise DefinitionError(problems)
    low = max(max(pair.free_hz[0], pair.chamber_hz[0]) for pair in pairs)
    high = min(min(pair.free_hz[-1], pair.chamber_hz[-1]) for pair in pairs)
    f = pairs[0].chamber_hz
    f = f[(f >= low * (1 - 1e-9)) & (f <= high * (1 + 1e-9))]
    difference = pair_differences(pairs, f)
    if align_hz is not None:
        inside = (f >= align_hz[0]) & (f <= align_hz[1])
        if not np.any(inside):
            raise InvalidValue("align_hz", align_hz, f"holds no measured frequency; they end at {f[-1]:g} Hz")
        difference = difference - difference[:, inside].mean(axis=1, keepdims=True)
    return ChamberCorrection(
        name=name, frequency_hz=f, mean_db=difference.mean(axis=0),
        spread_db=difference.std(axis=0, ddof=1), count=len(pairs), cut_off_hz=cut_off_hz, blend_octaves=blend_octaves,
    )


def pair_differences(pairs: Sequence[ResponsePair], frequency_hz: ArrayLike) -> NDArray[np.float64]:
    """Level in the chamber minus level in free space of each pair [dB], shape (n_pair, n_frequency)."""
    f = np.asarray(frequency_hz, float)
    return np.array([
        _interpolated(f, pair.chamber_hz, pair.chamber_db) - _interpolated(f, pair.free_hz, pair.free_db)
        for pair in pairs
    ]).reshape(-1, f.size)


def blend_weight(frequency_hz: ArrayLike, cut_off_hz: float, blend_octaves: float) -> NDArray[np.float64]:
    """1 below the cut-off, 0 from `blend_octaves` above it, half a cosine on log f between."""
    above = np.log2(np.asarray(frequency_hz, float) / cut_off_hz) / blend_octaves
    return (1 + np.cos(np.pi * np.clip(above, 0, 1))) / 2


def _pair_problems(pairs: Sequence[ResponsePair], top_hz: float) -> list[Problem]:
    problems = []
    if len(pairs) < 2:
        problems.append(Problem(key="pairs", value=len(pairs), rule="at least two loudspeakers are needed"))
    for pair in pairs:
        for place, f, level in (("free", pair.free_hz, pair.free_db), ("chamber", pair.chamber_hz, pair.chamber_db)):
            key = f"{pair.label} {place}"
            f, level = np.asarray(f, float), np.asarray(level, float)
            if f.ndim != 1 or f.shape != level.shape or f.size < 2:
                problems.append(Problem(key=key, rule="needs as many levels as frequencies, at least two"))
            elif not (np.all(np.isfinite(f)) and np.all(np.isfinite(level))):
                problems.append(Problem(key=key, rule="holds NaN or infinite values"))
            elif f[0] <= 0 or np.any(np.diff(f) <= 0):
                problems.append(Problem(key=key, rule="frequencies must be positive and rising, none twice"))
            elif f[-1] < top_hz:
                rule = f"ends below the blend, which goes to {top_hz:g} Hz"
                problems.append(Problem(key=key, value=f[-1], rule=rule, cure="measure higher, or lower the cut-off"))
    return problems


def _interpolated(f: NDArray[np.float64], own_hz: ArrayLike, level_db: ArrayLike) -> NDArray[np.float64]:
    return np.interp(np.log(f), np.log(np.asarray(own_hz, float)), np.asarray(level_db, float))
