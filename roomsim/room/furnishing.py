"""What stands in a room or hangs on its faces: patches of another finish, furniture, openings."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..errors import InvalidValue
from .geometry import Face, Geometry
from .materials import Material


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Patch:
    """A rectangle of another finish on a face.

    Attributes
    ----------
    face : the face it lies on
    material : its finish
    from_m, to_m : two opposite corners in the face's own two coordinates, shape (2,) each. In a box these are
        the two room axes of the face in the order x, y, z; on a wall of a plan, along it from its first corner
        and the height; on the floor and ceiling of a plan, x and y.
    """

    face: str
    material: Material
    from_m: NDArray[np.float64]
    to_m: NDArray[np.float64]

    def __post_init__(self) -> None:
        low, high = np.minimum(self.from_m, self.to_m), np.maximum(self.from_m, self.to_m)
        for name, value in (("from_m", low), ("to_m", high)):
            array = np.array(value, float)
            array.setflags(write=False)
            object.__setattr__(self, name, array)
        if np.any(self.to_m - self.from_m < 1e-3):
            raise InvalidValue("to_m", list(self.to_m), "a patch must be at least a millimetre wide and high")

    @property
    def area_m2(self) -> float:
        return float(np.prod(self.to_m - self.from_m))

    def corners_m(self, geometry: Geometry) -> NDArray[np.float64]:
        """Its four corners in the room, shape (4, 3)."""
        origin, first, second = face_axes(geometry, geometry.face(self.face))
        (a, b), (c, d) = self.from_m, self.to_m
        return np.array([origin + u * first + v * second for u, v in ((a, b), (c, b), (c, d), (a, d))])


def face_axes(
    geometry: Geometry, face: Face
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Origin and two unit vectors in which a face's own coordinates count, shape (3,) each."""
    if (geometry.kind == "box" or geometry.room_axes) and face.axis is not None:
        axes = np.eye(3)
        across = [axis for axis in range(3) if axis != face.axis]
        origin = np.zeros(3)
        origin[face.axis] = face.corners_m[0, face.axis]
        return origin, axes[across[0]], axes[across[1]]
    return face.own_axes


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Furniture:
    """An object in the room.

    Attributes
    ----------
    name : of the item
    count : how many
    band_hz : exact octave or third-octave midbands, shape (n_band,)
    absorption_area_m2 : of one item per band, shape (n_band,)
    volume_m3 : of one item
    scattering : part of the energy that meets the item and leaves it scattered
    source : where the absorption comes from
    assumed : what of it is an assumption, empty for nothing
    measured : the absorption area is known in the bands of the table, not assumed
    size_m : width, depth and height of one item, for drawings, None where not known
    position_m : centre of its footprint (x, y) in the room, None where it may stand anywhere; the engines and the
        statistics take furniture as spread over the room
    azimuth_deg : where its front points; 0 is +x, away from the front wall
    """

    name: str
    count: int
    band_hz: NDArray[np.float64]
    absorption_area_m2: NDArray[np.float64]
    volume_m3: float
    scattering: float = 0.5
    source: str = "assumption"
    assumed: str = ""
    measured: bool = False
    size_m: tuple[float, float, float] | None = None
    position_m: NDArray[np.float64] | None = None
    azimuth_deg: float = 0.0

    def absorption_m2(self, frequency_hz: ArrayLike) -> NDArray[np.float64]:
        """Absorption area of all of them, linear in log f, end values kept; shape (n_frequency,)."""
        log_f = np.log(np.asarray(frequency_hz, float))
        return self.count * np.interp(log_f, np.log(self.band_hz), self.absorption_area_m2)

    def rests_on_assumption(self, frequency_hz: ArrayLike) -> NDArray[np.bool_]:
        """True where the absorption area is assumed, or lies outside a measured table; shape (n_frequency,)."""
        f = np.asarray(frequency_hz, float)
        if self.measured:
            return (f < 0.8 * self.band_hz[0]) | (f > 1.25 * self.band_hz[-1])
        return np.full(f.shape, bool(self.assumed))

    def footprint_m(self) -> NDArray[np.float64] | None:
        """Corners on the floor (4, 2), front left first for someone behind it; None where its place is not known."""
        if self.position_m is None or self.size_m is None:
            return None
        width, depth, _ = self.size_m
        azimuth = np.radians(self.azimuth_deg)
        ahead = np.array([np.cos(azimuth), np.sin(azimuth)])
        left = np.array([-np.sin(azimuth), np.cos(azimuth)])
        return np.array([self.position_m + a * depth / 2 * ahead + b * width / 2 * left
                         for a, b in ((1, 1), (-1, 1), (-1, -1), (1, -1))])
