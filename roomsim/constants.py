"""Physical constants and references, each with its source."""

REFERENCE_PRESSURE_PA = 20e-6
"""0 dB for sound pressure in air (ISO 1683)."""

REFERENCE_TEMPERATURE_K = 293.15
"""Reference air temperature of ISO 9613-1 (20 °C) [iso9613-1]."""

TRIPLE_POINT_K = 273.16
"""Triple-point isotherm temperature of water [iso9613-1]."""

CELSIUS_ZERO_K = 273.15

REFERENCE_ATMOSPHERE_KPA = 101.325
"""Reference ambient pressure of ISO 9613-1 [iso9613-1]."""

REFERENCE_SPEED_M_S = 343.2
"""Speed of sound at 20 °C as ISO 9613-1 and ISO 17497-1 use it [iso9613-1]."""

GAS_CONSTANT_DRY_AIR = 287.05
"""Specific gas constant of dry air in J/(kg K); density at 20 °C comes out as 1.204 kg/m³."""

DECAY_CONSTANT = 13.815510557964274
"""6 ln 10: energy falls by 60 dB in the time T as exp(-DECAY_CONSTANT t / T)."""
