"""Where a decay meets the noise: level of the noise, the crossing, the slope just before it.

The iteration follows the idea of [lundeby1995]: block means of the energy, a line through the decay above
the noise, the crossing, the noise again from well after the crossing. We add a test whether the end of the
recording still decays, since a decay that is cut off has no noise to subtract.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

TAIL_FRACTION = 0.1      # the least part of a recording that the noise is read from, as in the source
MARGIN_DB = 5.0          # the line ends this far above the noise
REACH_DB = 20.0          # and reaches this far up from there
BLOCKS_PER_10_DB = 5
ROUNDS = 12
DEEP_ENOUGH = 1e-7


@dataclass(frozen=True, slots=True, kw_only=True)
class NoiseFloor:
    """End of a decay.

    Attributes
    ----------
    noise : mean noise energy per step, 0 where none was reached
    cross : step at which the decay meets the noise, or the number of steps
    late_steps : steps in which the energy just before falls by 1/e; NaN where there is no decay
    reached : False where the recording ends (or was cut) before the noise
    """

    noise: float
    cross: int
    late_steps: float
    reached: bool

    @property
    def found_decay(self) -> bool:
        return bool(np.isfinite(self.late_steps))


def no_noise(energy: NDArray[np.float64]) -> NoiseFloor:
    """The end of an energy decay that is known to hold no noise (a simulated histogram), shape (n_step,).

    It ends 70 dB down at the latest: further down a ray histogram has holes.
    """
    total = energy.sum()
    used = int(np.argmax(np.cumsum(energy) >= total * (1 - DEEP_ENOUGH))) + 1 if total > 0 else 0
    return NoiseFloor(noise=0.0, cross=used, late_steps=_late_steps(energy[:used]), reached=False)


def noise_floor(energy: NDArray[np.float64], step_s: float, resolution_s: float = 0.0) -> NoiseFloor:
    """Find the noise under a decay.

    Parameters
    ----------
    energy : squared samples (or energy bins) from the start of the decay on, shape (n_step,)
    step_s : time per step
    resolution_s : no block is made shorter than this (about the inverse bandwidth)
    """
    n = energy.size
    tail = max(int(TAIL_FRACTION * n), 1)
    noise = float(energy[n - tail :].mean())
    shortest = max(int(np.ceil(max(resolution_s, 5e-4) / step_s)), 1)
    block = max(int(0.01 / step_s), shortest)
    noise_start, cross, slope, whole = n - tail, float(n), np.nan, True
    for _ in range(ROUNDS):
        if noise <= 0:
            return no_noise(energy)
        line = _line_above(energy, noise, block, shortest, whole)
        if line is None:
            break
        slope, intercept, block = line
        before, cross = cross, (10 * np.log10(noise) - intercept) / slope
        whole = False
        noise_start = int(min(cross + 10 / -slope, n - tail))
        noise = float(energy[max(noise_start, 0) :].mean())
        block = int(np.clip(10 / -slope / BLOCKS_PER_10_DB, shortest, max(n // 10, 1)))
        if abs(cross - before) < 0.002 * n:
            break
    if not np.isfinite(slope):
        return NoiseFloor(noise=noise, cross=0, late_steps=np.nan, reached=True)
    if _still_decays(energy[noise_start:], slope, step_s, resolution_s):
        return no_noise(energy)
    late = 10 / np.log(10) / -slope
    return NoiseFloor(noise=noise, cross=int(np.clip(cross, 1, n)), late_steps=late, reached=True)


def _line_above(
    energy: NDArray[np.float64], noise: float, block: int, shortest: int, whole: bool
) -> tuple[float, float, int] | None:
    """Slope [dB per step], intercept [dB] and block of the decay above the noise; None for no decay."""
    while True:
        means, centres = _block_means(energy, block)
        level = 10 * np.log10(np.maximum(means, 1e-300)) - 10 * np.log10(noise)
        peak = int(level.argmax())
        under = np.flatnonzero(level[peak:] < MARGIN_DB)
        stop = peak + int(under[0]) if under.size else level.size
        start = peak
        if not whole:
            over = np.flatnonzero(level[:stop] > MARGIN_DB + REACH_DB)
            start = max(peak, int(over[-1])) if over.size else peak
        if stop - start >= 4:
            break
        if block <= shortest:
            return None
        block = max(block // 2, shortest)
    slope, intercept = np.polyfit(centres[start:stop], level[start:stop], 1)
    if slope >= 0:
        return None
    return float(slope), float(intercept + 10 * np.log10(noise)), block


def _still_decays(tail: NDArray[np.float64], slope: float, step_s: float, resolution_s: float) -> bool:
    """Whether the supposed noise falls as the decay would: then it is the decay."""
    half = tail.size // 2
    if half < 2:
        return False
    first, second = tail[:half].mean(), tail[half : 2 * half].mean()
    if second <= 0:
        return True
    expected = -slope * half
    samples = half * min(1.0, step_s / resolution_s if resolution_s > 0 else 1.0)
    error = 10 / np.log(10) * np.sqrt(2 * 2 / max(samples, 1))   # two means of a squared normal variable
    drop = 10 * np.log10(first / second)
    return bool(expected > 3 * error and drop > expected / 2)


def _late_steps(energy: NDArray[np.float64]) -> float:
    """1/e time, in steps, of the last part (about 20 dB) of a decay without noise; NaN where it does not fall."""
    if energy.size < 8:
        return np.nan
    for count in (100, 50, 25, 12):                    # coarser where single blocks are empty
        means, centres = _block_means(energy, max(energy.size // count, 1))
        end = means[-3:].mean()
        above = np.flatnonzero(means > end * 10 ** (REACH_DB / 10))
        start = max(min(int(above[-1]) + 1 if above.size else 0, means.size - 5), 0)
        if means[start:].min() > 0:
            break
    else:
        return _mean_steps(energy)
    slope = np.polyfit(centres[start:], 10 * np.log10(means[start:]), 1)[0]
    return float(10 / np.log(10) / -slope) if slope < 0 else _mean_steps(energy)


def _mean_steps(energy: NDArray[np.float64]) -> float:
    """Centre of gravity, the 1/e time of a straight decay, where most energy comes in the first half."""
    half = energy.size // 2
    if energy[half:].sum() > 0.1 * energy[:half].sum():
        return np.nan
    return float((np.arange(energy.size) * energy).sum() / energy.sum())


def _block_means(energy: NDArray[np.float64], block: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    count = max(energy.size // block, 1)
    block = min(block, energy.size)
    means = energy[: count * block].reshape(count, block).mean(axis=1)
    return means, (np.arange(count) + 0.5) * block
