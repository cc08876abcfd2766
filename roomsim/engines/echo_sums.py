"""Sums of the echoes of near plates, in the image engine's own compiled loop."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .lattice import image_coordinates
from .paths import AIR_ROWS_PER_M, Paths
from .walls import PLANES_PER_E, ROWS_PER_E


def add_echoes(
    paths: Paths,
    channel: int,
    high_m: ArrayLike,
    out: NDArray[np.float64],
    listeners: slice = slice(None),
    full_m: ArrayLike = np.inf,
    plate: int | None = None,
) -> None:
    """Add the paths of the drivers' images in near plates to sums; nothing where there are no plates.

    Parameters
    ----------
    high_m, listeners, full_m : as for `Paths.add`
    out : shape (n_sum, n_driver, n_listener, 2, n_slot), added to. Echoes of the direct sound that come within
        DIRECT_S go to sum 0, all others to sum 1; with `plate` every path of EchoPaths.index to a sum of its own
    plate : only this plate's
    """
    from .kernels import path_sums

    echoes = paths.echoes(channel)
    if echoes is None:
        return
    images = np.arange(len(echoes.plate)) if plate is None else np.flatnonzero(echoes.plate == plate)
    driver, at = echoes.driver[images], paths.arrays(channel)
    seats = paths.scene.listeners_m[listeners]
    lattice = np.stack(
        [echoes.index[:, axis] - paths.index[axis][0] for axis in range(3)], axis=1).astype(np.int32)
    along = tuple(
        image_coordinates(echoes.position_m[images, axis], paths.size[axis], paths.index[axis][:, None])[:, :, None]
        - seats[:, axis]
        for axis in range(3)
    )
    count, n_node = len(echoes.index), echoes.factors.shape[-1]
    own = np.arange(count * images.size).reshape(count, images.size)
    factors = np.ascontiguousarray(echoes.factors[:, images][:, :, listeners])
    if plate is None:
        slots = np.ones(count, np.int32)
        direct = paths.direct_flags(channel, lattice)[:, driver] & echoes.soon[images]
    else:
        slots = np.arange(count, dtype=np.int32)
        direct = np.zeros((count, images.size), bool)
    none = tuple(np.zeros(len(index), np.int64) for index in paths.index)
    zero = tuple(n.astype(float) for n in none)
    no_table = np.zeros((1, 2, n_node), np.float32)
    kinds, first, rows, columns, table = at.patterns
    high, full = (np.broadcast_to(np.asarray(v, float), len(seats)) for v in (high_m, full_m))
    plan = paths.grid.plan
    sums = np.zeros((out.shape[0], images.size, *out.shape[2:]))
    path_sums(
        lattice, slots, direct,
        along, tuple(np.zeros_like(a) for a in along),
        tuple(np.ascontiguousarray(a[..., listeners]) for a in at.centre),
        tuple(1.0 - 2.0 * (index % 2) for index in paths.index),
        none, zero, ROWS_PER_E, none, zero, tuple(np.ones_like(z) for z in zero), PLANES_PER_E,
        no_table, no_table, no_table, own, factors.reshape(-1, *factors.shape[2:]),
        paths.air, AIR_ROWS_PER_M,
        kinds[driver], first[driver], rows[driver], columns[driver], table, echoes.frames[images], *at.even,
        np.full(len(seats), -1.0), high**2, full, high, 1.0 / paths.scene.room.air.speed_m_s,
        plan.layers, plan.runs, np.stack([plan.slot_hz, plan.slot_weight]),
        0, len(seats), sums, np.zeros(len(seats), np.int64),
    )
    for image, e in enumerate(driver):
        out[:, e] += sums[:, image]
