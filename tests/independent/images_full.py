"""Incoherent image sum of a box to any length, written on its own (imports nothing of roomsim).

Every image of the mirror lattice adds Π |R_w|^(2 hits) / r² to the time bin of its arrival. Walls are given
by a function of the cosine of incidence, so a constant and an angle-dependent absorption both work.
"""

from __future__ import annotations

import numpy as np


def energy_over_time(size_m, source_m, listener_m, energy_reflection, duration_s, bin_s, speed_m_s, loss_per_m=0.0):
    """Mean-square pressure per time bin for a source with p² = 1 at 1 m.

    Parameters
    ----------
    size_m, source_m, listener_m : (3,) each
    energy_reflection : three pairs (at 0, at L) of functions cos θ -> |R|²
    duration_s, bin_s, speed_m_s : how long, how fine, how fast
    loss_per_m : energy attenuation of the air

    Returns
    -------
    shape (n_bin,)
    """
    size, source, listener = (np.asarray(v, float) for v in (size_m, source_m, listener_m))
    bins = round(duration_s / bin_s)
    out = np.zeros(bins)
    reach = speed_m_s * duration_s
    count = np.ceil(reach / size).astype(int) + 1
    # Image n along an axis: coordinate n L + x for even n, n L + (L - x) for odd n. It is seen through |n|
    # walls, which alternate; the first, nearest the room, is the wall at L for n > 0 and that at 0 for n < 0.
    index = [np.arange(-m, m + 1) for m in count]
    place = [
        np.where(n % 2 == 0, n * L + x, n * L + L - x) - y
        for n, L, x, y in zip(index, size, source, listener, strict=True)
    ]
    far = [np.where(n > 0, (n + 1) // 2, -n // 2) for n in index]     # hits on the wall at L
    near = [np.where(n > 0, n // 2, (1 - n) // 2) for n in index]     # hits on the wall at 0
    for i, x in enumerate(place[0]):
        r2 = x**2 + place[1][:, None] ** 2 + place[2][None] ** 2
        r = np.sqrt(r2)
        k = (r / speed_m_s / bin_s).astype(int)
        inside = k < bins
        if not inside.any():
            continue
        b, c = np.nonzero(inside)
        r, k = r[inside], k[inside]
        gain = np.exp(-loss_per_m * r) / r**2
        hits = ((near[0][i], far[0][i]), (near[1][b], far[1][b]), (near[2][c], far[2][c]))
        offsets = (np.full(r.size, x), place[1][b], place[2][c])
        for axis in range(3):
            cosine = np.abs(offsets[axis]) / r
            for side in range(2):
                gain = gain * energy_reflection[axis][side](cosine) ** hits[axis][side]
        out += np.bincount(k, weights=gain, minlength=bins)[:bins]
    return out
