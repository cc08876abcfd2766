"""Planar faces of a room."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

FLUSH_M = 1e-3
"""Faces so close to each other touch."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Face:
    """One planar face.

    Attributes
    ----------
    name : as the room file calls it, or made from that
    corners_m : shape (n_corner, 3), in the order that makes `normal` point into the room
    normal : unit vector into the room, shape (3,)
    area_m2 : area, what stands against it included
    of : the surface whose finish it has; several faces may share one (the sides of an obstacle, the ceiling and its
        steps)
    covers : polygons of it that something stands against, so that no sound meets them, shape (n, 3) each
    """

    name: str
    corners_m: NDArray[np.float64]
    normal: NDArray[np.float64]
    area_m2: float
    of: str
    covers: tuple[NDArray[np.float64], ...] = field(default=())

    @classmethod
    def from_corners(cls, name: str, corners_m: ArrayLike, of: str = "") -> Face:
        """A face whose corners run counter-clockwise seen from inside the room."""
        corners = np.array(corners_m, float)
        vector = area_vector(corners)
        area = float(np.linalg.norm(vector))
        normal = vector / area
        for array in (corners, normal):
            array.setflags(write=False)
        return cls(name=name, corners_m=corners, normal=normal, area_m2=area, of=of or name)

    @property
    def axis(self) -> int | None:
        """0, 1 or 2 for a face perpendicular to x, y or z; None for any other."""
        along = np.flatnonzero(np.abs(self.normal) > 1 - 1e-12)
        return int(along[0]) if along.size else None

    @property
    def upright(self) -> bool:
        """Whether it stands upright, as walls do."""
        return abs(float(self.normal[2])) < 1e-9

    @property
    def exposed_m2(self) -> float:
        """Area that sound can meet."""
        covered = sum(float(np.linalg.norm(area_vector(polygon))) for polygon in self.covers)
        left = self.area_m2 - covered
        return left if left > 1e-9 * self.area_m2 else 0.0

    @property
    def own_axes(self) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
        """Origin and two unit vectors in the face: x and y on level faces, else level and upwards; shape (3,) each.

        On a wall of a plan: its first corner, along it, and z.
        """
        if self.axis == 2:
            return self.corners_m[0] * [0, 0, 1], np.array([1.0, 0, 0]), np.array([0, 1.0, 0])
        first = np.cross(self.normal, [0.0, 0.0, 1.0])
        first /= np.linalg.norm(first)
        return self.corners_m[1].copy(), first, np.cross(first, self.normal)

    def covered(self, polygon_m: NDArray[np.float64]) -> Face:
        """The same face with something against a part of it."""
        return replace(self, covers=(*self.covers, polygon_m))


def area_vector(corners: NDArray[np.float64]) -> NDArray[np.float64]:
    """Area times normal of a planar polygon, shape (3,)."""
    rel = corners - corners[0]
    return np.cross(rel, np.roll(rel, -1, axis=0)).sum(axis=0) / 2


def flat(face: Face, points_m: ArrayLike) -> NDArray[np.float64]:
    """Points in a face's own two coordinates, shape (n, 2)."""
    origin, first, second = face.own_axes
    rel = np.atleast_2d(np.asarray(points_m, float)) - origin
    return np.stack([rel @ first, rel @ second], axis=1)


def distance_m(face: Face, points_m: NDArray[np.float64]) -> NDArray[np.float64]:
    """Distance of points to a face, shape (n_point,)."""
    from .outline import signed_distance_m

    height = (points_m - face.corners_m[0]) @ face.normal
    outside = np.maximum(-signed_distance_m(flat(face, points_m), flat(face, face.corners_m)), 0)
    return np.hypot(height, outside)


def overlap(one: Face, other: Face) -> list[NDArray[np.float64]]:
    """Where two faces lie against each other, front to front: polygons (n, 3), none where they do not touch."""
    if one.normal @ other.normal > -1 + 1e-9:
        return []
    if abs(float((other.corners_m[0] - one.corners_m[0]) @ one.normal)) > FLUSH_M:
        return []
    from shapely import Polygon

    shared = Polygon(flat(one, one.corners_m)).intersection(Polygon(flat(one, other.corners_m)))
    origin, first, second = one.own_axes
    origin = origin + one.normal * ((one.corners_m[0] - origin) @ one.normal)
    return [
        origin + np.array(piece.exterior.coords)[:-1] @ np.array([first, second])
        for piece in polygons_of(shared)
    ]


def polygons_of(shape: Any) -> list[Any]:
    """The polygons of more than a speck in whatever comes of cutting polygons."""
    parts = getattr(shape, "geoms", [shape])
    return [part for part in parts if part.geom_type == "Polygon" and part.area > 1e-8]
