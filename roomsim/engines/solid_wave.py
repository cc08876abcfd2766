"""Wave engine in three dimensions, for rooms with sloping ceilings, steps and obstacles: finite elements of order 5.

Every octave has a mesh of its own size, so only the highest is dear. A field is solved from every seat at every
frequency; drivers read it where they are (`solid_sources`).
"""

from __future__ import annotations

import threading
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..errors import InvalidValue
from ..room.geometry import Geometry
from ..room.room import Room
from ..scene import Scene
from .multipoles import multipole
from .plan_elements import Elements, elements
from .solid_mesh import solid_mesh
from .solid_sources import solid_probe, solid_weights
from .solid_surfaces import wall_matrices

LOW_HZ = 10.0

ORDER = 5
SIZE_IN_WAVELENGTHS = 1.1
"""Of the highest frequency of each octave."""

MOST_UNKNOWNS = 16_000
"""A mesh may have so many; it sets the highest frequency of large rooms."""

NEAREST_M = 0.5
"""Distance between a driver and a seat below which the field is not claimed."""

LARGEST_M = 1.3
"""Elements are no larger, whatever the wavelength: a driver and a seat in one element do not see each other right."""

_UNKNOWNS_PER_CUBE = 190.0
"""About what a cube of one element size costs at ORDER."""


class _Recent(threading.local):
    """What each thread solved last: cases of one room follow each other."""

    fields: tuple = ()


_RECENT = _Recent()


def highest_solid_hz(geometry: Geometry, speed_m_s: float = 343.0) -> float:
    """Highest frequency that a mesh of reasonable size carries in a room."""
    size = (geometry.volume_m3 * _UNKNOWNS_PER_CUBE / MOST_UNKNOWNS) ** (1 / 3)
    return float(min(1150.0, SIZE_IN_WAVELENGTHS * speed_m_s / size))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SolidFields:
    """Fields of the seats over one octave: positions of its frequencies, elements, values at the nodes.

    `nodal` has the shape (n_frequency, n_node, n_listener).
    """

    index: NDArray[np.int64]
    space: Elements
    nodal: NDArray[np.complex128]


def solve_solid(scene: Scene, frequency_hz: ArrayLike, *, order: int = ORDER,
                size: float = SIZE_IN_WAVELENGTHS) -> NDArray[np.complex128]:
    """Complex pressure of every channel at every listener of a room of any shape.

    Parameters
    ----------
    scene : a room with its loudspeakers and listeners
    frequency_hz : 10 Hz to `highest_solid_hz`, rising, shape (n_frequency,)
    order, size : of the elements; size in the shortest wavelengths of each octave

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
    for fields in _recent_fields(room, f, scene.listeners_m, order, size):
        reads = [fields.space.values(one.points_m) for one in probes]
        for place, number in enumerate(fields.index):
            fits: dict[bytes, NDArray[np.complex128]] = {}
            for emitter, one, read in zip(scene.emitters, probes, reads, strict=True):
                weights = solid_weights(one, int(number), float(k[number]), k_beta[:, number], fits)
                pressure[emitter.channel, :, number] += 4 * np.pi * (weights @ (read @ fields.nodal[place]))
    return pressure


def _recent_fields(
    room: Room, f: NDArray[np.float64], listeners_m: NDArray[np.float64], order: int, size: float
) -> tuple[SolidFields, ...]:
    for known, seen, seats, fineness, fields in _RECENT.fields:
        same = known is room and fineness == (order, size)
        if same and np.array_equal(seen, f) and np.array_equal(seats, listeners_m):
            return fields
    fields = tuple(_seat_fields(room, f, listeners_m, order, size))
    _RECENT.fields = ((room, f, np.array(listeners_m), (order, size), fields),)
    return fields


def _seat_fields(
    room: Room, f: NDArray[np.float64], listeners_m: NDArray[np.float64], order: int, size: float
) -> Iterator[SolidFields]:
    """Solve octave by octave, a point source at every seat."""
    speed = room.air.speed_m_s
    below = np.minimum(np.floor(np.log2(f.max() / f) * 2 + 1e-9).astype(int), 6)
    for step in np.unique(below):
        index = np.flatnonzero(below == step)
        space = elements(solid_mesh(room.geometry, min(size * speed / float(f[index].max()), LARGEST_M)), order)
        walls = wall_matrices(room, space)
        ears = space.values(listeners_m).toarray().T.astype(complex)
        nodal = np.empty((index.size, *ears.shape), complex)
        for place, number in enumerate(index):
            k = 2 * np.pi * f[number] / speed
            lost = (k - 1j * float(room.air.attenuation_np_per_m(f[number : number + 1])[0])) ** 2
            system = space.stiffness - lost * space.mass
            for material, matrix in walls:
                beta = 1 / np.asarray(material.impedance(f[number : number + 1]), complex)[0]
                system = system + 1j * k * beta * matrix
            nodal[place] = _solve(system, ears)
        yield SolidFields(index=index, space=space, nodal=nodal)


def _solve(system, right: NDArray[np.complex128]) -> NDArray[np.complex128]:
    """Complex-symmetric sparse solve; the ordering for symmetric patterns is 200 times faster than the usual one."""
    from scipy.sparse.linalg import splu

    factors = splu(system.tocsc(), permc_spec="MMD_AT_PLUS_A", diag_pivot_thresh=0.0, options={"SymmetricMode": True})
    return factors.solve(right)
