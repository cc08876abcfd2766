"""Is a difference real? Paired differences, their intervals, and what to make of many comparisons at once."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray


@dataclass(frozen=True, slots=True, kw_only=True)
class Estimate:
    """A number with its interval.

    Attributes
    ----------
    value, low, high : the number and the ends of its interval
    p : two-sided probability of a value as far from 0 where the truth is 0; NaN where nothing can be said
    """

    value: float
    low: float
    high: float
    p: float


def resampled_seats(rng: np.random.Generator, draws: int, seats: int) -> NDArray[np.int64]:
    """Seats drawn with replacement, shape (draws, seats) [efron-tibshirani1993]."""
    return rng.integers(0, seats, (draws, seats))


def student(value: float, standard_error: float, freedom: float, confidence: float) -> Estimate:
    """Student's interval about a value whose error is estimated; exact for a mean of normal numbers.

    Parameters
    ----------
    standard_error : 0 where nothing varies: then the value itself is certain
    freedom : degrees of freedom of the standard error
    confidence : 0 to 1
    """
    from scipy.special import stdtr, stdtrit

    if not np.isfinite(value) or not np.isfinite(standard_error) or freedom < 1:
        return Estimate(value=float(value), low=float("nan"), high=float("nan"), p=float("nan"))
    if standard_error == 0:
        return Estimate(value=float(value), low=float(value), high=float(value), p=1.0 if value == 0 else 0.0)
    half = float(stdtrit(freedom, 0.5 + confidence / 2)) * standard_error
    p = 2 * float(stdtr(freedom, -abs(value) / standard_error))
    return Estimate(value=float(value), low=float(value - half), high=float(value + half), p=p)


def over_seats(value: float, draws: ArrayLike, seats: int, rooms: int, confidence: float) -> Estimate:
    """Interval of a mean over rooms from seats drawn again in each.

    Parameters
    ----------
    value : with the seats as they are
    draws : the same with seats drawn with replacement, shape (n_draw,)
    seats : in each room
    rooms : whose seats were drawn independently

    Notes
    -----
    The spread of the draws is √((n−1)/n) of the standard error, which is mended, and its degrees of freedom are
    n − 1 per room: percentiles of few seats would give intervals that are too narrow [efron-tibshirani1993].
    """
    draws = np.asarray(draws, float)
    if seats < 2:
        return Estimate(value=float(value), low=float("nan"), high=float("nan"), p=float("nan"))
    error = float(draws.std(ddof=1) * np.sqrt(seats / (seats - 1)))
    return student(value, error, rooms * (seats - 1), confidence)


def over_rooms(values: ArrayLike, confidence: float) -> Estimate:
    """Interval of the mean over rooms like these, from one value per room; needs two rooms."""
    values = np.asarray(values, float)
    values = values[np.isfinite(values)]
    if values.size < 2:
        return Estimate(value=float(values.mean()) if values.size else float("nan"), low=float("nan"),
                        high=float("nan"), p=float("nan"))
    return student(values.mean(), values.std(ddof=1) / np.sqrt(values.size), values.size - 1, confidence)


def holm(p: ArrayLike) -> NDArray[np.float64]:
    """Probabilities adjusted for many comparisons by Holm's step-down rule [holm1979]; NaN stays and does not count.

    Keeping those below a level keeps the chance of a single false one below that level.
    """
    p = np.asarray(p, float)
    out = np.full(p.shape, np.nan)
    known = np.flatnonzero(np.isfinite(p))
    order = known[np.argsort(p[known], kind="stable")]
    highest = 0.0
    for k, index in enumerate(order):
        highest = max(highest, min(1.0, (order.size - k) * p[index]))
        out[index] = highest
    return out
