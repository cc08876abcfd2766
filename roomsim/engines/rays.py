"""Ray engine: energy that arrives at every listener over time, per band, in any room of planar faces.

Rays carry mean-square pressure. A ray stands for the solid angle 4π/N and leaves with e·4π/N [Pa² m²], where
e is the free-field mean-square pressure at 1 m in its direction; on its way it loses 1 - |R(θ)|² at surfaces
and what the air takes. A listener is a sphere: what crosses it adds energy × chord / volume, which is the mean
of the mean-square pressure over the part of the sphere that lies inside the room. So the direct sound of a
channel is |D|²/r², as in the image engine, and the sum over time is the incoherent steady response.
"""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..conventions import HAND_OVER_S
from ..errors import InvalidValue
from ..room.statistics import eyring_kuttruff_s
from ..scene import Scene
from ..sphere import fibonacci_grid
from .emission import channel_emission
from .ray_part import RayLedger, RayPart, late_energy, late_histogram
from .ray_surfaces import RayGeometry, RaySurfaces, air_table
from .ray_walks import Start, Walks, ray_starts, walks_of

__all__ = ["RayLedger", "RayPart", "default_duration_s", "late_energy", "late_histogram", "trace_rays"]

DETECTOR_M = 0.3
"""Radius of a listener's sphere; less where the loudspeaker is near (see trace_rays)."""

BLOCK_RAYS = 2048
SMALL_BLOCK_RAYS = 512
"""Where the number of rays is found, so that few may do."""

LEAST_BLOCKS = 8
MOST_RAYS = 4_000_000
GROUPS = 8


class _Block(NamedTuple):
    scattered: NDArray[np.float64]       # (n_channel, n_listener, n_time, n_band)
    unscattered: NDArray[np.float64]
    ledger: NDArray[np.float64]          # (n_channel, rows, n_band)
    emitted: NDArray[np.float64]         # (n_channel, n_band)


def trace_rays(
    scene: Scene,
    band_hz: ArrayLike,
    *,
    fraction: int = 1,
    rays: int | None = None,
    noise_db: float | None = None,
    duration_s: float | None = None,
    bin_s: float = 0.001,
    seed: int = 0,
    threads: int = 1,
    surfaces: RaySurfaces | None = None,
) -> RayPart:
    """Trace every channel of a scene to every listener.

    Parameters
    ----------
    scene : room of planar faces, placed loudspeakers, listeners
    band_hz, fraction : exact midbands; 1 for octaves, 3 for third octaves
    rays : rays per channel, rounded up to whole blocks; 50,000 where noise_db is not given either. Channels of one
        loudspeaker that are close together share them
    noise_db : or trace until the standard error of the late energy, as the rms over the listeners in the worst
        band and channel, is at most this
    duration_s : rays end here; default: the longest statistical decay time of the bands × 1.2, plus 0.1 s
    bin_s : width of the time bins
    seed : of the random numbers; belongs to the case, the result depends on nothing else
    threads : share blocks of rays among so many threads; the result does not depend on it
    surfaces : instead of the room's own

    Raises
    ------
    InvalidValue : no bands, a fraction other than 1 or 3, rays and noise_db both given, values not positive

    Notes
    -----
    A listener's radius is 0.3 m, or 0.4 of its distance from the loudspeaker where that is less: over a sphere
    of radius a at distance r the mean of 1/r² is 1 + a²/5r² too high. Spheres that walls cut are weighted by
    the volume inside the room. Rays start on an even grid, turned at random for every block.

    Not in the model: interference at a listener within about a quarter wavelength of a wall.
    """
    bands = np.atleast_1d(np.asarray(band_hz, float))
    _check(bands, fraction, rays, noise_db, duration_s, bin_s)
    duration = duration_s or default_duration_s(scene, bands)
    n_time = int(np.ceil(duration / bin_s - 1e-9))
    walks = walks_of(scene, (bands.tobytes(), fraction, n_time, bin_s, seed), remember=surfaces is None)
    tracer = _Tracer(scene, bands, fraction, n_time, bin_s, seed, surfaces, walks)
    with ThreadPoolExecutor(max_workers=max(threads, 1)) as pool:
        sums = [_traced(tracer, start, rays, noise_db, pool) for start in tracer.starts]
    count = max(one.rays for one in sums)
    order = np.argsort([channel for start in tracer.starts for channel in start.channels])

    def joined(name: str) -> NDArray[np.float64]:
        return np.concatenate([getattr(one, name) for one in sums])[order]

    ledger = joined("ledger").transpose(1, 0, 2)
    return RayPart(
        time_s=np.arange(n_time) * bin_s,
        band_hz=bands,
        fraction=fraction,
        scattered=joined("scattered"),
        unscattered=joined("unscattered"),
        direct_s=tracer.direct_s,
        noise_db=joined("noise_db"),
        groups=joined("groups").transpose(1, 0, 2, 3),
        ledger=RayLedger(
            emitted=joined("emitted"), walls=ledger[0], air=ledger[1],
            furniture=ledger[2], travelling=ledger[3], dropped=ledger[4], lost=ledger[5],
        ),
        rays=count,
        detector_m=tracer.radius,
        seed=seed,
    )


def default_duration_s(scene: Scene, band_hz: ArrayLike) -> float:
    """Long enough for 60 dB and more in the longest band, from the statistical decay time."""
    longest = float(np.max(eyring_kuttruff_s(scene.room, np.asarray(band_hz, float))))
    return float(np.clip(1.2 * longest + 0.1, 0.3, 10.0))


class _Tracer:
    """Everything that does not change from block to block."""

    def __init__(
        self, scene: Scene, bands: NDArray[np.float64], fraction: int, n_time: int, bin_s: float, seed: int,
        surfaces: RaySurfaces | None, walks: Walks,
    ) -> None:
        from .ray_kernels import visible_volume

        speed = scene.room.air.speed_m_s
        self.bands, self.n_time, self.seed = bands, n_time, seed
        self.bin_m = speed * bin_s
        self.reach_m = self.bin_m * n_time
        self.walks = walks
        self.entries_per_ray = 100 * len(scene.listeners_m)
        self.geometry = RayGeometry.of(scene.room.geometry)
        self.surfaces = surfaces or RaySurfaces.of(scene.room, bands, fraction)
        self.air, self.air_step_m = air_table(scene.room, bands, fraction, self.reach_m)
        self.emissions = [
            channel_emission(scene, channel, bands, fraction) for channel in range(len(scene.channels))
        ]
        self.listeners = np.ascontiguousarray(scene.listeners_m)
        self.starts = ray_starts(scene, self.emissions)
        places = np.empty((len(self.emissions), 3))
        for start in self.starts:
            places[start.channels] = start.position_m
        distance = np.linalg.norm(places[:, None] - self.listeners, axis=-1)
        self.direct_s = distance / speed
        self.radius = np.maximum(np.minimum(DETECTOR_M, 0.4 * distance.min(axis=0)), 1e-3)
        grid = fibonacci_grid(20_000)
        volume = [
            visible_volume(place, radius, grid, *self.geometry.arrays)
            for place, radius in zip(self.listeners, self.radius, strict=True)
        ]
        self.weight = 1 / np.array(volume)
        self.late_from = np.ceil((self.direct_s + HAND_OVER_S) / bin_s).astype(int)

    def block(self, start: Start, index: int, rays: int) -> _Block:
        """One block of rays; depends on nothing but the seed, the first channel and the index."""
        from .ray_kernels import LEDGER_ROWS, add_up

        walk = self.walks.block(self, start, index, rays)
        solid = 4 * np.pi / rays * (1.0 if start.into is None else 0.5)
        shape = (2, len(self.listeners), self.n_time, self.bands.size)
        left = np.zeros((len(start.channels), *shape))
        ledger = np.empty((len(start.channels), LEDGER_ROWS, self.bands.size))
        emitted = np.empty((len(start.channels), self.bands.size))
        for k, channel in enumerate(start.channels):
            energy = self.emissions[channel].energy(walk.directions) * solid
            add_up(walk.at, walk.source, walk.part, energy.reshape(-1), left[k].reshape(-1))
            ledger[k] = (energy[:, None] * walk.spent).sum(axis=0)
            emitted[k] = energy.sum(axis=0)
        return _Block(left[:, 1], left[:, 0], ledger, emitted)


class _StartSum(NamedTuple):
    scattered: NDArray[np.float64]       # (n_channel, n_listener, n_band, n_time)
    unscattered: NDArray[np.float64]
    ledger: NDArray[np.float64]
    emitted: NDArray[np.float64]
    noise_db: NDArray[np.float64]        # (n_channel, n_listener, n_band)
    groups: NDArray[np.float64]          # (n_channel, n_group, n_band, n_time)
    rays: int


def _traced(
    tracer: _Tracer, start: Start, rays: int | None, noise_db: float | None, pool: ThreadPoolExecutor
) -> _StartSum:
    """All blocks of the channels that share a start, in fixed order."""
    if noise_db is None:
        wanted = rays or 50_000
        blocks = max(LEAST_BLOCKS, int(np.ceil(wanted / BLOCK_RAYS)))
        size = int(np.ceil(wanted / blocks))
    else:
        blocks, size = LEAST_BLOCKS, SMALL_BLOCK_RAYS
    total = _Sum(tracer, start)
    total.add(_blocks(tracer, start, range(blocks), size, pool))
    while noise_db is not None and blocks * size < MOST_RAYS:
        worst = float(np.sqrt((total.noise_db() ** 2).mean(axis=1)).max())
        if worst <= noise_db:
            break
        # The error itself is known to a quarter from eight blocks: go at most four times further at once.
        more = int(np.ceil(blocks * min((worst / noise_db) ** 2 - 1, 3.0) * 1.05)) or 1
        total.add(_blocks(tracer, start, range(blocks, blocks + more), size, pool))
        blocks += more
    count = blocks
    scale = 1 / count
    turn = (0, 1, 3, 2)
    return _StartSum(
        scattered=total.scattered.transpose(turn) * scale,
        unscattered=total.unscattered.transpose(turn) * scale,
        ledger=total.ledger * scale,
        emitted=total.emitted * scale,
        noise_db=total.noise_db(),
        groups=total.group_means(),
        rays=count * size,
    )


def _blocks(
    tracer: _Tracer, start: Start, indices: range, size: int, pool: ThreadPoolExecutor
) -> Iterator[_Block]:
    return pool.map(lambda index: tracer.block(start, index, size), indices)


class _Sum:
    """Running sums over blocks."""

    def __init__(self, tracer: _Tracer, start: Start) -> None:
        n_channel, n_listener, n_band = len(start.channels), len(tracer.listeners), tracer.bands.size
        shape = (n_channel, n_listener, tracer.n_time, n_band)
        self.scattered, self.unscattered = np.zeros(shape), np.zeros(shape)
        self.ledger, self.emitted = 0.0, 0.0
        self.late: list[NDArray[np.float64]] = []
        self.group = np.zeros((GROUPS, n_channel, tracer.n_time, n_band))
        self.group_count = np.zeros(GROUPS)
        self.late_from = tracer.late_from[start.channels[0]]

    def add(self, blocks: Iterator[_Block]) -> None:
        for block in blocks:
            self.scattered += block.scattered
            self.unscattered += block.unscattered
            self.ledger = self.ledger + block.ledger
            self.emitted = self.emitted + block.emitted
            late = block.scattered.sum(axis=2)
            for listener, first in enumerate(self.late_from):
                late[:, listener] += block.unscattered[:, listener, first:].sum(axis=1)
            group = len(self.late) % GROUPS
            self.group[group] += (block.scattered + block.unscattered).mean(axis=1)
            self.group_count[group] += 1
            self.late.append(late)

    def noise_db(self) -> NDArray[np.float64]:
        """Standard error of the mean over blocks, in decibels, shape (n_listener, n_band)."""
        late = np.array(self.late)
        mean = late.mean(axis=0)
        error = late.std(axis=0, ddof=1) / np.sqrt(len(late))
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.where(mean > 0, 10 / np.log(10) * error / mean, np.inf)

    def group_means(self) -> NDArray[np.float64]:
        return (self.group / self.group_count[:, None, None, None]).transpose(1, 0, 3, 2)


def _check(
    bands: NDArray[np.float64], fraction: int, rays: int | None, noise_db: float | None, duration_s: float | None,
    bin_s: float,
) -> None:
    if bands.size == 0 or not np.all(np.isfinite(bands)) or bands.min() <= 0:
        raise InvalidValue("band_hz", bands, "must be one or more midbands above 0 Hz")
    if fraction not in (1, 3):
        raise InvalidValue("fraction", fraction, "must be 1 (octaves) or 3 (third octaves)")
    if rays is not None and noise_db is not None:
        raise InvalidValue("rays", rays, "give either rays or noise_db")
    for key, value in (("rays", rays), ("noise_db", noise_db), ("duration_s", duration_s), ("bin_s", bin_s)):
        if value is not None and not (np.isfinite(value) and value > 0):
            raise InvalidValue(key, value, "must be above 0")
