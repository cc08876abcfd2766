"""Finite-volume time-domain field of a room made of cubes, a real, constant admittance on each piece of surface.

Leapfrog on a cubic grid whose outer nodes lie on the walls. A node's volume is the air in the eight cubes around it,
its exchange with a neighbour the air in the four cubes along their edge; every square of surface between a cube of air
and none takes ∂p/∂n = -(β/c) ∂p/∂t, centred in time. Away from corners this is the 7-point scheme with ghost nodes; at
corners that point inwards it is their own balance. Runs at the stability limit λ = 1/√3. Imports nothing of the
project.
"""

from __future__ import annotations

import numpy as np
from numba import njit


@njit(cache=True, fastmath=True)
def _run(p, previous, share, loss, offsets, source, drive, ears, record):
    """Leapfrog over the listed nodes; record (n_ear, n_step) is filled with the pressure at every step."""
    for step in range(record.shape[1]):
        for n in range(p.size):
            total = 0.0
            whole = 0.0
            for d in range(6):
                a = share[n, d]
                if a != 0.0:
                    total += a * p[n + offsets[d]]
                    whole += a
            if whole != 0.0:
                previous[n] = (total + (2 - whole) * p[n] - (1 - loss[n]) * previous[n]) / (1 + loss[n])
        previous[source] += drive[step] / (1 + loss[source])
        p, previous = previous, p
        for e in range(ears.shape[0]):
            record[e, step] = p[ears[e]]


def solid_transfer(air, admittance, source_m, ears_m, frequency_hz, *, spacing_m=0.05, speed_m_s=343.0, seconds=1.0):
    """Green's function G(ear, source) of (∇² + k²)G = -δ, shape (n_ear, n_frequency), e^{+jωt}.

    air : True for each cube that is air, shape (nx, ny, nz), corner of the first at the origin
    admittance : function (points (n, 3), axis, side) -> β of squares of surface by their middles; side -1 where the air
        lies above, +1 where it lies below along that axis
    seconds : long enough for the field to have died away
    """
    h, courant2 = spacing_m, 1.0 / 3.0
    padded = np.pad(air, 1)
    shape = np.array(air.shape) + 1
    volume = np.zeros(shape)
    share = np.zeros((*shape, 6))
    lost = np.zeros(shape)
    for corner in np.ndindex(2, 2, 2):
        # the cube at this corner of each node
        cube = padded[tuple(slice(c, c + s) for c, s in zip(corner, shape, strict=True))]
        volume += cube / 8
        for axis in range(3):
            share[..., 2 * axis + corner[axis]] += cube / 4
    for axis in range(3):
        wide = np.moveaxis(padded, axis, 0)
        below, above = wide[:-1], wide[1:]
        for side, edge in ((-1, above & ~below), (1, below & ~above)):
            squares = np.argwhere(edge)
            if not len(squares):
                continue
            middle = np.empty((len(squares), 3))
            others = [a for a in range(3) if a != axis]
            middle[:, axis] = squares[:, 0] * h
            for place, a in enumerate(others):
                middle[:, a] = (squares[:, 1 + place] - 0.5) * h
            beta = admittance(middle, axis, side)
            for du in range(2):
                for dv in range(2):
                    index = np.empty((len(squares), 3), int)
                    index[:, axis] = squares[:, 0]
                    index[:, others[0]] = squares[:, 1] - 1 + du
                    index[:, others[1]] = squares[:, 2] - 1 + dv
                    np.add.at(lost, tuple(index.T), beta / 4)
    inside = volume > 0
    safe = np.where(inside, volume, 1.0)
    share *= (courant2 / safe * inside)[..., None]
    loss = np.where(inside, np.sqrt(courant2) * lost / (2 * safe), 0.0)
    strides = np.array([shape[1] * shape[2], shape[2], 1])
    offsets = np.array([-strides[0], strides[0], -strides[1], strides[1], -strides[2], strides[2]])

    def node(point):
        grid = np.round(np.asarray(point) / h).astype(int)
        assert np.allclose(grid * h, point, atol=1e-9), "points must lie on the grid"
        return int(grid @ strides)

    source, ears = node(source_m), np.array([node(ear) for ear in ears_m])
    dt = h / (speed_m_s * np.sqrt(3))
    steps = int(seconds / dt)
    t = np.arange(steps) * dt
    # a short pulse without a mean, which would leave a steady flow through the walls
    width = 1 / (2 * np.pi * 200.0)
    late = (t - 8 * width) / width
    pulse = -late * np.exp(-0.5 * late**2)
    record = np.zeros((len(ears), steps))
    drive = (speed_m_s * dt) ** 2 * pulse / (volume.ravel()[source] * h**3)
    _run(np.zeros(volume.size), np.zeros(volume.size), share.reshape(-1, 6), loss.ravel(), offsets, source, drive, ears,
         record)
    f = np.asarray(frequency_hz, float)
    kernel = np.exp(-2j * np.pi * np.outer(t, f))
    return (record @ kernel) * np.exp(-2j * np.pi * f * dt) / (pulse @ kernel)


def air_of_plan(contains, size_m, spacing_m):
    """Cubes whose middles satisfy `contains` (points (n, 3) -> bool), shape (nx, ny, nz)."""
    count = np.round(np.asarray(size_m) / spacing_m).astype(int)
    axes = [(np.arange(n) + 0.5) * spacing_m for n in count]
    grid = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1)
    return contains(grid.reshape(-1, 3)).reshape(count)
