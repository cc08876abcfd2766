"""The strongest early paths, as a designer acts on them."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from ..bands import db
from ..conventions import LISTED_DB
from ..response import Reflection
from ..scene import Scene
from .echo_sums import add_echoes
from .lattice import faces_in_order, image_coordinates
from .nodes import PER_OCTAVE, lattice_hz, lattice_position
from .paths import Paths, direct_reach_m, make_grid, middle_m

BAND_HZ = (500.0, 4000.0)
"""Levels are means of energy over this range, on an even grid of 24 points per octave."""

HIGH_BAND_HZ = (1000.0, 8000.0)
"""The range in which reference listening rooms are judged."""

_SURVEY, LISTING_STEP = 8, 2      # lattice steps: all paths are surveyed coarsely, the strongest looked at finely
_SHORTLIST = 4              # so many times more than asked for come on the list
_MARGIN_DB = 3.0            # survey and final look may differ by so much
_BLOCK = 512


def strongest_reflections(
    scene: Scene, limit_m: NDArray[np.float64], listeners: Sequence[int], count: int, like: Paths | None = None,
    all_within_ms: float = 0.0,
) -> list[Reflection]:
    """The `count` strongest paths of every channel at some listeners, strongest first.

    Parameters
    ----------
    scene : the scene
    limit_m : longest path that counts, shape (n_channel, n_listener)
    listeners : which listeners
    count : how many per channel and listener
    like : paths of the same scene that reach at least as far; where their grid covers the band, their tables serve
    all_within_ms : list also every other path of at least conventions.LISTED_DB, in either of the two ranges, that
        arrives so soon after the direct sound

    Notes
    -----
    The drivers of a channel are summed coherently path by path; what belongs to the direct sound is no entry. But
    the echoes of near plates are, also those that belong to the direct sound (they come before all reflections and
    say what the bench or the screen does): beside the `count` strongest, each of at least conventions.LISTED_DB.
    """
    low, high = (int(np.round(v)) for v in lattice_position((BAND_HZ[0], HIGH_BAND_HZ[1])))
    channels = range(len(scene.channels))
    if like is not None and not {low // PER_OCTAVE - 1, high // PER_OCTAVE + 1} <= like.grid.steps.keys():
        like = None
    reach = max(float(limit_m.max()), *(direct_reach_m(scene, channel) for channel in channels))
    survey, final = (
        Paths(scene, make_grid(scene, lattice_hz(np.arange(low, high + 1, step)), like and like.grid), reach, like)
        for step in (_SURVEY, LISTING_STEP)
    )
    found: list[Reflection] = []
    for channel in channels:
        lattice = np.concatenate(list(survey.blocks(channel, -1.0, survey.reach)))
        direct = lattice[survey.direct_flags(channel, lattice).any(axis=1)]
        for listener in listeners:
            limit = float(limit_m[channel, listener])
            energy, whole = path_energies(survey, channel, listener, limit, lattice)
            levels = _levels(survey, energy, whole)
            delay = _delay_ms(survey, channel, listener, lattice)
            chosen = chosen_paths(levels, delay, _SHORTLIST * count, all_within_ms, LISTED_DB - _MARGIN_DB)
            shortlist = np.unique(np.concatenate([lattice[chosen], direct]), axis=0)
            listed = _listed(final, channel, listener, limit, shortlist, count, all_within_ms)
            listed += _echoes(final, channel, listener, limit, direct)
            found += sorted(listed, key=lambda one: -one.level_db)
    return found


def _levels(paths: Paths, energy: NDArray[np.float64], direct: NDArray[np.float64]) -> NDArray[np.float64]:
    """Level of each path re the direct sound in BAND_HZ and in HIGH_BAND_HZ [dB], shape (2, n_path)."""
    f = paths.grid.frequency_hz
    ranges = [(f >= low * 0.999) & (f <= high * 1.001) for low, high in (BAND_HZ, HIGH_BAND_HZ)]
    return np.array([db(energy[:, inside].mean(axis=1), float(direct[inside].mean())) for inside in ranges])


def _images_m(
    paths: Paths, channel: int, lattice: NDArray[np.int32]
) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Indices of the images of a channel's middle, and where they are; (n_path, 3) both."""
    source = middle_m(paths.scene, channel)
    index = np.stack([paths.index[axis][lattice[:, axis]] for axis in range(3)], axis=1)
    return index, np.stack([image_coordinates(source[a], paths.size[a], index[:, a]) for a in range(3)], axis=1)


def _delay_ms(paths: Paths, channel: int, listener: int, lattice: NDArray[np.int32]) -> NDArray[np.float64]:
    """How much later than the direct sound each path arrives, shape (n_path,)."""
    scene = paths.scene
    at = scene.listeners_m[listener]
    _, images = _images_m(paths, channel, lattice)
    longer = np.linalg.norm(images - at, axis=1) - float(np.linalg.norm(middle_m(scene, channel) - at))
    return longer / scene.room.air.speed_m_s * 1e3


def chosen_paths(
    levels: NDArray[np.float64], delay_ms: NDArray[np.float64], count: int, all_within_ms: float, least_db: float
) -> NDArray[np.int64]:
    """Positions of the `count` strongest paths, and of others that arrive in time and are strong enough; by level."""
    order = np.argsort(-levels[0], kind="stable")
    heard = (delay_ms <= all_within_ms) & (levels >= least_db).any(axis=0) & (all_within_ms > 0)
    rank = np.empty(order.size, np.int64)
    rank[order] = np.arange(order.size)
    return order[(rank < count)[order] | heard[order]]


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
    near = np.zeros((2, drivers, 1, 2, paths.grid.plan.slot_hz.size))
    add_echoes(paths, channel, limit_m, near, part)
    return np.concatenate(energies), np.abs(direct + paths.spectra(channel, near)[0, 0]) ** 2


def _echoes(
    paths: Paths, channel: int, listener: int, limit_m: float, direct: NDArray[np.int32]
) -> list[Reflection]:
    """Entries for the echoes of near plates; `direct` are the lattice positions of direct paths."""
    echoes = paths.echoes(channel)
    if echoes is None:
        return []
    scene, at = paths.scene, paths.scene.listeners_m[listener]
    drivers, first = len(scene.channel_emitters(channel)), np.linalg.norm(middle_m(scene, channel) - at)
    _, whole = path_energies(paths, channel, listener, limit_m, direct)
    found = []
    for plate, name in enumerate(echoes.names):
        sums = np.zeros((len(echoes.index), drivers, 1, 2, paths.grid.plan.slot_hz.size))
        add_echoes(paths, channel, limit_m, sums, slice(listener, listener + 1), plate=plate)
        levels = _levels(paths, np.abs(paths.spectra(channel, sums)[:, 0]) ** 2, whole)
        middle = echoes.position_m[echoes.plate == plate].mean(axis=0)
        for path in np.flatnonzero((levels >= LISTED_DB).any(axis=0)):
            n = echoes.index[path]
            image = np.array([image_coordinates(middle[axis], paths.size[axis], n[axis]) for axis in range(3)])
            azimuth, elevation = scene.arrival_angles_deg(listener, image - at)
            found.append(
                Reflection(
                    channel=channel, listener=listener, faces=(name, *faces_in_order(n, image, at, paths.size)),
                    delay_ms=float((np.linalg.norm(image - at) - first) / scene.room.air.speed_m_s * 1e3),
                    level_db=float(levels[0, path]), high_level_db=float(levels[1, path]),
                    azimuth_deg=float(azimuth), elevation_deg=float(elevation),
                )
            )
    return found


def _listed(
    paths: Paths, channel: int, listener: int, limit_m: float, lattice: NDArray[np.int32], count: int,
    all_within_ms: float,
) -> list[Reflection]:
    scene = paths.scene
    energy, direct = path_energies(paths, channel, listener, limit_m, lattice)
    levels = _levels(paths, energy, direct)
    delay = _delay_ms(paths, channel, listener, lattice)
    index, images = _images_m(paths, channel, lattice)
    at = scene.listeners_m[listener]
    found = []
    for which in chosen_paths(levels, delay, count, all_within_ms, LISTED_DB):
        if np.isneginf(levels[0, which]):
            break
        azimuth, elevation = scene.arrival_angles_deg(listener, images[which] - at)
        found.append(
            Reflection(
                channel=channel,
                listener=listener,
                faces=faces_in_order(index[which], images[which], at, paths.size),
                delay_ms=float(delay[which]),
                level_db=float(levels[0, which]),
                high_level_db=float(levels[1, which]),
                azimuth_deg=float(azimuth),
                elevation_deg=float(elevation),
            )
        )
    return found
