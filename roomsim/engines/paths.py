"""A scene made ready for the compiled path sum: distances, tables and node plan of its channels."""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..conventions import DIRECT_S
from ..errors import InvalidValue
from ..scene import Emitter, Scene
from .hit_factors import EDGE_STEPS
from .lattice import axis_faces, face_side, image_coordinates, indices_within, kept_on_wall, lattice_blocks
from .nodes import SPACINGS, NodePlan, coarsest_steps, cubic_error, lattice_hz, lattice_position, plan_nodes
from .patterns import Common, Pattern, common_factor, pattern_table
from .plate_paths import PLATE_ORDER, EchoPaths, echo_paths
from .ray_surfaces import furniture_loss_per_m
from .special_paths import SpecialPaths, lattice_within, special_paths
from .walls import PLANES_PER_E, ROWS_PER_E, AxisTable, axis_table, face_factor

NODE_TOLERANCE = 3e-4
"""Rms error per octave that the spacing of nodes may leave in a wall's factor, or in a directivity re its rms."""

AIR_ROWS_PER_M = 4.0
_TEST_COSINES, _TEST_LENGTHS_M = np.array([1.0, 0.5, 0.2]), np.array([3.0, 6.0, 9.0])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Grid:
    """Node plan of a frequency grid, with what the drivers add to it.

    Attributes
    ----------
    frequency_hz : shape (n_frequency,)
    plan : nodes and slots
    steps : lattice steps between nodes by octave, 0 begins at 1 kHz
    commons : per emitter of the scene
    patterns : per emitter of the scene
    """

    frequency_hz: NDArray[np.float64]
    plan: NodePlan
    steps: dict[int, int]
    commons: tuple[Common, ...]
    patterns: tuple[Pattern, ...]

    def drive(self, scene: Scene, emitter: int) -> NDArray[np.complex128]:
        """Common factor times filter of one emitter on the grid, shape (n_frequency,)."""
        return self.commons[emitter].at(self.frequency_hz) * scene.emitters[emitter].filter.response(self.frequency_hz)


def make_grid(scene: Scene, frequency_hz: ArrayLike, like: Grid | None = None) -> Grid:
    """Choose nodes so fine that walls and directivities of the scene are met within NODE_TOLERANCE.

    `like`, a grid of the same scene that covers these frequencies, lends its spacing: the nodes are among its own.
    """
    f = np.atleast_1d(np.asarray(frequency_hz, float))
    if like is not None:
        return _grid(scene, f, like.steps, like.commons)
    position = lattice_position(f)
    widest = SPACINGS[0]
    first = int(np.floor(position.min() / widest)) * widest - widest
    last = int(np.floor(position.max() / widest)) * widest + 2 * widest
    commons = [common_factor(emitter.directivity, first, last) for emitter in scene.emitters]
    lattice = lattice_hz(np.arange(first, last + 1))
    walls = np.concatenate(
        [
            face_factor(scene.room, face, lattice, _TEST_COSINES, _TEST_LENGTHS_M)
            for face in dict.fromkeys(part.face for part in scene.room.parts())
        ]
    )
    errors = {
        step: np.max(
            [
                *np.abs(cubic_error(walls, step)),
                *np.abs(cubic_error(walls**2, step)),
                *(common.worst_error(step) for common in dict.fromkeys(commons)),
            ],
            axis=0,
        )
        for step in SPACINGS[:-1]
    }
    steps = coarsest_steps(errors, first, NODE_TOLERANCE)
    if scene.room.patches or any(emitter.plates for emitter in scene.emitters):
        steps = {octave: min(step, EDGE_STEPS) for octave, step in steps.items()}
    return _grid(scene, f, steps, tuple(commons))


def _grid(scene: Scene, f: NDArray[np.float64], steps: dict[int, int], commons: tuple[Common, ...]) -> Grid:
    plan = plan_nodes(f, lambda octave: steps[octave])
    patterns = tuple(
        pattern_table(emitter.directivity, common, plan.node_hz)
        for emitter, common in zip(scene.emitters, commons, strict=True)
    )
    return Grid(frequency_hz=f, plan=plan, steps=steps, commons=commons, patterns=patterns)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _ChannelArrays:
    """What the compiled loop needs of a channel; see kernels.path_sums."""

    along: tuple[NDArray[np.float64], ...]
    logs: tuple[NDArray[np.float64], ...]
    centre: tuple[NDArray[np.float64], ...]
    tables: tuple[AxisTable, ...]
    patterns: tuple[NDArray, ...]
    frames: NDArray[np.float64]
    even: tuple[int, float]


class Paths:
    """All image paths of one scene up to a reach.

    Parameters
    ----------
    scene : a box room
    grid : its frequency grid
    reach_m : no path that counts is longer (measured to the middle of a channel's drivers)
    like : the same paths on a grid whose nodes hold those of `grid`; lends its tables and its reach
    """

    def __init__(self, scene: Scene, grid: Grid, reach_m: float, like: Paths | None = None) -> None:
        if scene.room.geometry.kind != "box":
            raise InvalidValue("room", scene.room.geometry.kind, "the image engine needs a box room")
        self.scene, self.grid = scene, grid
        self.size = scene.room.geometry.size_m
        extent = max(
            float(np.linalg.norm(emitter.position_m - middle_m(scene, emitter.channel), axis=-1))
            for emitter in scene.emitters
        )
        self.reach = reach_m + extent if like is None else like.reach
        self.index = [indices_within(float(length), self.reach) for length in self.size]
        rows = int(np.ceil(self.reach * AIR_ROWS_PER_M)) + 2
        air = scene.room.air.attenuation_np_per_m(grid.plan.node_hz)
        furnished = air + 0.5 * furniture_loss_per_m(scene.room, grid.plan.node_hz)
        self.air = np.exp(-np.arange(rows)[:, None] / AIR_ROWS_PER_M * np.stack([air, furnished])[:, None])
        self._like = like
        self._tables: dict[str | None, tuple[AxisTable, ...]] = {}
        self._channels: dict[int, _ChannelArrays] = {}
        self._specials: dict[int, SpecialPaths | None] = {}
        self._echoes: dict[int, EchoPaths | None] = {}

    def blocks(
        self, channel: int, low_m: float, high_m: float, limit: int = 1 << 20
    ) -> Iterator[NDArray[np.int32]]:
        """Blocks of lattice positions, shape (n_path, 3), that may reach some listener over low_m to high_m."""
        listeners = self.scene.listeners_m
        mount = _mount(self.scene.channel_emitters(channel))
        least, most = [], []
        for axis in range(3):
            image = image_coordinates(middle_m(self.scene, channel)[axis], self.size[axis], self.index[axis])
            distance = np.abs(image[:, None] - listeners[:, axis])
            near = distance.min(axis=1)
            if mount is not None and mount[0] == axis:
                near[~kept_on_wall(self.index[axis], mount[1])] = np.inf
            least.append(near)
            most.append(distance.max(axis=1))
        return lattice_blocks(tuple(least), tuple(most), low_m, high_m, limit)

    def direct_flags(self, channel: int, lattice: NDArray[np.int32]) -> NDArray[np.bool_]:
        """Which paths are direct sound of which driver, shape (n_path, n_driver)."""
        emitters = self.scene.channel_emitters(channel)
        flags = np.ones((len(lattice), len(emitters)), bool)
        for e, emitter in enumerate(emitters):
            for axis, allowed in enumerate(direct_indices(self.scene, emitter)):
                flags[:, e] &= np.isin(self.index[axis], allowed)[lattice[:, axis]]
        return flags

    def add(
        self,
        channel: int,
        lattice: NDArray[np.int32],
        slots: NDArray[np.int32],
        low_m: ArrayLike,
        high_m: ArrayLike,
        out: NDArray[np.float64],
        listeners: slice = slice(None),
        threads: int = 1,
        full_m: ArrayLike = np.inf,
    ) -> NDArray[np.int64]:
        """Add paths to sums.

        Parameters
        ----------
        lattice : shape (n_path, 3), from `blocks`
        slots : which sum an early path goes to, shape (n_path,); direct paths go to sum 0
        low_m, high_m : a path counts where low < length ≤ high, scalars or shape (n_listener,)
        out : shape (n_sum, n_driver, n_listener, 2, n_slot), added to
        listeners : which of the scene's listeners `out` stands for
        threads : listeners are shared among so many threads; the bits do not depend on it
        full_m : early paths longer than this fade out by half a cosine up to high_m, as low_m and high_m

        Returns
        -------
        how many paths counted at each listener, shape (n_listener,)
        """
        from .kernels import path_sums

        at = self.arrays(channel)
        n_listener = out.shape[2]
        low, high, full = (np.broadcast_to(np.asarray(v, float), n_listener) for v in (low_m, high_m, full_m))
        along, logs, centre = (
            tuple(np.ascontiguousarray(array[..., listeners]) for array in arrays)
            for arrays in (at.along, at.logs, at.centre)
        )
        plan = self.grid.plan
        slot_grid = np.stack([plan.slot_hz, plan.slot_weight])
        flags = self.direct_flags(channel, lattice)
        own, factors = self._own_factors(channel, lattice)
        factors = factors[:, listeners]
        counts = np.zeros(n_listener, np.int64)

        def work(begin: int, end: int) -> None:
            path_sums(
                lattice, slots, flags,
                along, logs, centre, tuple(1.0 - 2.0 * (index % 2) for index in self.index),
                tuple(t.first_row for t in at.tables), tuple(t.last_row for t in at.tables), ROWS_PER_E,
                tuple(t.stride for t in at.tables), tuple(t.first_plane for t in at.tables),
                tuple(t.last_plane for t in at.tables), PLANES_PER_E,
                *(t.table for t in at.tables), own, factors,
                self.air, AIR_ROWS_PER_M,
                *at.patterns, at.frames, *at.even,
                np.where(low > 0, low**2, -1.0), high**2, full, high, 1.0 / self.scene.room.air.speed_m_s,
                plan.layers, plan.runs, slot_grid,
                begin, end, out, counts,
            )

        edges = np.linspace(0, n_listener, max(1, min(threads, n_listener)) + 1).astype(int).tolist()
        if len(edges) > 2:
            with ThreadPoolExecutor(len(edges) - 1) as pool:
                list(pool.map(work, edges[:-1], edges[1:]))
        else:
            work(0, n_listener)
        return counts

    def spectra(self, channel: int, sums: NDArray[np.float64]) -> NDArray[np.complex128]:
        """Pressure from sums of shape (..., n_driver, n_listener, 2, n_slot): (..., n_listener, n_frequency)."""
        slot = self.grid.plan.slot_of
        number = [n for n, emitter in enumerate(self.scene.emitters) if emitter.channel == channel]
        out = np.zeros((*sums.shape[:-4], sums.shape[-3], slot.size), complex)
        for e, n in enumerate(number):
            one = sums[..., e, :, :, :]
            out += (one[..., 0, slot] + 1j * one[..., 1, slot]) * self.grid.drive(self.scene, n)
        return out

    def _own_factors(
        self, channel: int, lattice: NDArray[np.int32]
    ) -> tuple[NDArray[np.int64], NDArray[np.float32]]:
        """For paths followed hit by hit: the row of each path and driver (-1 for others) in an array of factors."""
        special = self._special(channel)
        if special is None:
            drivers = len(self.scene.channel_emitters(channel))
            return np.full((len(lattice), drivers), -1), np.empty((0, len(self.scene.listeners_m), 2, 0), np.float32)
        return special.of(lattice), special.factors

    def _special(self, channel: int) -> SpecialPaths | None:
        if channel not in self._specials:
            if self._like is not None:
                lent = self._like._special(channel)
                made = None if lent is None else replace(lent, factors=lent.factors[..., self._columns()])
            else:
                mount = _mount(self.scene.channel_emitters(channel))
                made = special_paths(self.scene, channel, self.index, self.grid.plan.node_hz, mount)
            self._specials[channel] = made
        return self._specials[channel]

    def echoes(self, channel: int) -> EchoPaths | None:
        """Paths by way of near plates, None where there are none."""
        if channel not in self._echoes:
            if self._like is not None:
                lent = self._like.echoes(channel)
                made = None if lent is None else replace(lent, factors=lent.factors[..., self._columns()])
            else:
                mount = _mount(self.scene.channel_emitters(channel))
                near = lattice_within(self.index, PLATE_ORDER)
                made = echo_paths(self.scene, channel, near, self.grid.plan.node_hz, mount)
            self._echoes[channel] = made
        return self._echoes[channel]

    def _columns(self) -> NDArray[np.int64]:
        """Where the nodes of this grid stand among those of the paths that lend their tables."""
        node = self._like.grid.plan.node_hz
        order = np.argsort(node, kind="stable")
        return order[np.searchsorted(node, self.grid.plan.node_hz, sorter=order)]

    def arrays(self, channel: int) -> _ChannelArrays:
        """What the compiled loop needs of a channel."""
        if channel not in self._channels:
            self._channels[channel] = self._prepared(channel)
        return self._channels[channel]

    def _prepared(self, channel: int) -> _ChannelArrays:
        emitters = self.scene.channel_emitters(channel)
        mount = _mount(emitters)
        positions = np.array([emitter.position_m for emitter in emitters])
        middle = middle_m(self.scene, channel)
        along, centre = [], []
        for axis in range(3):
            seats = self.scene.listeners_m[:, axis]
            image = image_coordinates(positions[:, axis], self.size[axis], self.index[axis][:, None])
            along.append(image[:, :, None] - seats)
            centre.append(image_coordinates(middle[axis], self.size[axis], self.index[axis])[:, None] - seats)
        number = [n for n, emitter in enumerate(self.scene.emitters) if emitter.channel == channel]
        patterns = [self.grid.patterns[n] for n in number]
        distinct = list({id(pattern): pattern for pattern in patterns}.values())
        first = np.cumsum([0, *(len(p.table) for p in distinct[:-1])]).tolist()
        first_of = {id(p): row for p, row in zip(distinct, first, strict=True)}
        return _ChannelArrays(
            along=tuple(along),
            logs=tuple(np.log(np.maximum(np.abs(distance), 1e-30)) for distance in along),
            centre=tuple(centre),
            tables=self._axis_tables(None if mount is None else emitters[0].wall),
            patterns=(
                np.array([p.kind for p in patterns]),
                np.array([first_of[id(p)] for p in patterns]),
                np.array([p.rows_per_rad for p in patterns]),
                np.array([p.columns for p in patterns]),
                distinct[0].table if len(distinct) == 1 else np.concatenate([p.table for p in distinct]),
            ),
            frames=np.array([emitter.rotation for emitter in emitters]),
            even=(-1, 1.0) if mount is None else (mount[0], 1.0 - 2.0 * mount[1]),
        )

    def _axis_tables(self, wall: str | None) -> tuple[AxisTable, ...]:
        if wall not in self._tables and self._like is not None:
            column = self._columns()
            self._tables[wall] = tuple(
                replace(table, table=np.ascontiguousarray(table.table[..., column]))
                for table in self._like._axis_tables(wall)
            )
        if wall not in self._tables:
            mount = None if wall is None else face_side(wall)
            made = []
            for axis in range(3):
                at = np.array([emitter.position_m[axis] for emitter in self.scene.emitters])
                image = image_coordinates(at, self.size[axis], self.index[axis][:, None])
                along = np.abs(image[:, :, None] - self.scene.listeners_m[:, axis])
                side = mount[1] if mount is not None and mount[0] == axis else None
                made.append(
                    axis_table(self.scene.room, axis, self.index[axis], along.min(axis=(1, 2)),
                               along.max(axis=(1, 2)), self.reach, self.grid.plan.node_hz, side)
                )
            self._tables[wall] = tuple(made)
        return self._tables[wall]


def middle_m(scene: Scene, channel: int) -> NDArray[np.float64]:
    """Mean position of a channel's drivers, shape (3,)."""
    return np.mean([emitter.position_m for emitter in scene.channel_emitters(channel)], axis=0)


def first_arrival_m(scene: Scene, channel: int) -> NDArray[np.float64]:
    """Distance of the channel's nearest driver to each listener, shape (n_listener,)."""
    at = np.array([emitter.position_m for emitter in scene.channel_emitters(channel)])
    return np.linalg.norm(scene.listeners_m[:, None] - at, axis=-1).min(axis=1)


def first_arrivals_m(scene: Scene) -> NDArray[np.float64]:
    """The same of every channel, shape (n_channel, n_listener)."""
    return np.stack([first_arrival_m(scene, channel) for channel in range(len(scene.channels))])


def direct_reach_m(scene: Scene, channel: int) -> float:
    """No direct path of the channel is longer than this."""
    longest = 0.0
    for emitter in scene.channel_emitters(channel):
        spans = []
        for axis, allowed in enumerate(direct_indices(scene, emitter)):
            length = float(scene.room.geometry.size_m[axis])
            image = image_coordinates(emitter.position_m[axis], length, np.array(allowed))
            spans.append(np.abs(image[:, None] - scene.listeners_m[:, axis]).max())
        longest = max(longest, float(np.linalg.norm(spans)))
    return longest


def direct_indices(scene: Scene, emitter: Emitter) -> list[list[int]]:
    """Per axis the lattice indices that belong to the direct sound of an emitter.

    The direct path; its image in the mounting wall; and images in other faces so near that they follow
    within DIRECT_S (an image in a face at h comes at most 2h later), with the images of images.
    """
    near = DIRECT_S * scene.room.air.speed_m_s / 2
    allowed = []
    for axis in range(3):
        low, high = axis_faces(axis)
        position, length = emitter.position_m[axis], scene.room.geometry.size_m[axis]
        if emitter.wall in (low, high):
            own = [] if emitter.on_wall else [-1 if emitter.wall == low else 1]
        else:
            own = [index for index, gap in ((-1, position), (1, length - position)) if gap < near]
        allowed.append([0, *own])
    return allowed


def _mount(emitters: tuple[Emitter, ...]) -> tuple[int, int] | None:
    """Axis and side of the wall that is part of a channel's sources, None for free ones."""
    if not emitters[0].on_wall:
        return None
    if emitters[0].wall is None:
        raise InvalidValue(emitters[0].label, "on-wall", "needs a mounting wall")
    return face_side(emitters[0].wall)

