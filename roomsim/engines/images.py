"""Image engine: direct sound and early reflections, path by path, in the frequency domain.

Each path of a box's mirror lattice [allen-berkley1979], or by way of a visible image of another room, carries R(θ, f)
of every face it hits at its own angle there, √(1 - s) per hit, the directivity in the direction in which the mirrored
driver sends it, 1/r e^{-jkr}, and the air's attenuation. A driver mounted on a wall holds that wall's image in its
data: of each mirror pair the member with fewer hits stays and carries (1 + R(θ))/2.

Valid where walls are large and the field is many wavelengths from grazing; below a few times the transition
frequency plane-wave factors are not the field of a box, and the wave engine stands instead.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..conventions import HAND_OVER_S
from ..errors import InvalidValue
from ..response import Reflection
from ..scene import Scene
from .echo_sums import add_echoes
from .paths import Grid, Paths, direct_reach_m, first_arrivals_m, make_grid
from .plan_images import PlanPaths, plan_sums
from .plan_reflections import plan_reflections
from .reflections import strongest_reflections

_BLOCK = 64                 # listeners summed at a time
_PLAN_BLOCK = 24            # listeners whose visible paths are held at a time
_WHOLE_GROWTH = 1.25        # a shell of the whole sum is so much longer than the one before
_WHOLE_ENERGY = 1e-6        # the sum ends where a shell adds less than this to the energy
_LONGEST_M = 4000.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ImagePart:
    """What the image engine returns; pressures are complex rms [Pa], shape (n_channel, n_listener, n_frequency).

    Attributes
    ----------
    direct : direct path with the image in the mounting wall and in faces close by
    early : all other paths up to the hand-over
    hand_over_s : middle of its fade after emission, shape (n_channel, n_listener); inf for a whole sum
    path_count : paths in direct and early, fading ones included, shape (n_channel, n_listener)
    reflections : strongest early paths, strongest first, per channel
    """

    direct: NDArray[np.complex128]
    early: NDArray[np.complex128]
    hand_over_s: NDArray[np.float64]
    path_count: NDArray[np.int64]
    reflections: tuple[Reflection, ...] = ()

    @property
    def pressure(self) -> NDArray[np.complex128]:
        """direct + early."""
        return self.direct + self.early


def trace_images(
    scene: Scene,
    frequency_hz: ArrayLike,
    *,
    hand_over_s: float = HAND_OVER_S,
    fade_s: float = 0.0,
    whole: bool = False,
    max_distance_m: float | None = None,
    reflections: int = 12,
    reflection_listeners: tuple[int, ...] = (0,),
    all_within_ms: float = 0.0,
    threads: int = 1,
) -> ImagePart:
    """Direct sound and early reflections of every channel at every listener.

    Parameters
    ----------
    scene : room, placed loudspeakers, listeners
    frequency_hz : any frequencies ≥ 0, shape (n_frequency,)
    hand_over_s : the early part ends this long after the channel's first direct sound at each listener
    fade_s : its paths fade out by half a cosine in amplitude from so long before that to so long after it;
        0 cuts, the hybrid fades over conventions.HAND_OVER_FADE_S
    whole : carry the sum on until a further shell of images adds less than 1e-6 of the energy; boxes only
    max_distance_m : count paths up to this length instead
    reflections : how many of the strongest paths to list per channel and listener, 0 for none
    reflection_listeners : for which listeners
    all_within_ms : list also every weaker path of at least conventions.LISTED_DB that follows the direct sound so soon
    threads : share listeners among so many threads; the result does not depend on it

    Returns
    -------
    ImagePart

    Raises
    ------
    InvalidValue : a whole sum in a room that is no box

    Notes
    -----
    In rooms that are no box the hand-over comes earlier than asked for where visible paths are too many to be followed.

    A path counts for a whole channel or not at all: its length is that to the middle of the channel's drivers,
    so that the hand-over never splits a bar's directivity. Drivers of one channel are summed path by path with
    their own distances and emission directions.

    Accuracy: coarse nodes in frequency, tables in angle and polynomials for the phase together stay below 1e-3
    of the third-octave rms against a path-by-path evaluation (tests/engines/test_images.py).

    References: [allen-berkley1979], [kuttruff2016].
    """
    f = np.atleast_1d(np.asarray(frequency_hz, float))
    if f.ndim != 1 or f.size == 0 or not np.all(np.isfinite(f)) or f.min() < 0:
        raise InvalidValue("frequency_hz", frequency_hz, "must be one or more frequencies of at least 0 Hz")
    grid = make_grid(scene, f)
    channels = range(len(scene.channels))
    c = scene.room.air.speed_m_s
    box = scene.room.geometry.kind == "box"
    first = first_arrivals_m(scene)
    end = first + c * hand_over_s
    full, high = end - c * fade_s, end + c * fade_s
    if whole or max_distance_m is not None:
        end = full = high = np.full_like(first, np.inf if max_distance_m is None else float(max_distance_m))
    paths: Paths | PlanPaths | None = None
    if not box:
        if np.isinf(high).any():
            raise InvalidValue("whole", whole, "the whole image sum needs a box room")
        asked = {"listeners": reflection_listeners if reflections else (), "count": reflections,
                 "all_within_ms": all_within_ms}
        return _of_plan(scene, grid, end, full, high, asked)
    if np.isinf(high).any():
        sums = [_whole(scene, grid, channel, threads) for channel in channels]
    else:
        reach = max(float(high.max()), *(direct_reach_m(scene, channel) for channel in channels))
        paths = Paths(scene, grid, reach)
        sums = [_summed(paths, channel, -1.0, high[channel], threads, full[channel]) for channel in channels]
    listed: list[Reflection] = []
    if reflections:
        limit = np.minimum(end, first + c * hand_over_s)
        listed = strongest_reflections(scene, limit, reflection_listeners, reflections, paths, all_within_ms)
    return ImagePart(
        direct=np.stack([pressure[0] for pressure, _ in sums]),
        early=np.stack([pressure[1] for pressure, _ in sums]),
        hand_over_s=end / c,
        path_count=np.stack([count for _, count in sums]),
        reflections=tuple(listed),
    )


def _of_plan(
    scene: Scene, grid: Grid, end_m: NDArray[np.float64], full_m: NDArray[np.float64], high_m: NDArray[np.float64],
    asked: dict[str, Any],
) -> ImagePart:
    """Images of a room that is no box, a block of listeners after the other; lengths (n_channel, n_listener)."""
    parts = []
    for begin in range(0, len(scene.listeners_m), _PLAN_BLOCK):
        block = slice(begin, begin + _PLAN_BLOCK)
        some = replace(scene, listeners_m=scene.listeners_m[block])
        paths = PlanPaths(some, grid, high_m[:, block])
        less = high_m[:, block] - paths.reach_m
        direct, early, counts = plan_sums(paths, full_m[:, block] - less, high_m[:, block] - less)
        here = [listener - begin for listener in asked["listeners"] if 0 <= listener - begin < len(some.listeners_m)]
        end = end_m[:, block] - less
        listed = plan_reflections(paths, end, here, asked["count"], asked["all_within_ms"]) if here else []
        parts.append((direct, early, end / scene.room.air.speed_m_s, counts,
                      [replace(one, listener=one.listener + begin) for one in listed]))
    direct, early, hand_over, counts = (np.concatenate([part[k] for part in parts], axis=1) for k in range(4))
    listed = sorted((one for part in parts for one in part[4]), key=lambda one: one.channel)
    return ImagePart(direct=direct, early=early, hand_over_s=hand_over, path_count=counts, reflections=tuple(listed))


def _summed(
    paths: Paths, channel: int, low_m: float, high_m: NDArray[np.float64], threads: int,
    full_m: NDArray[np.float64] | None = None,
) -> tuple[NDArray[np.complex128], NDArray[np.int64]]:
    """Direct and early pressure (2, n_listener, n_frequency) over paths of low to high, and their number.

    The direct part is there only where the shell begins at the source (low_m < 0).
    """
    scene, plan = paths.scene, paths.grid.plan
    n_listener, drivers = len(scene.listeners_m), len(scene.channel_emitters(channel))
    pressure = np.empty((2, n_listener, plan.slot_of.size), complex)
    counts = np.zeros(n_listener, np.int64)
    full = high_m if full_m is None else full_m
    reach = float(high_m.max()) if low_m > 0 else paths.reach
    for begin in range(0, n_listener, _BLOCK):
        part = slice(begin, min(begin + _BLOCK, n_listener))
        sums = np.zeros((2, drivers, part.stop - begin, 2, plan.slot_hz.size))
        for lattice in paths.blocks(channel, low_m, reach):
            slots = np.ones(len(lattice), np.int32)
            counts[part] += paths.add(channel, lattice, slots, low_m, high_m[part], sums, part, threads, full[part])
        if low_m < 0:
            add_echoes(paths, channel, high_m[part], sums, part, full[part])
        pressure[:, part] = paths.spectra(channel, sums)
    return pressure, counts


def _whole(
    scene: Scene, grid: Grid, channel: int, threads: int
) -> tuple[NDArray[np.complex128], NDArray[np.int64]]:
    """The sum carried to its end, shell by shell."""
    low, high = -1.0, max(2 * float(scene.room.geometry.size_m.sum()), direct_reach_m(scene, channel))
    pressure, counts = None, None
    while True:
        limit = np.full(len(scene.listeners_m), high)
        shell, more = _summed(Paths(scene, grid, high), channel, low, limit, threads)
        pressure, counts = (shell, more) if pressure is None else (pressure + shell, counts + more)
        added, held = (np.mean(np.abs(p.sum(axis=0)) ** 2) for p in (shell, pressure))
        if low > 0 and added < _WHOLE_ENERGY * held:
            return pressure, counts
        if high > _LONGEST_M:
            raise InvalidValue("whole", high, "the image sum does not end; the walls hardly absorb")
        low, high = high, high * _WHOLE_GROWTH
