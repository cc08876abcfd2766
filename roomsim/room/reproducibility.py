"""How far absorption differs between laboratories (ISO 12999-2), and materials and rooms drawn within that.

The standard's example of an absorption coefficient (its table 4, transcribed by others) has these expanded
uncertainties under reproducibility conditions, coverage factor 2: ±0.33 at 63 Hz, 0.22 at 100 Hz, 0.17 at 125 Hz,
0.09 at 250 Hz, 0.08 from 500 to 800 Hz, 0.09 at 1 and 2 kHz, 0.13 at 4 kHz [iso12999-2]. Of our own are: the
value of 4 kHz above it; at most half of a finish's own absorption, since what is published as 0.02 is not 0.06; the
correlation between bands; a lognormal distribution, which keeps absorption above zero.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..bands import OCTAVES_HZ
from .furnishing import Furniture
from .impedance import random_absorption
from .materials import Material
from .room import Room

Floats = NDArray[np.float64]

_EXPANDED = {63: 0.33, 100: 0.22, 125: 0.17, 250: 0.09, 500: 0.08, 630: 0.08, 800: 0.08, 1000: 0.09, 2000: 0.09,
             4000: 0.13}

MOST_RELATIVE = 0.5
"""A standard deviation is at most this part of the absorption itself (our own assumption)."""

CORRELATION_PER_OCTAVE = 0.5
"""Correlation of the deviations of one finish in two bands an octave apart (our own assumption)."""

HIGHEST_TABLE = 1.5
"""Drawn absorption is held at what a table may say."""


def reproducibility_sd(frequency_hz: ArrayLike) -> Floats:
    """Standard deviation of reproducibility of an absorption coefficient, linear in log f; same shape."""
    known = np.log(list(_EXPANDED))
    return np.interp(np.log(np.asarray(frequency_hz, float)), known, np.array(list(_EXPANDED.values())) / 2)


def absorption_sd(frequency_hz: ArrayLike, absorption: ArrayLike) -> Floats:
    """Standard deviation of a finish's absorption: the standard's, at most half of the value; shapes broadcast."""
    return np.minimum(reproducibility_sd(frequency_hz), MOST_RELATIVE * np.asarray(absorption, float))


def deviates(name: str, draw: int, seed: int = 0) -> Floats:
    """Standard normal deviates of one finish in the octaves 63 Hz to 8 kHz, shape (8,).

    They depend on name, draw and seed alone, so the same finish deviates alike on every surface, in every setting
    and room. Draws 2k and 2k + 1 are opposite to each other: their mean is zero, and a mean over pairs hardly moves.
    """
    text = f"{seed} {draw // 2} {name}".encode("utf-8", "surrogatepass")
    words = np.frombuffer(hashlib.sha256(text).digest(), "<u4").astype(np.uint64).tolist()
    plain = np.random.default_rng(words).standard_normal(OCTAVES_HZ.size)
    return _mixing() @ plain * (1 - 2 * (draw % 2))


@cache
def _mixing() -> Floats:
    """Turns independent deviates into correlated ones, shape (8, 8)."""
    apart = np.abs(np.subtract.outer(np.arange(OCTAVES_HZ.size), np.arange(OCTAVES_HZ.size)))
    return np.linalg.cholesky(CORRELATION_PER_OCTAVE**apart)


def absorption_factor(absorption: ArrayLike, deviate: ArrayLike) -> Floats:
    """What absorption in the octaves 63 Hz to 8 kHz is multiplied by, shape (8,).

    Lognormal with mean 1 and the standard deviation of `absorption_sd`, for standard normal `deviate`.
    """
    alpha = np.maximum(np.asarray(absorption, float), 1e-6)
    log_variance = np.log1p((absorption_sd(OCTAVES_HZ, alpha) / alpha) ** 2)
    return np.exp(np.sqrt(log_variance) * np.asarray(deviate, float) - log_variance / 2)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DrawnMaterial:
    """A material whose absorption deviates as between two laboratories.

    Attributes
    ----------
    base : as published
    factor : on the absorption in the octaves 63 Hz to 8 kHz, shape (8,), linear in log f between them in decibels

    Notes
    -----
    Statistics see table × factor. For the engines the real part of the admittance is scaled until the surface absorbs
    random sound so much more or less, as far as a locally reacting one can; the imaginary part stays, so that a
    resonance keeps its frequency.
    """

    base: Any
    factor: Floats
    name: str = field(init=False)
    kind: str = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "name", self.base.name)
        object.__setattr__(self, "kind", self.base.kind)

    @property
    def source(self) -> str:
        return self.base.source

    def impedance(self, frequency_hz: ArrayLike) -> NDArray[np.complex128]:
        """ζ, passive, shape (n_frequency,)."""
        admittance = 1 / np.asarray(self.base.impedance(frequency_hz), complex)
        scale = scaled_to(admittance, random_absorption(1 / admittance) * self._factor_at(frequency_hz))
        return 1 / (scale * admittance.real + 1j * admittance.imag)

    def absorption(self, frequency_hz: ArrayLike) -> Floats:
        """Random-incidence absorption for the statistics, shape (n_frequency,)."""
        drawn = self.base.absorption(frequency_hz) * self._factor_at(frequency_hz)
        return np.minimum(drawn, max(HIGHEST_TABLE, float(np.max(self.base.absorption(frequency_hz), initial=0))))

    def scattering(self, frequency_hz: ArrayLike) -> Floats:
        """As published, shape (n_frequency,)."""
        return self.base.scattering(frequency_hz)

    def rests_on_assumption(self, frequency_hz: ArrayLike) -> NDArray[np.bool_]:
        """As of the base, shape (n_frequency,)."""
        rests = getattr(self.base, "rests_on_assumption", None)
        return np.zeros(np.shape(frequency_hz), bool) if rests is None else rests(frequency_hz)

    def _factor_at(self, frequency_hz: ArrayLike) -> Floats:
        return factor_at(frequency_hz, self.factor)


_SCALES = np.geomspace(0.02, 50.0, 61)


def scaled_to(admittance: NDArray[np.complex128], wanted: Floats) -> Floats:
    """What the real part of an admittance is multiplied by so that it absorbs random sound as wanted.

    Absorption rises with it up to a match and falls beyond; each frequency stays on its side. What is beyond the
    match's absorption ends there.
    """
    def absorbs(log_scale: Floats) -> Floats:
        return random_absorption(1 / (np.exp(log_scale) * admittance.real + 1j * admittance.imag))

    steps = np.log(_SCALES).reshape(-1, *(1,) * admittance.ndim)
    table = absorbs(steps)
    most, at = table.argmax(axis=0), np.arange(len(steps)).reshape(steps.shape)
    up = _SCALES[most] >= 1
    less = (table < wanted) == up                    # at the left of the crossing on either side of the match
    first = np.where(up, (less & (at <= most)).sum(axis=0), most + (less & (at > most)).sum(axis=0) + 1) - 1
    low = steps.ravel()[np.clip(first, 0, len(steps) - 1)]
    high = steps.ravel()[np.clip(first + 1, 0, len(steps) - 1)]
    ended = up & (first >= most)                     # beyond the match
    high = np.where(ended, low, high)
    for _ in range(15):                              # a step of the table is 0.13 wide: to 4e-6
        middle = (low + high) / 2
        further = (absorbs(middle) < wanted) == up
        low, high = np.where(further, middle, low), np.where(further, high, middle)
    return np.exp((low + high) / 2)


def drawn_material(material: Material, draw: int, seed: int = 0) -> Material:
    """A material as another laboratory might have measured it; an opening stays what it is."""
    if getattr(material, "anechoic", False):
        return material
    return DrawnMaterial(base=material, factor=material_factor(material, draw, seed))


def material_factor(material: Material, draw: int, seed: int = 0) -> Floats:
    """What a material's absorption in the octaves 63 Hz to 8 kHz is multiplied by in a draw, shape (8,)."""
    if getattr(material, "anechoic", False):
        return np.ones(OCTAVES_HZ.size)
    return absorption_factor(material.absorption(OCTAVES_HZ), deviates(material.name, draw, seed))


def factor_at(frequency_hz: ArrayLike, factor: Floats) -> Floats:
    """A factor known in the octaves 63 Hz to 8 kHz (…, 8) at others, linear in decibels, shape (…, n_frequency)."""
    log_f = np.log(np.asarray(frequency_hz, float))
    rows = np.log(factor).reshape(-1, OCTAVES_HZ.size)
    found = np.exp([np.interp(log_f, np.log(OCTAVES_HZ), row) for row in rows])
    return found.reshape(*np.shape(factor)[:-1], *log_f.shape)


def drawn_furniture(item: Furniture, draw: int, seed: int = 0) -> Furniture:
    """Furniture likewise: its absorption area over its surface (five sides of a cube) counts as absorption."""
    area = item.absorption_m2(OCTAVES_HZ) / item.count
    surface = max(5 * item.volume_m3 ** (2 / 3), float(area.max()) / 0.95, 1e-9)
    factor = absorption_factor(area / surface, deviates(item.name, draw, seed))
    return replace(item, absorption_area_m2=item.absorption_area_m2 * factor_at(item.band_hz, factor))


def drawn_room(room: Room, draw: int, seed: int = 0) -> Room:
    """A room with every finish and all furniture drawn within the reproducibility of their absorption.

    Parameters
    ----------
    draw : 0, 1, 2, …; an even number and the next one are opposite to each other
    seed : of all draws
    """
    drawn = {id(one): drawn_material(one, draw, seed) for one in _materials(room)}
    return replace(
        room, materials={face: drawn[id(one)] for face, one in room.materials.items()},
        patches=tuple(replace(patch, material=drawn[id(patch.material)]) for patch in room.patches),
        furniture=tuple(drawn_furniture(item, draw, seed) for item in room.furniture),
    )


def _materials(room: Room) -> Iterable[Material]:
    yield from room.materials.values()
    yield from (patch.material for patch in room.patches)
