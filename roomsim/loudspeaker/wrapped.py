"""A directivity with something done to it that is the same in all directions."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .directivity import Directivity


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Wrapped:
    """All that a `Directivity` says of itself, handed on from the one inside.

    Attributes
    ----------
    driver : the directivity inside
    """

    driver: Directivity

    @property
    def name(self) -> str:
        return self.driver.name

    @property
    def radius_m(self) -> float:
        return self.driver.radius_m

    @property
    def sphere_radius_m(self) -> float:
        return getattr(self.driver, "sphere_radius_m", 0.0)

    @property
    def assumption(self) -> str:
        return getattr(self.driver, "assumption", "")

    @property
    def axisymmetric(self) -> bool:
        return self.driver.axisymmetric

    @property
    def has_phase(self) -> bool:
        return self.driver.has_phase

    @property
    def half_space(self) -> bool:
        return self.driver.half_space

    @property
    def low_hz(self) -> float:
        return self.driver.low_hz

    @property
    def high_hz(self) -> float:
        return self.driver.high_hz

    @property
    def calibrated(self) -> bool:
        return self.driver.calibrated


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Scaled(Wrapped):
    """A sketched driver of known sensitivity: its pressures are absolute.

    Attributes
    ----------
    driver : 1 Pa m on its axis, as sketches are
    axis_pa_m : what it is on its axis for the nominal drive [Pa m, rms]
    """

    axis_pa_m: float

    @property
    def calibrated(self) -> bool:
        return True

    def far_pressure(self, frequency_hz: ArrayLike, directions: ArrayLike) -> NDArray[np.complex128]:
        """D [Pa m], shape (n_direction, n_frequency)."""
        return self.axis_pa_m * self.driver.far_pressure(frequency_hz, directions)
