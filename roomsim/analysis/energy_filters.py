"""Octave and third-octave filters for decay analysis, and what they do to the time axis.

A band filter spreads energy over time. Its squared impulse response g² has a centre of gravity (by which
the filtered decay seems to start late) and a decay of its own (below which no room decay can be read).
Both are measured from the filter itself, so that the analysis can take them into account.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..bands import band_edges_hz
from ..constants import DECAY_CONSTANT
from ..errors import InvalidValue

ORDER = 3
"""Butterworth order of each edge; 3 meets the class 1 limits of [iec61260-1] at octave spacings (test)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BandFilter:
    """One band-pass filter at one sample rate.

    Attributes
    ----------
    mid_hz : exact midband
    width_hz : upper edge minus lower edge
    sections : second-order sections, shape (n_section, 6)
    centroid_s : centre of gravity of the squared impulse response
    length_s : time in which the filter's own energy decay falls by 60 dB
    decay_s : the filter's own decay time, from -5 to -25 dB of its energy decay
    """

    mid_hz: float
    width_hz: float
    sections: NDArray[np.float64]
    centroid_s: float
    length_s: float
    decay_s: float

    def apply(self, samples: ArrayLike, rate_hz: float, *, reverse_time: bool) -> tuple[NDArray[np.float64], int]:
        """Filtered samples with the filter's ringing kept, and the index where time zero now lies.

        Parameters
        ----------
        samples : shape (n,)
        rate_hz : the rate for which the filter was made
        reverse_time : run backwards in time, so that the ringing comes before the sound and not after it

        Returns
        -------
        shape (n + n_ring,), and n_ring if reversed, else 0
        """
        from scipy.signal import sosfilt

        x = np.asarray(samples, float)
        ring = int(np.ceil(self.length_s * rate_hz))
        padded = np.concatenate([x[::-1] if reverse_time else x, np.zeros(ring)])
        y = sosfilt(self.sections.copy(), padded)   # it wants a writable buffer
        return (y[::-1], ring) if reverse_time else (y, 0)


@lru_cache(maxsize=256)
def band_filter(mid_hz: float, fraction: int, rate_hz: float) -> BandFilter:
    """Butterworth band-pass between the exact band edges of a 1/`fraction`-octave band.

    Raises
    ------
    InvalidValue : the upper edge is not below half the sample rate
    """
    from scipy.signal import butter, sosfilt

    low, high = band_edges_hz([mid_hz], fraction)[0]
    if not high < 0.5 * rate_hz:
        raise InvalidValue("band", f"{mid_hz:.0f} Hz", f"reaches above half the sample rate of {rate_hz:g} Hz")
    sections = butter(ORDER, [low, high], btype="bandpass", fs=rate_hz, output="sos")
    impulse = np.zeros(int(np.ceil(12.0 / (high - low) * rate_hz)) + 1)
    impulse[0] = 1.0
    energy = sosfilt(sections, impulse) ** 2
    sections.setflags(write=False)
    remaining = np.cumsum(energy[::-1])[::-1]
    level = 10 * np.log10(np.maximum(remaining / remaining[0], 1e-300))
    inside = (level <= -5) & (level >= -25)
    times = np.arange(energy.size) / rate_hz
    slope = np.polyfit(times[inside], level[inside], 1)[0]
    return BandFilter(
        mid_hz=float(mid_hz),
        width_hz=float(high - low),
        sections=sections,
        centroid_s=float((times * energy).sum() / energy.sum()),
        length_s=float(np.argmax(level < -60) / rate_hz),
        decay_s=float(-60 / slope),
    )


def shortest_decay_s(band: BandFilter, *, reverse_time: bool) -> float:
    """The shortest decay time that can be read through this filter [s].

    Forward: B·T > 16 and T > 2·T_filter. Time-reversed: B·T > 4 and T > T_filter/4.
    References: [iso3382-2] clause 7.3 and [jacobsen1987] (limits transcribed; T_filter/4 from memory).
    """
    if reverse_time:
        return max(4 / band.width_hz, band.decay_s / 4)
    return max(16 / band.width_hz, 2 * band.decay_s)


def decay_rate_per_s(decay_s: float) -> float:
    """Rate at which energy falls, exp(-rate·t), for a decay time [1/s]."""
    return DECAY_CONSTANT / decay_s
