"""Delay of measured responses: the common one, and the acoustic centre that the rest points to."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray


def common_delay_s(
    frequency_hz: ArrayLike, values: ArrayLike, low_s: float, high_s: float
) -> float:
    """Delay [s] between low_s and high_s that best aligns neighbouring frequencies of all responses.

    Parameters
    ----------
    frequency_hz : shape (n_frequency,), rising; any spacing (logarithmic ones have no ambiguity to speak of)
    values : complex responses, shape (n_direction, n_frequency)

    Notes
    -----
    Maximises Re Σ w H(f') H*(f) e^{j2π(f' - f)τ} over neighbours f < f', each step weighted by its width on
    log f and the square root of its size, so that no octave and no loud direction rules alone. Minimum-phase
    parts of the response count with their group delay.
    """
    step, cross = _neighbours(frequency_hz, values)
    return float(_best(step, cross.sum(axis=0, keepdims=True), low_s, high_s)[0])


def acoustic_centre_m(
    frequency_hz: ArrayLike, values: ArrayLike, directions: ArrayLike, speed_m_s: float, reach_m: float = 1.0
) -> tuple[NDArray[np.float64], float]:
    """Acoustic centre [m], shape (3,), and the common delay [s] left about it.

    Least squares of the directions' delays τ(n) = τ0 - n·r/c, each found within ± reach_m/c of the common
    one; the origin is kept where the fit does not align the responses any better.
    """
    directions = np.atleast_2d(np.asarray(directions, float))
    step, cross = _neighbours(frequency_hz, values)
    reach = reach_m / speed_m_s
    common = float(_best(step, cross.sum(axis=0, keepdims=True), -2 * reach, 2 * reach)[0])
    delay = _best(step, cross, common - reach, common + reach)
    weight = np.sqrt(np.abs(cross).sum(axis=1))
    matrix = np.column_stack([np.ones(len(directions)), -directions / speed_m_s])
    if np.linalg.matrix_rank(matrix, tol=1e-3 / speed_m_s) < 4:
        return np.zeros(3), common
    solution = np.linalg.lstsq(matrix * weight[:, None], delay * weight, rcond=None)[0]
    centre, residual = solution[1:], float(solution[0])

    def aligned(point: NDArray[np.float64], delay_s: float) -> float:
        path = delay_s - directions @ point / speed_m_s
        return float(np.sum((cross * np.exp(2j * np.pi * np.outer(path, step))).real))

    if np.linalg.norm(centre) > reach_m or aligned(centre, residual) <= aligned(np.zeros(3), common):
        return np.zeros(3), common
    return centre, residual


def _neighbours(frequency_hz: ArrayLike, values: ArrayLike) -> tuple[NDArray[np.float64], NDArray[np.complex128]]:
    f = np.asarray(frequency_hz, float)
    v = np.atleast_2d(np.asarray(values, complex))
    cross = v[:, 1:] * np.conj(v[:, :-1])
    size = np.abs(cross)
    with np.errstate(invalid="ignore", divide="ignore"):
        unit = np.where(size > 0, cross / np.sqrt(size), 0)
    level = np.sqrt(size).sum(axis=0)
    with np.errstate(invalid="ignore", divide="ignore"):
        unit = np.where(level > 0, unit / level, 0) * np.diff(np.log(f))
    return np.diff(f), unit


def _best(
    step_hz: NDArray[np.float64], cross: NDArray[np.complex128], low_s: float, high_s: float
) -> NDArray[np.float64]:
    """Delay per row of `cross` that makes Σ cross e^{j2π step τ} most real and positive: scan, then refine."""
    if step_hz.size == 0:
        return np.zeros(len(cross))
    resolution = 1 / (8 * step_hz.max())
    count = int(min(max(np.ceil((high_s - low_s) / resolution) + 1, 3), 4001))
    scan = np.linspace(low_s, high_s, count)
    score = (cross @ np.exp(2j * np.pi * np.outer(step_hz, scan))).real
    tau = scan[np.argmax(score, axis=1)]
    for _ in range(4):                                   # Newton on the cosine's top
        turn = 2 * np.pi * step_hz
        now = cross * np.exp(1j * np.outer(tau, turn))
        slope, bend = -(now.imag * turn).sum(axis=1), -(now.real * turn**2).sum(axis=1)
        with np.errstate(invalid="ignore", divide="ignore"):
            move = np.where(bend < 0, -slope / bend, 0)
        tau = np.clip(tau + np.clip(move, -resolution, resolution), low_s, high_s)
    return tau
