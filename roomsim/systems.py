"""Several loudspeakers in one room: where the others stand, and what the receiver does that feeds them all."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .errors import InvalidValue
from .loudspeaker.channels import Loudspeaker
from .placing import Place, Seats, place_loudspeaker, seat_positions
from .room.geometry import Geometry
from .room.room import Room
from .scene import PlacedLoudspeaker, Scene
from .sphere import rotation

ALIGNMENTS = ("level", "delay", "polarity")

BS2051: dict[str, dict[str, tuple[float, float]]] = {
    "0+2+0": {"M+030": (30, 0), "M-030": (-30, 0)},
    "0+5+0": {"M+030": (30, 0), "M-030": (-30, 0), "M+000": (0, 0), "M+110": (110, 0), "M-110": (-110, 0)},
    "4+7+0": {"M+030": (30, 0), "M-030": (-30, 0), "M+000": (0, 0), "M+090": (90, 0), "M-090": (-90, 0),
              "M+135": (135, 0), "M-135": (-135, 0), "U+045": (45, 30), "U-045": (-45, 30), "U+135": (135, 30),
              "U-135": (-135, 30)},
}
"""Channel -> nominal azimuth (positive left) and elevation [degrees], of systems A, B and J of [itu-bs2051], without
their low-frequency channels."""
CENTRE, LFE = "M+000", "LFE"

LAYOUTS = {
    name: {channel: angles for channel, angles in BS2051[system].items() if channel != CENTRE}
    for name, system in (("5.1", "0+5+0"), ("7.1.4", "4+7+0"))
}
"""What stands beside the centre loudspeaker."""

CLEARANCE_M = 0.05
"""From a loudspeaker of a layout to the nearest wall, where the room is too small for its full distance (assumed)."""
NEAREST_M = 0.5
"""From the seats' centre to a loudspeaker; a room that leaves less is too small for the layout."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Companion:
    """A further loudspeaker, at a wall or where the seats' centre sees it.

    Attributes
    ----------
    label : what its channels are called by
    loudspeaker : the design
    place : at a wall, else None
    azimuth_deg, elevation_deg : as seen from the seats' centre, 0 towards the first loudspeaker, positive left and up
    distance_m : from the seats' centre to the centre of its baffle; None: as far as the first loudspeaker
    """

    label: str
    loudspeaker: Loudspeaker
    place: Place | None = None
    azimuth_deg: float = 0.0
    elevation_deg: float = 0.0
    distance_m: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Receiver:
    """What feeds the loudspeakers of a system.

    Attributes
    ----------
    subwoofer : label of the companion that plays the bass of all others, None for none
    crossover_hz : fourth-order Linkwitz–Riley [linkwitz1976]
    align : those of ALIGNMENTS that it sets by itself, at the average of the seats
    lfe : the subwoofer has a channel of its own
    """

    subwoofer: str | None = None
    crossover_hz: float = 80.0
    align: tuple[str, ...] = ALIGNMENTS
    lfe: bool = False


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class System:
    """What a design has beside its first loudspeaker.

    Attributes
    ----------
    companions : further loudspeakers, the subwoofer last
    receiver : what feeds them all
    label : what the first loudspeaker's channels are called by, "" for their own names
    """

    companions: tuple[Companion, ...]
    receiver: Receiver
    label: str = ""

    @property
    def subwoofer(self) -> Companion | None:
        """The companion that plays the bass."""
        return next((one for one in self.companions if one.label == self.receiver.subwoofer), None)

    def channels(self, loudspeaker: Loudspeaker) -> tuple[str, ...]:
        """The receiver's inputs: every channel but the subwoofer's, and LFE where there is one."""
        parts = [(self.label, loudspeaker)]
        parts += [(one.label, one.loudspeaker) for one in self.companions if one is not self.subwoofer]
        names = [channel_label(label, name, len(one.channels)) for label, one in parts for name in one.channels]
        return (*names, LFE) if self.receiver.lfe else tuple(names)

    def loudspeakers(self, first: Loudspeaker) -> tuple[Loudspeaker, ...]:
        """All of them, in the order of the scene's."""
        return (first, *(one.loudspeaker for one in self.companions))


def channel_label(label: str, channel: str, count: int) -> str:
    """What a channel of a loudspeaker of a system is called: by the loudspeaker where it has one channel only."""
    if not label:
        return channel
    return label if count == 1 else f"{label}/{channel}"


def build_system(room: Room, loudspeaker: Loudspeaker, place: Place, seats: Seats, system: System) -> Scene:
    """The scene of a system; channels are labelled as `channel_label` says.

    Raises
    ------
    InvalidValue : as `roomsim.placing.build_scene`; key "system" where a companion does not fit
    """
    first = place_loudspeaker(place, loudspeaker, room.geometry, label=system.label)
    listeners = seat_positions(seats, first, room.geometry)
    others = [place_companion(one, first, listeners[0], room.geometry) for one in system.companions]
    return Scene(room=room, loudspeakers=(first, *others), listeners_m=listeners)


def place_companion(
    one: Companion, first: PlacedLoudspeaker, centre_m: NDArray[np.float64], geometry: Geometry
) -> PlacedLoudspeaker:
    """Put a further loudspeaker at its wall, or in its direction from the seats' centre, facing that.

    In its direction it stands at its distance, or nearer where the room ends before.

    Raises
    ------
    InvalidValue : it does not fit
    """
    try:
        if one.place is not None:
            return place_loudspeaker(one.place, one.loudspeaker, geometry, label=one.label)
        return _seen(one, first, centre_m, geometry)
    except InvalidValue as error:
        raise InvalidValue("system", one.label, f"{one.label}: {error.rule}, at {error.value}", error.cure) from None


def _seen(
    one: Companion, first: PlacedLoudspeaker, centre_m: NDArray[np.float64], geometry: Geometry
) -> PlacedLoudspeaker:
    speaker = one.loudspeaker
    ahead = first.position_m - centre_m
    facing = np.degrees(np.arctan2(ahead[1], ahead[0]))
    outward = rotation(facing + one.azimuth_deg, one.elevation_deg)[:, 0]
    azimuth, elevation = facing + one.azimuth_deg + 180, -one.elevation_deg       # its front looks at the centre
    turn = rotation(azimuth, elevation)
    corners = np.array([turn @ [-back * speaker.depth_m, a * speaker.width_m / 2, b * speaker.height_m / 2]
                        for back in (0, 1) for a in (-1, 1) for b in (-1, 1)])
    wanted = float(np.linalg.norm(ahead)) if one.distance_m is None else one.distance_m
    reach = wanted
    for name in geometry.face_names:
        face = geometry.face(name)
        steep = float(outward @ face.normal)
        if steep < -1e-9:
            room = (centre_m + corners - face.corners_m[0]) @ face.normal - CLEARANCE_M
            reach = min(reach, float(room.min()) / -steep)
    if reach < min(NEAREST_M, wanted):
        raise InvalidValue("distance", f"{max(reach, 0):.2f} m from the seats' centre",
                           f"the room leaves less than {NEAREST_M:g} m from the seats' centre to it",
                           "move the seats or take a larger room")
    position = centre_m + reach * outward
    position.setflags(write=False)
    return PlacedLoudspeaker(loudspeaker=speaker, position_m=position, azimuth_deg=float((azimuth + 180) % 360 - 180),
                             elevation_deg=elevation, wall=None, gap_m=0.0, label=one.label)
