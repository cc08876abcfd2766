"""Decay time from areas and absorption alone: Sabine to Arau-Puchades, air, objects, field radii.

The plain functions take areas (n_surface,), random-incidence absorption (n_surface, n_band), the volume and,
where there are any, the absorption area of objects (n_band,); they return (n_band,). Objects count as
absorption spread evenly over the room's surface. None of the formulas knows where absorption lies, except
through the three directions of Fitzroy and Arau-Puchades; `predictors` (in `predictors.py`) puts them side by
side so that their spread is seen.

Table values above 1 count as printed in the sums; only a mean of 1 or more is held below 1.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..bands import OCTAVES_HZ
from ..constants import DECAY_CONSTANT, REFERENCE_SPEED_M_S

if TYPE_CHECKING:
    from .room import Room

Floats = NDArray[np.float64]

PATH_VARIANCE = 0.4
"""γ², relative variance of the free path in near-cubic rooms with diffuse walls [kuttruff2016] (from memory)."""

HIGHEST_MEAN = 0.999
"""Absorption is held below this in the logarithms: above, there is no reverberant field to speak of."""


def decay_s(absorption_area_m2: ArrayLike, volume_m3: float, *, speed_m_s: float = REFERENCE_SPEED_M_S,
            air_per_m: ArrayLike = 0.0) -> Floats:
    """Decay time [s] of an absorption area: (24 ln 10 / c) V / (A + 4mV).

    Parameters
    ----------
    absorption_area_m2 : A, shape (n_band,)
    volume_m3 : V
    speed_m_s : c
    air_per_m : m, energy attenuation of the air [1/m] (`Air.energy_attenuation_per_m`), shape (n_band,)
    """
    area = np.asarray(absorption_area_m2, float) + 4 * np.asarray(air_per_m, float) * volume_m3
    with np.errstate(divide="ignore"):      # nothing absorbs: it never decays
        return 4 * DECAY_CONSTANT / speed_m_s * volume_m3 / area


def sabine_s(areas_m2: ArrayLike, absorption: ArrayLike, volume_m3: float, *, objects_m2: ArrayLike = 0.0,
             speed_m_s: float = REFERENCE_SPEED_M_S, air_per_m: ArrayLike = 0.0) -> Floats:
    """A = ΣSα [kuttruff2016]. With the free volume V(1−ψ) and the objects' area it is EN 12354-6 [en12354-6]."""
    areas, alpha = _surfaces(areas_m2, absorption)
    area = areas @ alpha + np.asarray(objects_m2, float)
    return decay_s(area, volume_m3, speed_m_s=speed_m_s, air_per_m=air_per_m)


def eyring_s(areas_m2: ArrayLike, absorption: ArrayLike, volume_m3: float, *, objects_m2: ArrayLike = 0.0,
             speed_m_s: float = REFERENCE_SPEED_M_S, air_per_m: ArrayLike = 0.0) -> Floats:
    """A = −S ln(1−ᾱ) [eyring1930]."""
    areas, alpha = _surfaces(areas_m2, absorption)
    area = areas.sum() * exponent(mean_absorption(areas, alpha, objects_m2))
    return decay_s(area, volume_m3, speed_m_s=speed_m_s, air_per_m=air_per_m)


def eyring_with_kuttruff_s(areas_m2: ArrayLike, absorption: ArrayLike, volume_m3: float, *,
                           objects_m2: ArrayLike = 0.0, speed_m_s: float = REFERENCE_SPEED_M_S,
                           air_per_m: ArrayLike = 0.0, path_variance: float = PATH_VARIANCE) -> Floats:
    """A = S · `kuttruff_exponent`(ᾱ): free paths differ, so the decay is slower than Eyring's."""
    areas, alpha = _surfaces(areas_m2, absorption)
    area = areas.sum() * kuttruff_exponent(mean_absorption(areas, alpha, objects_m2), path_variance)
    return decay_s(area, volume_m3, speed_m_s=speed_m_s, air_per_m=air_per_m)


def millington_s(areas_m2: ArrayLike, absorption: ArrayLike, volume_m3: float, *, objects_m2: ArrayLike = 0.0,
                 speed_m_s: float = REFERENCE_SPEED_M_S, air_per_m: ArrayLike = 0.0) -> Floats:
    """A = −ΣS ln(1−α) [millington1932], objects by their area.

    A patch with α near 1, however small, takes the time towards zero: its known flaw.
    """
    areas, alpha = _surfaces(areas_m2, absorption)
    area = areas @ exponent(alpha) + np.asarray(objects_m2, float)
    return decay_s(area, volume_m3, speed_m_s=speed_m_s, air_per_m=air_per_m)


def fitzroy_s(areas_m2: ArrayLike, absorption: ArrayLike, volume_m3: float, directions: ArrayLike, *,
              objects_m2: ArrayLike = 0.0, speed_m_s: float = REFERENCE_SPEED_M_S,
              air_per_m: ArrayLike = 0.0) -> Floats:
    """T = Σ (S_i/S) T_i over the three directions, T_i Eyring's with ᾱ_i on all walls [fitzroy1959].

    directions : share of each surface in x, y, z, shape (n_surface, 3), rows sum to 1. For a box 0 and 1; for
        other rooms the squared normal (an extension of our own, not in the source).
    """
    share, decay = _three(areas_m2, absorption, volume_m3, directions, objects_m2, speed_m_s, air_per_m)
    return share @ decay


def arau_puchades_s(areas_m2: ArrayLike, absorption: ArrayLike, volume_m3: float, directions: ArrayLike, *,
                    objects_m2: ArrayLike = 0.0, speed_m_s: float = REFERENCE_SPEED_M_S,
                    air_per_m: ArrayLike = 0.0) -> Floats:
    """T = Π T_i^(S_i/S), the geometric mean of Fitzroy's three [arau1988] formula 18; arguments as there."""
    share, decay = _three(areas_m2, absorption, volume_m3, directions, objects_m2, speed_m_s, air_per_m)
    return np.exp(share @ np.log(decay))


def mean_absorption(areas_m2: ArrayLike, absorption: ArrayLike, objects_m2: ArrayLike = 0.0) -> Floats:
    """ᾱ = (ΣSα + A_objects) / S, shape (n_band,)."""
    areas, alpha = _surfaces(areas_m2, absorption)
    return (areas @ alpha + np.asarray(objects_m2, float)) / areas.sum()


def exponent(absorption: ArrayLike) -> Floats:
    """−ln(1−α), α held below HIGHEST_MEAN; same shape."""
    return -np.log1p(-np.minimum(np.asarray(absorption, float), HIGHEST_MEAN))


def kuttruff_exponent(absorption: ArrayLike, path_variance: float = PATH_VARIANCE) -> Floats:
    """a = L (1 − γ²L/2), L = −ln(1−ᾱ) [kuttruff2016] (from memory); same shape.

    The second term of a series: a would fall again from L = 1/γ² on (ᾱ = 0.92) and is held there. Walls that
    reflect by Lambert's law decay within 1 % of it up to ᾱ = 0.3, 3 % at 0.5 (traced for this project).
    """
    log = np.minimum(exponent(absorption), 1 / path_variance)
    return log * (1 - path_variance / 2 * log)


def hard_object_m2(volume_m3: ArrayLike) -> Floats:
    """Absorption area of a hard object, V^(2/3) [en12354-6] clause 4.4; same shape.

    Furniture without a table of its own; at all frequencies, and an estimate.
    """
    return np.cbrt(np.asarray(volume_m3, float)) ** 2


def object_fraction(volumes_m3: ArrayLike, room_volume_m3: float) -> float:
    """ψ, share of the room's volume that objects fill [en12354-6]; the standard holds below 0.2."""
    return float(np.sum(volumes_m3) / room_volume_m3)


def transition_hz(decay_time_s: ArrayLike, volume_m3: float) -> Floats:
    """Schroeder's transition frequency 2000 √(T/V) [schroeder1962]; same shape."""
    return 2000 * np.sqrt(np.asarray(decay_time_s, float) / volume_m3)


def room_transition_hz(room: Room) -> float:
    """The same of a room, with the mean statistical decay time of the 500 Hz and 1 kHz octaves."""
    return float(transition_hz(eyring_kuttruff_s(room, OCTAVES_HZ[3:5]).mean(), room.geometry.volume_m3))


def critical_distance_m(absorption_area_m2: ArrayLike, directivity_factor: ArrayLike = 1.0) -> Floats:
    """√(Q A / 16π): where direct and diffuse energy are equal [kuttruff2016]; shapes broadcast.

    Pass the room constant Sᾱ/(1−ᾱ) instead of A to count only what has been reflected.
    """
    return np.sqrt(np.asarray(directivity_factor, float) * np.asarray(absorption_area_m2, float) / (16 * np.pi))


def mean_free_path_m(volume_m3: float, surface_m2: float) -> float:
    """4V/S, the mean distance between two reflections in a diffuse field."""
    return 4 * volume_m3 / surface_m2


def eyring_kuttruff_s(room: Room, frequency_hz: ArrayLike) -> Floats:
    """Decay time [s] of a room by Eyring with Kuttruff's correction, its furniture and air, (n_frequency,)."""
    surfaces = Surfaces.of(room, frequency_hz)
    return eyring_with_kuttruff_s(surfaces.areas_m2, surfaces.absorption, surfaces.free_volume_m3,
                                  **surfaces.surroundings)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Surfaces:
    """What the statistical formulas know of a room.

    Attributes
    ----------
    names : of the surfaces: faces less their patches, patches
    areas_m2 : shape (n_surface,)
    absorption : table values, shape (n_surface, n_band)
    directions : squared normals, shape (n_surface, 3)
    volume_m3, object_volume_m3 : of the empty room, of what stands in it
    objects_m2 : absorption area of the furniture, shape (n_band,)
    speed_m_s : speed of sound
    air_per_m : m, shape (n_band,)
    """

    names: tuple[str, ...]
    areas_m2: Floats
    absorption: Floats
    directions: Floats
    volume_m3: float
    object_volume_m3: float
    objects_m2: Floats
    speed_m_s: float
    air_per_m: Floats

    @classmethod
    def of(cls, room: Room, frequency_hz: ArrayLike) -> Surfaces:
        """Of a room at frequencies of shape (n_band,)."""
        f = np.atleast_1d(np.asarray(frequency_hz, float))
        parts = room.parts()
        furniture = sum((item.absorption_m2(f) for item in room.furniture), np.zeros(f.shape))
        return cls(
            names=tuple(part.name for part in parts),
            areas_m2=np.array([part.area_m2 for part in parts]),
            absorption=np.array([part.material.absorption(f) for part in parts]),
            directions=np.array([room.geometry.face(part.face).normal ** 2 for part in parts]),
            volume_m3=room.geometry.volume_m3,
            object_volume_m3=float(sum(item.count * item.volume_m3 for item in room.furniture)),
            objects_m2=furniture,
            speed_m_s=room.air.speed_m_s,
            air_per_m=room.air.energy_attenuation_per_m(f),
        )

    @property
    def object_fraction(self) -> float:
        """ψ."""
        return object_fraction(self.object_volume_m3, self.volume_m3)

    @property
    def free_volume_m3(self) -> float:
        """V (1 − ψ)."""
        return self.volume_m3 - self.object_volume_m3

    @property
    def surroundings(self) -> dict[str, ArrayLike]:
        """The keyword arguments that all formulas share."""
        return {"objects_m2": self.objects_m2, "speed_m_s": self.speed_m_s, "air_per_m": self.air_per_m}


def direction_means(surfaces: Surfaces) -> Floats:
    """Mean absorption of the faces across x, y and z, shape (3, n_band)."""
    projected = surfaces.directions.T * surfaces.areas_m2
    return projected @ surfaces.absorption / projected.sum(axis=1, keepdims=True)


def _surfaces(areas_m2: ArrayLike, absorption: ArrayLike) -> tuple[Floats, Floats]:
    areas = np.atleast_1d(np.asarray(areas_m2, float))
    alpha = np.asarray(absorption, float)
    return areas, alpha.reshape(areas.size, -1)


def _three(areas_m2: ArrayLike, absorption: ArrayLike, volume_m3: float, directions: ArrayLike,
           objects_m2: ArrayLike, speed_m_s: float, air_per_m: ArrayLike) -> tuple[Floats, Floats]:
    """Area share of each direction (3,) and Eyring's time with that direction's mean absorption (3, n_band)."""
    areas, alpha = _surfaces(areas_m2, absorption)
    projected = np.asarray(directions, float).reshape(areas.size, 3).T * areas
    means = projected @ alpha / projected.sum(axis=1, keepdims=True) + np.asarray(objects_m2, float) / areas.sum()
    area = areas.sum() * exponent(means)
    times = decay_s(area, volume_m3, speed_m_s=speed_m_s, air_per_m=air_per_m)
    return projected.sum(axis=1) / areas.sum(), times
