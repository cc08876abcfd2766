"""Reflection factors of a box's faces as tables over index, angle of incidence and distance.

All hits of a path on the two faces of one axis share an angle, so the lattice index n, cosθ and the path's length
give the whole factor of that axis, Q_low^a · Q_high^b. R = (c - β)/(c + β) with c = cosθ is tanh of half of
ln(c/β): over ln c it varies at the same pace for every impedance, so rows lie evenly in ln c, 32 per factor e,
and are joined linearly (error below 5e-5 per hit).

Wavefronts are spheres, not planes: near grazing the factor is Q = R + (1 - R) F(w) [ingard1951], with the length
of the whole path in w. A full image sum with it meets the exact field of a box to 0.05 dB rms in third octaves
315 to 500 Hz (walls of β 0.02 to 0.08) where R alone leaves 0.2 dB, and to 0.1 to 0.3 dB over a carpet, where R
alone leaves 0.8 dB (a springy floor carries a surface wave). Q depends on the length, which along one axis is
the distance D over cosθ: tables stand on a fixed grid of D, PLANES_PER_E per factor e. Beyond SPHERICAL_INDEX
hits in one axis no early path is near grazing, and R stands.

A face with patches has one mixed factor here: that of paths of so many hits that the patch each of them met no longer
tells (early ones are followed hit by hit, see hit_factors). Its phase is that of the area mean of the factors; its
magnitude lies between that of the mean (patches small against the Fresnel zone: what they break up is lost to other
directions) and the root mean square (large patches: a path meets one or the other).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..room.materials import Material
from ..room.room import Room
from .lattice import axis_faces, hits

ROWS_PER_E = 32.0
PLANES_PER_E = 10.0
SPHERICAL_INDEX = 8
_LEAST_DISTANCE_M = 0.05
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
    stride : rows from one distance to the next, 0 where the index has only one, shape (n_index,)
    first_plane, last_plane : place of its first distance, PLANES_PER_E·ln D, and the number of steps to the last,
        shape (n_index,)
    """

    table: NDArray[np.float32]
    first_row: NDArray[np.int64]
    last_row: NDArray[np.float64]
    stride: NDArray[np.int64]
    first_plane: NDArray[np.float64]
    last_plane: NDArray[np.float64]


_LATE_PATH_M = 8.0
"""A usual length of the paths that meet mixed factors, for their Fresnel zone."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FaceMix:
    """Finishes of a face and how they act together on paths of many hits.

    Attributes
    ----------
    finishes : the face's own and those of its patches
    shares : of the face's area, shape (n_finish,)
    patch_m2 : mean area of a patch, by area; 0 for a face of one finish
    """

    finishes: tuple[Material, ...]
    shares: NDArray[np.float64]
    patch_m2: float

    def factor(
        self, factors: list[NDArray[np.complex128]], wave_number: NDArray[np.float64]
    ) -> NDArray[np.complex128]:
        """The mixed factor, from one factor (..., n_node) per finish."""
        if len(factors) == 1:
            return factors[0]
        mean = sum(share * factor for share, factor in zip(self.shares, factors, strict=True))
        square = sum(
            share * (factor.real**2 + factor.imag**2) for share, factor in zip(self.shares, factors, strict=True)
        )
        zone_m2 = np.pi / 4 * _LATE_PATH_M * 2 * np.pi / np.maximum(wave_number, 1e-3)      # first Fresnel zone
        whole = self.patch_m2 / (self.patch_m2 + zone_m2)
        magnitude = np.abs(mean)
        kept = np.sqrt(magnitude**2 + whole * np.maximum(square - magnitude**2, 0))
        return mean * np.divide(kept, magnitude, out=np.ones_like(magnitude), where=magnitude > 1e-6)


def face_mix(room: Room, face: str) -> FaceMix:
    """What a face is made of."""
    parts = [part for part in room.parts() if part.face == face]
    areas: dict[int, float] = {}
    for part in parts:
        areas[id(part.material)] = areas.get(id(part.material), 0.0) + part.area_m2
    patches = np.array([patch.area_m2 for patch in room.patches if patch.face == face])
    return FaceMix(
        finishes=tuple({id(part.material): part.material for part in parts}.values()),
        shares=np.array(list(areas.values())) / sum(areas.values()),
        patch_m2=float((patches**2).sum() / patches.sum()) if patches.size else 0.0,
    )


def finish_factor(
    finish: Material, frequency_hz: NDArray[np.float64], cos_incidence: ArrayLike, wave_number_times_length: ArrayLike
) -> NDArray[np.complex128]:
    """Q·√(1 - s) of one hit on a finish, the last axis frequency; 0 for an opening, which sends nothing back."""
    if getattr(finish, "anechoic", False):
        shape = np.broadcast_shapes(np.shape(cos_incidence), np.shape(wave_number_times_length), frequency_hz.shape)
        return np.zeros(shape, complex)
    beta = 1 / np.asarray(finish.impedance(frequency_hz), complex)
    return spherical_factor(beta, cos_incidence, wave_number_times_length) * specular_part(finish, frequency_hz)


def specular_part(finish: Material, frequency_hz: ArrayLike) -> NDArray[np.float64]:
    """√(1 - s), what scattering leaves of the specular amplitude; shape (n_frequency,)."""
    return np.sqrt(np.clip(1 - np.asarray(finish.scattering(frequency_hz), float), 0, 1))


def face_factor(
    room: Room, face: str, frequency_hz: ArrayLike, cos_incidence: ArrayLike, length_m: ArrayLike
) -> NDArray[np.complex128]:
    """Q·√(1 - s) of one hit of paths of stated angle and length (n_path,); shape (n_path, n_frequency)."""
    f = np.asarray(frequency_hz, float)
    c, r = (np.atleast_1d(np.asarray(v, float))[:, None] for v in (cos_incidence, length_m))
    k = 2 * np.pi * f / room.air.speed_m_s
    mix = face_mix(room, face)
    return mix.factor([finish_factor(finish, f, c, k * r) for finish in mix.finishes], k)


def spherical_factor(
    admittance: ArrayLike, cos_incidence: ArrayLike, wave_number_times_length: ArrayLike
) -> NDArray[np.complex128]:
    """Q = R + (1 - R) F(w), w = (1 - j)/2 √(kr) (cosθ + β); shapes broadcast."""
    from .kernels import spherical_factors

    beta, c, kr = np.broadcast_arrays(np.asarray(admittance, complex), cos_incidence, wave_number_times_length)
    out = np.empty(beta.shape, complex)
    spherical_factors(*(np.array(v, kind).reshape(-1) for v, kind in ((beta, complex), (c, float), (kr, float))),
                      out.reshape(-1))      # copies: a view of one number for many may not be written to
    return out


def axis_table(
    room: Room,
    axis: int,
    index: NDArray[np.int64],
    nearest_m: NDArray[np.float64],
    farthest_m: NDArray[np.float64],
    reach_m: float,
    node_hz: NDArray[np.float64],
    mounting_side: int | None = None,
) -> AxisTable:
    """Table of one axis at nodes.

    Parameters
    ----------
    index : consecutive lattice indices that hold 0, shape (n_index,)
    nearest_m, farthest_m : least and largest distance along the axis that occurs with each index, shape (n_index,)
    reach_m : longest path
    mounting_side : the side that is part of an on-wall source; then every factor carries (1 + Q)/2 of that face
    """
    need = np.ceil(-ROWS_PER_E * np.log(np.clip(nearest_m / reach_m, _FLOOR_COS, 1))).astype(int) + 1
    need[(index == 0) & (mounting_side is None)] = 1                     # no hits: rows of ones
    spherical = (np.abs(index) <= SPHERICAL_INDEX) & ((index != 0) | (mounting_side is not None))
    place = PLANES_PER_E * np.log(np.maximum([nearest_m, farthest_m], _LEAST_DISTANCE_M))
    first_plane = np.floor(place[0])
    steps = np.where(spherical, np.maximum(np.ceil(place[1]) - first_plane, 1), 0).astype(int)
    factors = _Factors(room, axis_faces(axis), node_hz, reach_m)
    for n in np.flatnonzero(spherical):
        factors.want(range(int(first_plane[n]), int(first_plane[n]) + steps[n] + 1), need[n] + 1)
    low_hits, high_hits = hits(index)
    blocks, first, rows = [], [], 0
    for n in range(index.size):
        first.append(rows)
        for plane in range(int(first_plane[n]), int(first_plane[n]) + steps[n] + 1):
            low, high = factors.at(plane if spherical[n] else None, need[n] + 1)
            full = low ** low_hits[n] * high ** high_hits[n]
            if mounting_side is not None:
                full = full * (1 + (low, high)[mounting_side]) / 2
            blocks.append(np.stack([full.real, full.imag], axis=1).astype(np.float32))
            rows += need[n] + 1
    return AxisTable(
        table=np.concatenate(blocks),
        first_row=np.array(first, np.int64),
        last_row=need.astype(float),
        stride=np.where(steps > 0, need + 1, 0).astype(np.int64),
        first_plane=first_plane,
        last_plane=np.maximum(steps, 1).astype(float),
    )


class _Factors:
    """Factors of the two faces of an axis at rows of cosθ, by distance; each is made once for all indices."""

    def __init__(self, room: Room, faces: tuple[str, str], node_hz: NDArray[np.float64], reach_m: float) -> None:
        self._f, self._k = node_hz, 2 * np.pi * node_hz / room.air.speed_m_s
        self._mixes = [face_mix(room, face) for face in faces]
        self._reach = reach_m
        self._rows: dict[int, int] = {}
        self._made: dict[int, list[NDArray[np.complex128]]] = {}
        self._known: dict[int, tuple[NDArray[np.complex128], NDArray[np.float64]]] = {}

    def want(self, planes: Iterable[int], rows: int) -> None:
        """Say beforehand how many rows are needed at some distances."""
        for plane in planes:
            self._rows[plane] = max(rows, self._rows.get(plane, 0))

    def at(self, plane: int | None, rows: int) -> list[NDArray[np.complex128]]:
        """Factors of both faces, shape (rows, n_node); `plane` None for plane waves."""
        if plane is None:
            return self._mixed(_cosines(rows), None)
        if plane not in self._made:
            c = _cosines(self._rows[plane])
            self._made[plane] = self._mixed(c, np.minimum(np.exp(plane / PLANES_PER_E) / c, 2 * self._reach))
        return [factor[:rows] for factor in self._made[plane]]

    def _mixed(
        self, c: NDArray[np.float64], length_m: NDArray[np.float64] | None
    ) -> list[NDArray[np.complex128]]:
        """Factors of both faces at rows of cosθ; no length for plane waves."""
        return [mix.factor([self._factor(finish, c, length_m) for finish in mix.finishes], self._k)
                for mix in self._mixes]

    def _factor(
        self, finish: Material, c: NDArray[np.float64], length_m: NDArray[np.float64] | None
    ) -> NDArray[np.complex128]:
        if getattr(finish, "anechoic", False):
            return finish_factor(finish, self._f, c, self._k * (1.0 if length_m is None else length_m))
        if id(finish) not in self._known:           # the mixes hold the finishes, so that identities stay
            beta = 1 / np.asarray(finish.impedance(self._f), complex)
            self._known[id(finish)] = (beta, specular_part(finish, self._f))
        beta, specular = self._known[id(finish)]
        whole = (c - beta) / (c + beta) if length_m is None else spherical_factor(beta, c, self._k * length_m)
        return whole * specular


def _cosines(rows: int) -> NDArray[np.float64]:
    return np.exp(-np.arange(rows) / ROWS_PER_E)[:, None]
