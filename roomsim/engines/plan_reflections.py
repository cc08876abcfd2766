"""The strongest early reflections in a room of planar faces, as a designer acts on them."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from ..bands import db
from ..conventions import LISTED_DB
from ..response import Reflection
from .nodes import PER_OCTAVE, lattice_hz, lattice_position
from .paths import make_grid, middle_m
from .plan_images import PlanPaths
from .reflections import BAND_HZ, HIGH_BAND_HZ, LISTING_STEP, chosen_paths

Sequence_ = tuple[int, ...]


def plan_reflections(
    like: PlanPaths, limit_m: NDArray[np.float64], listeners: Sequence[int], count: int, all_within_ms: float
) -> list[Reflection]:
    """The `count` strongest paths of every channel at some listeners, strongest first.

    Parameters
    ----------
    like : paths of the scene
    limit_m : longest path that counts, shape (n_channel, n_listener)
    listeners, count, all_within_ms : as in reflections.strongest_reflections

    Notes
    -----
    Drivers of a channel whose paths hit the same faces are summed coherently. What belongs to the direct sound is no
    entry; where nothing of it arrives, since a corner or an obstacle stands between, there is nothing to relate to and
    no list.
    """
    low, high = (int(np.round(v)) for v in lattice_position((BAND_HZ[0], HIGH_BAND_HZ[1])))
    f = lattice_hz(np.arange(low, high + 1, LISTING_STEP))
    covered = {low // PER_OCTAVE - 1, high // PER_OCTAVE + 1} <= like.grid.steps.keys()
    paths = like.on_grid(make_grid(like.scene, f, like.grid if covered else None), lend=covered)
    found: list[Reflection] = []
    for channel in range(len(like.scene.channels)):
        for listener in listeners:
            some = _listed(paths, channel, listener, float(limit_m[channel, listener]), count, all_within_ms)
            found += sorted(some, key=lambda one: -one.level_db)
    return found


def sequence_energies(
    paths: PlanPaths, channel: int, listener: int, limit_m: float
) -> tuple[dict[Sequence_, float], NDArray[np.float64], NDArray[np.float64]]:
    """Mean-square pressure of each sequence of faces by which a channel's sound comes to one listener.

    Returns
    -------
    length of each sequence's path from the middle of the drivers; energies (n_sequence, n_frequency), 0 for what
    belongs to the direct sound; and that of the direct sound, shape (n_frequency,)
    """
    lengths: dict[Sequence_, float] = {}
    number: dict[Sequence_, int] = {}
    heard = []
    for driver in paths.of(channel):
        which = np.flatnonzero((driver.paths.listener == listener) & (driver.paths.middle_m <= limit_m))
        keys = [tuple(driver.paths.faces_of(path).tolist()) for path in which]
        for key, length in zip(keys, driver.paths.middle_m[which].tolist(), strict=True):
            number.setdefault(key, len(number) + 1)
            lengths.setdefault(key, length)
        heard.append((driver, which, np.array([number[key] for key in keys], np.int64)))
    plan = paths.grid.plan
    total = np.zeros((len(number) + 1, plan.slot_of.size), complex)
    end = np.full(1, np.inf)
    for driver, which, slots in heard:
        sums = np.zeros((len(number) + 1, 1, 2, plan.slot_hz.size))
        paths.add(driver, sums, end, end, which, slots)
        total += paths.spectra(driver, sums)[:, 0]
    return lengths, np.abs(total[1:]) ** 2, np.abs(total[0]) ** 2


def _listed(
    paths: PlanPaths, channel: int, listener: int, limit_m: float, count: int, all_within_ms: float
) -> list[Reflection]:
    scene, at = paths.scene, paths.scene.listeners_m[listener]
    lengths, energy, direct = sequence_energies(paths, channel, listener, limit_m)
    if not lengths or not direct.any():
        return []
    f = paths.grid.frequency_hz
    ranges = [(f >= low * 0.999) & (f <= high * 1.001) for low, high in (BAND_HZ, HIGH_BAND_HZ)]
    levels = np.array([db(energy[:, inside].mean(axis=1), float(direct[inside].mean())) for inside in ranges])
    middle = middle_m(scene, channel)
    straight = float(np.linalg.norm(middle - at))
    delay = (np.array(list(lengths.values())) - straight) / scene.room.air.speed_m_s * 1e3
    keys = list(lengths)
    found = []
    for which in chosen_paths(levels, delay, count, all_within_ms, LISTED_DB):
        if np.isneginf(levels[0, which]):
            break
        image = middle[None]
        for face in keys[which]:
            image = paths.faces.mirrored(image, face)
        azimuth, elevation = scene.arrival_angles_deg(listener, image[0] - at)
        found.append(Reflection(
            channel=channel, listener=listener, faces=tuple(paths.faces.names[face] for face in keys[which]),
            delay_ms=float(delay[which]), level_db=float(levels[0, which]), high_level_db=float(levels[1, which]),
            azimuth_deg=float(azimuth), elevation_deg=float(elevation)))
    return found
