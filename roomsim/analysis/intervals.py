"""Intervals from draws that come in opposite pairs, and how many draws a wanted precision takes."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray


def prediction_interval(
    values: ArrayLike, confidence: float
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Where one more value lies with this probability: Student's prediction interval of a normal quantity.

    Parameters
    ----------
    values : shape (..., n_draw, n_band), draws in opposite pairs (2k and 2k + 1)
    confidence : 0 to 1

    Returns
    -------
    mean, lower end, upper end, standard deviation, each of shape (..., n_band)

    Notes
    -----
    Of a pair, both members lie equally far from the mean where the quantity is linear in what is drawn. So n draws have
    n/2 degrees of freedom, and the mean of n draws is that of all draws: no 1/n is added to the variance. Where the
    quantity is not linear, the mean moves by a small part of the spread.
    """
    from scipy.special import stdtrit

    x = np.asarray(values, float)
    pairs = x.shape[-2] // 2
    mean = x.mean(axis=-2)
    spread = np.sqrt(((x - mean[..., None, :]) ** 2).mean(axis=-2))
    half = stdtrit(max(pairs, 1), 0.5 + confidence / 2) * spread
    return mean, mean - half, mean + half, spread


def end_error(spread: float, draws: int, confidence: float) -> float:
    """Standard error of the ends of such a band: quantile × spread / √(2 · degrees of freedom).

    The standard deviation of a standard deviation of normal numbers with k degrees of freedom is σ/√(2k) (large k).
    """
    from scipy.special import ndtri

    return float(ndtri(0.5 + confidence / 2)) * spread / math.sqrt(draws)


def draws_for(spread: float, precision: float, confidence: float, *, least: int = 8, most: int = 64) -> int:
    """How many draws, in pairs, give the ends of a band with this standard error; within `least` and `most`.

    Parameters
    ----------
    spread : standard deviation of the quantity, from a pilot
    precision : wanted standard error, same unit
    """
    from scipy.special import ndtri

    wanted = (float(ndtri(0.5 + confidence / 2)) * spread / precision) ** 2
    return int(np.clip(2 * math.ceil(wanted / 2), least, most))
