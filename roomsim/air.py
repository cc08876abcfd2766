"""Air: speed of sound, density and absorption by ISO 9613-1."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .constants import (
    CELSIUS_ZERO_K,
    GAS_CONSTANT_DRY_AIR,
    REFERENCE_ATMOSPHERE_KPA,
    REFERENCE_SPEED_M_S,
    REFERENCE_TEMPERATURE_K,
    TRIPLE_POINT_K,
)
from .errors import InvalidValue

NEPER_PER_DB = np.log(10.0) / 20.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Air:
    """The state of the air in a room.

    Parameters
    ----------
    temperature_c : air temperature [°C], -20 to 50 (the range of ISO 9613-1's tables)
    humidity_percent : relative humidity [%], above 0 to 100
    pressure_kpa : ambient pressure [kPa], 50 to 120

    Raises
    ------
    InvalidValue : outside those ranges

    References
    ----------
    [iso9613-1]

    Examples
    --------
    >>> round(Air(temperature_c=20).speed_m_s, 1)
    343.2
    """

    temperature_c: float = 20.0
    humidity_percent: float = 50.0
    pressure_kpa: float = REFERENCE_ATMOSPHERE_KPA

    def __post_init__(self) -> None:
        for key, low, high in (("temperature_c", -20, 50), ("pressure_kpa", 50, 120)):
            if not low <= getattr(self, key) <= high:
                raise InvalidValue(key, getattr(self, key), f"must be {low} to {high}")
        if not 0 < self.humidity_percent <= 100:
            raise InvalidValue("humidity_percent", self.humidity_percent, "must be above 0 and at most 100")

    @property
    def temperature_k(self) -> float:
        return self.temperature_c + CELSIUS_ZERO_K

    @property
    def speed_m_s(self) -> float:
        """Speed of sound, 343.2 √(T/T0) [iso9613-1]."""
        return REFERENCE_SPEED_M_S * float(np.sqrt(self.temperature_k / REFERENCE_TEMPERATURE_K))

    @property
    def density_kg_m3(self) -> float:
        """Density of dry air at this pressure and temperature (humidity changes it by under 1 %)."""
        return 1e3 * self.pressure_kpa / (GAS_CONSTANT_DRY_AIR * self.temperature_k)

    @property
    def impedance_rayl(self) -> float:
        """Characteristic impedance ρc [Pa s/m]."""
        return self.density_kg_m3 * self.speed_m_s

    def absorption_db_per_m(self, frequency_hz: ArrayLike) -> NDArray[np.float64]:
        """Pure-tone attenuation [dB/m], shape of `frequency_hz`; ISO 9613-1:1993, equations 3 to 5, B.1-B.3."""
        f = np.asarray(frequency_hz, float)
        pressure = self.pressure_kpa / REFERENCE_ATMOSPHERE_KPA
        warmth = self.temperature_k / REFERENCE_TEMPERATURE_K
        saturation = 10 ** (-6.8346 * (TRIPLE_POINT_K / self.temperature_k) ** 1.261 + 4.6151)
        h = self.humidity_percent * saturation / pressure
        oxygen = pressure * (24 + 4.04e4 * h * (0.02 + h) / (0.391 + h))
        nitrogen = pressure * warmth**-0.5 * (9 + 280 * h * np.exp(-4.170 * (warmth ** (-1 / 3) - 1)))
        relaxation = warmth**-2.5 * (
            0.01275 * np.exp(-2239.1 / self.temperature_k) / (oxygen + f**2 / oxygen)
            + 0.1068 * np.exp(-3352.0 / self.temperature_k) / (nitrogen + f**2 / nitrogen)
        )
        return 8.686 * f**2 * (1.84e-11 / pressure * np.sqrt(warmth) + relaxation)

    def attenuation_np_per_m(self, frequency_hz: ArrayLike) -> NDArray[np.float64]:
        """Amplitude attenuation [1/m]: pressure falls as exp(-attenuation · distance)."""
        return self.absorption_db_per_m(frequency_hz) * NEPER_PER_DB

    def energy_attenuation_per_m(self, frequency_hz: ArrayLike) -> NDArray[np.float64]:
        """m [1/m]: energy falls as exp(-m · distance); enters decay formulas as 4mV."""
        return 2.0 * self.attenuation_np_per_m(frequency_hz)
