"""What a user states about a measurement: responses, their directions, and how they were taken."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..constants import REFERENCE_PRESSURE_PA, REFERENCE_SPEED_M_S
from ..errors import InvalidValue
from ..sphere import orbit_vectors, unit_vectors
from .measured import COVERAGES

DELAYS = ("auto", "distance", "none", "estimate")


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasurementSetup:
    """What the user knows about a measurement; None leaves it to the file or to a stated assumption.

    Attributes
    ----------
    mounting : "free" (full sphere in free field) or "on-wall" (half sphere in a large rigid wall)
    coverage : what was measured: full, half, orbits or partial; checked against the directions
    distance_m : from the frame's origin to the microphone
    drive_v : voltage at the terminals [V rms]; levels are then absolute
    sensitivity_db : on-axis level at 1 m for 2.83 V, mean 300 Hz–3 kHz; scales relative data
    delay : "distance" removes the travel time over the distance, "none" nothing, "estimate" all of the
        common delay, a number so many seconds; "auto" the travel time unless it is gone already
    acoustic_centre_m : about which phases are interpolated; estimated where not given
    radius_m : of the smallest sphere about the origin that holds the sounding source
    low_hz, high_hz : trusted range; found from the data where not given
    far_field : the distance needs no correction
    fill : fill directions that were not measured; without it they are an error
    speed_m_s : speed of sound during the measurement
    """

    mounting: str | None = None
    coverage: str | None = None
    distance_m: float | None = None
    drive_v: float | None = None
    sensitivity_db: float | None = None
    delay: str | float = "auto"
    acoustic_centre_m: tuple[float, float, float] | None = None
    radius_m: float | None = None
    low_hz: float | None = None
    high_hz: float | None = None
    far_field: bool = False
    fill: bool = True
    speed_m_s: float = REFERENCE_SPEED_M_S

    def __post_init__(self) -> None:
        if self.mounting not in (None, "free", "on-wall"):
            raise InvalidValue("mounting", self.mounting, "must be free or on-wall")
        if self.coverage is not None and self.coverage not in COVERAGES:
            raise InvalidValue("coverage", self.coverage, f"must be one of {', '.join(COVERAGES)}")
        if isinstance(self.delay, str) and self.delay not in DELAYS:
            raise InvalidValue("delay", self.delay, f"must be one of {', '.join(DELAYS)}, or seconds")
        for key in ("distance_m", "drive_v", "radius_m", "low_hz", "high_hz", "speed_m_s"):
            value = getattr(self, key)
            if value is not None and not (np.isfinite(value) and value > 0):
                raise InvalidValue(key, value, "must be positive")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DirectionalResponse:
    """One measured response: where, and what.

    Attributes
    ----------
    label : for messages, usually the file
    direction : unit vector, shape (3,)
    orbit : "horizontal" or "vertical" where it was given by orbit, else ""
    frequency_hz : rising, shape (n_frequency,)
    pressure : [Pa rms] at the microphone, shape (n_frequency,); real and positive without phase
    has_phase : False for magnitudes
    """

    label: str
    direction: NDArray[np.float64]
    frequency_hz: NDArray[np.float64]
    pressure: NDArray[np.complex128]
    has_phase: bool
    orbit: str = ""


def response_from_levels(
    label: str,
    direction: ArrayLike,
    frequency_hz: ArrayLike,
    level_db: ArrayLike,
    phase_deg: ArrayLike | None = None,
    orbit: str = "",
) -> DirectionalResponse:
    """A response from levels [dB re 20 µPa, or relative] and phase [degrees]."""
    with np.errstate(over="ignore"):                     # what is no level is refused elsewhere
        pressure = REFERENCE_PRESSURE_PA * 10 ** (np.asarray(level_db, float) / 20) + 0j
    if phase_deg is not None:
        pressure = pressure * np.exp(1j * np.radians(np.asarray(phase_deg, float)))
    return DirectionalResponse(
        label=label, direction=np.asarray(direction, float), frequency_hz=np.asarray(frequency_hz, float),
        pressure=pressure, has_phase=phase_deg is not None, orbit=orbit,
    )


def directions_from_angles(azimuth_deg: ArrayLike, elevation_deg: ArrayLike) -> NDArray[np.float64]:
    """Unit vectors (n, 3) of a whole set of angles, refused where they look like radians.

    Raises
    ------
    InvalidValue : an angle out of range, or a set that ends at π, π/2 or 2π
    """
    az, el = np.broadcast_arrays(np.asarray(azimuth_deg, float), np.asarray(elevation_deg, float))
    _check_angles("azimuth_deg", az, 360.0)
    _check_angles("elevation_deg", el, 90.0)
    _refuse_radians("azimuth_deg, elevation_deg", np.concatenate([az.ravel(), el.ravel()]))
    return unit_vectors(az, el)


def directions_from_orbits(orbits: Sequence[str], angle_deg: ArrayLike) -> NDArray[np.float64]:
    """Unit vectors (n, 3) of angles on the horizontal and vertical orbit, refused where they look like radians."""
    angle = np.asarray(angle_deg, float)
    for orbit in orbits:
        if orbit not in ("horizontal", "vertical"):
            raise InvalidValue("orbit", orbit, "must be horizontal or vertical")
    _check_angles("angle_deg", angle, 360.0)
    _refuse_radians("angle_deg", angle)
    return np.array([orbit_vectors(orbit, one) for orbit, one in zip(orbits, angle, strict=True)]).reshape(-1, 3)


def _check_angles(key: str, angle: NDArray[np.float64], limit: float) -> None:
    bad = ~np.isfinite(angle) | (np.abs(angle) > limit + 1e-6)
    if np.any(bad):
        raise InvalidValue(key, float(angle[bad][0]), f"must be -{limit:g} to {limit:g} degrees")


def _refuse_radians(key: str, angle: NDArray[np.float64]) -> None:
    """Angles that end at π/2, π or 2π and are mostly broken numbers were written in radians."""
    if angle.size < 4:
        return
    top = float(np.abs(angle).max())
    ends = any(abs(top - end) < 0.02 * end for end in (np.pi / 2, np.pi, 2 * np.pi))
    broken = np.mean(np.abs(angle * 2 - np.round(angle * 2)) > 1e-6)
    if top <= 2 * np.pi + 1e-3 and (ends or np.unique(angle).size > 12) and broken > 0.3:
        raise InvalidValue(key, top, "the largest of all angles: these look like radians", "give degrees")


