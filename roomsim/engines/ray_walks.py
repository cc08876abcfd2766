"""Where rays go, whatever sends them: traced once for a place, and shared by its channels and by designs there."""

from __future__ import annotations

import threading
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..room.room import Room
from ..scene import Scene
from ..sphere import fibonacci_grid
from .emission import Emission

if TYPE_CHECKING:
    from .rays import _Tracer

FLOOR = 1e-8
"""A band of a ray is given up when it holds this part of what it left with."""

SHARED_START_M = 0.75
"""Channels of one loudspeaker whose middles lie within this of their mean share their rays, which start there. What is
taken from rays, scattered and late sound, does not know where in a bar it came from; a channel's directivity and
its wall image are its own."""

MOST_HELD_BYTES = 120_000_000
"""Walks that are kept for the next design at the same place; what does not fit is traced again."""


class Start(NamedTuple):
    """Where rays start, and whose they are.

    Attributes
    ----------
    channels : indices
    position_m : shape (3,)
    into : normal of the wall that they may not leave into, None for none
    """

    channels: list[int]
    position_m: NDArray[np.float64]
    into: NDArray[np.float64] | None


class Walk(NamedTuple):
    """One block of rays; see ray_kernels.walk_rays."""

    directions: NDArray[np.float64]
    at: NDArray[np.uint32]
    source: NDArray[np.uint32]
    part: NDArray[np.float32]
    spent: NDArray[np.float64]

    @property
    def nbytes(self) -> int:
        return sum(array.nbytes for array in self)


class Walks:
    """Blocks of rays from places in one room to one set of listeners, traced when they are first asked for."""

    def __init__(self, room: Room) -> None:
        self.room = room
        self._held: dict[Any, Walk] = {}
        self._bytes = 0
        self._lock = threading.Lock()

    def block(self, tracer: _Tracer, start: Start, index: int, rays: int) -> Walk:
        """A block; depends on nothing but room, listeners, start, seed, index and number of rays."""
        into = None if start.into is None else start.into.tobytes()
        key = (start.position_m.tobytes(), into, start.channels[0], tracer.radius.tobytes(), index, rays)
        with self._lock:
            if key in self._held:
                return self._held[key]
        walk = _walk(tracer, start, index, rays)
        with self._lock:
            if key not in self._held and self._bytes + walk.nbytes <= MOST_HELD_BYTES:
                self._held[key] = walk
                self._bytes += walk.nbytes
        return walk


class _Recent(threading.local):
    """What each thread walked last: cases of one place follow each other."""

    key: Any = None
    walks: Walks | None = None


_RECENT = _Recent()


def walks_of(scene: Scene, settings: tuple[Any, ...], *, remember: bool) -> Walks:
    """The walks of a scene's room and listeners: those of the call before where nothing of them has changed."""
    key = (scene.listeners_m.tobytes(), *settings)
    walks = _RECENT.walks
    if walks is None or walks.room is not scene.room or _RECENT.key != key or not remember:
        walks = Walks(scene.room)
        if remember:
            _RECENT.key, _RECENT.walks = key, walks
    return walks


def ray_starts(scene: Scene, emissions: list[Emission]) -> list[Start]:
    """Where the rays of a scene start, and which channels share them."""
    found: list[Start] = []
    first = 0
    for placed in scene.loudspeakers:
        channels = list(range(first, first + len(placed.loudspeaker.channels)))
        first += len(channels)
        middles = np.array([emissions[channel].position_m for channel in channels])
        mean = np.round(middles.mean(axis=0), 9)
        near = np.linalg.norm(middles - mean, axis=1).max() <= SHARED_START_M
        if near and scene.room.geometry.contains(mean, -1e-9)[0]:
            found.append(Start(channels, mean, emissions[channels[0]].into))
        else:
            found += [Start([c], middle, emissions[c].into) for c, middle in zip(channels, middles, strict=True)]
    return found


def _walk(tracer: _Tracer, start: Start, index: int, rays: int) -> Walk:
    from .ray_kernels import LEDGER_ROWS, walk_rays

    seeds = np.random.SeedSequence(tracer.seed, spawn_key=(start.channels[0], index))
    kernel_seed = seeds.generate_state(1, np.uint64)[0]
    directions = fibonacci_grid(rays) @ _random_rotation(np.random.default_rng(seeds.spawn(1)[0]))
    if start.into is not None:
        behind = np.minimum(directions @ start.into, 0)
        directions = directions - 2 * np.outer(behind, start.into)
    directions = np.ascontiguousarray(directions)
    spent = np.empty((rays, LEDGER_ROWS, tracer.bands.size))
    room_for = tracer.entries_per_ray * rays
    while True:
        at, source, part = np.empty(room_for, np.uint32), np.empty(room_for, np.uint32), np.empty(room_for, np.float32)
        count = walk_rays(
            start.position_m, directions, kernel_seed, *tracer.geometry.arrays, *tracer.surfaces.arrays,
            tracer.air, tracer.air_step_m, tracer.listeners, tracer.radius**2, tracer.weight, tracer.n_time,
            tracer.bin_m, FLOOR, at, source, part, spent,
        )
        if count <= room_for:
            return Walk(directions, at[:count].copy(), source[:count].copy(), part[:count].copy(), spent)
        room_for = count
        tracer.entries_per_ray = max(tracer.entries_per_ray, count // rays + count // rays // 8 + 1)


def _random_rotation(rng: np.random.Generator) -> NDArray[np.float64]:
    """A rotation drawn evenly from all rotations, as the matrix of a normal unit quaternion."""
    w, x, y, z = (q := rng.standard_normal(4)) / np.linalg.norm(q)
    return np.array([
        [1 - 2 * (y * y + z * z), 2 * (x * y - z * w), 2 * (x * z + y * w)],
        [2 * (x * y + z * w), 1 - 2 * (x * x + z * z), 2 * (y * z - x * w)],
        [2 * (x * z - y * w), 2 * (y * z + x * w), 1 - 2 * (x * x + y * y)],
    ])
