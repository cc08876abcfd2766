"""Wave engine for rooms that are no box: the field of every driver at every seat, below what the mesh can carry.

A room of one height over its plan separates: vertical functions, exact as in a box, times a field over the plan for
each. The rigid plan's field comes from finite elements of order 7 once per shape: its lowest modes, and all the others
in a short polynomial of κ². Walls and patches then are small dense systems per frequency, whatever they are made
of.
"""

from __future__ import annotations

import threading
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..errors import InvalidValue
from ..room.geometry import Geometry
from ..room.room import Room
from ..scene import Scene
from .multipoles import multipole
from .plan_elements import Elements, elements
from .plan_mesh import plan_mesh
from .plan_sources import pattern_weights, probe
from .plan_systems import Band, SeatFields, band_of, seat_fields

LOW_HZ = 10.0

ORDER = 7
SIZE_IN_WAVELENGTHS = 1.0
"""Elements: at 6 unknowns per wavelength order 7 leaves 1e-4 of the field (see `plan_convergence_db`)."""

CONVERGENCE_NP = 14.0
"""Vertical functions are kept until they fall by this many nepers from driver to seat."""

NEAREST_M = 0.4
"""Plan distance between a driver and a seat below which the field is not claimed."""

MOST_UNKNOWNS = 6000
"""A plan's mesh may have so many; it sets the highest frequency of large rooms."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Fineness:
    """How finely a room is resolved; `finer` is what `plan_convergence_db` compares with.

    Attributes
    ----------
    order : of the elements
    size : of the elements, in shortest wavelengths
    nepers : see CONVERGENCE_NP
    more : polynomials on walls and patches beyond the usual
    """

    order: int = ORDER
    size: float = SIZE_IN_WAVELENGTHS
    nepers: float = CONVERGENCE_NP
    more: int = 0

    @property
    def finer(self) -> Fineness:
        return Fineness(order=self.order + 1, size=0.8 * self.size, nepers=1.3 * self.nepers, more=self.more + 3)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PlanShape:
    """The rigid plan: elements and all its modes; share it between everything that has this shape.

    Attributes
    ----------
    space : the elements
    squares : squared wavenumbers of the modes [1/m²], rising, shape (n_node,)
    modes : their values at the nodes, ∫ψ² = 1, shape (n_node, n_node)
    """

    space: Elements
    squares: NDArray[np.float64]
    modes: NDArray[np.float64]


class _Recent(threading.local):
    """What each thread worked out last: shapes by outline and size, seats by room, frequencies and places."""

    shapes: tuple = ()
    seats: tuple = ()


_RECENT = _Recent()


def highest_hz(geometry: Geometry, speed_m_s: float = 343.0) -> float:
    """Highest frequency that a mesh of reasonable size carries in a room of this shape."""
    area = geometry.face("floor").area_m2
    shortest = np.sqrt(area * 60.0 / MOST_UNKNOWNS) / SIZE_IN_WAVELENGTHS
    return float(min(1150.0, speed_m_s / shortest))


def plan_shape(geometry: Geometry, high_hz: float, speed_m_s: float, fineness: Fineness | None = None) -> PlanShape:
    """Mesh and modes of a plan that serve up to a frequency; each thread remembers the last."""
    from scipy.linalg import eigh

    fine = fineness or Fineness()
    size = fine.size * speed_m_s / high_hz
    key = (geometry.plan_m.tobytes(), round(size, 9), fine.order)
    for known, shape in _RECENT.shapes:
        if known == key:
            return shape
    space = elements(plan_mesh(geometry.plan_m, size), fine.order)
    squares, modes = eigh(space.stiffness.toarray(), space.mass.toarray(), overwrite_a=True, overwrite_b=True)
    shape = PlanShape(space=space, squares=np.maximum(squares, 0.0), modes=modes)
    _RECENT.shapes = ((key, shape), *_RECENT.shapes[:1])
    return shape


def solve_plan(
    scene: Scene, frequency_hz: ArrayLike, *, fineness: Fineness | None = None
) -> NDArray[np.complex128]:
    """Complex pressure of every channel at every listener of a room that need not be a box.

    Parameters
    ----------
    scene : a room with its loudspeakers and listeners
    frequency_hz : 10 Hz to `highest_hz`, rising, shape (n_frequency,)
    fineness : of mesh and series

    Returns
    -------
    pressure [Pa rms], shape (n_channel, n_listener, n_frequency)

    Raises
    ------
    InvalidValue : a frequency outside the range, a sloping ceiling, an obstacle

    Notes
    -----
    (∇² + k²)p = -source, ∂p/∂n = -jkβp, as `wave.solve_box`; an opening is ζ = 1. Fields are solved from the seats and
    kept, so another loudspeaker in the same room with the same seats costs little. A driver closer to a seat than
    `NEAREST_M` in plan is outside what the elements resolve.
    """
    f = np.atleast_1d(np.asarray(frequency_hz, float))
    _check(scene.room, f)
    if not scene.room.geometry.is_extruded:
        raise InvalidValue("room", scene.room.name, "the wave engine needs one height over the plan, and no obstacles")
    fine = fineness or Fineness()
    k = 2 * np.pi * f / scene.room.air.speed_m_s
    sources = [multipole(emitter, scene.room.geometry, f, k) for emitter in scene.emitters]
    pressure = np.zeros((len(scene.channels), len(scene.listeners_m), f.size), complex)
    if not sources:
        return pressure
    places = np.array([source.position_m[:2] for source in sources])
    away = np.linalg.norm(places[:, None] - scene.listeners_m[None, :, :2], axis=-1).min(axis=1)
    fields = recent_fields(scene.room, f, scene.listeners_m, float(away.min()), fine)
    probes = [
        probe(source, scene.room.geometry.plan_m, max(float(near), NEAREST_M))
        for source, near in zip(sources, away, strict=True)
    ]
    ends = np.cumsum([0, *(len(one.points_m) for one in probes)])
    read = fields.shape.space.values(np.concatenate([one.points_m for one in probes])) @ fields.shape.modes
    for band, seats in zip(fields.bands, fields.seats, strict=True):
        fits: dict[bytes, NDArray[np.complex128]] = {}
        weights = [pattern_weights(one, band, fits) for one in probes]
        values = seats.at(read, band)
        for number, (emitter, weight) in enumerate(zip(scene.emitters, weights, strict=True)):
            part = values[..., ends[number] : ends[number + 1], :]
            pressure[emitter.channel][:, band.index] += 4 * np.pi * np.einsum("fnp,fnpr->rf", weight, part)
    return pressure


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PlanFields:
    """The fields of the seats of a room, band by band."""

    shape: PlanShape
    bands: tuple[Band, ...]
    seats: tuple[SeatFields, ...]


def recent_fields(
    room: Room, frequency_hz: NDArray[np.float64], listeners_m: NDArray[np.float64], nearest_m: float, fine: Fineness
) -> PlanFields:
    """The seats' fields for a room, frequencies and seats, at driver distances down to `nearest_m`; remembered."""
    near = max(min(1.0, nearest_m), NEAREST_M)
    for known, seen_f, seen_seats, reach, seen_fine, fields in _RECENT.seats:
        same = known is room and reach <= near and seen_fine == fine
        if same and np.array_equal(seen_f, frequency_hz) and np.array_equal(seen_seats, listeners_m):
            return fields
    shape = plan_shape(room.geometry, float(frequency_hz.max()), room.air.speed_m_s, fine)
    bands, seats = [], []
    for index in octaves(frequency_hz):
        band = band_of(room, shape.space, shape.squares, frequency_hz, index, fine.nepers / near, fine.more)
        bands.append(band)
        seats.append(seat_fields(room, band, shape.squares, shape.modes, frequency_hz[index], listeners_m))
    fields = PlanFields(shape=shape, bands=tuple(bands), seats=tuple(seats))
    _RECENT.seats = ((room, frequency_hz, np.array(listeners_m), near, fine, fields),)
    return fields


def octaves(frequency_hz: NDArray[np.float64]) -> list[NDArray[np.int64]]:
    """Positions of the frequencies of each octave below the highest: lower ones need less."""
    below = np.floor(np.log2(frequency_hz.max() / frequency_hz) + 1e-9).astype(int)
    below = np.minimum(below, 3)
    return [np.flatnonzero(below == octave) for octave in np.unique(below)]


def plan_convergence_db(scene: Scene, frequency_hz: ArrayLike, fineness: Fineness | None = None) -> float:
    """Level difference [dB rms] over channels, seats and frequencies between a fineness and the next finer one."""
    fine = fineness or Fineness()
    usual = solve_plan(scene, frequency_hz, fineness=fine)
    finer = solve_plan(scene, frequency_hz, fineness=fine.finer)
    return float(np.sqrt(np.mean((20 * np.log10(np.abs(usual) / np.abs(finer))) ** 2)))


def _check(room: Room, f: NDArray[np.float64]) -> None:
    high = highest_hz(room.geometry, room.air.speed_m_s)
    outside = (f < LOW_HZ * (1 - 1e-9)) | (f > high * (1 + 1e-9))
    if outside.any() or f.size == 0:
        raise InvalidValue("frequency_hz", f[outside][0] if f.size else None,
                           f"the wave engine reaches from {LOW_HZ:g} to {high:.0f} Hz in this room")
