"""Modes of a box room: frequency, decay, and how strongly each driver and the seats couple to them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..bands import OCTAVE, analysis_grid_hz, db
from ..constants import DECAY_CONSTANT
from ..errors import InvalidValue
from ..room.room import Room
from ..scene import Scene
from . import wave_kernels as kernels
from .multipoles import Multipole, multipole
from .roots import labelled_roots
from .wave import HIGH_HZ, wall_admittances

BASS_HZ = 200.0
"""Modes to this frequency are listed unless said otherwise."""

KINDS = ("", "axial", "tangential", "oblique")

_SKIRT = 1.6
"""Modes to this multiple of a band's upper edge take part in its decay, as the band filter lets them."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Mode:
    """One mode of a room with its loudspeakers and seats.

    Couplings are relative: 0 dB is the mean over the whole room, at a rigid corner an axial mode has +3, a
    tangential +6, an oblique +9 dB.

    Attributes
    ----------
    indices : half waves along x, y, z of the rigid room from which it is followed
    kind : "axial", "tangential" or "oblique"
    frequency_hz : of the free decay
    decay_s : time in which it falls by 60 dB
    driver_db : coupling of each emitter, with its pattern
    channel_db : coupling of each channel, its drivers in phase relation
    seats_db : coupling of the seats, mean square over them
    peak_db : level at resonance of this mode alone, mean square over the seats, re each channel's free-field
        level at 1 m
    share_db : the same with the channels' own levels, all channels added in power, re the strongest mode of the
        table: what the mode does to the bass
    """

    indices: tuple[int, int, int]
    kind: str
    frequency_hz: float
    decay_s: float
    driver_db: tuple[float, ...]
    channel_db: tuple[float, ...]
    seats_db: float
    peak_db: tuple[float, ...]
    share_db: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RoomModes:
    """Modes of a room, by rising frequency.

    Attributes
    ----------
    indices : (n_mode, 3)
    frequency_hz, decay_s : (n_mode,), air absorption in the decay
    wavenumber : complex k of the free decay without the air's absorption, Im k > 0, (n_mode,)
    roots : z = q² of each axis, (3, n_mode)
    admittance : of the walls at each mode's frequency, (3, 2, n_mode)
    """

    indices: NDArray[np.int64]
    frequency_hz: NDArray[np.float64]
    decay_s: NDArray[np.float64]
    wavenumber: NDArray[np.complex128]
    roots: NDArray[np.complex128]
    admittance: NDArray[np.complex128]


def room_modes(room: Room, high_hz: float) -> RoomModes:
    """All modes up to a frequency, without the uniform pressure (0, 0, 0).

    Parameters
    ----------
    room : a box
    high_hz : at most 1.15 kHz

    Raises
    ------
    InvalidValue : a room that is no box, a frequency outside the engine's range

    Notes
    -----
    The complex frequency at which k² = q_x² + q_y² + q_z²: the axis roots at complex k, with each wall's
    admittance at the real part of the frequency (it is known nowhere else; exact where it is constant). Modes
    are named by the rigid room's indices, from which the axis roots are followed. A mode so strongly damped
    that it no longer oscillates is left out.
    """
    if room.geometry.kind != "box":
        raise InvalidValue("room", room.name, "modes of closed form need a box room")
    if not 0 < high_hz <= HIGH_HZ:
        raise InvalidValue("high_hz", high_hz, f"must be above 0 and at most {HIGH_HZ:g}")
    speed, size = room.air.speed_m_s, np.asarray(room.geometry.size_m, float)
    # walls shift modes, some down: look a little further than asked
    indices, rigid = _rigid_modes(size, 2 * np.pi * (1.15 * high_hz + 10) / speed)
    grid = analysis_grid_hz(5.0, 1.2 * high_hz + 15, 24)
    k_grid = 2 * np.pi * grid / speed
    beta_grid = wall_admittances(room, grid)
    tables = [
        labelled_roots(k_grid, beta_grid[a, 0], beta_grid[a, 1], size[a], int(indices[:, a].max()) + 1)
        for a in range(3)
    ]
    k = rigid.astype(complex)
    for _ in range(3):
        z = _looked_up(tables, indices, k.real, k_grid)
        k = np.sqrt(z.sum(axis=0))
    k = np.where(k.real < k_grid[0], k_grid[0] + 1j * k.imag, k)
    for _ in range(30):
        before = k.copy()
        beta = wall_admittances(room, np.maximum(k.real, 1e-3) * speed / (2 * np.pi))
        fine = kernels.eigenfrequencies(k, z, beta, size)
        fine &= (k.real > k_grid[0]) & np.isfinite(k)
        k = np.where(fine, k, before)
        if np.all(np.abs(k - before)[fine] < 1e-9 * np.abs(k[fine])):
            break
    frequency = k.real * speed / (2 * np.pi)
    kept = np.flatnonzero(fine & (frequency <= high_hz))
    kept = kept[np.argsort(frequency[kept])]
    loss = speed * (k.imag[kept] + room.air.attenuation_np_per_m(frequency[kept]))
    with np.errstate(divide="ignore"):
        decay = DECAY_CONSTANT / (2 * loss)
    return RoomModes(
        indices=indices[kept], frequency_hz=frequency[kept], decay_s=decay, wavenumber=k[kept],
        roots=z[:, kept], admittance=beta[:, :, kept],
    )


def mode_table(scene: Scene, high_hz: float = BASS_HZ) -> tuple[Mode, ...]:
    """Every mode to `high_hz` and how the scene's loudspeakers and seats couple to it, by rising frequency."""
    modes = room_modes(scene.room, high_hz)
    if not modes.frequency_hz.size:
        return ()
    size = np.asarray(scene.room.geometry.size_m, float)
    speed = scene.room.air.speed_m_s
    k = modes.wavenumber
    sources = [multipole(e, scene.room.geometry, modes.frequency_hz, k.real) for e in scene.emitters]
    shapes = [
        kernels.single_shapes(modes.roots[a], k * modes.admittance[a, 0], k * modes.admittance[a, 1], size[a])
        for a in range(3)
    ]
    drive = np.array([_drive(source, shapes, size, k) for source in sources])
    seats = np.ones((len(scene.listeners_m), k.size), complex)
    for a, (q, low, high) in enumerate(shapes):
        x = scene.listeners_m[:, a, None]
        seats *= low * np.exp(1j * q * x) + high * np.exp(1j * q * (size[a] - x))
    heard = np.mean(np.abs(seats) ** 2, axis=0)
    volume = scene.room.geometry.volume_m3
    own = np.array([_free_field(source, e.on_wall) for source, e in zip(sources, scene.emitters, strict=True)])
    loss = DECAY_CONSTANT / (2 * modes.decay_s) / speed
    resonance = 4 * np.pi / (2 * np.abs(k) * loss)
    channel_drive, channel_own = (_per_channel(scene, values) for values in (drive, own))
    own_level = np.sqrt(np.sum(np.abs(own) ** 2, axis=1))
    channel_level = np.sqrt(np.sum(np.abs(channel_own) ** 2, axis=1))
    with np.errstate(divide="ignore", invalid="ignore"):
        driver_db = db(np.abs(drive / own_level) ** 2 * volume)
        channel_db = db(np.abs(channel_drive / channel_level) ** 2 * volume)
        peak = np.abs(channel_drive * resonance) ** 2 * heard
        peak_db = db(peak / channel_level**2)
        share_db = db(peak.sum(axis=0) / peak.sum(axis=0).max())
    return tuple(
        Mode(
            indices=tuple(int(i) for i in modes.indices[n]),
            kind=KINDS[int(np.count_nonzero(modes.indices[n]))],
            frequency_hz=float(modes.frequency_hz[n]), decay_s=float(modes.decay_s[n]),
            driver_db=tuple(map(float, driver_db[:, n])), channel_db=tuple(map(float, channel_db[:, n])),
            seats_db=float(db(heard[n] * volume)), peak_db=tuple(map(float, peak_db[:, n])),
            share_db=float(share_db[n]),
        )
        for n in range(k.size)
    )


def shaping_modes(modes: Sequence[Mode], count: int = 5) -> tuple[Mode, ...]:
    """The modes that shape the bass most: those of the highest level at the seats, strongest first."""
    return tuple(sorted(modes, key=lambda mode: -mode.share_db)[:count])


def modal_decay_s(room: Room, band_hz: ArrayLike, fraction: int = 1) -> NDArray[np.float64]:
    """Decay time of each band from the room's modes [s], shape (n_band,).

    Parameters
    ----------
    room : a box
    band_hz : exact midbands, shape (n_band,)
    fraction : bands are 1/fraction octave wide

    Notes
    -----
    What a backward-integrated band response would show, averaged over sources and seats everywhere: every
    mode adds energy in proportion to |H|² exp(-2δt) / (δ f²), H a third-order Butterworth band filter at the
    mode's frequency (the usual realisation of IEC 61260-1 bands), 1/δ from the backward integration and 1/f²
    from its excitation by a volume source of even response. Cross terms between modes average out. The decay
    time is the T20 of ISO 3382-1: a straight line through -5 to -25 dB. A band without a mode of its own shows
    what its filter lets through of the nearest ones. NaN where a mode decays never (rigid walls, no air
    absorption) or the room has no mode. References: [iso3382-1], [iec61260-1], [kuttruff2016].
    """
    mids = np.atleast_1d(np.asarray(band_hz, float))
    half = OCTAVE ** (0.5 / fraction)
    first = room.air.speed_m_s / (2 * float(room.geometry.size_m.max()))
    high = min(max(float(mids.max()) * half * _SKIRT, 2.5 * first), HIGH_HZ)
    modes = room_modes(room, high)
    out = np.full(mids.shape, np.nan)
    if not modes.frequency_hz.size or not np.all(np.isfinite(modes.decay_s)):
        return out
    loss = DECAY_CONSTANT / (2 * modes.decay_s)
    for band, mid in enumerate(mids):
        detuning = (modes.frequency_hz / mid - mid / modes.frequency_hz) / (half - 1 / half)
        energy = 1 / (1 + detuning**6) / (loss * modes.frequency_hz**2)
        out[band] = _straight_decay(energy, 2 * loss)
    return out


def _straight_decay(energy: NDArray[np.float64], rate: NDArray[np.float64]) -> float:
    """T20 of Σ energy·exp(-rate·t) [s]."""
    energy = energy / energy.sum()
    horizon = 2.6 * np.log(10) / rate.min()      # the slowest component alone is then 26 dB down
    t = np.linspace(0, horizon, 4000)
    level = db(np.exp(-np.outer(t, rate)) @ energy)
    window = (level <= -5) & (level >= -25)
    if np.count_nonzero(window) < 50:      # a fast band of a room with one slow mode far below it
        t = np.linspace(0, float(t[level >= -25].max()) * 1.5 + t[1], 4000)
        level = db(np.exp(-np.outer(t, rate)) @ energy)
        window = (level <= -5) & (level >= -25)
    return -60 / float(np.polyfit(t[window], level[window], 1)[0])


def _rigid_modes(size: NDArray[np.float64], k_max: float) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Indices (n_mode, 3) and wavenumbers of the rigid room's modes below k_max, (0, 0, 0) left out."""
    counts = [int(k_max * length / np.pi) + 1 for length in size]
    grid = np.stack(np.meshgrid(*map(np.arange, counts), indexing="ij"), axis=-1).reshape(-1, 3)[1:]
    k = np.pi * np.sqrt(np.sum((grid / size) ** 2, axis=1))
    return grid[k <= k_max], k[k <= k_max]


def _looked_up(
    tables: list[NDArray[np.complex128]], indices: NDArray[np.int64], k: NDArray[np.float64],
    k_grid: NDArray[np.float64],
) -> NDArray[np.complex128]:
    """z of each mode's axis roots at real k, linear between the grid's points, shape (3, n_mode)."""
    below = np.clip(np.searchsorted(k_grid, k) - 1, 0, k_grid.size - 2)
    part = np.clip((k - k_grid[below]) / (k_grid[below + 1] - k_grid[below]), 0, 1)
    return np.array([
        (1 - part) * table[below, indices[:, a]] + part * table[below + 1, indices[:, a]]
        for a, table in enumerate(tables)
    ])


def _drive(
    source: Multipole,
    shapes: list[tuple[NDArray[np.complex128], ...]],
    size: NDArray[np.float64],
    k: NDArray[np.complex128],
) -> NDArray[np.complex128]:
    """D(∇0/jk)ψ at the source, mode by mode, each at its own frequency [Pa m^-1/2]."""
    even, odd = source.polynomials(2)
    powers = []
    for a, (q, low, high) in enumerate(shapes):
        x = source.position_m[a]
        forth, back = low * np.exp(1j * q * x), high * np.exp(1j * q * (size[a] - x))
        i = np.arange(max(even.shape[1], 2))
        powers.append((q / k) ** i[:, None] * (forth + (-1.0) ** i[:, None] * back))
    width = even.shape[1]
    plane = [np.einsum("nij,in,jn->n", part, powers[0][:width], powers[1][:width]) for part in (even, odd)]
    return plane[0] * powers[2][0] + plane[1] * powers[2][1]


def _free_field(source: Multipole, on_wall: bool) -> NDArray[np.complex128]:
    """Coefficients scaled so that their norm is the rms of D over the sphere (half sphere on a wall) [Pa m]."""
    return source.coefficients * ((2 if on_wall else 1) / np.sqrt(4 * np.pi))


def _per_channel(scene: Scene, values: Sequence[NDArray[np.complex128]]) -> NDArray[np.complex128]:
    """Sum over the drivers of each channel; harmonics that a driver lacks are zero."""
    most = max(len(v) for v in values) if values[0].ndim > 1 else 0
    shape = (len(scene.channels), most, values[0].shape[-1]) if most else (len(scene.channels), values[0].size)
    total = np.zeros(shape, complex)
    for emitter, value in zip(scene.emitters, values, strict=True):
        if most:
            total[emitter.channel, : len(value)] += value
        else:
            total[emitter.channel] += value
    return total
