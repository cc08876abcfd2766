"""What electronics do to a driver: gain, delay, polarity, crossover."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray


@dataclass(frozen=True, slots=True, kw_only=True)
class Filter:
    """Gain, delay, polarity and fourth-order Linkwitz–Riley crossovers of one driver.

    Attributes
    ----------
    gain_db : gain [dB]
    delay_ms : delay [ms]
    invert : reverse the polarity
    lowpass_hz, highpass_hz : crossover frequencies, None for none
    """

    gain_db: float = 0.0
    delay_ms: float = 0.0
    invert: bool = False
    lowpass_hz: float | None = None
    highpass_hz: float | None = None

    def response(self, frequency_hz: ArrayLike) -> NDArray[np.complex128]:
        """Complex gain, shape (n_frequency,)."""
        f = np.asarray(frequency_hz, float)
        out = 10 ** (self.gain_db / 20) * np.exp(-2j * np.pi * f * self.delay_ms / 1e3)
        if self.invert:
            out = -out
        if self.lowpass_hz is not None:
            s = 1j * f / self.lowpass_hz
            out = out / (s**2 + np.sqrt(2) * s + 1) ** 2
        if self.highpass_hz is not None:
            s = 1j * f / self.highpass_hz
            out = out * s**4 / (s**2 + np.sqrt(2) * s + 1) ** 2
        return out
