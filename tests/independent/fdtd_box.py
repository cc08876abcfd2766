"""Finite-difference time-domain field of a box with a real, constant admittance on each wall.

Second-order leapfrog on a cubic grid whose outer nodes lie on the walls (7-point stencil). The wall condition
∂p/∂n = -(β/c) ∂p/∂t is put in with ghost nodes, centred in time; edges and corners take the sum of their
walls. Runs at the stability limit λ = 1/√3 of the interior scheme, where dispersion is least along diagonals.
Imports nothing of the project.
"""

from __future__ import annotations

import numpy as np
from numba import njit


@njit(cache=True, fastmath=True)
def _run(p, previous, loss_x, loss_y, loss_z, source, volume, drive, ears, record):
    """Leapfrog; record (n_ear, n_step) is filled with the pressure at every step."""
    nx, ny, nz = p.shape
    third = 1.0 / 3.0
    for step in range(record.shape[1]):
        for i in range(nx):
            im = i - 1 if i > 0 else 1
            ip = i + 1 if i < nx - 1 else nx - 2
            for j in range(ny):
                jm = j - 1 if j > 0 else 1
                jp = j + 1 if j < ny - 1 else ny - 2
                edge = loss_x[i] + loss_y[j]
                for m in range(1, nz - 1):
                    total = (
                        p[im, j, m] + p[ip, j, m] + p[i, jm, m] + p[i, jp, m] + p[i, j, m - 1] + p[i, j, m + 1]
                    )
                    previous[i, j, m] = (third * total - (1 - edge) * previous[i, j, m]) / (1 + edge)
                for m in (0, nz - 1):
                    inner = 1 if m == 0 else nz - 2
                    total = p[im, j, m] + p[ip, j, m] + p[i, jm, m] + p[i, jp, m] + 2 * p[i, j, inner]
                    all_loss = edge + loss_z[m]
                    previous[i, j, m] = (third * total - (1 - all_loss) * previous[i, j, m]) / (1 + all_loss)
        for s in range(source.shape[0]):
            i, j, m = source[s]
            edge = loss_x[i] + loss_y[j] + loss_z[m]
            previous[i, j, m] += drive[step] / (volume[s] * (1 + edge))
        p, previous = previous, p
        for e in range(ears.shape[0]):
            record[e, step] = p[ears[e, 0], ears[e, 1], ears[e, 2]]


def box_transfer(
    size_m, admittances, source_m, ears_m, frequency_hz, *, spacing_m=0.05, speed_m_s=343.0, seconds=1.0
):
    """Green's function G(ear, source) of (∇² + k²)G = -δ, shape (n_ear, n_frequency), e^{+jωt}.

    `admittances` (3, 2): β of the walls at 0 and L of each axis. Sizes and points must be multiples of the
    spacing. `seconds` must be long enough for the field to have died away.
    """
    h = spacing_m
    count = [round(length / h) + 1 for length in size_m]
    assert np.allclose((np.array(count) - 1) * h, size_m, atol=1e-9), "the box must fit the grid"
    dt = h / (speed_m_s * np.sqrt(3))
    courant = 1 / np.sqrt(3)
    loss = []
    for axis in range(3):
        line = np.zeros(count[axis])
        line[0], line[-1] = courant * admittances[axis][0], courant * admittances[axis][1]
        loss.append(line)
    source = np.array([[round(x / h) for x in source_m]])
    ears = np.array([[round(x / h) for x in ear] for ear in ears_m])
    assert np.allclose(source * h, [source_m], atol=1e-9) and np.allclose(ears * h, ears_m, atol=1e-9)
    halves = sum(source[0, a] in (0, count[a] - 1) for a in range(3))
    volume = np.array([h**3 / 2**halves])
    steps = int(seconds / dt)
    t = np.arange(steps) * dt
    # A short smooth pulse that reaches far beyond the band of interest. It has no mean: the mean of this drive
    # (the rate of change of a volume velocity) would leave a steady flow through the walls, a pressure for ever.
    width = 1 / (2 * np.pi * 200.0)
    late = (t - 8 * width) / width
    pulse = -late * np.exp(-0.5 * late**2)
    record = np.zeros((len(ears), steps))
    shape = tuple(count)
    _run(np.zeros(shape), np.zeros(shape), *loss, source, volume, (speed_m_s * dt) ** 2 * pulse, ears, record)
    f = np.asarray(frequency_hz, float)
    # the drive enters the update from step n to n + 1, and record[n] is the pressure at step n + 1
    kernel = np.exp(-2j * np.pi * np.outer(t, f))
    spectrum = pulse @ kernel
    response = (record @ kernel) * np.exp(-2j * np.pi * f * dt)
    # the centred second difference sees ω as (2/dt) sin(ω dt/2): no correction is applied, it is the scheme's own
    return response / spectrum
