"""What leaves a channel as rays: band energies per direction, with the mounting wall's image summed coherently."""

from __future__ import annotations

import threading
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..bands import band_means
from ..room.materials import reflection_factor
from ..scene import Emitter, Scene
from .late import fine_grid_hz, power_on
from .ray_surfaces import band_frequencies_hz

ELEVATIONS, AZIMUTHS = 36, 72
"""The table's grid: cells of 5 degrees, known at their middles, so that no direction lies in a box's wall (where
R = -1 and nothing would leave in a whole column of cells)."""

SPREAD = {1: 8, 3: 4}
"""Frequencies per octave or third-octave band."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Emission:
    """Band energies that leave one channel.

    Attributes
    ----------
    position_m : where its rays start, shape (3,)
    table : mean-square pressure times distance² [Pa² m²] in the middles of even cells of elevation (-90° to
        90°) and azimuth (0° to 360°), shape (ELEVATIONS, AZIMUTHS, n_band)
    into : normal of the wall that the rays may not leave into (half-space data), None for none
    """

    position_m: NDArray[np.float64]
    table: NDArray[np.float64]
    into: NDArray[np.float64] | None

    def energy(self, directions: NDArray[np.float64]) -> NDArray[np.float64]:
        """Energy per direction [Pa² m²], bilinear in the table, shape (n, n_band)."""
        row, column = _cells(directions)
        i, j = np.minimum(row.astype(int), ELEVATIONS - 2), column.astype(int) % AZIMUTHS
        a, b = (row - i)[:, None], (column - np.floor(column))[:, None]
        k = (j + 1) % AZIMUTHS
        low = (1 - b) * self.table[i, j] + b * self.table[i, k]
        high = (1 - b) * self.table[i + 1, j] + b * self.table[i + 1, k]
        return (1 - a) * low + a * high

    @property
    def total(self) -> NDArray[np.float64]:
        """∮ of the table over the sphere (over the half space for half-space data) [Pa² m²], shape (n_band,)."""
        whole = _solid_angles() @ self.table.reshape(-1, self.table.shape[-1])
        return whole * (1.0 if self.into is None else 0.5)


def channel_emission(scene: Scene, channel: int, band_hz: ArrayLike, fraction: int) -> Emission:
    """Energy that one channel sends in each direction, per band.

    Parameters
    ----------
    scene : the scene
    channel : index
    band_hz, fraction : exact midbands, 1 for octaves or 3 for third octaves

    Notes
    -----
    The composite far field A(Ω) = Σ D_i e^{jk Ω·(r_i - r_0)} about the channel's centre r_0, and, with a
    mounting wall at distance h, its image B(Ω) = √(1-s) R(θ) A(Ω') e^{-2jkh cos θ} (Ω' mirrored in the wall).
    A pair of directions together sends out |A + B|². Rays start at the real place in both directions, and the
    one towards the wall loses 1 - |R|² there; so both carry |A|² times the same factor
    |A + B|² / (|A|² + |B|²), from band means. Far from the wall it is 1 and the rays are incoherent by
    themselves; at 0.05 m it is the rise that [waterhouse1958] gives.

    Half-space data (`on-wall`) leave into the half space only, with |A (1 + R)/2|².

    A grid of 5° misses the finest lobes of a long array. The power is therefore that of the finer integral of
    `channel_power_rho_c`; the grid only shares it out among directions.
    """
    emitters = scene.channel_emitters(channel)
    wall = emitters[0].wall
    centre = _centre(scene, channel)
    directions = _grid_directions()
    count = SPREAD[fraction]
    f = band_frequencies_hz(band_hz, fraction, count).ravel()

    def bands(square: NDArray[np.float64]) -> NDArray[np.float64]:
        return square.reshape(len(square), -1, count).mean(axis=-1)

    def power() -> NDArray[np.float64]:
        fine = fine_grid_hz(band_hz, fraction)
        return band_means(power_on(scene, channel, fine)[None], fine, np.asarray(band_hz, float), fraction)[0]

    def emission(table: NDArray[np.float64], sent: NDArray[np.float64], into: NDArray | None) -> Emission:
        """Scale so that `sent` (the table as it leaves the wall) has the channel's power."""
        scale = np.divide(power(), sent, out=np.zeros_like(sent), where=sent > 0)
        return Emission(position_m=centre, table=(table * scale).reshape(ELEVATIONS, AZIMUTHS, -1), into=into)

    solid = _solid_angles()
    if wall is None:
        table = bands(_square(_far_on_grid(scene, channel, f, directions, centre)))
        return emission(table, solid @ table, None)
    face, finish = scene.room.geometry.face(wall), scene.room.materials[wall]
    cosine = directions @ face.normal
    factor = reflection_factor(finish.impedance(f), np.abs(cosine)[:, None])
    mirrored = directions - 2 * np.outer(cosine, face.normal)
    into_room = cosine >= 0
    if emitters[0].on_wall:
        ahead = np.where(into_room[:, None], directions, mirrored)
        table = bands(_square(_far(scene, channel, f, ahead, centre) * (1 + factor) / 2))
        return emission(table, 0.5 * solid @ table, face.normal)
    here = _far_on_grid(scene, channel, f, directions, centre)
    there = _mirrored(scene, channel, f, mirrored, centre, here)
    direct = np.where(into_room[:, None], here, there)
    image = np.where(into_room[:, None], there, here) * factor
    height = float((centre - face.corners_m[0]) @ face.normal)
    image *= np.exp(-2j * np.outer(np.abs(cosine), 2 * np.pi * f / scene.room.air.speed_m_s * height))
    specular = np.sqrt(1 - np.clip(np.broadcast_to(finish.scattering(f), f.shape), 0, 1))
    together = bands(_square(direct + image * specular))
    apart = bands(_square(direct) + _square(image * specular))
    gain = np.divide(together, apart, out=np.ones_like(apart), where=apart > 0)
    return emission(bands(_square(here)) * gain, 0.5 * solid @ bands(_square(direct + image)), None)


def _square(field: NDArray[np.complex128]) -> NDArray[np.float64]:
    return field.real**2 + field.imag**2


def _mirrored(
    scene: Scene, channel: int, f: NDArray[np.float64], mirrored: NDArray[np.float64], centre: NDArray[np.float64],
    here: NDArray[np.complex128],
) -> NDArray[np.complex128]:
    """The far field in mirrored directions; the grid itself again where the wall stands along an axis."""
    row, column = _cells(mirrored)
    if max(np.abs(row - np.round(row)).max(), np.abs(column - np.round(column)).max()) > 1e-6:
        return _far(scene, channel, f, mirrored, centre)
    cell = np.round(row).astype(int) * AZIMUTHS + np.round(column).astype(int) % AZIMUTHS
    return here[cell]


class _Recent(threading.local):
    """Far fields on the grid of the designs of each thread's last cases, which often stand in other rooms next."""

    def __init__(self) -> None:
        self.fields: dict[Any, tuple[list[Emitter], NDArray[np.complex128]]] = {}


_RECENT = _Recent()

HELD = 8
"""Far fields that are kept, 3 MB each."""


def _far_on_grid(
    scene: Scene, channel: int, f: NDArray[np.float64], directions: NDArray[np.float64], centre: NDArray[np.float64]
) -> NDArray[np.complex128]:
    """`_far` on the grid's directions, remembered: it does not depend on where in a room a design stands."""
    emitters = scene.channel_emitters(channel)
    key = (scene.room.air.speed_m_s, f.tobytes(), *(
        (id(one.directivity), id(one.filter), one.rotation.tobytes(), np.round(one.position_m - centre, 9).tobytes())
        for one in emitters
    ))
    if key not in _RECENT.fields:
        if len(_RECENT.fields) >= HELD:
            _RECENT.fields.clear()
        # The emitters are kept too, or another object could come to have their identity.
        _RECENT.fields[key] = list(emitters), _far(scene, channel, f, directions, centre)
    return _RECENT.fields[key][1]


def _far(
    scene: Scene, channel: int, f: NDArray[np.float64], directions: NDArray[np.float64], centre: NDArray[np.float64]
) -> NDArray[np.complex128]:
    """Composite far field about `centre`, shape (n_direction, n_frequency)."""
    k = 2 * np.pi * f / scene.room.air.speed_m_s
    total = np.zeros((len(directions), f.size), complex)
    known: dict[tuple[int, bytes], NDArray[np.complex128]] = {}
    for emitter in scene.channel_emitters(channel):
        key = id(emitter.directivity), emitter.rotation.tobytes()
        if key not in known:
            known[key] = emitter.directivity.far_pressure(f, directions @ emitter.rotation)
        total += known[key] * emitter.filter.response(f) * np.exp(
            1j * np.outer(directions @ np.round(emitter.position_m - centre, 9), k)     # the same bits in every room
        )
    return total


def _centre(scene: Scene, channel: int) -> NDArray[np.float64]:
    """Mean position of the channel's drivers; the first driver where the mean is outside the room."""
    positions = np.array([emitter.position_m for emitter in scene.channel_emitters(channel)])
    mean = positions.mean(axis=0)
    return mean if scene.room.geometry.contains(mean, -1e-9)[0] else positions[0]


def _cells(directions: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Fractional row (held inside) and column (0 to AZIMUTHS) of directions (n, 3) in the table."""
    up = np.arcsin(np.clip(directions[:, 2], -1, 1)) / np.pi + 0.5
    turn = np.arctan2(directions[:, 1], directions[:, 0]) / (2 * np.pi)
    return np.clip(up * ELEVATIONS - 0.5, 0, ELEVATIONS - 1), (turn * AZIMUTHS - 0.5) % AZIMUTHS


def _middles() -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    elevation = np.pi * ((np.arange(ELEVATIONS) + 0.5) / ELEVATIONS - 0.5)
    return elevation, 2 * np.pi * (np.arange(AZIMUTHS) + 0.5) / AZIMUTHS


def _grid_directions() -> NDArray[np.float64]:
    """Middles of all cells, shape (ELEVATIONS · AZIMUTHS, 3)."""
    elevation, azimuth = _middles()
    flat = np.cos(elevation)
    up = np.repeat(np.sin(elevation)[:, None], AZIMUTHS, axis=1)
    parts = [np.outer(flat, np.cos(azimuth)), np.outer(flat, np.sin(azimuth)), up]
    return np.stack(parts, axis=-1).reshape(-1, 3)


def _solid_angles() -> NDArray[np.float64]:
    """Of all cells, shape (ELEVATIONS · AZIMUTHS,), 4π together."""
    flat = np.cos(_middles()[0])
    return np.repeat(flat / flat.sum() / AZIMUTHS * 4 * np.pi, AZIMUTHS)
