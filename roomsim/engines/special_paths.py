"""Image paths that are followed one by one: those that meet faces with patches, or pass a loudspeaker's near plates."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..conventions import BOX_FACES
from ..scene import Scene
from .hit_factors import HitFactors
from .lattice import hits, image_coordinates, kept_on_wall
from .plate_paths import PLATE_ORDER, straight_factors

FRESNEL_ORDER = 5
"""Paths of so many hits and fewer are weighted by Fresnel integrals over the patches they meet; later ones take a
face's mixed factor. Against the exact field of a box with soft patches (2 to 21 m², 315 to 1000 Hz, full sums) what is
left of the field is 0.46 to 0.72 with mixed factors alone, 0.40 to 0.48 with weights to order 2, 0.27 to 0.35 to order
5, and 0.22 to 0.28 to order 8 (waves bent at one patch and then another are in no image)."""

DRIVER_ORDER = 2
"""To this order every driver has weights of its own, beyond it those of the middle of its channel."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SpecialPaths:
    """Factors of single paths.

    Attributes
    ----------
    number : of each lattice position, -1 for ordinary paths, shape (n_x, n_y, n_z) of the axes' index lists
    rows : row of `factors` of each path's drivers, shape (n_path, n_driver)
    factors : product of all hits, real and imaginary, shape (n_row, n_listener, 2, n_node)
    """

    number: NDArray[np.int32]
    rows: NDArray[np.int64]
    factors: NDArray[np.float32]

    def of(self, lattice: NDArray[np.int32]) -> NDArray[np.int64]:
        """Row of every path and driver, -1 for ordinary paths, shape (n_path, n_driver)."""
        number = self.number[lattice[:, 0], lattice[:, 1], lattice[:, 2]]
        return np.where(number[:, None] >= 0, self.rows[number], -1)


def special_paths(
    scene: Scene, channel: int, index: list[NDArray[np.int64]], node_hz: NDArray[np.float64],
    mount: tuple[int, int] | None,
) -> SpecialPaths | None:
    """The paths of one channel that meet faces with patches or pass plates; None where there are none.

    Parameters
    ----------
    index : lattice indices of each axis, consecutive
    node_hz : nodes in frequency
    mount : axis and side of the wall that is part of the sources
    """
    patched = np.isin(BOX_FACES, [patch.face for patch in scene.room.patches]).reshape(3, 2)
    emitters = scene.channel_emitters(channel)
    chosen = [n for n in lattice_within(index, FRESNEL_ORDER) if _meets(n, patched, mount)] if patched.any() else []
    if emitters[0].plates:
        known = {tuple(n) for n in chosen}
        chosen += [n for n in lattice_within(index, PLATE_ORDER) if tuple(n) not in known and _kept(n, mount)]
    if not chosen:
        return None
    k = 2 * np.pi * node_hz / scene.room.air.speed_m_s
    number = np.full([len(axis) for axis in index], -1, np.int32)
    size = scene.room.geometry.size_m
    drivers = np.array([emitter.position_m for emitter in emitters])
    places = np.concatenate([drivers, drivers.mean(axis=0, keepdims=True)])
    hit_factors = HitFactors(scene.room, node_hz)
    rows, factors, count = [], [], 0
    for path, n in enumerate(chosen):
        number[tuple(int(i - axis[0]) for i, axis in zip(n, index, strict=True))] = path
        single = np.abs(n).sum() <= DRIVER_ORDER
        at = places[:-1] if single else places[-1:]
        image = np.stack([image_coordinates(at[:, axis], size[axis], n[axis]) for axis in range(3)], axis=-1)
        pairs = np.broadcast_arrays(image[:, None], scene.listeners_m[None])
        found = hit_factors.at(n, *(pair.reshape(-1, 3) for pair in pairs), mount)
        found = found.reshape(len(at), len(scene.listeners_m), 1, node_hz.size)
        if np.abs(n).sum() <= PLATE_ORDER and emitters[0].plates:
            found *= np.array([straight_factors(scene, emitter, n, k) for emitter in emitters])[:, :, None]
        factors.append(np.concatenate([found.real, found.imag], axis=2).astype(np.float32))
        rows.append(count + (np.arange(len(drivers)) if single else np.zeros(len(drivers), int)))
        count += len(at)
    return SpecialPaths(number=number, rows=np.array(rows, np.int64), factors=np.concatenate(factors))


def lattice_within(index: list[NDArray[np.int64]], order: int) -> list[NDArray[np.int64]]:
    """Lattice indices of `order` hits and fewer, shape (3,) each."""
    near = [axis[np.abs(axis) <= order] for axis in index]
    triples = np.array(list(itertools.product(*near)), np.int64)
    return list(triples[np.abs(triples).sum(axis=1) <= order])


def _kept(n: NDArray[np.int64], mount: tuple[int, int] | None) -> bool:
    """Whether a path counts beside a wall that is part of the sources."""
    return mount is None or bool(kept_on_wall(n[mount[0]], mount[1]))


def _meets(n: NDArray[np.int64], patched: NDArray[np.bool_], mount: tuple[int, int] | None) -> bool:
    """Whether a path that counts hits a face with patches; with a mounting wall, that wall is always met."""
    met = np.stack(hits(n), axis=1) > 0
    if mount is not None:
        met[mount] = True
    return _kept(n, mount) and bool((met & patched).any())
