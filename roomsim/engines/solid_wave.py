"""Wave engine in three dimensions, for rooms with sloping ceilings, steps and obstacles: finite elements of order 5.

The highest half octaves have meshes of their own size, so only those are dear. A field is solved from every seat
(`solid_reduced`); drivers read it where they are (`solid_sources`).
"""

from __future__ import annotations

import threading
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..errors import InvalidValue
from ..room.geometry import Geometry
from ..room.room import Room
from ..scene import Scene
from .multipoles import multipole
from .plan_elements import Elements, Mesh, elements
from .solid_mesh import solid_mesh
from .solid_reduced import RESIDUAL, reduced_fields
from .solid_sources import solid_probe, solid_weights
from .solid_surfaces import wall_matrices

LOW_HZ = 10.0

ORDER = 5
SIZE_IN_WAVELENGTHS = 0.9
"""Of the highest frequency of each half octave."""

MOST_UNKNOWNS = 13_000
"""A mesh may have so many; it sets the highest frequency of large rooms, and of those with many small obstacles."""

TOP_HZ = 280.0
"""Highest frequency that is asked of any room: its unknowns grow with the third power, the work with the fifth."""

NEAREST_M = 0.5
"""Distance between a driver and a seat below which the field is not claimed."""

LARGEST_M = 1.3
"""Elements are no larger, whatever the wavelength: a driver and a seat in one element do not see each other right.

In rooms so large that such a mesh has more than MOST_UNKNOWNS they are as large as those of the highest frequency."""

_LEAST_HZ = 40.0
"""A mesh that carries less is not worth its time."""


class _Recent(threading.local):
    """What each thread solved last: cases of one room follow each other."""

    fields: tuple = ()


_RECENT = _Recent()


@lru_cache(maxsize=64)
def highest_solid_hz(geometry: Geometry, speed_m_s: float = 343.0) -> float:
    """Highest frequency that a mesh of reasonable size carries in a room; 0 where none does."""
    size = SIZE_IN_WAVELENGTHS * speed_m_s / TOP_HZ
    while unknowns(solid_mesh(geometry, size), ORDER) > MOST_UNKNOWNS:
        size *= 1.06
        if size > SIZE_IN_WAVELENGTHS * speed_m_s / _LEAST_HZ:
            return 0.0
    return SIZE_IN_WAVELENGTHS * speed_m_s / size


def unknowns(mesh: Mesh, order: int) -> int:
    """Nodes of elements of an order on a mesh of tetrahedra: at corners, on edges, on sides, inside."""
    def distinct(*corners: tuple[int, ...]) -> int:
        parts = np.sort(np.concatenate([mesh.cells[:, one] for one in corners]), axis=1)
        return len(np.unique(parts, axis=0))

    edges = distinct((0, 1), (0, 2), (0, 3), (1, 2), (1, 3), (2, 3))
    sides = distinct((0, 1, 2), (0, 1, 3), (0, 2, 3), (1, 2, 3))
    n = order - 1
    return (len(np.unique(mesh.cells)) + edges * n + sides * n * (n - 1) // 2
            + len(mesh.cells) * n * (n - 1) * (n - 2) // 6)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SolidFields:
    """Fields of the seats over some frequencies, as `solid_reduced` gives them.

    Attributes
    ----------
    index : positions of the frequencies
    space : elements
    basis : shape (n_node, n_basis)
    strength : shape (n_frequency, n_basis, n_listener)
    """

    index: NDArray[np.int64]
    space: Elements
    basis: NDArray[np.complex128]
    strength: NDArray[np.complex128]


def solve_solid(
    scene: Scene, frequency_hz: ArrayLike, *, order: int = ORDER, size: float = SIZE_IN_WAVELENGTHS,
    residual: float = RESIDUAL,
) -> NDArray[np.complex128]:
    """Complex pressure of every channel at every listener of a room of any shape.

    Parameters
    ----------
    scene : a room with its loudspeakers and listeners
    frequency_hz : 10 Hz to `highest_solid_hz`, rising, shape (n_frequency,)
    order, size : of the elements; size in the shortest wavelengths of each half octave
    residual : see `solid_reduced`; 0 solves every frequency by itself

    Returns
    -------
    pressure [Pa rms], shape (n_channel, n_listener, n_frequency)

    Raises
    ------
    InvalidValue : a frequency outside the range
    """
    f = np.atleast_1d(np.asarray(frequency_hz, float))
    room = scene.room
    high = highest_solid_hz(room.geometry, room.air.speed_m_s)
    outside = (f < LOW_HZ * (1 - 1e-9)) | (f > high * (1 + 1e-9))
    if outside.any() or f.size == 0:
        raise InvalidValue("frequency_hz", f[outside][0] if f.size else None,
                           f"the wave engine reaches from {LOW_HZ:g} to {high:.0f} Hz in this room")
    k = 2 * np.pi * f / room.air.speed_m_s
    pressure = np.zeros((len(scene.channels), len(scene.listeners_m), f.size), complex)
    sources = [multipole(emitter, room.geometry, f, k) for emitter in scene.emitters]
    probes = []
    for source in sources:
        near = float(np.linalg.norm(scene.listeners_m - source.position_m, axis=1).min())
        probes.append(solid_probe(source, room, max(near, NEAREST_M)))
    k_beta = k * np.array([1 / np.asarray(room.materials[face.name].impedance(f), complex)
                           for face in room.geometry.faces])
    for fields in _recent_fields(room, f, scene.listeners_m, order, size, residual):
        reads = [fields.space.values(one.points_m) @ fields.basis for one in probes]
        for place, number in enumerate(fields.index):
            fits: dict[bytes, NDArray[np.complex128]] = {}
            for emitter, one, read in zip(scene.emitters, probes, reads, strict=True):
                weights = solid_weights(one, int(number), float(k[number]), k_beta[:, number], fits)
                pressure[emitter.channel, :, number] += 4 * np.pi * ((weights @ read) @ fields.strength[place])
    return pressure


def _recent_fields(
    room: Room, f: NDArray[np.float64], listeners_m: NDArray[np.float64], order: int, size: float, residual: float
) -> tuple[SolidFields, ...]:
    fineness = (order, size, residual)
    for known, seen, seats, other, fields in _RECENT.fields:
        same = known is room and other == fineness
        if same and np.array_equal(seen, f) and np.array_equal(seats, listeners_m):
            return fields
    fields = _seat_fields(room, f, listeners_m, order, size, residual)
    _RECENT.fields = ((room, f, np.array(listeners_m), fineness, fields),)
    return fields


def _seat_fields(
    room: Room, f: NDArray[np.float64], listeners_m: NDArray[np.float64], order: int, size: float, residual: float
) -> tuple[SolidFields, ...]:
    """Solve mesh by mesh, a point source at every seat."""
    speed = room.air.speed_m_s
    largest = max(LARGEST_M, SIZE_IN_WAVELENGTHS * speed / highest_solid_hz(room.geometry, speed))
    below = np.minimum(np.floor(np.log2(f.max() / f) * 2 + 1e-9).astype(int), 6)
    groups: dict[float, list[int]] = {}
    for step in np.unique(below):
        index = np.flatnonzero(below == step)
        groups.setdefault(min(size * speed / float(f[index].max()), largest), []).extend(index)
    out = []
    for element_m, members in groups.items():
        index = np.sort(members)
        space = elements(solid_mesh(room.geometry, element_m), order)
        walls = wall_matrices(room, space)
        ears = space.values(listeners_m).toarray().T.astype(complex)
        k = 2 * np.pi * f[index] / speed
        square = (k - 1j * room.air.attenuation_np_per_m(f[index])) ** 2
        k_beta = k * np.array([1 / np.asarray(material.impedance(f[index]), complex) for material, _ in walls])
        basis, strength = reduced_fields(space, [matrix for _, matrix in walls], square, k_beta, ears, residual)
        out.append(SolidFields(index=index, space=space, basis=basis, strength=strength))
    return tuple(out)
