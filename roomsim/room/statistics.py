"""Decay time from areas and absorption alone: Sabine to Arau-Puchades, air, hard objects, field radii.

All plain functions take areas (n_surface,), random-incidence absorption (n_surface, n_band) and return
(n_band,). None of them knows where the absorption lies except through the three directions of Fitzroy
and Arau-Puchades; `predictors` puts them side by side so that their spread is seen.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..constants import DECAY_CONSTANT, REFERENCE_SPEED_M_S

if TYPE_CHECKING:
    from .room import Room

Floats = NDArray[np.float64]

PATH_VARIANCE = 0.4
"""γ², relative variance of the free path in near-cubic rooms with diffuse walls [kuttruff2016] (from memory)."""

HIGHEST_MEAN = 0.999
"""Mean absorption is held below this in the logarithms: above, there is no reverberant field to speak of."""


def sabine_s(areas_m2: ArrayLike, absorption: ArrayLike, volume_m3: float, *,
             speed_m_s: float = REFERENCE_SPEED_M_S, air_per_m: ArrayLike = 0.0) -> Floats:
    """T = kV / (ΣSα + 4mV), k = 24 ln 10 / c; table values above 1 count as printed [kuttruff2016]."""
    areas, alpha = _surfaces(areas_m2, absorption)
    return decay_s(areas @ alpha, volume_m3, speed_m_s=speed_m_s, air_per_m=air_per_m)


def eyring_s(areas_m2: ArrayLike, absorption: ArrayLike, volume_m3: float, *,
             speed_m_s: float = REFERENCE_SPEED_M_S, air_per_m: ArrayLike = 0.0) -> Floats:
    """T = kV / (−S ln(1−ᾱ) + 4mV) [eyring1930]."""
    areas, alpha = _surfaces(areas_m2, absorption)
    area = areas.sum() * exponent(mean_absorption(areas, alpha))
    return decay_s(area, volume_m3, speed_m_s=speed_m_s, air_per_m=air_per_m)


def eyring_with_kuttruff_s(areas_m2: ArrayLike, absorption: ArrayLike, volume_m3: float, *,
                           speed_m_s: float = REFERENCE_SPEED_M_S, air_per_m: ArrayLike = 0.0,
                           path_variance: float = PATH_VARIANCE) -> Floats:
    """Eyring with the exponent of `kuttruff_exponent`: free paths differ, so decay is slower than Eyring's."""
    areas, alpha = _surfaces(areas_m2, absorption)
    area = areas.sum() * kuttruff_exponent(mean_absorption(areas, alpha), path_variance)
    return decay_s(area, volume_m3, speed_m_s=speed_m_s, air_per_m=air_per_m)


def millington_s(areas_m2: ArrayLike, absorption: ArrayLike, volume_m3: float, *,
                 speed_m_s: float = REFERENCE_SPEED_M_S, air_per_m: ArrayLike = 0.0) -> Floats:
    """T = kV / (−ΣS ln(1−α) + 4mV) [millington1932]; one fully absorbing patch makes it vanish: its known flaw."""
    areas, alpha = _surfaces(areas_m2, absorption)
    return decay_s(areas @ exponent(alpha), volume_m3, speed_m_s=speed_m_s, air_per_m=air_per_m)


def fitzroy_s(areas_m2: ArrayLike, absorption: ArrayLike, volume_m3: float, directions: ArrayLike, *,
              speed_m_s: float = REFERENCE_SPEED_M_S, air_per_m: ArrayLike = 0.0) -> Floats:
    """T = Σ (S_i/S) T_i over the three directions, T_i = Eyring with ᾱ_i everywhere [fitzroy1959].

    directions : share of each surface in x, y, z, shape (n_surface, 3), rows sum to 1 (normal squared)
    """
    share, decay = _three(areas_m2, absorption, volume_m3, directions, speed_m_s, air_per_m)
    return share @ decay


def arau_puchades_s(areas_m2: ArrayLike, absorption: ArrayLike, volume_m3: float, directions: ArrayLike, *,
                    speed_m_s: float = REFERENCE_SPEED_M_S, air_per_m: ArrayLike = 0.0) -> Floats:
    """T = Π T_i^(S_i/S): the geometric mean of Fitzroy's three [arau1988] formula 18; arguments as there."""
    share, decay = _three(areas_m2, absorption, volume_m3, directions, speed_m_s, air_per_m)
    return np.exp(share @ np.log(decay))


def decay_s(absorption_area_m2: ArrayLike, volume_m3: float, *, speed_m_s: float = REFERENCE_SPEED_M_S,
            air_per_m: ArrayLike = 0.0) -> Floats:
    """Decay time of an absorption area: 24 ln 10 / c · V / (A + 4mV)."""
    area = np.asarray(absorption_area_m2, float) + 4 * np.asarray(air_per_m, float) * volume_m3
    return 4 * DECAY_CONSTANT / speed_m_s * volume_m3 / area


def mean_absorption(areas_m2: ArrayLike, absorption: ArrayLike) -> Floats:
    """ᾱ = ΣSα / S, shape (n_band,)."""
    areas, alpha = _surfaces(areas_m2, absorption)
    return areas @ alpha / areas.sum()


def exponent(absorption: ArrayLike) -> Floats:
    """−ln(1−α), α held below HIGHEST_MEAN."""
    return -np.log1p(-np.minimum(np.asarray(absorption, float), HIGHEST_MEAN))


def kuttruff_exponent(absorption: ArrayLike, path_variance: float = PATH_VARIANCE) -> Floats:
    """a = L (1 − γ²L/2), L = −ln(1−ᾱ) [kuttruff2016] (from memory).

    It is the second-order term of a series: it turns back at L = 1/γ² (ᾱ = 0.92), where it is held at
    half of L; Lambert walls traced for this project follow it within 1 % to ᾱ = 0.3, 3 % at 0.5.
    """
    log = exponent(absorption)
    return log * np.maximum(1 - path_variance / 2 * log, 0.5)


def eyring_kuttruff_s(room: Room, frequency_hz: ArrayLike) -> Floats:
    """Decay time [s] of a room by Eyring with Kuttruff's correction and air, shape (n_frequency,)."""
    surfaces = Surfaces.of(room, frequency_hz)
    return eyring_with_kuttruff_s(surfaces.areas_m2, surfaces.absorption, surfaces.volume_m3,
                                  speed_m_s=surfaces.speed_m_s, air_per_m=surfaces.air_per_m)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Surfaces:
    """What the statistical formulas know of a room.

    Attributes
    ----------
    names : of the surfaces
    areas_m2 : shape (n_surface,)
    absorption : table values, shape (n_surface, n_band)
    directions : squared normals, shape (n_surface, 3)
    volume_m3, speed_m_s : of the room and its air
    air_per_m : m, shape (n_band,)
    """

    names: tuple[str, ...]
    areas_m2: Floats
    absorption: Floats
    directions: Floats
    volume_m3: float
    speed_m_s: float
    air_per_m: Floats

    @classmethod
    def of(cls, room: Room, frequency_hz: ArrayLike) -> Surfaces:
        f = np.atleast_1d(np.asarray(frequency_hz, float))
        faces = room.geometry.faces
        return cls(
            names=tuple(face.name for face in faces),
            areas_m2=np.array([face.area_m2 for face in faces]),
            absorption=np.array([room.materials[face.name].absorption(f) for face in faces]),
            directions=np.array([face.normal**2 for face in faces]),
            volume_m3=room.geometry.volume_m3,
            speed_m_s=room.air.speed_m_s,
            air_per_m=room.air.energy_attenuation_per_m(f),
        )


def transition_hz(decay_time_s: ArrayLike, volume_m3: float) -> Floats:
    """Schroeder's transition frequency 2000 √(T/V) [schroeder1962]."""
    return 2000 * np.sqrt(np.asarray(decay_time_s, float) / volume_m3)


def critical_distance_m(absorption_area_m2: ArrayLike, directivity_factor: ArrayLike = 1.0) -> Floats:
    """√(Q A / 16π): where direct and diffuse energy are equal [kuttruff2016].

    Pass the room constant Sᾱ/(1−ᾱ) instead of A to count only what has been reflected.
    """
    return np.sqrt(np.asarray(directivity_factor, float) * np.asarray(absorption_area_m2, float) / (16 * np.pi))


def mean_free_path_m(volume_m3: float, surface_m2: float) -> float:
    """4V/S."""
    return 4 * volume_m3 / surface_m2


def _surfaces(areas_m2: ArrayLike, absorption: ArrayLike) -> tuple[Floats, Floats]:
    areas = np.atleast_1d(np.asarray(areas_m2, float))
    alpha = np.asarray(absorption, float)
    return areas, alpha.reshape(areas.size, -1)


def _three(areas_m2: ArrayLike, absorption: ArrayLike, volume_m3: float, directions: ArrayLike,
           speed_m_s: float, air_per_m: ArrayLike) -> tuple[Floats, Floats]:
    """Area share of each direction (3,) and Eyring's time with that direction's mean absorption (3, n_band)."""
    areas, alpha = _surfaces(areas_m2, absorption)
    projected = np.asarray(directions, float).reshape(areas.size, 3).T * areas
    means = projected @ alpha / projected.sum(axis=1, keepdims=True)
    area = areas.sum() * exponent(means)
    return projected.sum(axis=1) / areas.sum(), decay_s(
        area, volume_m3, speed_m_s=speed_m_s, air_per_m=air_per_m
    )
