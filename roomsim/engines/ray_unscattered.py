"""Unscattered sound at the listeners: mirror images where a room is a plain box, counted rays elsewhere."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ..room.room import Room
from .emission import Emission
from .ray_surfaces import RayGeometry, RaySurfaces

EXACT_S = 0.15
"""Images that arrive later than this are shared by the listeners: each is found for one of them, which stands for all,
with the ratio that this listener's energy has to the mean over the RATIO_S before."""

RATIO_S = 0.05
LEAST = 2e-6
"""Images that keep less than this part of their energy in every band are left out."""


def is_plain_box(room: Room, surfaces: RaySurfaces) -> bool:
    """Whether mirror images are all there is to unscattered sound: a box whose faces have one finish each."""
    return room.geometry.kind == "box" and len(surfaces.patches) == 0


def furniture_rate(surfaces: RaySurfaces) -> NDArray[np.float64]:
    """What furniture takes and scatters from unscattered sound [1/m], shape (n_band,)."""
    return surfaces.furniture_per_m * (1 - (1 - surfaces.furniture_absorbs) * (1 - surfaces.furniture_scatters))


def image_energy(
    room: Room, geometry: RayGeometry, surfaces: RaySurfaces, source_m: NDArray[np.float64],
    emissions: list[Emission], listeners_m: NDArray[np.float64], *, bin_m: float, bin_s: float, n_time: int,
) -> NDArray[np.float64]:
    """Mean-square pressure of all images but the direct sound [Pa²], without air: what endless rays would leave.

    Parameters
    ----------
    room, geometry, surfaces : a plain box
    source_m, emissions : place that channels share, and what each sends
    listeners_m : (n_listener, 3)
    bin_m, bin_s, n_time : time bins

    Returns
    -------
    shape (n_channel, n_listener, n_band, n_time)
    """
    from .ray_kernels import mirror_energy

    kept = surfaces.reflect * (1 - surfaces.scatter[:, None])
    loss = np.empty((6, *kept.shape[1:]))
    for face, normal in enumerate(geometry.normal):
        axis = int(np.abs(normal).argmax())
        loss[2 * axis + int(normal[axis] < 0)] = -np.log(np.maximum(kept[surfaces.face_surface[face]], 1e-26))
    oblique = loss[:, loss.shape[1] // 2].mean(axis=-1).reshape(3, 2).mean(axis=1)
    n_band = surfaces.scatter.shape[1]
    shape = (len(emissions), len(listeners_m), n_time, n_band)
    own, shared = np.zeros(shape), np.zeros((len(emissions), n_time, n_band))
    table = np.stack([emission.table for emission in emissions])
    into = np.zeros(3) if emissions[0].into is None else emissions[0].into
    mirror_energy(
        source_m, listeners_m, room.geometry.size_m, loss, np.argsort(oblique, kind="stable"),
        furniture_rate(surfaces), table, into, bin_m, EXACT_S / bin_s * bin_m, LEAST, own, shared,
    )
    last = min(int(EXACT_S / bin_s), n_time)
    before = own[:, :, max(last - int(RATIO_S / bin_s), 0) : last].sum(axis=2)
    mean = before.mean(axis=1, keepdims=True)
    ratio = np.divide(before, mean, out=np.ones_like(before), where=mean > 0)
    own += ratio[:, :, None] * shared[:, None]
    return own.transpose(0, 1, 3, 2)
