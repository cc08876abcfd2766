"""The late field as a statistical one: diffuse energy that decays exponentially after the hand-over."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..bands import OCTAVE
from ..constants import DECAY_CONSTANT
from ..conventions import HAND_OVER_S
from ..loudspeaker.mounting import power_into_free_field, power_into_half_space
from ..room.materials import reflection_factor
from ..scene import Scene


def diffuse_mean_square(
    power_rho_c: ArrayLike, decay_s: ArrayLike, volume_m3: float, speed_m_s: float, start_s: ArrayLike = 0.0
) -> NDArray[np.float64]:
    """Steady mean-square pressure of a diffuse field that arrives later than `start_s` after emission.

    Parameters
    ----------
    power_rho_c : sound power times ρc [Pa² m²], shape (..., n_frequency)
    decay_s : decay time [s], shape (n_frequency,)
    volume_m3 : volume of the room
    speed_m_s : speed of sound
    start_s : time since emission [s], broadcasts with the others

    Returns
    -------
    p² [Pa²] = c·(Wρc)·T / (6 ln 10 · V) · exp(-6 ln 10 · start / T)

    Notes
    -----
    The energy density of a diffuse field fed with power W is W·T / (6 ln 10 · V); it leaves with the decay
    time T [kuttruff2016], ch. 5. Integrated from zero this is the classical 4Wρc/A.

    >>> round(float(diffuse_mean_square(1.0, 0.5, 50.0, 343.0)), 4)
    0.2483
    """
    decay = np.asarray(decay_s, float)
    steady = speed_m_s * np.asarray(power_rho_c, float) * decay / (DECAY_CONSTANT * volume_m3)
    return steady * np.exp(-DECAY_CONSTANT * np.asarray(start_s, float) / decay)


def statistical_late(
    scene: Scene, frequency_hz: ArrayLike, decay_s: ArrayLike, *, hand_over_s: float = HAND_OVER_S
) -> NDArray[np.float64]:
    """Late mean-square pressure [Pa²] of every channel at every listener.

    Parameters
    ----------
    scene : the scene
    frequency_hz : shape (n_frequency,)
    decay_s : decay time on that grid, shape (n_frequency,)
    hand_over_s : the late part starts this long after each channel's first direct sound at each listener

    Returns
    -------
    shape (n_channel, n_listener, n_frequency)

    Notes
    -----
    The field is taken as diffuse from the hand-over on. Its power is that of the channel and its
    mounting-wall image summed coherently, on a grid of twelve points per octave, since rounded over
    that width the interference of distant drivers averages out.
    """
    f = np.asarray(frequency_hz, float)
    c = scene.room.air.speed_m_s
    coarse = f if f.size < 3 else _coarse_grid(f)
    out = np.empty((len(scene.channels), len(scene.listeners_m), f.size))
    for channel in range(len(scene.channels)):
        power = channel_power_rho_c(scene, channel, coarse)
        on_grid = power if coarse is f else np.interp(np.log(f), np.log(coarse), power)
        first = np.min(
            [np.linalg.norm(scene.listeners_m - e.position_m, axis=1) for e in scene.channel_emitters(channel)],
            axis=0,
        )
        start = first[:, None] / c + hand_over_s
        out[channel] = diffuse_mean_square(on_grid, decay_s, scene.room.geometry.volume_m3, c, start)
    return out


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


def _coarse_grid(frequency_hz: NDArray[np.float64]) -> NDArray[np.float64]:
    low, high = float(frequency_hz.min()), float(frequency_hz.max())
    count = max(2, int(np.ceil(12 * np.log(high / low) / np.log(OCTAVE))) + 1)
    return np.geomspace(low, high, count)
