"""Where scattered sound goes: from element to element, and from every element to the listeners.

Sound that element j scatters at one time is, after mirror reflections only, scattered again by element i after some
time: T_ij(t). All orders together follow from one linear system per frequency of the energy's own spectrum,

    S = S0 + T S,      listeners = H S = H (1 - T)⁻¹ S0,

with S0 what the source's rays lose to scattering and H what the listeners get from each element. T belongs to a room,
H to a room and its listeners; both are found by following rays that start evenly over elements, or that leave a
listener evenly and run backwards (mirror paths can be run either way). So a scattered path is never a throw of dice,
and neither the number of reflections nor the absorption makes the result uncertain. Air is not in here: it takes from
all sound of one age the same.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..room.room import Room
from .ray_directions import Spread
from .ray_elements import Elements, monomials, sample_points
from .ray_surfaces import RayGeometry, RaySurfaces

GROUPS = 8
"""Independent parts of all rays."""

COARSE = 5
"""Time steps that are taken together where only the noise of a part is asked for."""

ALIAS = 1e-5
"""The spectra are those of sound that is damped by this over their period, which is the time followed: what comes later
returns so much weaker, and at the end of a decay by 60 dB the undamped rounding is 1e-5 of what is there."""

USUAL_FLIGHTS, MOST_MORE = 50.0, 16.0
"""Flights of a ray in a bare room; see RayRoom.more."""

Map = Callable[[Callable[[Any], Any], Iterable[Any]], Iterable[Any]]

FLOOR = 1e-6
"""A ray is given up when every band holds less than this part of what it left with."""


class Followed(NamedTuple):
    """What followed rays left.

    Attributes
    ----------
    rows : to each row, (n_row or 2 n_row, n_node, n_sender, n_band)
    seen : to listeners, (n_listener, n_node, n_sender, n_band)
    ledger : (LEDGER_ROWS, n_node, n_sender, n_band), without rows backwards
    """

    rows: NDArray[np.float64]
    seen: NDArray[np.float64]
    ledger: NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RayRoom:
    """A room as the kernels read it.

    Attributes
    ----------
    node_m : metres per time step of what elements send
    n_node : how many
    """

    room: Room
    geometry: RayGeometry
    surfaces: RaySurfaces
    elements: Elements
    spread: Spread
    node_m: float
    n_node: int
    n_band: int

    @classmethod
    def of(cls, room: Room, surfaces: RaySurfaces, *, node_m: float, n_node: int) -> RayRoom:
        geometry = RayGeometry.of(room.geometry)
        return cls(
            room=room, geometry=geometry, surfaces=surfaces, elements=Elements.of(room, geometry, surfaces),
            spread=Spread.of(room.geometry), node_m=node_m, n_node=n_node, n_band=surfaces.scatter.shape[1],
        )

    @property
    def more(self) -> float:
        """How many times more rays cost the same where they are soon scattered away, as in a furnished room."""
        area = np.array([self.elements.area[e] for e in range(self.elements.count - 1)])
        surface = self.surfaces.face_surface[self.elements.face[:-1]]
        kept = (self.surfaces.reflect.mean(axis=1) * (1 - self.surfaces.scatter)).max(axis=1)
        mean = float(area @ kept[surface] / area.sum())
        flights = np.log(FLOOR) / np.log(np.clip(mean, 1e-3, 0.99))
        return float(np.clip(USUAL_FLIGHTS / (1 + flights), 1.0, MOST_MORE))

    @property
    def near_m(self) -> float:
        """What scatters within so much of a source goes from its place: a mean free path, 4V/S."""
        return 4 * self.room.geometry.volume_m3 / self.room.geometry.surface_m2

    def follow(
        self, start: NDArray[np.float64], directions: NDArray[np.float64], dither: NDArray[np.float64],
        sent: NDArray[np.float64], *, listeners: NDArray[np.float64] | None = None, backwards: bool = False,
        into: Followed | None = None,
    ) -> Followed:
        """Follow rays, see ray_kernels.follow_rays.

        Parameters
        ----------
        start, directions, dither, sent : (n, 3), (n, 3), (n,), (n, n_sender, n_band)
        listeners : where what scatters near the start is heard, forwards only
        into : add to what other rays left
        """
        from .ray_kernels import LEDGER_ROWS, follow_rays

        apart = backwards or listeners is not None
        ears = np.zeros((0, 3)) if listeners is None else listeners
        if into is None:
            shape = (self.n_node, sent.shape[1], self.n_band)
            n_row = len(self.elements.basis) * (2 if apart else 1)
            counts = n_row, len(ears), 0 if backwards else LEDGER_ROWS
            into = Followed(*(np.zeros((count, *shape)) for count in counts))
        flat = [one.reshape(*one.shape[:2], sent.shape[1] * self.n_band) for one in into]
        follow_rays(
            np.ascontiguousarray(start), np.ascontiguousarray(directions), dither, sent.reshape(len(sent), -1),
            *self.geometry.arrays, *self.surfaces.arrays, *self.elements.arrays, ears,
            self.near_m if apart else 0.0, self.node_m, FLOOR, backwards, *flat,
        )
        return into


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RoomTransfer:
    """What the elements of a room send to each other, and where their energy goes.

    Attributes
    ----------
    rows : part of what row j scatters that row i scatters next, shape (n_row i, n_node, n_row j, n_band)
    ledger : where the rest goes, shape (LEDGER_ROWS, n_node, n_row, n_band)
    groups : `rows` from each part of the rays in coarse steps, shape (n_group, n_row i, n_coarse, n_row j, n_band)
    """

    rows: NDArray[np.float64]
    ledger: NDArray[np.float64]
    groups: NDArray[np.float32]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ListenerTransfer:
    """What listeners get of sound that elements scatter for the first time, after any number of further scatterings.

    Attributes
    ----------
    rows : spectrum, the ledger's rows after the listeners, shape (n_band, n_line, n_row, n_listener + LEDGER_ROWS)
    first : of the flight from a surface straight to a listener only, (n_band, n_line, n_row, n_listener)
    groups : without further scattering, in coarse steps, shape (n_group, n_listener, n_row, n_coarse, n_band)
    """

    rows: NDArray[np.complex128]
    first: NDArray[np.complex128]
    groups: NDArray[np.float32]


def room_transfer(place: RayRoom, rays: int, seed: int, run: Map) -> RoomTransfer:
    """Follow rays from every element.

    Parameters
    ----------
    place : the room
    rays : of all surface elements together, shared out by area
    seed : of the random numbers
    run : maps a function over tasks, in order
    """
    from .ray_kernels import LEDGER_ROWS

    elements, n_node, n_band = place.elements, place.n_node, place.n_band
    n_row = len(elements.basis)
    rows, ledger = np.zeros((n_row, n_node, n_row, n_band)), np.zeros((LEDGER_ROWS, n_node, n_row, n_band))
    groups = np.zeros((GROUPS, n_row, coarse_count(n_node), n_row, n_band), np.float32)
    total = elements.area[:-1].sum()
    sending = [e for e in range(elements.count) if elements.first_row[e + 1] > elements.first_row[e]]

    def send(element: int) -> None:
        share = elements.area[element] / total if element < elements.count - 1 else VOLUME_SHARE
        count = max(int(np.ceil(rays * place.more * share / GROUPS)), LEAST_RAYS)
        own, found, before = elements.rows(element), None, 0.0
        for group in range(GROUPS):
            found = _from_element(place, element, count, _seeds(seed, 1, element, group), found)
            so_far = coarse(found.rows, 1)
            groups[group][:, :, own] = so_far - before
            before = so_far
        rows[:, :, own] = found.rows / GROUPS
        ledger[:, :, own] = found.ledger / GROUPS

    for _ in run(send, sorted(sending, key=lambda element: -elements.area[element])):
        pass
    return RoomTransfer(rows=rows, ledger=ledger, groups=groups)


def listener_transfer(
    place: RayRoom, transfer: RoomTransfer, listeners: NDArray[np.float64], rays: int, seed: int, run: Map
) -> ListenerTransfer:
    """Follow rays back from every listener and solve for all orders of scattering.

    Parameters
    ----------
    place, transfer : the room
    listeners : (n_listener, 3)
    rays : of each listener
    seed, run : as in room_transfer
    """
    count, n_row = len(listeners), len(place.elements.basis)
    heard = np.zeros((count, 2 * n_row, place.n_node, place.n_band))
    groups = np.zeros((GROUPS, count, n_row, coarse_count(place.n_node), place.n_band), np.float32)
    each = max(int(np.ceil(rays * place.more / GROUPS)), LEAST_RAYS)
    scale = _heard_of(place)

    def sample(group: int) -> list[tuple[NDArray[np.float64], ...]]:
        rng = _seeds(seed, 2, group)
        directions, weights = place.spread.sample(each, rng, blocks=count)
        return [(*one, rng.random(directions.shape[1])) for one in zip(directions, weights, strict=True)]

    sampled = list(run(sample, range(GROUPS)))

    def hear(listener: int) -> None:
        found, before = None, 0.0
        for group in range(GROUPS):
            directions, weight, dither = sampled[group][listener]
            start = np.broadcast_to(listeners[listener], directions.shape)
            sent = np.repeat(weight[:, None, None], place.n_band, axis=2)
            found = place.follow(start, directions, dither, sent, backwards=True, into=found)
            so_far = coarse(found.rows[:n_row, :, 0] + found.rows[n_row:, :, 0], 1)
            groups[group, listener] = (so_far - before) * scale
            before = so_far
        heard[listener] = found.rows[:, :, 0] * np.tile(scale, (2, 1, 1)) / GROUPS

    for _ in run(hear, range(count)):
        pass
    n_line = lines(place.n_node)[0] // 2 + 1
    if not n_row:
        empty = np.zeros((place.n_band, n_line, 0, count), complex)
        whole = np.zeros((place.n_band, n_line, 0, count + transfer.ledger.shape[0]), complex)
        return ListenerTransfer(rows=whole, first=empty, groups=groups)

    def solve(band: int) -> tuple[NDArray[np.complex128], NDArray[np.complex128]]:
        both = spectrum(heard[..., band], 2).transpose(2, 1, 0)                  # (line, 2 n_row, listener)
        first = both[:, n_row:]
        spent = spectrum(transfer.ledger[..., band], 1).transpose(1, 2, 0)
        system = -spectrum(transfer.rows[..., band], 1).transpose(1, 2, 0)       # transposed: from, to
        system[:, np.arange(n_row), np.arange(n_row)] += 1
        return np.linalg.solve(system, np.concatenate([first + both[:, :n_row], spent], axis=-1)), first

    solved = list(run(solve, range(place.n_band)))
    return ListenerTransfer(rows=np.array([one[0] for one in solved]), first=np.array([one[1] for one in solved]),
                            groups=groups)


LEAST_RAYS = 12
"""From one element or listener in one part."""

VOLUME_SHARE = 0.3
"""Rays from the volume where furniture scatters, re all from surfaces."""


def _seeds(seed: int, *key: int) -> np.random.Generator:
    return np.random.default_rng(np.random.SeedSequence(seed, spawn_key=key))


def _from_element(
    place: RayRoom, element: int, rays: int, rng: np.random.Generator, into: Followed | None
) -> Followed:
    """What an element's own functions send, one sender per function: as RayRoom.follow."""
    volume = element == place.elements.count - 1
    normal = None if volume else place.geometry.normal[place.elements.face[element]]
    counts = place.spread.shares(rays)
    points, even, _ = sample_points(
        place.elements, element, sum(counts), rng.random(5), place.room, place.geometry, place.surfaces
    )
    ends = np.cumsum([0, *counts])
    directions = np.concatenate(
        [place.spread.turned(k, even[ends[k] : ends[k + 1]], normal) for k in range(len(counts))]
    )
    weight = place.spread.even(directions, counts) if volume else place.spread.lambert(directions, counts, normal)
    gives = monomials(points) @ place.elements.basis[place.elements.rows(element)].T
    gives[:, 1:] -= weight @ gives[:, 1:]                    # beside the first, functions send nothing in all
    sent = np.repeat((gives * weight[:, None])[:, :, None], place.n_band, axis=2)
    return place.follow(points, directions, rng.random(len(points)), sent, into=into)


def _heard_of(place: RayRoom) -> NDArray[np.float64]:
    """Mean-square pressure at a listener of each row, re the weights of rays that meet it, shape (n_row, 1, 1)."""
    elements = place.elements
    scale = np.zeros((len(elements.basis), 1, 1))
    for element in np.flatnonzero(np.diff(elements.first_row)):
        volume = element == elements.count - 1
        scale[elements.rows(element)] = (1.0 if volume else 4.0) / elements.area[element]
    return scale


def lines(n_node: int) -> tuple[int, float]:
    """Length of the transforms for so many steps, and their damping per step (natural logarithm)."""
    from scipy.fft import next_fast_len

    length = int(next_fast_len(n_node + 1, real=True))
    return length, -np.log(ALIAS) / length


def spectrum(rows: NDArray[np.float64], axis: int) -> NDArray[np.complex128]:
    """Spectra of energy over time along an axis."""
    from scipy.fft import rfft

    n_node = rows.shape[axis]
    length, damping = lines(n_node)
    shape = [1] * rows.ndim
    shape[axis] = n_node
    return rfft(rows * np.exp(-damping * np.arange(n_node)).reshape(shape), length, axis=axis)


def over_time(spectra: NDArray[np.complex128], n_node: int) -> NDArray[np.float64]:
    """Energy over time again, from spectra with frequency on the last axis."""
    from scipy.fft import irfft

    length, damping = lines(n_node)
    return irfft(spectra, length, axis=-1)[..., :n_node] * np.exp(damping * np.arange(n_node))


def coarse_count(n_node: int) -> int:
    """How many coarse steps hold so many steps."""
    return -(-n_node // COARSE) + 1


def coarse(rows: NDArray[np.float64], axis: int) -> NDArray[np.float64]:
    """Energy over time along an axis on steps COARSE times as long; what lies between two goes to both."""
    from .ray_kernels import gather_steps

    before, n_node, after = rows.shape[:axis], rows.shape[axis], rows.shape[axis + 1 :]
    out = np.zeros((*before, coarse_count(n_node), *after))
    flat = math.prod(before), -1, math.prod(after)
    if rows.size:
        gather_steps(np.ascontiguousarray(rows).reshape(flat), COARSE, out.reshape(flat))
    return out
