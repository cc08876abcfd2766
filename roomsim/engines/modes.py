"""Modes of a room: frequency, decay, and how strongly each driver and the seats couple to them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

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
from .solid_modes import highest_mode_hz, solid_coupling, solid_modes
from .wave import HIGH_HZ, wall_admittances

BASS_HZ = 200.0
"""Modes to this frequency are listed unless said otherwise."""

KINDS = ("uniform", "axial", "tangential", "oblique")

_LEVEL, _UPRIGHT = 0.05, 0.95

_LOWEST_HZ = 8.0

_DAMPING_STEPS = 9

_FARTHEST = 0.1

_SKIRT = 1.6
"""Modes to this multiple of a band's upper edge take part in its decay, as the band filter lets them."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Mode:
    """One mode of a room with its loudspeakers and seats.

    Couplings are relative: 0 dB is the mean over the whole room, at a rigid corner an axial mode has +3, a
    tangential +6, an oblique +9 dB.

    Attributes
    ----------
    indices : half waves along x, y, z of the rigid box from which it is followed; in other rooms its number
        by rising frequency alone
    kind : "axial", "tangential" or "oblique"; "uniform" for (0, 0, 0), which rings on resonant walls alone; in rooms
        that are no box by the share of its motion that is up and down: "level" under 5 %, "upright" over 95 %, "mixed"
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

    indices: tuple[int, ...]
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


@lru_cache(maxsize=16)
def room_modes(room: Room, high_hz: float) -> RoomModes:
    """All modes up to a frequency, remembered for the last rooms.

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
    admittance at the real part of the frequency (it is known nowhere else; exact where it is constant). Every
    triple of axis roots, followed in frequency from the rigid room's indices which name it, has a mode
    wherever k² - Re Σ q² changes its sign. A resonant wall can give a triple several of them, shift its
    neighbours by one, or make the uniform pressure (0, 0, 0) ring. Where no free oscillation is found within
    10 % of that frequency, the wall lets none live and the mode is left out.
    """
    if room.geometry.kind != "box":
        raise InvalidValue("room", room.name, "modes of closed form need a box room")
    if not 0 < high_hz <= HIGH_HZ:
        raise InvalidValue("high_hz", high_hz, f"must be above 0 and at most {HIGH_HZ:g}")
    speed = room.air.speed_m_s
    indices, k_real, z = _candidates(room, high_hz)
    k, z, beta, fine = _free_decays(room, k_real, z)
    frequency = k.real * speed / (2 * np.pi)
    moved = np.abs(k.real / k_real - 1)
    kept = np.flatnonzero(fine & (frequency <= high_hz) & (k.imag >= 0) & (moved < _FARTHEST))
    kept = kept[_distinct(k[kept], z[:, kept], moved[kept])]
    kept = kept[np.argsort(frequency[kept])]
    loss = speed * (k.imag[kept] + room.air.attenuation_np_per_m(frequency[kept]))
    with np.errstate(divide="ignore"):
        decay = DECAY_CONSTANT / (2 * loss)
    return RoomModes(
        indices=indices[kept], frequency_hz=frequency[kept], decay_s=decay, wavenumber=k[kept],
        roots=z[:, kept], admittance=beta[:, :, kept],
    )


def _candidates(
    room: Room, high_hz: float
) -> tuple[NDArray[np.int64], NDArray[np.float64], NDArray[np.complex128]]:
    """Indices (n, 3), real k (n,) and axis roots (3, n) where k² - Re Σ z changes its sign."""
    speed, size = room.air.speed_m_s, np.asarray(room.geometry.size_m, float)
    grid = analysis_grid_hz(_LOWEST_HZ, 1.1 * high_hz + 10, 24)
    k = 2 * np.pi * grid / speed
    beta = wall_admittances(room, grid)
    counts = [int(np.ceil(k[-1] * length / np.pi)) + 2 for length in size]
    tables = [labelled_roots(k, beta[a, 0], beta[a, 1], size[a], counts[a]) for a in range(3)]
    across = tables[1][:, :, None] + tables[2][:, None, :]
    indices, found_k, found_z = [], [], []
    for nx in range(counts[0]):
        excess = (tables[0][:, nx, None, None] + across).real - (k**2)[:, None, None]
        step, ny, nz = np.nonzero((excess[:-1] >= 0) != (excess[1:] >= 0))
        before, after = excess[step, ny, nz], excess[step + 1, ny, nz]
        part = before / (before - after)
        label = (np.full(ny.size, nx), ny, nz)
        indices.append(np.stack(label, axis=1))
        found_k.append((1 - part) * k[step] + part * k[step + 1])
        found_z.append([
            (1 - part) * table[step, n] + part * table[step + 1, n] for table, n in zip(tables, label, strict=True)
        ])
    return np.concatenate(indices), np.concatenate(found_k), np.concatenate(found_z, axis=1)


def _free_decays(
    room: Room, k_real: NDArray[np.float64], z: NDArray[np.complex128]
) -> tuple[NDArray[np.complex128], NDArray[np.complex128], NDArray[np.complex128], NDArray[np.bool_]]:
    """Complex k of each candidate, its axis roots and admittances, and whether it settled.

    First the damping is let in, in steps that keep to the branch; then secant steps on the real k at which
    the walls are read, until it is that of the mode itself.
    """
    speed, size = room.air.speed_m_s, np.asarray(room.geometry.size_m, float)
    read, k, z = k_real.copy(), k_real.astype(complex), z.copy()
    beta = wall_admittances(room, read * speed / (2 * np.pi))
    damping = 1j * z.sum(axis=0).imag
    for left in np.linspace(1, 0, _DAMPING_STEPS)[:-1]:
        kernels.eigenfrequencies(k, z, beta, size, left * damping)
    none = np.zeros(k.shape, complex)
    previous, miss_before = read.copy(), np.full(read.shape, np.nan)
    for _ in range(40):
        beta = wall_admittances(room, read * speed / (2 * np.pi))
        fine = kernels.eigenfrequencies(k, z, beta, size, none)
        miss = k.real - read
        settled = fine & (np.abs(miss) < 1e-9 * np.abs(read))
        if settled.all():
            break
        with np.errstate(divide="ignore", invalid="ignore"):
            slope = (miss - miss_before) / (read - previous)
        step = np.where(np.isfinite(slope) & (slope < -0.1), -miss / slope, miss)
        step = np.where(settled | ~np.isfinite(step), 0, np.clip(step, -0.05 * read, 0.05 * read))
        previous, miss_before = read.copy(), miss
        read = read + step
    return k, z, beta, settled


def _distinct(
    k: NDArray[np.complex128], z: NDArray[np.complex128], moved: NDArray[np.float64]
) -> NDArray[np.int64]:
    """Positions of modes that are no copy of another; of copies the one that moved least counts."""
    order = np.argsort(k.real)
    beyond = np.searchsorted(k.real[order], k.real[order] * (1 + 1e-6))
    copy = np.zeros(k.size, bool)
    for place in np.flatnonzero(beyond > np.arange(k.size) + 1):
        n = order[place]
        for m in order[place + 1 : beyond[place]]:
            same = abs(k[n] - k[m]) < 2e-6 * abs(k[n])
            if same and np.all(np.abs(z[:, n] - z[:, m]) < 1e-5 * abs(k[n]) ** 2):
                copy[m if moved[m] > moved[n] else n] = True
    return np.flatnonzero(~copy)


def mode_table(scene: Scene, high_hz: float = BASS_HZ) -> tuple[Mode, ...]:
    """Every mode to `high_hz` and how the scene's loudspeakers and seats couple to it, by rising frequency.

    In rooms that are no box to `solid_modes.highest_mode_hz` at most.
    """
    box = scene.room.geometry.kind == "box"
    coupled = _coupled_box(scene, high_hz) if box else _coupled_solid(scene, high_hz)
    if not coupled.frequency_hz.size:
        return ()
    k, drive, sources = coupled.wavenumber, coupled.drive, coupled.sources
    heard = np.mean(np.abs(coupled.seats) ** 2, axis=0)
    volume = scene.room.geometry.volume_m3
    own = [_free_field(source, e.on_wall) for source, e in zip(sources, scene.emitters, strict=True)]
    loss = DECAY_CONSTANT / (2 * coupled.decay_s) / scene.room.air.speed_m_s
    resonance = 4 * np.pi / (2 * np.abs(k) * loss)
    channel_drive, channel_own = (_per_channel(scene, values) for values in (drive, own))
    own_level = np.array([np.sqrt(np.sum(np.abs(one) ** 2, axis=0)) for one in own])     # harmonics differ in number
    channel_level = np.sqrt(np.sum(np.abs(channel_own) ** 2, axis=1))
    driver_db = _ratio_db(np.abs(drive) ** 2 * volume, own_level**2)
    channel_db = _ratio_db(np.abs(channel_drive) ** 2 * volume, channel_level**2)
    peak = np.abs(channel_drive * resonance) ** 2 * heard
    peak_db = _ratio_db(peak, channel_level**2)
    share_db = _ratio_db(peak.sum(axis=0), peak.sum(axis=0).max())
    return tuple(
        Mode(
            indices=coupled.indices[n], kind=coupled.kinds[n],
            frequency_hz=float(coupled.frequency_hz[n]), decay_s=float(coupled.decay_s[n]),
            driver_db=tuple(map(float, driver_db[:, n])), channel_db=tuple(map(float, channel_db[:, n])),
            seats_db=float(db(heard[n] * volume)), peak_db=tuple(map(float, peak_db[:, n])),
            share_db=float(share_db[n]),
        )
        for n in range(k.size)
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Coupled:
    """Modes with what drivers and seats make of them.

    `drive` is D(∇0/jk)ψ at each driver, shape (n_driver, n_mode), `seats` ψ there, (n_listener, n_mode), ∫ψ² dV = 1.
    """

    frequency_hz: NDArray[np.float64]
    decay_s: NDArray[np.float64]
    wavenumber: NDArray[np.complex128]
    indices: list[tuple[int, ...]]
    kinds: list[str]
    sources: list[Multipole]
    drive: NDArray[np.complex128]
    seats: NDArray[np.complex128]


def _coupled_box(scene: Scene, high_hz: float) -> _Coupled:
    modes = room_modes(scene.room, high_hz)
    size = np.asarray(scene.room.geometry.size_m, float)
    k = modes.wavenumber
    sources = [multipole(e, scene.room.geometry, modes.frequency_hz, k.real) for e in scene.emitters] if k.size else []
    shapes = [
        kernels.single_shapes(modes.roots[a], k * modes.admittance[a, 0], k * modes.admittance[a, 1], size[a])
        for a in range(3)
    ]
    seats = np.ones((len(scene.listeners_m), k.size), complex)
    for a, (q, low, high) in enumerate(shapes):
        x = scene.listeners_m[:, a, None]
        seats *= low * np.exp(1j * q * x) + high * np.exp(1j * q * (size[a] - x))
    return _Coupled(
        frequency_hz=modes.frequency_hz, decay_s=modes.decay_s, wavenumber=k, seats=seats, sources=sources,
        indices=[tuple(map(int, one)) for one in modes.indices],
        kinds=[KINDS[int(np.count_nonzero(one))] for one in modes.indices],
        drive=np.array([_drive(source, shapes, size, k) for source in sources]),
    )


def _coupled_solid(scene: Scene, high_hz: float) -> _Coupled:
    modes = solid_modes(scene.room)
    kept = np.flatnonzero(modes.frequency_hz <= high_hz)
    sources, drive, seats = solid_coupling(scene, modes, kept)
    up = modes.upright[kept]
    kinds = np.where(up < _LEVEL, "level", np.where(up > _UPRIGHT, "upright", "mixed"))
    return _Coupled(
        frequency_hz=modes.frequency_hz[kept], decay_s=modes.decay_s[kept], wavenumber=modes.wavenumber[kept],
        indices=[(int(n) + 1,) for n in kept], kinds=[str(x) for x in kinds], sources=sources, drive=drive, seats=seats,
    )


def shaping_modes(modes: Sequence[Mode], count: int = 5) -> tuple[Mode, ...]:
    """The modes that shape the bass most: those of the highest level at the seats, strongest first."""
    return tuple(sorted(modes, key=lambda mode: -mode.share_db)[:count])


def modal_decay_s(room: Room, band_hz: ArrayLike, fraction: int = 1) -> NDArray[np.float64]:
    """Decay time of each band from the room's modes [s], shape (n_band,).

    Parameters
    ----------
    room : of any shape
    band_hz : exact midbands, shape (n_band,); in rooms that are no box to `highest_modal_band_hz`
    fraction : bands are 1/fraction octave wide

    Notes
    -----
    What a backward-integrated band response would show, averaged over sources and seats everywhere: every
    mode adds energy in proportion to |H|² exp(-2δt) / (δ f²), H a third-order Butterworth band filter at the
    mode's frequency (the usual realisation of IEC 61260-1 bands), 1/δ from the backward integration and 1/f²
    from its excitation by a volume source of even response. Cross terms between modes average out. The decay
    time is the T20 of ISO 3382-1: a straight line through -5 to -25 dB. A band without a mode of its own shows
    what its filter lets through of the nearest ones. NaN where a mode decays never (rigid walls, no air
    absorption), the room has no mode, or the band lies above `highest_modal_band_hz`. References: [iso3382-1],
    [iec61260-1], [kuttruff2016].
    """
    mids = np.atleast_1d(np.asarray(band_hz, float))
    half = OCTAVE ** (0.5 / fraction)
    first = room.air.speed_m_s / (2 * float(room.geometry.size_m.max()))
    high = min(max(float(mids.max()) * half * _SKIRT, 2.5 * first), HIGH_HZ)
    modes = room_modes(room, high) if room.geometry.kind == "box" else solid_modes(room)
    out = np.full(mids.shape, np.nan)
    if not modes.frequency_hz.size or not np.all(np.isfinite(modes.decay_s)):
        return out
    loss = DECAY_CONSTANT / (2 * modes.decay_s)
    for band, mid in enumerate(mids):
        if mid > highest_modal_band_hz(room, fraction) * (1 + 1e-9):
            continue
        detuning = (modes.frequency_hz / mid - mid / modes.frequency_hz) / (half - 1 / half)
        energy = 1 / (1 + detuning**6) / (loss * modes.frequency_hz**2)
        out[band] = _straight_decay(energy, 2 * loss)
    return out


def highest_modal_band_hz(room: Room, fraction: int = 1) -> float:
    """Highest midband whose modes can all be solved for."""
    top = HIGH_HZ if room.geometry.kind == "box" else highest_mode_hz(room)
    return top / OCTAVE ** (0.5 / fraction)


def _straight_decay(energy: NDArray[np.float64], rate: NDArray[np.float64]) -> float:
    """T20 of Σ energy·exp(-rate·t) [s]."""
    share = energy / energy.sum()
    heard = share > 1e-6
    share, rate = share[heard], rate[heard]
    end = 2.6 * np.log(10) / rate.min()      # the slowest component alone is then 26 dB down
    for _ in range(6):      # until the fitted stretch fills the samples, however slow the slowest of them is
        t = np.linspace(0, end, 500)
        level = db(np.exp(-np.outer(t, rate)) @ share)
        window = (level <= -5) & (level >= -25)
        if level[-1] >= -40 and np.count_nonzero(window) > 100:
            break
        end = float(np.interp(30, -level, t))
    return -60 / float(np.polyfit(t[window], level[window], 1)[0])


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


def _ratio_db(part: NDArray[np.float64], whole: ArrayLike) -> NDArray[np.float64]:
    """10 lg of a ratio; -inf for nothing, also where the whole is nothing (a silent driver)."""
    whole = np.broadcast_to(np.asarray(whole, float), part.shape)
    return db(np.divide(part, whole, out=np.zeros_like(part), where=whole > 0))


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
