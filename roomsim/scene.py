"""A scene: one room with its loudspeakers in place and its listeners."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .errors import InvalidValue
from .loudspeaker.channels import Loudspeaker
from .loudspeaker.directivity import Directivity
from .loudspeaker.filters import Filter
from .room.plates import Plate
from .room.room import Room
from .sphere import rotation


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PlacedLoudspeaker:
    """A loudspeaker in the room.

    Attributes
    ----------
    loudspeaker : the design
    position_m : centre of its baffle in the room, shape (3,)
    azimuth_deg : where its front points; 0 is +x, away from the front wall
    wall : the face it stands near or hangs on (its mounting wall), None for none
    gap_m : from that wall to the cabinet's back
    plates : rigid plates close to it, such as the bench it stands on
    elevation_deg : how far its front is tilted up
    label : what its channels are called by in a scene of several; its own name by default
    """

    loudspeaker: Loudspeaker
    position_m: NDArray[np.float64]
    azimuth_deg: float = 0.0
    wall: str | None = None
    gap_m: float = 0.0
    plates: tuple[Plate, ...] = ()
    elevation_deg: float = 0.0
    label: str = ""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Emitter:
    """One driver as the engines see it.

    Attributes
    ----------
    channel : index into Scene.channels
    label : "channel/driver"
    position_m : reference point in the room, shape (3,)
    rotation : columns are the driver's axes in the room's frame; a room direction d is d @ rotation in its frame
    directivity, filter : what it sends out
    wall : the face whose image belongs to its direct sound, or None
    on_wall : True where that wall is part of the source (half-space data)
    plates : rigid plates close to its loudspeaker
    """

    channel: int
    label: str
    position_m: NDArray[np.float64]
    rotation: NDArray[np.float64]
    directivity: Directivity
    filter: Filter
    wall: str | None
    on_wall: bool
    plates: tuple[Plate, ...] = ()

    def far_pressure(self, frequency_hz: ArrayLike, directions: ArrayLike) -> NDArray[np.complex128]:
        """Filtered D [Pa m] in room directions (n, 3); shape (n, n_frequency)."""
        pattern = self.directivity.far_pressure(frequency_hz, np.asarray(directions, float) @ self.rotation)
        return pattern * self.filter.response(frequency_hz)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Scene:
    """Room + placed loudspeakers + listeners; all an engine needs.

    Attributes
    ----------
    room : the room in one acoustic state
    loudspeakers : placed designs
    listeners_m : shape (n_listener, 3), the listening place's centre first
    channels : labels of all channels, in the order of Emitter.channel
    emitters : every driver of every loudspeaker

    Raises
    ------
    InvalidValue : a driver or a listener that is not inside the room
    """

    room: Room
    loudspeakers: tuple[PlacedLoudspeaker, ...]
    listeners_m: NDArray[np.float64]
    channels: tuple[str, ...] = field(init=False)
    emitters: tuple[Emitter, ...] = field(init=False)

    def __post_init__(self) -> None:
        listeners = np.array(self.listeners_m, float).reshape(-1, 3)
        listeners.setflags(write=False)
        object.__setattr__(self, "listeners_m", listeners)
        channels, emitters = _emitters(self.loudspeakers)
        object.__setattr__(self, "channels", channels)
        object.__setattr__(self, "emitters", emitters)
        for index in np.flatnonzero(~self.room.geometry.contains(listeners, 1e-6)):
            raise InvalidValue(f"seat {index + 1}", _point(listeners[index]), "must be inside the room")
        for emitter in emitters:
            margin = -1e-9 if emitter.on_wall else 1e-6
            if not self.room.geometry.contains(emitter.position_m, margin)[0]:
                raise InvalidValue(emitter.label, _point(emitter.position_m), "driver must be inside the room")

    @property
    def centre_m(self) -> NDArray[np.float64]:
        """Centre of the first loudspeaker's baffle, shape (3,): where listeners face."""
        return self.loudspeakers[0].position_m

    def channel_emitters(self, channel: int) -> tuple[Emitter, ...]:
        return tuple(emitter for emitter in self.emitters if emitter.channel == channel)

    def arrival_angles_deg(
        self, listener: int, directions: ArrayLike
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Azimuth (0° towards the first loudspeaker's centre, positive left) and elevation of directions (n, 3).

        `directions` point from the listener to where the sound comes from, in the room's frame.
        """
        ahead = self.centre_m - self.listeners_m[listener]
        facing = np.degrees(np.arctan2(ahead[1], ahead[0]))
        d = np.asarray(directions, float)
        azimuth = np.degrees(np.arctan2(d[..., 1], d[..., 0])) - facing
        elevation = np.degrees(np.arctan2(d[..., 2], np.hypot(d[..., 0], d[..., 1])))
        return (azimuth + 180) % 360 - 180, elevation


def _emitters(placed: Sequence[PlacedLoudspeaker]) -> tuple[tuple[str, ...], tuple[Emitter, ...]]:
    channels: list[str] = []
    emitters: list[Emitter] = []
    for item in placed:
        turn = rotation(item.azimuth_deg, item.elevation_deg)
        for name, drivers in item.loudspeaker.channels.items():
            channels.append(name if len(placed) == 1 else f"{item.label or item.loudspeaker.name}/{name}")
            for driver in drivers:
                position = item.position_m + turn @ driver.position_m
                position.setflags(write=False)
                emitters.append(
                    Emitter(
                        channel=len(channels) - 1,
                        label=f"{channels[-1]}/{driver.name}",
                        position_m=position,
                        rotation=turn @ driver.rotation,
                        directivity=driver.directivity,
                        filter=driver.filter,
                        wall=item.wall,
                        on_wall=item.loudspeaker.mounting == "on-wall",
                        plates=item.plates,
                    )
                )
    return tuple(channels), tuple(emitters)


def _point(point: NDArray[np.float64]) -> str:
    return "[" + ", ".join(f"{value:.3f}" for value in point) + "] m"
