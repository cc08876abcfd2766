"""Measured impulse responses: gate, and spectrum on logarithmic frequencies."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..bands import analysis_grid_hz
from ..errors import InvalidValue


@dataclass(frozen=True, slots=True, kw_only=True)
class Gate:
    """Part of an impulse response that is kept, the same for all directions of a set.

    Attributes
    ----------
    length_s : from the first arrival of the earliest response to the end of the gate; None for all there is
    lead_s : rise before the first arrival (half a Hann window)
    fade : last part of the length that fades out (half a Hann window), 0 to 1
    """

    length_s: float | None = None
    lead_s: float = 0.001
    fade: float = 0.25

    def __post_init__(self) -> None:
        if self.length_s is not None and not (np.isfinite(self.length_s) and self.length_s > 0):
            raise InvalidValue("gate length_s", self.length_s, "must be positive")
        if not 0 <= self.fade <= 1:
            raise InvalidValue("gate fade", self.fade, "must be 0 to 1")
        if not (np.isfinite(self.lead_s) and self.lead_s >= 0):
            raise InvalidValue("gate lead_s", self.lead_s, "must not be negative")


def first_arrival(impulse: ArrayLike, below_peak_db: float = 20.0) -> NDArray[np.intp]:
    """Sample at which each response (..., n_sample) first comes within `below_peak_db` of its peak."""
    size = np.abs(np.asarray(impulse, float))
    return np.argmax(size >= size.max(axis=-1, keepdims=True) * 10 ** (-below_peak_db / 20), axis=-1)


def gated(impulse: ArrayLike, rate_hz: float, gate: Gate) -> tuple[NDArray[np.float64], float]:
    """Impulse responses (n, n_sample) inside the gate, time kept, and the lowest frequency they still hold.

    Notes
    -----
    A gate of effective length T (full gain plus half the fade) cannot tell frequencies closer than 1/T;
    below 1/T the spectrum is the window's, not the loudspeaker's (common practice, no source).
    """
    data = np.atleast_2d(np.asarray(impulse, float))
    count = data.shape[-1]
    start = int(first_arrival(data).min())
    room = (count - start) / rate_hz
    length = room if gate.length_s is None else gate.length_s
    if length > room + 1 / rate_hz:
        raise InvalidValue(
            "gate length_s", gate.length_s, f"is longer than what is left after the first arrival: {room:.4f} s"
        )
    time = (np.arange(count) - start) / rate_hz
    window = np.where((time >= 0) & (time <= length), 1.0, 0.0)
    if gate.lead_s > 0:
        rise = (time < 0) & (time > -gate.lead_s)
        window[rise] = np.cos(np.pi / 2 * time[rise] / gate.lead_s) ** 2
    fade = gate.fade * length
    if fade > 0:
        fall = (time > length - fade) & (time <= length)
        window[fall] = np.cos(np.pi / 2 * (time[fall] - (length - fade)) / fade) ** 2
    return data * window, 1 / (length - fade / 2)


def spectra_of_impulses(
    impulse: ArrayLike, rate_hz: float, delay_samples: ArrayLike = 0.0, low_hz: float = 20.0
) -> tuple[NDArray[np.float64], NDArray[np.complex128]]:
    """Spectra of impulse responses (..., n_sample), shape (..., n_frequency), at 24 frequencies per octave.

    From low_hz, the inverse of their length at the lowest, to 0.45 of the sampling rate, 20 kHz at the highest.
    """
    data = np.asarray(impulse, float)
    count = data.shape[-1]
    high_hz = min(20000.0, 0.45 * rate_hz)
    f = analysis_grid_hz(min(max(low_hz, rate_hz / count), high_hz), high_hz, 24)
    kernel = np.exp(-2j * np.pi * np.outer(np.arange(count), f) / rate_hz)
    spectrum = (data.reshape(-1, count) @ kernel).reshape(*data.shape[:-1], f.size)
    return f, spectrum * np.exp(-2j * np.pi * np.multiply.outer(np.asarray(delay_samples, float), f) / rate_hz)
