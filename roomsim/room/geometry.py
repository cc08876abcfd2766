"""Rooms as named planar faces; the box is the first constructor."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..conventions import BOX_FACES
from ..errors import InvalidValue

SIZE_LIMITS_M = {"length_m": (1.0, 50.0), "width_m": (1.0, 50.0), "height_m": (1.5, 15.0)}
"""What counts as a possible size of a room that a loudspeaker for the home stands in."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Face:
    """One planar face.

    Attributes
    ----------
    name : as the room file calls it
    corners_m : shape (n_corner, 3), in the order that makes `normal` point into the room
    normal : unit vector into the room, shape (3,)
    area_m2 : area
    """

    name: str
    corners_m: NDArray[np.float64]
    normal: NDArray[np.float64]
    area_m2: float

    @classmethod
    def from_corners(cls, name: str, corners_m: ArrayLike) -> Face:
        """A face whose corners run counter-clockwise seen from inside the room."""
        corners = np.array(corners_m, float)
        vector = np.cross(corners - corners[0], np.roll(corners - corners[0], -1, axis=0)).sum(axis=0) / 2
        area = float(np.linalg.norm(vector))
        normal = vector / area
        for array in (corners, normal):
            array.setflags(write=False)
        return cls(name=name, corners_m=corners, normal=normal, area_m2=area)

    @property
    def axis(self) -> int | None:
        """0, 1 or 2 for a face perpendicular to x, y or z; None for any other."""
        along = np.flatnonzero(np.abs(self.normal) > 1 - 1e-12)
        return int(along[0]) if along.size else None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Geometry:
    """A closed room of planar faces.

    Attributes
    ----------
    kind : "box" or "plan"
    faces : all faces, normals inwards
    size_m : extents of the bounding box (length, width, height), shape (3,)
    plan_m : floor outline, counter-clockwise seen from above, shape (n_corner, 2)
    """

    kind: str
    faces: tuple[Face, ...]
    size_m: NDArray[np.float64]
    plan_m: NDArray[np.float64]

    @property
    def face_names(self) -> tuple[str, ...]:
        return tuple(face.name for face in self.faces)

    @property
    def volume_m3(self) -> float:
        """Volume by the divergence theorem."""
        return sum(float(face.corners_m[0] @ -face.normal) * face.area_m2 for face in self.faces) / 3

    @property
    def surface_m2(self) -> float:
        return sum(face.area_m2 for face in self.faces)

    @property
    def height_m(self) -> float:
        return float(self.size_m[2])

    @property
    def floor_m2(self) -> float:
        return self.face("floor").area_m2

    def face(self, name: str) -> Face:
        """The face of that name; KeyError where there is none."""
        for face in self.faces:
            if face.name == name:
                return face
        raise KeyError(name)

    def clearance_m(self, points_m: ArrayLike) -> NDArray[np.float64]:
        """Distance of each point to the nearest face, negative outside; shape (n_point,).

        Exact for convex rooms and for points inside; outside a plan with corners that point inwards it is
        only the sign that counts.
        """
        points = np.atleast_2d(np.asarray(points_m, float))
        vertical = np.minimum(points[:, 2], self.height_m - points[:, 2])
        outline = _signed_distance_to_outline(points[:, :2], self.plan_m)
        return np.minimum(vertical, outline)

    def contains(self, points_m: ArrayLike, margin_m: float = 0.0) -> NDArray[np.bool_]:
        """Whether points are inside, at least `margin_m` away from every face; shape (n_point,)."""
        return self.clearance_m(points_m) >= margin_m


def box(length_m: float, width_m: float, height_m: float) -> Geometry:
    """A box room: front at x = 0, back, left at y = 0, right, floor at z = 0, ceiling.

    Raises
    ------
    InvalidValue : a size outside SIZE_LIMITS_M
    """
    for key, value in (("length_m", length_m), ("width_m", width_m), ("height_m", height_m)):
        low, high = SIZE_LIMITS_M[key]
        if not low <= value <= high:
            raise InvalidValue(key, value, f"must be {low:g} to {high:g} m", _unit_hint(value, low, high))
    length, width, height = float(length_m), float(width_m), float(height_m)
    plan = np.array([[0, 0], [length, 0], [length, width], [0, width]])
    plan.setflags(write=False)
    walls = dict(zip(("left", "back", "right", "front"), range(4), strict=True))
    faces = {name: _wall(name, plan, k, height) for name, k in walls.items()}
    faces["floor"] = Face.from_corners("floor", np.column_stack([plan, np.zeros(4)]))
    faces["ceiling"] = Face.from_corners("ceiling", np.column_stack([plan, np.full(4, height)])[::-1])
    size = np.array([length, width, height])
    size.setflags(write=False)
    return Geometry(kind="box", faces=tuple(faces[name] for name in BOX_FACES), size_m=size, plan_m=plan)


def _wall(name: str, plan: NDArray[np.float64], k: int, height: float) -> Face:
    a, b = plan[k], plan[(k + 1) % len(plan)]
    corners: Sequence[Sequence[float]] = [[*b, 0], [*a, 0], [*a, height], [*b, height]]
    return Face.from_corners(name, corners)


def _signed_distance_to_outline(
    points: NDArray[np.float64], outline: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Distance to a closed outline, positive inside; shape (n_point,)."""
    start, end = outline, np.roll(outline, -1, axis=0)
    edge = end - start
    rel = points[:, None, :] - start[None]
    along = np.clip((rel * edge).sum(-1) / (edge**2).sum(-1), 0, 1)
    distance = np.linalg.norm(rel - along[..., None] * edge, axis=-1).min(axis=1)
    x, y = points[:, :1], points[:, 1:]
    crosses = (start[:, 1] > y) != (end[:, 1] > y)
    with np.errstate(divide="ignore", invalid="ignore"):
        at = start[:, 0] + (y - start[:, 1]) * edge[:, 0] / edge[:, 1]
    inside = (crosses & (x < at)).sum(axis=1) % 2 == 1
    return np.where(inside, distance, -distance)


def _unit_hint(value: float, low: float, high: float) -> str:
    if low <= value / 1000 <= high and value > 500:
        return "is this in millimetres?"
    if low <= value / 100 <= high:
        return "is this in centimetres?"
    return ""
