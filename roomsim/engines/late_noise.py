"""The late part of an impulse response: noise whose energy over time follows the traced energy of each band."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..bands import band_edges_hz

TOP_HZ = 20000.0
LEAST_STEP_S = 0.004
"""The envelope is no finer than this, and than a twelfth of the time since the direct sound."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LateNoise:
    """Late energy of one channel at one listener, and how it becomes noise.

    Attributes
    ----------
    histogram : late mean-square pressure per bin, shape (n_band, n_time)
    start_s : nothing sounds before
    keep : 1 - w², shape (n_frequency,)
    """

    frequency_hz: NDArray[np.float64]
    rate_hz: float
    band_hz: NDArray[np.float64]
    histogram: NDArray[np.float64]
    bin_s: float
    start_s: float
    keep: NDArray[np.float64]

    def joined(
        self, coherent: NDArray[np.complex128], rng: np.random.Generator
    ) -> tuple[NDArray[np.complex128], NDArray[np.float64]]:
        """Spectrum of coherent part plus noise, and the energy that each band was to hold."""
        count = 2 * (self.frequency_hz.size - 1)
        white = np.fft.rfft(rng.standard_normal(count))
        energy = self.histogram.sum(axis=-1)
        level = self._level(energy)
        total = coherent.copy()
        predicted = np.empty(self.band_hz.size)
        for b, (member, measured) in enumerate(self._members()):
            wanted = float((level * self.keep)[measured].mean()) if measured.any() else 0.0
            if wanted > 0:          # a traced energy is the mean over its band on a logarithmic axis, not that of lines
                wanted *= energy[b] / np.average(level[measured], weights=1 / self.frequency_hz[measured])
            held = float((np.abs(coherent[measured]) ** 2).mean())
            predicted[b] = held + wanted
            if wanted <= 0:
                continue
            noise = np.fft.irfft(white * np.sqrt(level * self.keep) * member)
            part = np.fft.rfft(noise * self._envelope(b, count))
            total += part * _gain(coherent[measured], part[measured], wanted)
        return total, predicted

    def _members(self) -> list[tuple[NDArray[np.bool_], NDArray[np.bool_]]]:
        """Per band: the frequencies it makes (the outer bands reach to the ends), and those of the band itself."""
        edges = band_edges_hz(self.band_hz, 1)
        out = []
        for b, (low, high) in enumerate(edges):
            measured = (self.frequency_hz >= low) & (self.frequency_hz < min(high, TOP_HZ))
            low = 0.0 if b == 0 else low
            high = np.inf if b == len(edges) - 1 else high
            out.append(((self.frequency_hz >= low) & (self.frequency_hz < high), measured))
        return out

    def _level(self, energy: NDArray[np.float64]) -> NDArray[np.float64]:
        """Late energy over frequency, decibels linear in log f between the midbands."""
        floor = max(float(energy.max()), 1e-300) * 1e-12
        log_level = np.log(np.maximum(energy, floor))
        log_f = np.log(np.maximum(self.frequency_hz, 1.0))
        return np.exp(np.interp(log_f, np.log(self.band_hz), log_level))

    def _envelope(self, band: int, count: int) -> NDArray[np.float64]:
        """Square root of the energy per sample, steps that widen with time, shape (count,)."""
        edges = [self.start_s]
        end = min(self.histogram.shape[-1] * self.bin_s, count / self.rate_hz)
        while edges[-1] < end:
            edges.append(edges[-1] + max(LEAST_STEP_S, (edges[-1] - self.start_s) / 12))
        edges = np.minimum(np.array(edges), end)
        below = np.concatenate([[0], np.cumsum(self.histogram[band])])
        at = np.interp(edges, np.arange(below.size) * self.bin_s, below)
        at[0] = 0.0                                          # a bin that the direct sound splits
        mean = np.diff(at) / np.maximum(np.diff(edges), 1e-9)
        middle = (edges[1:] + edges[:-1]) / 2
        t = np.arange(count) / self.rate_hz
        amplitude = np.interp(t, middle, np.sqrt(np.maximum(mean, 0)), right=0.0)
        return np.where((t >= self.start_s) & (t < end), amplitude, 0.0)


def _gain(coherent: NDArray[np.complex128], noise: NDArray[np.complex128], wanted: float) -> float:
    """Gain of the noise with which mean |coherent + gain·noise|² = mean |coherent|² + wanted."""
    own = float((np.abs(noise) ** 2).mean())
    if own <= 0:
        return 0.0
    cross = float((coherent * noise.conj()).real.mean())
    return float((np.sqrt(cross**2 + own * wanted) - cross) / own)
