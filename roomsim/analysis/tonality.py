"""What one curve says about tonal balance: its straight line over log frequency and what strays from it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..errors import InvalidValue

BALANCE_RANGE_HZ = (100.0, 10000.0)
"""Third octaves over which slope and mean deviation are taken."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Line:
    """Least-squares straight line of a level over octaves.

    Attributes
    ----------
    slope_db_per_octave : tilt, negative where treble falls
    level_1k_db : the line's level at 1 kHz
    mean_deviation_db : mean absolute deviation of the bands from the line
    worst_db, worst_hz : the band farthest from the line (signed) and its midband
    band_hz : midbands used, shape (n_band,)
    """

    slope_db_per_octave: float
    level_1k_db: float
    mean_deviation_db: float
    worst_db: float
    worst_hz: float
    band_hz: NDArray[np.float64]


def fit_line(
    band_level_db: ArrayLike, band_hz: ArrayLike, range_hz: tuple[float, float] = BALANCE_RANGE_HZ
) -> Line:
    """Straight line through band levels, and how far the bands stray from it.

    Parameters
    ----------
    band_level_db : levels of third-octave (or other) bands [dB], shape (n_band,); NaN bands are left out
    band_hz : exact midbands, shape (n_band,)
    range_hz : nominal midbands of the first and last band used

    Raises
    ------
    InvalidValue : fewer than three bands inside the range

    Notes
    -----
    The measures are this project's own: slope of the least-squares line of level over log2(frequency), and the mean
    of |level - line| over the bands. Every band weighs the same, so the measure treats each octave alike.
    """
    level, f = np.asarray(band_level_db, float), np.asarray(band_hz, float)
    used = (f > range_hz[0] * 0.97) & (f < range_hz[1] * 1.03) & np.isfinite(level)
    if used.sum() < 3:
        raise InvalidValue("range_hz", range_hz, "fewer than three bands have a level there")
    octaves = np.log2(f[used] / 1000)
    slope, at_1k = np.polyfit(octaves, level[used], 1)
    stray = level[used] - (at_1k + slope * octaves)
    worst = int(np.argmax(np.abs(stray)))
    return Line(
        slope_db_per_octave=float(slope),
        level_1k_db=float(at_1k),
        mean_deviation_db=float(np.mean(np.abs(stray))),
        worst_db=float(stray[worst]),
        worst_hz=float(f[used][worst]),
        band_hz=f[used],
    )
