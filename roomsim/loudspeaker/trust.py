"""Where a channel can be trusted: where every driver that is heard can be."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .mounting import Sounding

HEARD_DB = -20.0
"""A driver this far below the channel's loudest one moves the sum by at most 0.8 dB, and is not asked for."""

_ROUND = np.vstack([np.eye(3), -np.eye(3)])


def trusted_frequencies(drivers: Sequence[Sounding], frequency_hz: ArrayLike) -> NDArray[np.bool_]:
    """Whether all drivers that are heard lie in the trusted range of their data, shape (n_frequency,).

    A driver is heard where its filtered rms level over six directions (along the axes; before a wall those in
    front of it) is within HEARD_DB of the loudest driver's. A measured tweeter with nothing below 300 Hz
    is fine in a channel that crosses over at 2 kHz.
    """
    f = np.atleast_1d(np.asarray(frequency_hz, float))
    strength = np.array([_strength(driver, f) for driver in drivers])
    heard = strength >= strength.max(axis=0) * 10 ** (HEARD_DB / 20)
    slack = 1e-6
    low = np.array([driver.directivity.low_hz for driver in drivers])[:, None]
    high = np.array([driver.directivity.high_hz for driver in drivers])[:, None]
    inside = (f >= low * (1 - slack)) & (f <= high * (1 + slack))
    return np.all(inside | ~heard, axis=0)


def trusted_range_hz(drivers: Sequence[Sounding], frequency_hz: ArrayLike) -> tuple[float, float]:
    """Lowest and highest of the widest run of trusted frequencies; 0 and inf where nothing limits them.

    The last and the first frequency where none can be trusted.
    """
    f = np.atleast_1d(np.asarray(frequency_hz, float))
    good = trusted_frequencies(drivers, f)
    if not good.any():
        return float(f[-1]), float(f[0])
    edges = np.flatnonzero(np.diff(np.concatenate([[False], good, [False]]).astype(int)))
    runs = edges.reshape(-1, 2) - [0, 1]
    first, last = runs[np.argmax(np.log(f[runs[:, 1]] / f[runs[:, 0]]))]
    ends = [driver.directivity for driver in drivers]
    low = high = None
    if first > 0:                                        # the limit itself, where it lies between two frequencies
        low = max((d.low_hz for d in ends if f[first - 1] < d.low_hz <= f[first]), default=float(f[first]))
    if last < f.size - 1:
        high = min((d.high_hz for d in ends if f[last] <= d.high_hz < f[last + 1]), default=float(f[last]))
    return (0.0 if low is None else low), (np.inf if high is None else high)


def _strength(driver: Sounding, f: NDArray[np.float64]) -> NDArray[np.float64]:
    round_ = _ROUND[_ROUND[:, 0] >= 0] if driver.directivity.half_space else _ROUND
    pattern = np.abs(driver.directivity.far_pressure(f, round_)) ** 2
    return np.sqrt(pattern.mean(axis=0)) * np.abs(driver.filter.response(f))
