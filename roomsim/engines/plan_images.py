"""Image engine for rooms of planar faces that are no box: visible image sources, path by path.

Paths are found by `visible_paths`, exactly and for every driver by itself; they carry the same factors as in a box and
are summed by the same loop. What no path reaches hears nothing: sound bends round corners in the wave engine only.
"""

from __future__ import annotations

import threading
from copy import copy
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..conventions import DIRECT_S
from ..errors import InvalidValue
from ..room.room import Room
from ..scene import Emitter, Scene
from .paths import AIR_ROWS_PER_M, Grid, middle_m
from .plan_factors import MixTables, PlanHitFactors, mix_tables
from .ray_surfaces import furniture_loss_per_m
from .tree_kernels import merge_hits
from .visible_paths import TooManyImages, TreeFaces, VisiblePaths, tree_faces, visible_paths
from .walls import PLANES_PER_E, ROWS_PER_E

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

STEP_BACK = 0.8
"""Where the search takes too long, it reaches so much less far, until it does not."""

NEAREST_REACH_M = 3.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DriverPaths:
    """The paths of one driver with all that the sum needs.

    Attributes
    ----------
    emitter : index into Scene.emitters
    paths : the paths
    direct : which of them are direct sound, shape (n_path,)
    group_start, group_mix, group_count, group_fall : see kernels.listed_sums
    own : shape (n_path,)
    factors : shape (n_own, 2, n_node)
    """

    emitter: int
    paths: VisiblePaths
    direct: NDArray[np.bool_]
    group_start: NDArray[np.int64]
    group_mix: NDArray[np.int64]
    group_count: NDArray[np.int64]
    group_fall: Floats
    own: NDArray[np.int64]
    factors: NDArray[np.float32]


class PlanPaths:
    """All visible image paths of one scene up to a length per channel and listener.

    Parameters
    ----------
    scene : a room of planar faces
    grid : its frequency grid
    reach_m : longest path that counts, measured to the middle of a channel's drivers, (n_channel, n_listener)

    Attributes
    ----------
    reach_m : the same, less where the search would have taken too long
    """

    def __init__(self, scene: Scene, grid: Grid, reach_m: Floats) -> None:
        self.scene, self.grid = scene, grid
        self.faces = tree_faces(scene.room.geometry)
        self.reach_m, paths = self._found(np.array(reach_m, float))
        longest = max(float(one.length_m.max(initial=1.0)) for one in paths)
        shortest = min(float(one.length_m.min(initial=longest)) for one in paths)
        self.tables = _recent_tables(scene.room, self.faces, grid.plan.node_hz, shortest, longest)
        rows = int(np.ceil(longest * AIR_ROWS_PER_M)) + 2
        air = scene.room.air.attenuation_np_per_m(grid.plan.node_hz)
        furnished = air + 0.5 * furniture_loss_per_m(scene.room, grid.plan.node_hz)
        self.air = np.exp(-np.arange(rows)[:, None] / AIR_ROWS_PER_M * np.stack([air, furnished])[:, None])
        hit_factors = PlanHitFactors(scene.room, self.faces, grid.plan.node_hz)
        self.drivers = [self._driver(number, one, hit_factors) for number, one in enumerate(paths)]

    def on_grid(self, grid: Grid, *, lend: bool) -> PlanPaths:
        """The same paths on another grid; `lend` where its nodes are among those of this one."""
        if not lend:
            return PlanPaths(self.scene, grid, self.reach_m)
        node = self.grid.plan.node_hz
        order = np.argsort(node, kind="stable")
        column = order[np.searchsorted(node, grid.plan.node_hz, sorter=order)]
        other = copy(self)
        other.grid = grid
        other.tables = replace(self.tables, table=np.ascontiguousarray(self.tables.table[..., column]))
        other.air = np.ascontiguousarray(self.air[..., column])
        other.drivers = [
            replace(one, factors=np.ascontiguousarray(one.factors[..., column])) for one in self.drivers
        ]
        return other

    def of(self, channel: int) -> list[DriverPaths]:
        """The drivers of a channel."""
        return [one for one in self.drivers if self.scene.emitters[one.emitter].channel == channel]

    def add(
        self, driver: DriverPaths, out: Floats, full_m: Floats, far_m: Floats,
        which: NDArray[np.int64] | None = None, slots: NDArray[np.int64] | None = None,
    ) -> None:
        """Add paths of one driver to sums.

        Parameters
        ----------
        out : shape (n_sum, n_listener, 2, n_slot), added to; direct paths go to sum 0, others to their slot or to 1
        full_m, far_m : early paths fade out from the first to the second length, shape (n_listener,)
        which : only these paths, of one listener, for which alone `out` and the lengths then stand
        slots : of the chosen paths, shape (n_which,)
        """
        from .kernels import listed_sums

        paths, plan = driver.paths, self.grid.plan
        listener = paths.listener if which is None else np.zeros_like(paths.listener)
        if which is None:
            which = np.lexsort((~driver.direct, listener))
        count = driver.group_start[which + 1] - driver.group_start[which]
        start = np.concatenate([[0], np.cumsum(count)])
        at = np.repeat(driver.group_start[which] - start[:-1], count) + np.arange(start[-1])
        pattern = self.grid.patterns[driver.emitter]
        listed_sums(
            listener[which], np.ones(len(which), np.int64) if slots is None else slots, driver.direct[which],
            paths.length_m[which], paths.middle_m[which], paths.sent[which],
            start, driver.group_mix[at], driver.group_count[at], driver.group_fall[at], driver.own[which],
            driver.factors, self.tables.table, ROWS_PER_E, PLANES_PER_E, self.tables.first_plane,
            self.air, AIR_ROWS_PER_M,
            pattern.kind, 0, pattern.rows_per_rad, pattern.columns, pattern.table,
            np.ascontiguousarray(self.scene.emitters[driver.emitter].rotation),
            full_m, far_m, 1.0 / self.scene.room.air.speed_m_s, plan.layers, plan.runs,
            np.stack([plan.slot_hz, plan.slot_weight]), out,
        )

    def spectra(self, driver: DriverPaths, sums: Floats) -> Complexes:
        """Pressure from sums of shape (..., 2, n_slot): (..., n_frequency)."""
        slot = self.grid.plan.slot_of
        return (sums[..., 0, slot] + 1j * sums[..., 1, slot]) * self.grid.drive(self.scene, driver.emitter)

    def _found(self, reach_m: Floats) -> tuple[Floats, list[VisiblePaths]]:
        """How far the search went, the same share of the way for all, and the paths of every driver."""
        scene, share = self.scene, 1.0
        while share * float(reach_m.max()) > NEAREST_REACH_M:
            try:
                return share * reach_m, [
                    visible_paths(self.faces, one.position_m, middle_m(scene, one.channel), scene.listeners_m,
                                  share * reach_m[one.channel], mount=_mount(self.faces, one))
                    for one in scene.emitters
                ]
            except TooManyImages:
                share *= STEP_BACK
        raise InvalidValue("room", scene.room.name, "has too many faces for image sources", "leave out small ones")

    def _driver(self, index: int, paths: VisiblePaths, hit_factors: PlanHitFactors) -> DriverPaths:
        scene, emitter = self.scene, self.scene.emitters[index]
        mount = _mount(self.faces, emitter)
        n_hit = len(paths.face)
        start, mix = np.zeros(len(paths.listener) + 1, np.int64), np.empty(n_hit, np.int64)
        count, fall = np.empty(n_hit, np.int64), np.empty(n_hit)
        groups = merge_hits(paths.start, paths.face, paths.cosine, self.tables.mix_of, start, mix, count, fall)
        mix, count, fall = mix[:groups], count[:groups], fall[:groups]
        if mount >= 0:
            at = start[1:]
            along = np.abs(paths.sent @ self.faces.normal[mount])
            mix = np.insert(mix, at, self.tables.mix_of[mount])
            count, fall = np.insert(count, at, -1), np.insert(fall, at, -np.log(np.maximum(along, 1e-12)))
            start = start + np.arange(start.size)
        chosen = hit_factors.chosen(paths, mount)
        own = np.full(len(paths.listener), -1, np.int64)
        own[chosen] = np.arange(chosen.size)
        factors = np.zeros((max(chosen.size, 1), 2, self.grid.plan.node_hz.size), np.float32)
        if chosen.size:
            found = hit_factors.of(paths, chosen, emitter.position_m, scene.listeners_m, mount)
            factors[:, 0], factors[:, 1] = found.real, found.imag
        return DriverPaths(
            emitter=index, paths=paths, direct=self._direct(emitter, paths), group_start=start, group_mix=mix,
            group_count=count, group_fall=fall, own=own, factors=factors,
        )

    def _direct(self, emitter: Emitter, paths: VisiblePaths) -> NDArray[np.bool_]:
        """Which paths are direct sound.

        The direct path; its image in the mounting wall; and images in other faces so near that they follow
        within DIRECT_S, with the images of images: as in a box.
        """
        gap = self.faces.normal @ emitter.position_m - self.faces.offset
        near = (gap >= 0) & (gap < DIRECT_S * self.scene.room.air.speed_m_s / 2)
        wall = self.faces.index(emitter.wall)
        if wall >= 0:
            # Beside the wall it stands at, a face that looks the same way or back is not one of them.
            near &= np.abs(self.faces.normal @ self.faces.normal[wall]) < 1 - 1e-9
            near[wall] = not emitter.on_wall
        hits, flags = paths.hits, np.ones(len(paths.listener), bool)
        owner = np.repeat(np.arange(len(paths.listener)), hits)
        flags[owner[~near[paths.face]]] = False
        for path in np.flatnonzero(flags & (hits > 1)):
            one = paths.faces_of(path)
            flags[path] = len(set(one.tolist())) == len(one)
        return flags


def _mount(faces: TreeFaces, emitter: Emitter) -> int:
    """Face that is part of a source, -1 for none."""
    if not emitter.on_wall:
        return -1
    if emitter.wall is None:
        raise InvalidValue(emitter.label, "on-wall", "needs a mounting wall")
    return faces.index(emitter.wall)


class _Recent(threading.local):
    """The tables that each thread made last: designs in one room follow each other."""

    key: Any = None
    tables: MixTables | None = None


_RECENT = _Recent()


def _recent_tables(
    room: Room, faces: TreeFaces, node_hz: Floats, shortest_m: float, longest_m: float
) -> MixTables:
    # a little more than needed, so that the next place in the room may use them
    shortest = 1.3 ** np.floor(np.log(max(shortest_m, 1e-3)) / np.log(1.3))
    reach = 1.15 ** np.ceil(np.log(longest_m) / np.log(1.15))
    key = (node_hz.tobytes(), float(shortest), float(reach))
    if _RECENT.tables is None or _RECENT.key is None or _RECENT.key[0] is not room or _RECENT.key[1] != key:
        _RECENT.tables = mix_tables(room, faces, node_hz, float(shortest), float(reach))
        _RECENT.key = (room, key)
    return _RECENT.tables


def plan_sums(paths: PlanPaths, full_m: Floats, far_m: Floats) -> tuple[Complexes, Complexes, NDArray[np.int64]]:
    """Direct and early pressure of every channel, (n_channel, n_listener, n_frequency) each, and how many paths count.

    full_m, far_m : early paths fade out from the first to the second length, shape (n_channel, n_listener)
    """
    scene, plan = paths.scene, paths.grid.plan
    n_channel, n_listener = len(scene.channels), len(scene.listeners_m)
    pressure = np.zeros((2, n_channel, n_listener, plan.slot_of.size), complex)
    counts = np.zeros((n_channel, n_listener), np.int64)
    for channel in range(n_channel):
        for k, driver in enumerate(paths.of(channel)):
            sums = np.zeros((2, n_listener, 2, plan.slot_hz.size))
            paths.add(driver, sums, full_m[channel], far_m[channel])
            pressure[:, channel] += paths.spectra(driver, sums)
            if k == 0:
                counts[channel] = np.bincount(driver.paths.listener, minlength=n_listener)
    return pressure[0], pressure[1], counts
