"""Ray engine: energy that arrives at every listener over time, per band, in any room of planar faces.

Rays carry mean-square pressure. A ray stands for the solid angle 4π/N and leaves with e·4π/N [Pa² m²], where
e is the free-field mean-square pressure at 1 m in its direction; on its way it loses 1 - |R(θ)|² at surfaces, what
they and furniture scatter, and what the air takes.

Rays from the source are never scattered themselves: what surfaces scatter out of them, ray_transfer brings to the
listeners through any number of further scatterings. Unscattered sound comes from mirror images in a box without
patches, exactly; elsewhere it is counted where rays cross a sphere about a listener, energy × chord / volume, which
is the mean of the mean-square pressure over the part of the sphere inside the room. The direct sound is |D|²/r², as
in the image engine, and the sum over time is the incoherent steady response.
"""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..conventions import HAND_OVER_S
from ..errors import InvalidValue
from ..room.room import Room
from ..room.statistics import eyring_kuttruff_s
from ..scene import Scene
from ..sphere import fibonacci_grid
from .emission import channel_emission
from .ray_part import RayLedger, RayPart, late_energy, late_histogram
from .ray_sums import Nodes, ScatterGroups, scatter_groups
from .ray_surfaces import RaySurfaces, air_table
from .ray_transfer import FLOOR, GROUPS, ListenerTransfer, Map, RayRoom, RoomTransfer, over_time, spectrum
from .ray_unscattered import furniture_rate, image_energy, is_plain_box
from .ray_walks import Start, ray_room, ray_starts, transfers

__all__ = ["RayLedger", "RayPart", "default_duration_s", "late_energy", "late_histogram", "trace_rays"]

DETECTOR_M = 0.3
"""Radius of a listener's sphere; less where the loudspeaker is near (see trace_rays)."""

NODE_S, WIDE_NODE_S, WIDE_BELOW = 0.002, 0.004, 0.2
"""Time steps of scattered sound, the wide one where surfaces scatter less than WIDE_BELOW on average and no furniture
does; arrivals between two steps go to both so that their mean time is kept. A decay time T comes out too short by
the part 13.8 v / 2Tt, with v = step²/6 and t the time between scatterings: 0.2 % for T = 0.4 s and Lambert walls."""

RAYS = 50_000
COUNTED, FOLLOWED, FROM_ELEMENTS, TO_LISTENERS = 4.0, 0.25, 0.3, 0.02
"""Re the number of rays that is asked for: rays counted at the listeners' spheres (none in a plain box), rays from the
source that are followed for what they scatter, rays from all elements together, and rays of each listener."""

MOST_RAYS = 4_000_000


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
    rays : measure of all rays, in eight parts (see COUNTED); 50,000 where noise_db is not given either. Channels of one
        loudspeaker that are close together share them
    noise_db : or trace until the standard error of the late energy, as the rms over the listeners in the worst
        band and channel, is at most this
    duration_s : rays end here; default: the longest statistical decay time of the bands × 1.2, plus 0.1 s
    bin_s : width of the time bins
    seed : of the random numbers; belongs to the case, the result depends on nothing else
    threads : share the work among so many threads; the result does not depend on it
    surfaces : instead of the room's own

    Raises
    ------
    InvalidValue : no bands, a fraction other than 1 or 3, rays and noise_db both given, values not positive

    Notes
    -----
    A listener's radius is 0.3 m, or 0.4 of its distance from the loudspeaker where that is less. Spheres that walls cut
    are weighted by the volume inside the room. Rays start on even grids, turned at random for each of eight parts.

    Not in the model: interference at a listener within about a quarter wavelength of a wall.
    """
    bands = np.atleast_1d(np.asarray(band_hz, float))
    _check(bands, fraction, rays, noise_db, duration_s, bin_s)
    duration = duration_s or default_duration_s(scene, bands)
    tracer = _Tracer(scene, bands, fraction, int(np.ceil(duration / bin_s - 1e-9)), bin_s, seed, surfaces)
    count = rays or (2000 if noise_db is not None else RAYS)
    with _mapped(threads) as run:
        while True:
            part = tracer.trace(count, run)
            worst = float(np.sqrt((part.noise_db**2).mean(axis=1)).max())
            if noise_db is None or worst <= noise_db or count >= MOST_RAYS:
                return part
            # The error itself is known to a quarter from eight parts: go at most four times further at once.
            count = int(np.ceil(count * min(max(1.1 * (worst / noise_db) ** 2, 1.2), 4.0)))


def default_duration_s(scene: Scene, band_hz: ArrayLike) -> float:
    """Long enough for 60 dB and more in the longest band, from the statistical decay time."""
    longest = float(np.max(eyring_kuttruff_s(scene.room, np.asarray(band_hz, float))))
    return float(np.clip(1.2 * longest + 0.1, 0.3, 10.0))


@contextmanager
def _mapped(threads: int) -> Iterator[Map]:
    if threads <= 1:
        yield map
        return
    with ThreadPoolExecutor(max_workers=threads) as pool:
        yield pool.map


class _StartSum(NamedTuple):
    scattered: NDArray[np.float64]       # (n_channel, n_listener, n_band, n_time)
    unscattered: NDArray[np.float64]
    ledger: NDArray[np.float64]          # (n_channel, 6, n_band)
    emitted: NDArray[np.float64]         # (n_channel, n_band)
    noise_db: NDArray[np.float64]        # (n_channel, n_listener, n_band)
    groups: NDArray[np.float64]          # (n_channel, n_group, n_band, n_time)


class _Tracer:
    """Everything that does not change with the number of rays."""

    def __init__(
        self, scene: Scene, bands: NDArray[np.float64], fraction: int, n_time: int, bin_s: float, seed: int,
        surfaces: RaySurfaces | None,
    ) -> None:
        from .ray_kernels import visible_volume

        speed = scene.room.air.speed_m_s
        self.bands, self.fraction, self.n_time, self.bin_s, self.seed = bands, fraction, n_time, bin_s, seed
        self.bin_m = speed * bin_s
        self.kept = ray_room(scene, surfaces, (bands.tobytes(), fraction, n_time, bin_s, seed), self._place)
        self.place, self.nodes = self.kept.place, self.kept.nodes
        table, step_m = air_table(scene.room, bands, fraction, (n_time + self.nodes.bins) * self.bin_m)
        self.air_at = lambda distance: np.stack(
            [np.interp(distance, np.arange(len(table)) * step_m, row) for row in table.T]
        )
        self.air = self.air_at((np.arange(n_time) + 0.5) * self.bin_m)                      # (n_band, n_time)
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
        self.weight = np.ones(len(self.listeners))
        self.plain = is_plain_box(scene.room, self.place.surfaces)
        if not self.plain:
            grid = fibonacci_grid(20_000)
            for k, (place, radius) in enumerate(zip(self.listeners, self.radius, strict=True)):
                self.weight[k] /= visible_volume(place, radius, grid, *self.place.geometry.arrays)
        self.late_from = np.ceil((self.direct_s + HAND_OVER_S) / bin_s).astype(int)

    def _place(self, room: Room, own: RaySurfaces | None) -> tuple[RayRoom, Nodes]:
        """A room as the kernels read it, and its time steps."""
        surfaces = own or RaySurfaces.of(room, self.bands, self.fraction)
        area = np.array([face.area_m2 for face in room.geometry.faces])
        mean = float(area @ surfaces.scatter[surfaces.face_surface].max(axis=1) / area.sum())
        still = mean < WIDE_BELOW and not surfaces.furniture_per_m * surfaces.furniture_scatters > 0
        nodes = Nodes.of(self.n_time, self.bin_s, WIDE_NODE_S if still else NODE_S)
        return RayRoom.of(room, surfaces, node_m=self.bin_m * nodes.bins, n_node=nodes.count), nodes

    def trace(self, rays: int, run: Map) -> RayPart:
        """Everything with so many rays."""
        element_rays, listener_rays = int(np.ceil(rays * FROM_ELEMENTS)), int(np.ceil(rays * TO_LISTENERS))
        room, heard = transfers(self.kept, self.listeners, element_rays, listener_rays, self.seed, run)
        sums = [self._start(start, rays, room, heard, run) for start in self.starts]
        order = np.argsort([channel for start in self.starts for channel in start.channels])

        def joined(name: str) -> NDArray[np.float64]:
            return np.concatenate([getattr(one, name) for one in sums])[order]

        ledger = joined("ledger").transpose(1, 0, 2)
        return RayPart(
            time_s=np.arange(self.n_time) * self.bin_s,
            band_hz=self.bands,
            fraction=self.fraction,
            scattered=joined("scattered"),
            unscattered=joined("unscattered"),
            direct_s=self.direct_s,
            noise_db=joined("noise_db"),
            groups=joined("groups").transpose(1, 0, 2, 3),
            ledger=RayLedger(
                emitted=joined("emitted"), walls=ledger[0], air=ledger[1],
                furniture=ledger[2], travelling=ledger[3], dropped=ledger[4], lost=ledger[5],
            ),
            rays=-(-rays // GROUPS) * GROUPS,
            detector_m=self.radius,
            seed=self.seed,
        )

    # ----- one start

    def _start(
        self, start: Start, rays: int, room: RoomTransfer, heard: ListenerTransfer, run: Map
    ) -> _StartSum:
        """All channels that share a start."""
        n_row, n_listener = len(self.place.elements.basis), len(self.listeners)
        followed = list(run(lambda group: self._follow(start, rays, group), range(GROUPS)))
        rows, seen, ledger = (sum(one[k] for one in followed) / GROUPS for k in range(3))
        emitted = sum(one[3] for one in followed) / GROUPS                                  # (n_channel, n_band)
        # Scattered sound.
        lines = spectrum(rows, 1).transpose(3, 1, 2, 0)                          # (n_band, n_line, n_channel, 2 n_row)
        near = np.ascontiguousarray(lines[..., n_row:])
        arrived = (near + lines[..., :n_row]) @ heard.rows
        arrived[..., :n_listener] -= near @ heard.first
        arrived = arrived.transpose(0, 2, 3, 1)
        nodes = over_time(arrived, self.nodes.count)                             # (n_band, n_channel, line, n_node)
        scattered = nodes[:, :, :n_listener] + seen.transpose(3, 2, 0, 1)
        scattered = self.nodes.to_bins(scattered).transpose(1, 2, 0, 3) * self.air
        scattered = np.maximum(scattered, 0.0)
        # Unscattered sound.
        counts = self._unscattered(start, rays, run)                             # (1 or group, c, listener, b, n_time)
        unscattered = counts.mean(axis=0)
        self._add_direct(start, unscattered)
        # Noise.
        parts = scatter_groups(room, heard, np.stack([one[0] for one in followed]), self.nodes, self.air)
        noise, groups = self._noise(start, parts, counts, scattered, unscattered)
        book = self._book(nodes[:, :, n_listener:], ledger)
        return _StartSum(scattered, unscattered, book, emitted, noise, groups)

    def _sent(self, start: Start, count: int, key: int, group: int) -> tuple[NDArray, NDArray, np.random.Generator]:
        """Directions (n, 3) of one part of the rays and the energy in each, (n, n_channel, n_band)."""
        rng = np.random.default_rng(np.random.SeedSequence(self.seed, spawn_key=(key, start.channels[0], group)))
        directions, weight = (one[0] for one in self.place.spread.sample(count, rng, start.into))
        solid = 4 * np.pi * weight * (1.0 if start.into is None else 0.5)
        sent = np.empty((len(directions), len(start.channels), self.bands.size))
        for k, channel in enumerate(start.channels):
            sent[:, k] = self.emissions[channel].energy(directions) * solid[:, None]
            whole = sent[:, k].sum(axis=0)                   # to the power of the channel, whatever lobes it has
            sent[:, k] *= np.divide(self.emissions[channel].total, whole, out=np.zeros_like(whole), where=whole > 0)
        return directions, sent, rng

    def _follow(self, start: Start, rays: int, group: int) -> tuple[NDArray, NDArray, NDArray, NDArray]:
        """Rows, what is seen, ledger and energy sent of one part of the rays that are followed."""
        count = max(int(np.ceil(rays * FOLLOWED / GROUPS)), 16)
        directions, sent, rng = self._sent(start, count, 3, group)
        at = np.broadcast_to(start.position_m, directions.shape)
        found = self.place.follow(at, directions, rng.random(len(sent)), sent, listeners=self.listeners)
        return *found, sent.sum(axis=0)

    def _unscattered(self, start: Start, rays: int, run: Map) -> NDArray[np.float64]:
        """Without the direct sound: from images, (1, c, listener, b, n_time), or from each part of the rays."""
        emissions = [self.emissions[channel] for channel in start.channels]
        if self.plain:
            images = image_energy(
                self.place.room, self.place.geometry, self.place.surfaces, start.position_m, emissions,
                self.listeners,
                bin_m=self.bin_m, bin_s=self.bin_s, n_time=self.n_time,
            )
            return images[None] * self.air
        return np.stack(list(run(lambda group: self._count(start, rays, group), range(GROUPS)))) * self.air

    def _count(self, start: Start, rays: int, group: int) -> NDArray[np.float64]:
        """What one part of the rays leaves at the listeners, (n_channel, n_listener, n_band, n_time)."""
        from .ray_kernels import detect_rays

        directions, sent, _ = self._sent(start, int(np.ceil(rays * COUNTED / GROUPS)), 4, group)
        out = np.zeros((len(self.listeners), self.n_time, len(start.channels), self.bands.size))
        detect_rays(
            start.position_m, directions, sent, *self.place.geometry.arrays, *self.place.surfaces.arrays,
            self.listeners, self.radius**2, self.weight, self.bin_m, FLOOR, out,
        )
        return out.transpose(2, 0, 3, 1)

    def _add_direct(self, start: Start, unscattered: NDArray[np.float64]) -> None:
        """The direct sound, where nothing stands between."""
        from .ray_kernels import next_face

        rate = furniture_rate(self.place.surfaces)
        for listener, place in enumerate(self.listeners):
            towards = place - start.position_m
            away = float(np.linalg.norm(towards))
            direction = towards / max(away, 1e-9)
            index = int(away / self.bin_m)
            free = next_face(*start.position_m, *direction, *self.place.geometry.arrays)[0]
            if index >= self.n_time or free < away - 1e-9:
                continue
            gain = np.exp(-rate * away) * self.air_at(np.array([away]))[:, 0] / max(away, 1e-3) ** 2
            for k, channel in enumerate(start.channels):
                unscattered[k, listener, :, index] += self.emissions[channel].energy(direction[None])[0] * gain

    def _noise(
        self, start: Start, parts: ScatterGroups, counts: NDArray[np.float64], scattered: NDArray[np.float64],
        unscattered: NDArray[np.float64],
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Standard error of the late energy [dB], (c, listener, b), and seat means of parts, (c, group, b, n_time)."""
        late = parts.energy.copy()                                               # (group, c, listener, b)
        whole = scattered.sum(axis=-1)
        for listener, first in enumerate(self.late_from[start.channels[0]]):
            late[:, :, listener] += counts[:, :, listener, :, first:].sum(axis=-1)
            whole[:, listener] += unscattered[:, listener, :, first:].sum(axis=-1)
        error = late.std(axis=0, ddof=1) / np.sqrt(GROUPS)
        with np.errstate(invalid="ignore", divide="ignore"):
            noise = np.where(whole > 0, 10 / np.log(10) * error / whole, np.inf)
        groups = parts.mean + counts.mean(axis=2)
        groups += (scattered + unscattered).mean(axis=1) - groups.mean(axis=0)
        return noise, np.maximum(groups, 0.0).transpose(1, 0, 2, 3)

    def _book(self, nodes: NDArray[np.float64], ledger: NDArray[np.float64]) -> NDArray[np.float64]:
        """Where the energy went, (n_channel, 6, n_band), from the ledgers of all flights."""
        from .ray_kernels import DROPPED, FLYING, FURNITURE, LOST, WALLS

        rows = nodes.transpose(1, 2, 0, 3) + ledger.transpose(2, 0, 3, 1)        # (n_channel, row, n_band, n_node)
        flying = np.cumsum(rows[:, FLYING], axis=-1)
        air = self.air_at(np.arange(self.nodes.count) * self.nodes.bins * self.bin_m)
        spent = (rows * air).sum(axis=-1)
        taken = (flying[..., :-1] * (air[:, :-1] - air[:, 1:])).sum(axis=-1)
        travelling = flying[..., -1] * air[:, -1]
        return np.stack(
            [spent[:, WALLS], taken, spent[:, FURNITURE], travelling, spent[:, DROPPED], spent[:, LOST]], axis=1
        )


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
