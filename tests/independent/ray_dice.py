"""Plain Monte Carlo of sound rays in a box, one band: every ray throws a die at every wall.

Energies are mean-square pressure for a source with e = 1 Pa² m² in every direction; a listener is a sphere, which gets
energy × chord / volume.
"""

from __future__ import annotations

import numpy as np


def box_rays(size, source, seats, reflect, scatter, duration_s, bin_s, rays, seed, speed=343.0, radius=0.3):
    """Energy over time at each seat: unscattered and scattered, shape (2, n_seat, n_bin).

    `reflect(wall, cosine)` and `scatter[wall]` for walls 0 to 5: at 0 and L of x, y, z.
    """
    rng = np.random.default_rng(seed)
    size, seats = np.asarray(size, float), np.asarray(seats, float)
    n_bin = round(duration_s / bin_s)
    out = np.zeros((2, len(seats), n_bin))
    up = 2 * rng.random(rays) - 1
    turn = 2 * np.pi * rng.random(rays)
    flat = np.sqrt(1 - up**2)
    d = np.stack([flat * np.cos(turn), flat * np.sin(turn), up], axis=-1)
    p = np.tile(np.asarray(source, float), (rays, 1))
    energy, gone, mixed = np.full(rays, 4 * np.pi / rays), np.zeros(rays), np.zeros(rays, int)
    volume = 4 / 3 * np.pi * radius**3
    while len(p):
        with np.errstate(divide="ignore"):
            t = np.where(d > 0, (size - p) / d, -p / d)
        axis = np.nanargmin(np.where(d == 0, np.inf, t), axis=1)
        row = np.arange(len(p))
        length = t[row, axis]
        for s, seat in enumerate(seats):
            to = seat - p
            foot = (to * d).sum(axis=1)
            half2 = radius**2 - (to**2).sum(axis=1) + foot**2
            half = np.sqrt(np.maximum(half2, 0))
            chord = np.minimum(foot + half, length) - np.maximum(foot - half, 0)
            index = ((gone + np.maximum(foot, 0)) / speed / bin_s).astype(int)
            hit = (half2 > 0) & (chord > 0) & (index < n_bin)
            np.add.at(out, (mixed[hit], s, index[hit]), energy[hit] * chord[hit] / volume)
        p = p + length[:, None] * d
        gone = gone + length
        wall = 2 * axis + (d[row, axis] > 0)
        cosine = np.abs(d[row, axis])
        for w in range(6):
            here = wall == w
            energy[here] *= reflect(w, cosine[here])
        d[row, axis] *= -1
        die = rng.random(len(p)) < np.asarray(scatter)[wall]
        n = int(die.sum())
        up2, turn = rng.random(n), 2 * np.pi * rng.random(n)
        new = np.empty((n, 3))
        a = axis[die]
        k = np.arange(n)
        new[k, a] = np.sqrt(up2) * np.sign(d[die, a])
        new[k, (a + 1) % 3] = np.sqrt(1 - up2) * np.cos(turn)
        new[k, (a + 2) % 3] = np.sqrt(1 - up2) * np.sin(turn)
        d[die], mixed[die] = new, 1
        p[row, axis] = np.where(wall % 2, size[axis], 0.0)
        alive = (gone < duration_s * speed) & (energy > 1e-9 * 4 * np.pi / rays)
        p, d, energy, gone, mixed = p[alive], d[alive], energy[alive], gone[alive], mixed[alive]
    return out
