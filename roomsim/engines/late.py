"""What the rays' band energies mean at every frequency of a response."""

from __future__ import annotations

import threading

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..bands import OCTAVE, band_means
from ..loudspeaker.mounting import power_into_free_field, power_into_half_space
from ..room.materials import reflection_factor
from ..scene import Scene

POINTS_PER_OCTAVE = 12
"""The channel's power is followed on so fine a grid; faster ripple averages out in the late field."""
_ROUNDS = 4


def spectrum_of_bands(
    scene: Scene, frequency_hz: ArrayLike, energy: NDArray[np.float64], band_hz: ArrayLike, fraction: int = 1
) -> NDArray[np.float64]:
    """Mean-square pressure at every frequency of a diffuse part known in bands.

    Parameters
    ----------
    scene : the scene, for what its channels radiate
    frequency_hz : shape (n_frequency,)
    energy : band means [Pa²], shape (n_channel, n_listener, n_band)
    band_hz, fraction : the bands

    Returns
    -------
    shape (n_channel, n_listener, n_frequency)

    Notes
    -----
    Between loudspeaker and listener the room is smooth in frequency, the loudspeaker is not: the ratio of
    energy to radiated power is interpolated over log frequency in decibels, held beyond the outer midbands,
    and multiplied with the power of the channel and its mounting-wall image. The ratios are corrected until the
    band means are those of `energy`.
    """
    f, mids = np.asarray(frequency_hz, float), np.asarray(band_hz, float)
    fine = fine_grid_hz(mids, fraction)
    if f[0] < fine[0] or f[-1] > fine[-1]:
        fine = _fine_grid_hz(min(f[0], fine[0]), max(f[-1], fine[-1]))
    out = np.empty((*energy.shape[:2], f.size))
    for channel in range(energy.shape[0]):
        power = power_on(scene, channel, fine)
        with np.errstate(divide="ignore"):
            wanted = np.maximum(np.log(energy[channel]), -200.0)          # no ray arrived: nothing, but finite
        gain = np.zeros_like(wanted)
        for _ in range(_ROUNDS):
            found = np.exp(_between(fine, mids, gain)) * power
            gain += wanted - np.log(band_means(found, fine, mids, fraction))
        out[channel] = np.exp(_between(f, mids, gain)) * np.interp(np.log(f), np.log(fine), power)
    return out


class _Recent(threading.local):
    """Powers of the scene of each thread's last call: rays and spectra of one scene ask for the same."""

    scene: Scene | None = None

    def __init__(self) -> None:
        self.powers: dict[tuple[int, bytes], NDArray[np.float64]] = {}


_RECENT = _Recent()

RANGE_HZ = (19.0, 21000.0)
"""Powers are found over this range and the bands' own, whatever part of it is asked for."""


def fine_grid_hz(band_hz: ArrayLike, fraction: int) -> NDArray[np.float64]:
    """The grid of POINTS_PER_OCTAVE on which powers are found, over all of the bands and of RANGE_HZ."""
    mids, half = np.asarray(band_hz, float), OCTAVE ** (0.5 / fraction)
    return _fine_grid_hz(min(RANGE_HZ[0], mids[0] / half), max(RANGE_HZ[1], mids[-1] * half))


def _fine_grid_hz(low: float, high: float) -> NDArray[np.float64]:
    count = int(np.ceil(POINTS_PER_OCTAVE * np.log(high / low) / np.log(OCTAVE))) + 1
    return np.geomspace(low, high, max(count, 2))


def power_on(scene: Scene, channel: int, fine_hz: NDArray[np.float64]) -> NDArray[np.float64]:
    """`channel_power_rho_c`, remembered for the last scene."""
    if _RECENT.scene is not scene:
        _RECENT.scene, _RECENT.powers = scene, {}
    key = channel, fine_hz.tobytes()
    if key not in _RECENT.powers:
        _RECENT.powers[key] = channel_power_rho_c(scene, channel, fine_hz)
    return _RECENT.powers[key]


def _between(
    frequency_hz: NDArray[np.float64], mids_hz: NDArray[np.float64], rows: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Rows (n_row, n_band) known at midbands, linear over log frequency, held at the ends; (n_row, n_frequency)."""
    return np.array([np.interp(np.log(frequency_hz), np.log(mids_hz), row) for row in rows])


def channel_power_rho_c(scene: Scene, channel: int, frequency_hz: ArrayLike) -> NDArray[np.float64]:
    """Sound power times ρc [Pa² m²] of one channel with its mounting-wall image, shape (n_frequency,)."""
    f = np.asarray(frequency_hz, float)
    emitters = scene.channel_emitters(channel)
    speed = scene.room.air.speed_m_s
    wall = emitters[0].wall
    if wall is None:
        return power_into_free_field(emitters, f, speed_m_s=speed)
    face, finish = scene.room.geometry.face(wall), scene.room.materials[wall]
    return power_into_half_space(
        emitters,
        f,
        wall_point_m=face.corners_m[0],
        wall_normal=face.normal,
        reflection=lambda cosine, at_hz: reflection_factor(finish.impedance(at_hz), cosine),
        speed_m_s=speed,
        on_wall=emitters[0].on_wall,
    )
