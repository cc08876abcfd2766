"""Where rays start, and what is kept of a room for the next case in it."""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..room.room import Room
from ..scene import Scene
from .emission import Emission
from .ray_sums import Nodes
from .ray_surfaces import RaySurfaces
from .ray_transfer import ListenerTransfer, Map, RayRoom, RoomTransfer, listener_transfer, room_transfer

SHARED_START_M = 0.75
"""Channels of one loudspeaker whose middles lie within this of their mean share their rays, which start there. What is
taken from rays, scattered and late sound, does not know where in a bar it came from; a channel's directivity and
its wall image are its own."""


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


class _Kept:
    """What one room sends to itself and to one set of listeners."""

    def __init__(self, room: Room, key: Any, place: RayRoom, nodes: Nodes) -> None:
        self.room, self.key, self.place, self.nodes = room, key, place, nodes
        self.transfer: tuple[int, RoomTransfer] | None = None
        self.listeners: tuple[bytes, int, ListenerTransfer] | None = None


class _Recent(threading.local):
    """The room of each thread's last case: cases in one room follow each other."""

    kept: _Kept | None = None


_RECENT = _Recent()


def ray_room(
    scene: Scene, surfaces: RaySurfaces | None, key: Any,
    make: Callable[[Room, RaySurfaces | None], tuple[RayRoom, Nodes]],
) -> _Kept:
    """The room of a scene as rays read it; that of the call before where nothing of it has changed."""
    kept = _RECENT.kept
    if surfaces is None and kept is not None and kept.room is scene.room and kept.key == key:
        return kept
    kept = _Kept(scene.room, key, *make(scene.room, surfaces))
    if surfaces is None:
        _RECENT.kept = kept
    return kept


def transfers(
    kept: _Kept, listeners: NDArray[np.float64], element_rays: int, listener_rays: int, seed: int, run: Map
) -> tuple[RoomTransfer, ListenerTransfer]:
    """What scattered sound does in a room and at its listeners; kept for the next case."""
    if kept.transfer is None or kept.transfer[0] != element_rays:
        kept.transfer = element_rays, room_transfer(kept.place, element_rays, seed, run)
        kept.listeners = None
    room = kept.transfer[1]
    if kept.listeners is None or kept.listeners[:2] != (listeners.tobytes(), listener_rays):
        found = listener_transfer(kept.place, room, listeners, listener_rays, seed, run)
        kept.listeners = listeners.tobytes(), listener_rays, found
    return room, kept.listeners[2]
