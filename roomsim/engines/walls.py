"""Reflection factors of a box's faces as tables over index and angle of incidence.

All hits of a path on the two faces of one axis share an angle, so the lattice index n and cosθ give the whole
factor of that axis, R_low^a · R_high^b. R = (c - β)/(c + β) with c = cosθ is tanh of half of ln(c/β): over ln c it
varies at the same pace for every impedance, so rows lie evenly in ln c, 16 per factor e, and are joined linearly
(error about 1e-4 per hit).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..room.room import Room
from .lattice import axis_faces

ROWS_PER_E = 16.0
_FLOOR_COS = 1e-4
"""Grazing is held here; R of every finish has reached -1 long before, a rigid face is still +1."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class AxisTable:
    """Factors of one axis.

    Attributes
    ----------
    table : real and imaginary rows, shape (n_row, 2, n_node), float32
    first_row : of each index, shape (n_index,)
    last_row : of each index, counted from its first, shape (n_index,)
    """

    table: NDArray[np.float32]
    first_row: NDArray[np.int64]
    last_row: NDArray[np.float64]


def face_admittance(room: Room, face: str, frequency_hz: ArrayLike) -> NDArray[np.complex128]:
    """β = 1/ζ of a face with its patches, weighted by area; shape (n_frequency,)."""
    parts = [part for part in room.parts() if part.face == face]
    area = sum(part.area_m2 for part in parts)
    return sum(part.area_m2 / area / part.material.impedance(frequency_hz) for part in parts)


def face_kept(room: Room, face: str, frequency_hz: ArrayLike) -> NDArray[np.float64]:
    """√(1 - s), what scattering leaves of the specular amplitude; patches by area; shape (n_frequency,)."""
    parts = [part for part in room.parts() if part.face == face]
    area = sum(part.area_m2 for part in parts)
    scattering = sum(part.area_m2 / area * part.material.scattering(frequency_hz) for part in parts)
    return np.sqrt(np.clip(1 - scattering, 0, 1))


def face_factor(room: Room, face: str, frequency_hz: ArrayLike, cos_incidence: ArrayLike) -> NDArray[np.complex128]:
    """R(θ, f)·√(1 - s) of one hit, shape (n_cos, n_frequency)."""
    c = np.atleast_1d(np.asarray(cos_incidence, float))[:, None]
    beta = face_admittance(room, face, frequency_hz)
    return (c - beta) / (c + beta) * face_kept(room, face, frequency_hz)


def axis_table(
    room: Room,
    axis: int,
    index: NDArray[np.int64],
    least_cos: NDArray[np.float64],
    node_hz: NDArray[np.float64],
    mounting_side: int | None = None,
) -> AxisTable:
    """Table of one axis at nodes.

    Parameters
    ----------
    index : consecutive lattice indices that hold 0, shape (n_index,)
    least_cos : smallest cosθ that occurs with each index, shape (n_index,)
    mounting_side : the side that is part of an on-wall source; then every factor carries (1 + R)/2 of that face
    """
    zero = int(np.flatnonzero(index == 0)[0])
    need = np.ceil(-ROWS_PER_E * np.log(np.clip(least_cos, _FLOOR_COS, 1))).astype(int) + 1
    if mounting_side is None:
        need[zero] = 1                       # no hits: two rows of ones
    for side in (slice(zero, None), slice(zero, None, -1)):
        # A higher index is built on the rows of the one before.
        need[side][1:] = np.maximum.accumulate(need[side][1:][::-1])[::-1]
    rows = int(need.max()) + 1
    cosine = np.exp(-np.arange(rows) / ROWS_PER_E)
    low, high = (face_factor(room, face, node_hz, cosine) for face in axis_faces(axis))
    pair = 1.0 if mounting_side is None else (1 + (low, high)[mounting_side]) / 2
    table = np.empty((int((need + 1).sum()), 2, node_hz.size), np.float32)
    first = np.concatenate([[0], np.cumsum(need + 1)[:-1]])

    def store(at: int, factor: NDArray[np.complex128]) -> None:
        count = need[at] + 1
        full = factor[:count] if mounting_side is None else factor[:count] * pair[:count]
        table[first[at] : first[at] + count, 0] = full.real
        table[first[at] : first[at] + count, 1] = full.imag

    store(zero, np.ones_like(low))
    for step in (1, -1):
        factor = np.ones_like(low)
        for n in range(1, (index.size - zero) if step > 0 else zero + 1):
            # Seen from the listener, the first face on the positive side is the high one.
            face = high if (n % 2 == 1) == (step > 0) else low
            count = need[zero + step * n] + 1
            factor = factor[:count] * face[:count]
            store(zero + step * n, factor)
    return AxisTable(table=table, first_row=first.astype(np.int64), last_row=need.astype(float))
