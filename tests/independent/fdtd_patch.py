"""Finite-difference time-domain field of a box whose walls have a real admittance of their own at every node.

The scheme of fdtd_box.py (second-order leapfrog, 7-point stencil, outer nodes on the walls, ghost nodes centred in
time) with β given per wall node instead of per wall: a rectangle of another admittance is averaged over each node's
own cell, so that its edge may fall between nodes. Imports nothing of the project.
"""

from __future__ import annotations

import numpy as np
from numba import njit


@njit(cache=True, fastmath=True)
def _run(p, previous, loss, source, volume, drive, ears, record):
    """Leapfrog; loss (nx, ny, nz) holds λ Σβ of the walls a node lies on; record (n_ear, n_step) is filled."""
    nx, ny, nz = p.shape
    third = 1.0 / 3.0
    for step in range(record.shape[1]):
        for i in range(nx):
            im = i - 1 if i > 0 else 1
            ip = i + 1 if i < nx - 1 else nx - 2
            for j in range(ny):
                jm = j - 1 if j > 0 else 1
                jp = j + 1 if j < ny - 1 else ny - 2
                for m in range(nz):
                    mm = m - 1 if m > 0 else 1
                    mp = m + 1 if m < nz - 1 else nz - 2
                    total = p[im, j, m] + p[ip, j, m] + p[i, jm, m] + p[i, jp, m] + p[i, j, mm] + p[i, j, mp]
                    s = loss[i, j, m]
                    previous[i, j, m] = (third * total - (1 - s) * previous[i, j, m]) / (1 + s)
        i, j, m = source[0], source[1], source[2]
        previous[i, j, m] += drive[step] / (volume * (1 + loss[i, j, m]))
        p, previous = previous, p
        for e in range(ears.shape[0]):
            record[e, step] = p[ears[e, 0], ears[e, 1], ears[e, 2]]


def _share(count: int, low: float, high: float, h: float) -> np.ndarray:
    """Part of each node's own cell along one axis that lies from low to high."""
    at = np.arange(count) * h
    begin, end = np.maximum(at - h / 2, 0), np.minimum(at + h / 2, (count - 1) * h)
    return np.clip(np.minimum(end, high) - np.maximum(begin, low), 0, None) / (end - begin)


def patched_box_transfer(
    size_m, admittances, patches, source_m, ears_m, frequency_hz, *, spacing_m=0.05, speed_m_s=343.0, seconds=0.4
):
    """Green's function G(ear, source) of (∇² + k²)G = -δ, shape (n_ear, n_frequency), e^{+jωt}.

    Parameters
    ----------
    admittances : β of the walls at 0 and L of each axis, shape (3, 2)
    patches : (axis, end, low (2,), high (2,), β): rectangles in the wall's two axes, in the order x, y, z
    others : as in fdtd_box.box_transfer; size and points must be multiples of the spacing
    """
    h = spacing_m
    count = [round(length / h) + 1 for length in size_m]
    assert np.allclose((np.array(count) - 1) * h, size_m, atol=1e-9), "the box must fit the grid"
    loss = np.zeros(count)
    for axis in range(3):
        across = [a for a in range(3) if a != axis]
        for end in range(2):
            beta = np.full([count[a] for a in across], float(admittances[axis][end]))
            for where, which, low, high, value in patches:
                if (where, which) == (axis, end):
                    share = np.outer(*(_share(count[a], low[i], high[i], h) for i, a in enumerate(across)))
                    beta += share * (value - admittances[axis][end])
            index = [slice(None)] * 3
            index[axis] = -1 if end else 0
            loss[tuple(index)] += beta / np.sqrt(3)
    source = np.array([round(x / h) for x in source_m])
    ears = np.array([[round(x / h) for x in ear] for ear in ears_m])
    assert np.allclose(source * h, source_m, atol=1e-9) and np.allclose(ears * h, ears_m, atol=1e-9)
    halves = sum(source[a] in (0, count[a] - 1) for a in range(3))
    dt = h / (speed_m_s * np.sqrt(3))
    steps = int(seconds / dt)
    t = np.arange(steps) * dt
    width = 1 / (2 * np.pi * 200.0)
    late = (t - 8 * width) / width
    pulse = -late * np.exp(-0.5 * late**2)      # without a mean, which would stay in the room as a steady pressure
    record = np.zeros((len(ears), steps))
    _run(np.zeros(count), np.zeros(count), loss, source, h**3 / 2**halves, (speed_m_s * dt) ** 2 * pulse, ears, record)
    f = np.asarray(frequency_hz, float)
    kernel = np.exp(-2j * np.pi * np.outer(t, f))
    return (record @ kernel) * np.exp(-2j * np.pi * f * dt) / (pulse @ kernel)
