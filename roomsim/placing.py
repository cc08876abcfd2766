"""Where the loudspeaker stands and where people sit, in the words of a study."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from .errors import InvalidValue
from .loudspeaker.channels import Loudspeaker
from .room.geometry import Geometry
from .room.plates import Near, near_plates
from .room.room import Room
from .scene import PlacedLoudspeaker, Scene


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """Where a loudspeaker stands.

    Attributes
    ----------
    wall : the wall behind it
    across_fraction : along that wall, 0 to 1 from left to right for someone who faces it from inside
    gap_m : from the wall to the cabinet's back
    height_m : of the centre of the baffle above the floor
    near : plates close to the loudspeaker
    """

    wall: str = "front"
    across_fraction: float = 0.5
    gap_m: float = 0.05
    height_m: float = 0.75
    near: Near = field(default_factory=Near)


@dataclass(frozen=True, slots=True, kw_only=True)
class Seats:
    """The listening zone.

    Attributes
    ----------
    distance_m : of its centre from the centre of the baffle, straight ahead (horizontal)
    ear_height_m : of its centre above the floor
    count : number of seats; the first is the centre
    depth_m, across_m, rise_m : full extents of the zone along the loudspeaker's axis, across it, and in height
    aside_m : of its centre from straight ahead, positive to the right for someone who faces the loudspeaker
    """

    distance_m: float = 3.0
    ear_height_m: float = 1.1
    count: int = 15
    depth_m: float = 0.8
    across_m: float = 1.2
    rise_m: float = 0.3
    aside_m: float = 0.0


def place_loudspeaker(
    place: Place, loudspeaker: Loudspeaker, geometry: Geometry, *, label: str = ""
) -> PlacedLoudspeaker:
    """Put a design at a place; `label` is what its channels are called by among several.

    Raises
    ------
    InvalidValue : no such wall, a cabinet that does not fit between the walls, floor and ceiling, or a near plate
        that cuts the cabinet or a wall
    """
    try:
        face = geometry.face(place.wall)
    except KeyError:
        walls = [name for name in geometry.face_names if name not in ("floor", "ceiling")]
        raise InvalidValue("wall", place.wall, f"must be one of {', '.join(walls)}") from None
    if abs(face.normal[2]) > 1e-9:
        raise InvalidValue("wall", place.wall, "a loudspeaker stands near a wall, not the floor or ceiling")
    gap = 0.0 if loudspeaker.mounting == "on-wall" else place.gap_m
    depth = 0.0 if loudspeaker.mounting == "on-wall" else loudspeaker.depth_m
    left, right = face.corners_m[0], face.corners_m[1]   # as someone sees them who faces the wall
    along = left + place.across_fraction * (right - left)
    position = along + (gap + depth) * face.normal
    position = np.array([position[0], position[1], place.height_m])
    position.setflags(write=False)
    azimuth = float(np.degrees(np.arctan2(face.normal[1], face.normal[0])))
    cabinet = (loudspeaker.width_m, loudspeaker.height_m, depth)
    plates = near_plates(place.near, along, face.normal, place.height_m, cabinet, gap)
    for plate in plates:
        if not geometry.contains(plate.corners_m, -1e-6).all():
            raise InvalidValue("near", plate.name, "reaches out of the room",
                               "make it smaller, or move the loudspeaker")
    placed = PlacedLoudspeaker(
        loudspeaker=loudspeaker, position_m=position, azimuth_deg=azimuth, wall=place.wall, gap_m=gap, plates=plates,
        label=label,
    )
    _check_cabinet(placed, face.normal, geometry)
    return placed


def seat_positions(seats: Seats, placed: PlacedLoudspeaker, geometry: Geometry) -> NDArray[np.float64]:
    """Fixed low-discrepancy points of the listening zone, the centre first, shape (count, 3).

    The zone is a box straight ahead of the baffle, filled by Halton's sequence [halton1960] in bases 2 (depth),
    3 (across) and 5 (height), shifted so that the first point is the centre: fifteen points leave no stripes in
    any of the three views.

    Raises
    ------
    InvalidValue : a seat outside the room
    """
    unit = (np.stack([radical_inverse(seats.count, base) for base in (2, 3, 5)], axis=1) + 0.5) % 1 - 0.5
    azimuth = np.radians(placed.azimuth_deg)
    ahead = np.array([np.cos(azimuth), np.sin(azimuth), 0])
    across = np.array([-np.sin(azimuth), np.cos(azimuth), 0])
    centre = np.array([placed.position_m[0], placed.position_m[1], 0]) + seats.distance_m * ahead
    centre = centre + seats.aside_m * across
    centre = centre + np.array([0, 0, seats.ear_height_m])
    offset = unit * np.array([seats.depth_m, seats.across_m, seats.rise_m])
    points = centre + offset[:, :1] * ahead + offset[:, 1:2] * across + offset[:, 2:] * np.array([0, 0, 1])
    clearance = geometry.clearance_m(points)
    if clearance.min() < 0.02:
        size = " × ".join(f"{side:.2f}" for side in geometry.size_m)
        worst = int(clearance.argmin())
        obstacle = geometry.obstacle_at(points[worst], 0.02)
        outside = f"outside the room ({size} m) or inside a wall"
        where = outside if obstacle is None else f"inside the obstacle {obstacle}"
        raise InvalidValue(
            "seats",
            "[" + ", ".join(f"{x:.2f}" for x in points[worst]) + "] m",
            f"seat {worst + 1} of {seats.count} is {where}",
            "lessen distance_m, ear_height_m or spread_m",
        )
    return points


def radical_inverse(count: int, base: int) -> NDArray[np.float64]:
    """The first `count` members of van der Corput's sequence in a base, from 0, shape (count,)."""
    index, out, weight = np.arange(count), np.zeros(count), 1.0 / base
    while index.any():
        out += index % base * weight
        index, weight = index // base, weight / base
    return out


def build_scene(room: Room, loudspeaker: Loudspeaker, place: Place, seats: Seats) -> Scene:
    """The scene of one case.

    Raises
    ------
    InvalidValue : as place_loudspeaker, seat_positions and Scene
    """
    placed = place_loudspeaker(place, loudspeaker, room.geometry)
    return Scene(
        room=room,
        loudspeakers=(placed,),
        listeners_m=seat_positions(seats, placed, room.geometry),
    )


def _check_cabinet(placed: PlacedLoudspeaker, normal: NDArray[np.float64], geometry: Geometry) -> None:
    speaker = placed.loudspeaker
    side = np.array([-normal[1], normal[0], 0])
    up = np.array([0, 0, 1.0])
    if placed.gap_m < 0:
        raise InvalidValue("gap_m", placed.gap_m, "must be 0 or more")
    depth = 0.0 if speaker.mounting == "on-wall" else speaker.depth_m
    corners = [
        placed.position_m - back * depth * normal + a * speaker.width_m / 2 * side + b * speaker.height_m / 2 * up
        for back in (0, 1) for a in (-1, 1) for b in (-1, 1)
    ]
    clearance = geometry.clearance_m(np.array(corners))
    if clearance.min() < -1e-9:
        size = " × ".join(f"{length:.2f}" for length in geometry.size_m)
        obstacle = geometry.obstacle_at(corners)
        where = f"out of the room ({size} m)" if obstacle is None else f"into the obstacle {obstacle}"
        raise InvalidValue(
            "position",
            "[" + ", ".join(f"{x:.3f}" for x in placed.position_m) + "] m",
            f"the cabinet ({speaker.width_m:g} × {speaker.height_m:g} × {speaker.depth_m:g} m) sticks "
            f"{-clearance.min():.3f} m {where}",
            "change across_fraction, height_m or gap_m, or the room",
        )
