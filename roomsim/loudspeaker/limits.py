"""What a single driver can stand: cone travel and heat."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..constants import REFERENCE_PRESSURE_PA
from ..errors import InvalidValue
from .boxes import Box

_RANGES = {
    "cone_radius_m": (0.002, 0.5, "metres"), "excursion_m": (1e-5, 0.1, "metres, one way"),
    "power_w": (0.01, 5000, "watts"), "sensitivity_db": (50, 120, "dB re 20 µPa at 1 m for 1 W"),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class DriverLimits:
    """Limits of one driver; give the first two, the last two, or all.

    Attributes
    ----------
    cone_radius_m : of the moving piston [m]
    excursion_m : linear travel, from rest to peak [m]
    sensitivity_db : level on its axis in its pass band at 1 m for 1 W, mounted as it is used [dB re 20 µPa]
    power_w : electrical power that it stands for long [W]
    box : its box, which sets what part of the volume velocity the cone delivers; None for a closed one

    Raises
    ------
    InvalidValue : a value outside its range, or half of a pair
    """

    cone_radius_m: float | None = None
    excursion_m: float | None = None
    sensitivity_db: float | None = None
    power_w: float | None = None
    box: Box | None = None

    def __post_init__(self) -> None:
        for key, (low, high, unit) in _RANGES.items():
            value = getattr(self, key)
            if value is not None and not low <= value <= high:
                raise InvalidValue(key, value, f"must be {low:g} to {high:g} ({unit})")
        for one, other in (("cone_radius_m", "excursion_m"), ("sensitivity_db", "power_w")):
            if (getattr(self, one) is None) != (getattr(self, other) is None):
                missing = one if getattr(self, one) is None else other
                raise InvalidValue(missing, None, f"{one} and {other} go together")
        if self.excursion_m is None and self.power_w is None:
            raise InvalidValue("limits", None, "needs an excursion or a power limit")

    def travel_per_pressure(
        self, frequency_hz: ArrayLike, density_kg_m3: float, half_space: bool
    ) -> NDArray[np.float64]:
        """Peak cone travel [m] for 1 Pa m (rms) radiated, shape (n_frequency,).

        A small source of volume acceleration ω²S x has the far field ρω²S x/(4π) in free space, twice that
        in a wall [beranek-mellow2012]; the cone delivers `box.cone_share` of it. Where a cone is no longer
        small it needs less travel than this, at frequencies where travel limits nothing.
        """
        if self.cone_radius_m is None:
            return np.zeros(np.shape(frequency_hz))
        f = np.asarray(frequency_hz, float)
        solid = 2 * math.pi if half_space else 4 * math.pi
        area = math.pi * self.cone_radius_m**2
        share = np.abs(self.box.cone_share(f)) if self.box else 1.0
        return math.sqrt(2) * solid * share / (density_kg_m3 * (2 * math.pi * f) ** 2 * area)

    @property
    def watt_pressure(self) -> float:
        """Pressure × distance on axis in the pass band for 1 W [Pa m, rms]."""
        if self.sensitivity_db is None:
            raise InvalidValue("sensitivity_db", None, "is needed")
        return REFERENCE_PRESSURE_PA * 10 ** (self.sensitivity_db / 20)
