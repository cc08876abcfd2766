"""A loudspeaker: a cabinet whose channels are sets of drivers with place, aim and filter."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..errors import InvalidValue
from ..sphere import rotation
from .directivity import Directivity
from .filters import Filter

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
    """

    name: str
    directivity: Directivity
    position_m: NDArray[np.float64]
    azimuth_deg: float = 0.0
    elevation_deg: float = 0.0
    filter: Filter = field(default_factory=Filter)

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


def channel_far_pressure(
    drivers: tuple[PlacedDriver, ...],
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
