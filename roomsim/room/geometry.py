"""Rooms as named planar faces: a box, or a floor plan of uniform height."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..conventions import BOX_FACES
from ..errors import InvalidValue

SIZE_LIMITS_M = {"length_m": (1.0, 50.0), "width_m": (1.0, 50.0), "height_m": (1.5, 15.0)}
"""What counts as a possible size of a room that a loudspeaker for the home stands in."""


MOST_CORNERS = 200
SHORTEST_WALL_M = 0.05
SHARPEST_CORNER_DEG = 10.0
"""What a floor plan may have: more is a drawing error rather than a room."""


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


def extruded_plan(plan_m: ArrayLike, walls: Sequence[str], height_m: float) -> Geometry:
    """A room of uniform height over a floor plan.

    Parameters
    ----------
    plan_m : corners [x, y], counter-clockwise seen from above, shape (n_corner, 2)
    walls : a name per wall; wall k runs from corner k to corner k + 1
    height_m : height of the ceiling

    Raises
    ------
    InvalidPlan : every corner that breaks a rule, all at once
    InvalidValue : a height or an extent outside SIZE_LIMITS_M
    """
    corners = np.array(plan_m, float)
    problems = plan_problems(corners, walls)
    if problems:
        raise InvalidPlan(problems)
    extent = corners.max(axis=0) - corners.min(axis=0)
    for key, value in (("length_m", extent[0]), ("width_m", extent[1]), ("height_m", height_m)):
        low, high = SIZE_LIMITS_M[key]
        if not low <= value <= high:
            raise InvalidValue(key, value, f"must be {low:g} to {high:g} m", _unit_hint(value, low, high))
    corners.setflags(write=False)
    height = float(height_m)
    faces = [_wall(name, corners, k, height) for k, name in enumerate(walls)]
    level = np.zeros(len(corners))
    faces.append(Face.from_corners("floor", np.column_stack([corners, level])))
    faces.append(Face.from_corners("ceiling", np.column_stack([corners, level + height])[::-1]))
    size = np.array([*extent, height])
    size.setflags(write=False)
    return Geometry(kind="plan", faces=tuple(faces), size_m=size, plan_m=corners)


class InvalidPlan(InvalidValue):
    """A floor plan that is no simple room; `problems` holds (corner number from 1, rule) of each fault."""

    def __init__(self, problems: Sequence[tuple[int, str]]) -> None:
        self.problems = tuple(problems)
        super().__init__("plan_m", None, "; ".join(f"corner {corner}: {rule}" for corner, rule in problems))


def plan_problems(corners: NDArray[np.float64], walls: Sequence[str]) -> list[tuple[int, str]]:
    """Everything wrong with a plan as (corner number from 1, rule); corner 0 stands for the whole plan."""
    found = wall_problems(walls, len(corners))
    return found or corner_problems(corners)


def wall_problems(walls: Sequence[str], corner_count: int) -> list[tuple[int, str]]:
    """Everything wrong with the names of a plan's walls as (corner number from 1, rule); 0 for all of them."""
    found: list[tuple[int, str]] = []
    if len(walls) != corner_count:
        found.append((0, f"{corner_count} corners need {corner_count} wall names, not {len(walls)}"))
    seen: dict[str, int] = {}
    for k, name in enumerate(walls):
        if name in ("floor", "ceiling"):
            found.append((k + 1, f"a wall may not be called {name}"))
        if name in seen:
            found.append((k + 1, f"the wall name {name!r} stands at corner {seen[name] + 1} already"))
        seen.setdefault(name, k)
    return found


def corner_problems(corners: NDArray[np.float64]) -> list[tuple[int, str]]:
    """Everything wrong with a plan's outline as (corner number from 1, rule); 0 for the whole outline."""
    count = len(corners)
    if corners.ndim != 2 or corners.shape[1] != 2 or not 3 <= count <= MOST_CORNERS:
        return [(0, f"a plan needs 3 to {MOST_CORNERS} corners [x, y]")]
    found: list[tuple[int, str]] = []
    edge = np.roll(corners, -1, axis=0) - corners
    length = np.linalg.norm(edge, axis=1)
    for k in np.flatnonzero(length < 1e-6):
        found.append((int(k) + 1, f"the same point as corner {(k + 1) % count + 1}"))
    if found:
        return found
    for k in np.flatnonzero(length < SHORTEST_WALL_M):
        found.append((int(k) + 1, f"the wall from here is {length[k]:.3f} m long; the least is {SHORTEST_WALL_M} m"))
    before = np.roll(edge, 1, axis=0)
    turn = before[:, 0] * edge[:, 1] - before[:, 1] * edge[:, 0]
    sine = turn / (length * np.roll(length, 1))
    ahead = (before * edge).sum(axis=1)
    for k in np.flatnonzero(np.abs(sine) < 0.01):
        rule = "lies on the straight line between its neighbours; leave it out" if ahead[k] > 0 else (
            "the walls fold back onto each other here")
        found.append((int(k) + 1, rule))
    crossings = _crossing_walls(corners)
    for a, b in crossings:
        found.append((a + 1, f"the wall from here crosses or touches the wall from corner {b + 1}"))
    area = 0.5 * float(np.sum(corners[:, 0] * np.roll(corners[:, 1], -1) - np.roll(corners[:, 0], -1) * corners[:, 1]))
    if not crossings and area < 0:
        found.append((1, "corners must run counter-clockwise seen from above; reverse their order (and the walls')"))
    for k, name in enumerate(_narrow_corners(corners) if not crossings else ()):
        if name:
            found.append((k + 1, name))
    return found


def _crossing_walls(corners: NDArray[np.float64]) -> list[tuple[int, int]]:
    """Pairs of walls that are not neighbours but come closer than a millimetre."""
    count = len(corners)
    ends = np.roll(corners, -1, axis=0)
    return [
        (a, b)
        for a in range(count)
        for b in range(a + 2, count)
        if (b + 1) % count != a and _segments_meet(corners[a], ends[a], corners[b], ends[b])
    ]


def _segments_meet(a: NDArray, b: NDArray, c: NDArray, d: NDArray) -> bool:
    def side(p: NDArray, q: NDArray, r: NDArray) -> float:
        return float((q[0] - p[0]) * (r[1] - p[1]) - (q[1] - p[1]) * (r[0] - p[0]))

    if side(a, b, c) * side(a, b, d) < 0 and side(c, d, a) * side(c, d, b) < 0:
        return True

    def apart(p: NDArray, q: NDArray, r: NDArray) -> float:
        edge = q - p
        along = np.clip(((r - p) @ edge) / (edge @ edge), 0, 1)
        return float(np.linalg.norm(r - p - along * edge))

    return min(apart(a, b, c), apart(a, b, d), apart(c, d, a), apart(c, d, b)) < 1e-3


def _narrow_corners(corners: NDArray[np.float64]) -> list[str]:
    """A rule per corner whose inner angle is a sliver, else an empty string."""
    edge = np.roll(corners, -1, axis=0) - corners
    back = np.roll(corners, 1, axis=0) - corners
    cosine = (edge * back).sum(axis=1) / (np.linalg.norm(edge, axis=1) * np.linalg.norm(back, axis=1))
    angle = np.degrees(np.arccos(np.clip(cosine, -1, 1)))
    return [
        f"the walls meet at {a:.1f} degrees; the least is {SHARPEST_CORNER_DEG:g}" if a < SHARPEST_CORNER_DEG else ""
        for a in angle
    ]


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
