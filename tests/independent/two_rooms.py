"""Two rooms joined by an opening, each with a diffuse field: energy densities over time."""

from __future__ import annotations

import numpy as np


def decay_of_two_rooms(time_s, *, volumes_m3, areas_m2, apertures_m2, speed_m_s, loss_per_s=0.0) -> np.ndarray:
    """What is left of the energy density in both rooms, (2, n_time), integrated from each time on.

    V_i dE_i/dt = -(c/4) [(A_i + S_i) E_i - S_j E_j], source in the first room at time 0; A_i without the aperture, S_i
    the area by which a room loses through it.
    """
    v, a, s = (np.asarray(values, float) for values in (volumes_m3, areas_m2, apertures_m2))
    rates = speed_m_s / 4 * np.array([
        [-(a[0] + s[0]) / v[0], s[1] / v[0]],
        [s[0] / v[1], -(a[1] + s[1]) / v[1]],
    ]) - loss_per_s * np.eye(2)
    values, vectors = np.linalg.eig(rates)
    weights = np.linalg.solve(vectors, [1.0 / v[0], 0.0])
    # ∫_t^∞ exp(λ t') dt' = -exp(λ t)/λ
    return np.real(vectors @ (weights[:, None] * -np.exp(np.outer(values, time_s)) / values[:, None]))
