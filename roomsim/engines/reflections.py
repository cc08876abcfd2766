"""The strongest early paths, as a designer acts on them."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from ..bands import db
from ..response import Reflection
from ..scene import Scene
from .lattice import faces_in_order, image_coordinates
from .nodes import PER_OCTAVE, lattice_hz, lattice_position
from .paths import Paths, direct_reach_m, make_grid, middle_m

BAND_HZ = (500.0, 4000.0)
"""Levels are means of energy over this range, on an even grid of 24 points per octave."""

_SURVEY, _FINAL = 8, 2      # lattice steps: all paths are surveyed coarsely, the strongest looked at finely
_SHORTLIST = 4              # so many times more than asked for come on the list
_BLOCK = 512


def strongest_reflections(
    scene: Scene, limit_m: NDArray[np.float64], listeners: Sequence[int], count: int, like: Paths | None = None
) -> list[Reflection]:
    """The `count` strongest paths of every channel at some listeners, strongest first.

    Parameters
    ----------
    scene : the scene
    limit_m : longest path that counts, shape (n_channel, n_listener)
    listeners : which listeners
    count : how many per channel and listener
    like : paths of the same scene that reach at least as far; where their grid covers the band, their tables serve

    Notes
    -----
    The drivers of a channel are summed coherently path by path; what belongs to the direct sound is no entry.
    """
    low, high = (int(np.round(v)) for v in lattice_position(BAND_HZ))
    channels = range(len(scene.channels))
    if like is not None and not {low // PER_OCTAVE - 1, high // PER_OCTAVE + 1} <= like.grid.steps.keys():
        like = None
    reach = max(float(limit_m.max()), *(direct_reach_m(scene, channel) for channel in channels))
    survey, final = (
        Paths(scene, make_grid(scene, lattice_hz(np.arange(low, high + 1, step)), like and like.grid), reach, like)
        for step in (_SURVEY, _FINAL)
    )
    found: list[Reflection] = []
    for channel in channels:
        lattice = np.concatenate(list(survey.blocks(channel, -1.0, survey.reach)))
        direct = lattice[survey.direct_flags(channel, lattice).any(axis=1)]
        for listener in listeners:
            limit = float(limit_m[channel, listener])
            energy, _ = path_energies(survey, channel, listener, limit, lattice)
            strong = np.argsort(-energy.mean(axis=1), kind="stable")[: _SHORTLIST * count]
            shortlist = np.unique(np.concatenate([lattice[strong], direct]), axis=0)
            found += _listed(final, channel, listener, limit, shortlist, count)
    return found


def path_energies(
    paths: Paths, channel: int, listener: int, limit_m: float, lattice: NDArray[np.int32]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Mean-square pressure of each early path of a channel at one listener.

    Parameters
    ----------
    lattice : lattice positions, shape (n_path, 3); those of direct paths among them where `direct` is wanted

    Returns
    -------
    energies, shape (n_path, n_frequency), 0 for a path that does not count; and that of the direct sound,
    shape (n_frequency,)
    """
    drivers = len(paths.scene.channel_emitters(channel))
    part = slice(listener, listener + 1)
    energies = []
    direct = np.zeros(paths.grid.frequency_hz.size, complex)
    for begin in range(0, len(lattice), _BLOCK):
        some = lattice[begin : begin + _BLOCK]
        sums = np.zeros((len(some) + 1, drivers, 1, 2, paths.grid.plan.slot_hz.size))
        slots = np.arange(1, len(some) + 1, dtype=np.int32)
        paths.add(channel, some, slots, -1.0, limit_m, sums, part)
        pressure = paths.spectra(channel, sums)[:, 0]
        direct += pressure[0]
        energies.append(np.abs(pressure[1:]) ** 2)
    return np.concatenate(energies), np.abs(direct) ** 2


def _listed(
    paths: Paths, channel: int, listener: int, limit_m: float, lattice: NDArray[np.int32], count: int
) -> list[Reflection]:
    scene = paths.scene
    energy, direct = path_energies(paths, channel, listener, limit_m, lattice)
    level = db(energy.mean(axis=1), float(direct.mean()))
    at, source = scene.listeners_m[listener], middle_m(scene, channel)
    first = float(np.linalg.norm(source - at))
    found = []
    for which in np.argsort(-level, kind="stable")[:count]:
        if np.isneginf(level[which]):
            break
        index = np.array([paths.index[axis][lattice[which, axis]] for axis in range(3)])
        image = np.array([image_coordinates(source[axis], paths.size[axis], index[axis]) for axis in range(3)])
        azimuth, elevation = scene.arrival_angles_deg(listener, image - at)
        delay = (float(np.linalg.norm(image - at)) - first) / scene.room.air.speed_m_s
        found.append(
            Reflection(
                channel=channel,
                listener=listener,
                faces=faces_in_order(index, image, at, paths.size),
                delay_ms=delay * 1e3,
                level_db=float(level[which]),
                azimuth_deg=float(azimuth),
                elevation_deg=float(elevation),
            )
        )
    return found
