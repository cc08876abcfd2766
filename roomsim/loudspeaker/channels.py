"""A loudspeaker: a cabinet whose channels are sets of drivers with place, aim and filter."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..bands import db
from ..errors import InvalidValue
from ..sphere import fibonacci_grid, orbit_vectors, rotation
from .directivity import Directivity
from .filters import Filter
from .limits import DriverLimits
from .mounting import power_into_free_field

MOUNTINGS = ("free", "on-wall")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PlacedDriver:
    """A driver in the loudspeaker's frame.

    Attributes
    ----------
    name : the driver's name in the file
    directivity : what it sends out
    position_m : its reference point, shape (3,)
    azimuth_deg, elevation_deg : where it points
    filter : what the channel's electronics do to it
    limits : how loud it can play, None where the user gives nothing
    """

    name: str
    directivity: Directivity
    position_m: NDArray[np.float64]
    azimuth_deg: float = 0.0
    elevation_deg: float = 0.0
    filter: Filter = field(default_factory=Filter)
    limits: DriverLimits | None = None

    @property
    def rotation(self) -> NDArray[np.float64]:
        """Columns are the driver's axes in the loudspeaker's frame, shape (3, 3)."""
        return rotation(self.azimuth_deg, self.elevation_deg)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Loudspeaker:
    """A design.

    Attributes
    ----------
    name : label for people
    width_m, height_m, depth_m : of the cabinet; the frame's origin is the centre of its baffle
    mounting : "free" (measured in free field) or "on-wall" (measured in a large rigid wall)
    channels : channel name -> its drivers
    """

    name: str
    width_m: float
    height_m: float
    depth_m: float
    mounting: str
    channels: Mapping[str, tuple[PlacedDriver, ...]]

    def __post_init__(self) -> None:
        if self.mounting not in MOUNTINGS:
            raise InvalidValue("mounting", self.mounting, f"must be one of {', '.join(MOUNTINGS)}")
        if not self.channels or not all(self.channels.values()):
            raise InvalidValue("channels", None, "every loudspeaker needs a channel, every channel a driver")

    @property
    def drivers(self) -> tuple[PlacedDriver, ...]:
        """All drivers of all channels, in order."""
        return tuple(driver for drivers in self.channels.values() for driver in drivers)

    @property
    def calibrated(self) -> bool:
        """Whether levels are absolute (every driver's data are for a stated drive)."""
        return all(driver.directivity.calibrated for driver in self.drivers)


def own_directions(loudspeaker: Loudspeaker, count: int) -> NDArray[np.float64]:
    """Even directions over the sphere into which a loudspeaker sends, the half sphere on a wall; shape (count, 3)."""
    directions = fibonacci_grid(count)
    if loudspeaker.mounting == "on-wall":
        directions = np.column_stack([np.abs(directions[:, 0]), directions[:, 1:]])
    return directions


def channel_far_pressure(
    drivers: Sequence[PlacedDriver],
    frequency_hz: ArrayLike,
    directions: ArrayLike,
    speed_m_s: float,
) -> NDArray[np.complex128]:
    """Composite directivity of one channel [Pa m], shape (n_direction, n_frequency).

    Phase referred to the loudspeaker's origin: each driver adds D(f, Ω) H(f) e^{+jk n·r}.
    """
    f = np.atleast_1d(np.asarray(frequency_hz, float))
    n = np.atleast_2d(np.asarray(directions, float))
    k = 2 * np.pi * f / speed_m_s
    total = np.zeros((len(n), f.size), complex)
    for driver in drivers:
        pattern = driver.directivity.far_pressure(f, n @ driver.rotation)
        total += pattern * driver.filter.response(f) * np.exp(1j * np.outer(n @ driver.position_m, k))
    return total


def radiates_into_half_space(drivers: Sequence[PlacedDriver]) -> bool:
    """Whether a channel's data stand for a source in a large rigid wall, so that only x > 0 has a meaning.

    One such driver is enough: beside it, even patterns (omnidirectional, line) are read for a wall too.
    """
    return any(driver.directivity.half_space for driver in drivers)


def channel_power(
    drivers: Sequence[PlacedDriver],
    frequency_hz: ArrayLike,
    speed_m_s: float,
    *,
    half_space: bool | None = None,
) -> NDArray[np.float64]:
    """Sound power of the composite far field as W·ρc = ∮|D|² dΩ [Pa² m²], shape (n_frequency,).

    Over the sphere, or over the half sphere x > 0 (`half_space`; None: as the drivers' data say).
    """
    half = radiates_into_half_space(drivers) if half_space is None else half_space
    return power_into_free_field(drivers, frequency_hz, speed_m_s=speed_m_s, half_space=half)


def directivity_index_db(
    drivers: Sequence[PlacedDriver],
    frequency_hz: ArrayLike,
    speed_m_s: float,
    direction: ArrayLike = (1.0, 0.0, 0.0),
    *,
    half_space: bool | None = None,
) -> NDArray[np.float64]:
    """10 lg of 4π|D|²/∮|D|² in one direction, re a point source in free field; shape (n_frequency,).

    Half-sphere data radiate nothing behind the wall, so a small source in a wall has 3 dB.
    """
    far = channel_far_pressure(drivers, frequency_hz, direction, speed_m_s)[0]
    power = channel_power(drivers, frequency_hz, speed_m_s, half_space=half_space)
    return db(4 * np.pi * np.abs(far) ** 2 / power)


def beam_width_deg(
    drivers: Sequence[PlacedDriver],
    frequency_hz: ArrayLike,
    speed_m_s: float,
    orbit: str = "horizontal",
    drop_db: float = 6.0,
    *,
    half_space: bool | None = None,
) -> NDArray[np.float64]:
    """Full angle of the beam about the front axis [degrees], shape (n_frequency,).

    Parameters
    ----------
    orbit : "horizontal" or "vertical"
    drop_db : how far the level falls from that on the axis to the edges of the beam

    Returns
    -------
    From the first crossing on one side to the first on the other, interpolated in level between steps of a
    quarter of a degree. A side without a crossing counts with all that it has: 180°, or 90° for half-sphere
    data; so 360 (180) means that the level nowhere falls that far.
    """
    f = np.atleast_1d(np.asarray(frequency_hz, float))
    half = radiates_into_half_space(drivers) if half_space is None else half_space
    reach = 90.0 if half else 180.0
    angle = np.arange(0, reach + 0.125, 0.25)
    width = np.zeros(f.size)
    for side in (1.0, -1.0):
        far = channel_far_pressure(drivers, f, orbit_vectors(orbit, side * angle), speed_m_s)
        level = db(np.abs(far) ** 2)
        short = level - level[0] + drop_db                     # below zero: outside the beam
        outside = short < 0
        first = np.where(outside.any(axis=0), outside.argmax(axis=0), 0)
        column = np.arange(f.size)
        before, after = short[first - 1, column], short[first, column]
        with np.errstate(invalid="ignore", divide="ignore"):
            part = np.where(np.isfinite(after), before / (before - after), 1.0)
        width += np.where(first > 0, 0.25 * (first - 1 + part), reach)
    return width
