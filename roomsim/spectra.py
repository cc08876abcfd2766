"""Impulse response and spectrum: linear grids, minimum phase, windows.

A log grid cannot be turned into an impulse response: everything here lives on linear grids from 0 to half the
sample rate, the last axis being frequency or time.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .errors import InvalidValue


def linear_grid_hz(rate_hz: float, count: int) -> NDArray[np.float64]:
    """Frequencies of the spectrum of `count` samples, 0 to half the rate, shape (count // 2 + 1,)."""
    return np.fft.rfftfreq(count, 1 / rate_hz)


def fast_length(rate_hz: float, length_s: float) -> int:
    """An even number of samples, at least length_s long, that transforms fast (factors 2, 3 and 5 only)."""
    if not (np.isfinite(rate_hz) and np.isfinite(length_s) and rate_hz > 0 and length_s > 0):
        raise InvalidValue("length_s", length_s, "must be above 0, and the rate too")
    least = int(np.ceil(rate_hz * length_s))
    powers = [2**a * 3**b * 5**c for a in range(1, 28) for b in range(9) for c in range(6)]
    return min(n for n in powers if n >= least)


def impulse_response(spectrum: ArrayLike) -> NDArray[np.float64]:
    """Samples of a half spectrum on a linear grid with an even count, shape (..., 2 (n - 1)).

    The sum of the squared samples is the mean of |P|² over all frequencies.
    """
    return np.fft.irfft(np.asarray(spectrum, complex), axis=-1)


def minimum_phase(magnitude: ArrayLike) -> NDArray[np.complex128]:
    """The spectrum of that magnitude whose impulse response is causal and as early as possible.

    Parameters
    ----------
    magnitude : above 0, on a linear grid of 0 to half the rate, shape (..., n); aliasing in the cepstrum falls
        with a fine grid, so pad the response if the magnitude has sharp features

    Notes
    -----
    Folding of the real cepstrum [oppenheim2010] ch. 13 (from memory).
    """
    values = np.asarray(magnitude, float)
    if np.any(~(values > 0)):
        raise InvalidValue("magnitude", None, "must be above 0 everywhere")
    cepstrum = np.fft.irfft(np.log(values), axis=-1)
    n = cepstrum.shape[-1]
    fold = np.zeros(n)
    fold[0] = fold[n // 2] = 1
    fold[1 : n // 2] = 2
    return np.exp(np.fft.rfft(cepstrum * fold, axis=-1))


def raised_cosine(position: ArrayLike) -> NDArray[np.float64]:
    """Half a cosine from 1 (position ≤ 0) to 0 (position ≥ 1); two of them, mirrored, sum to 1."""
    return 0.5 * (1 + np.cos(np.pi * np.clip(np.asarray(position, float), 0, 1)))


def bode_phase(log_frequency: ArrayLike, log_magnitude: ArrayLike) -> NDArray[np.float64]:
    """Phase of the minimum-phase function with that log magnitude, piecewise linear in log frequency.

    Parameters
    ----------
    log_frequency, log_magnitude : natural logarithms, shape (n,), rising; constant beyond both ends

    Returns
    -------
    phase [rad] at the same points, shape (n,)

    Notes
    -----
    φ(u) = (1/π) ∫ d ln|F|/dv · ln coth(|v - u|/2) dv [bode1945], each segment's integral in closed form by the
    dilogarithm's integral, tabulated once.
    """
    u, level = np.asarray(log_frequency, float), np.asarray(log_magnitude, float)
    slope = np.diff(level) / np.diff(u)
    difference = u[None, 1:] - u[:, None], u[None, :-1] - u[:, None]
    weight = _coth_integral(difference[0]) - _coth_integral(difference[1])
    return weight @ slope / np.pi


def _coth_integral(x: NDArray[np.float64]) -> NDArray[np.float64]:
    """∫_0^x ln coth(|t|/2) dt, odd in x; tends to ±π²/4."""
    from scipy.special import spence

    # ln coth(t/2) = 2 Σ e^{-(2n+1)t}/(2n+1), so the rest beyond x is 2 χ2(e^{-x}), Legendre's chi function,
    # χ2(z) = (Li2(z) - Li2(-z)) / 2, and scipy's spence(z) is Li2(1 - z).
    z = np.exp(-np.abs(x))
    chi = 0.5 * (spence(1 - z) - spence(1 + z))
    return np.sign(x) * (np.pi**2 / 4 - 2 * chi)
