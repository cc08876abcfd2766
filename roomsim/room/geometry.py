"""Rooms as named planar faces: a box, or a floor plan under ceilings that may slope and step, with obstacles."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..conventions import BOX_FACES
from ..errors import InvalidValue
from .ceilings import CeilingPart, ceiling_faces, part_problems, plane_through, tiled, wall_face
from .faces import FLUSH_M, Face, distance_m, polygons_of
from .obstacles import SLIT_M, Obstacle, crossing, pushed_home, slits, with_covers
from .outline import plan_problems, signed_distance_m

__all__ = ["LOWEST_CEILING_M", "SIZE_LIMITS_M", "Face", "Geometry", "InvalidPlan", "box", "extruded_plan", "plan_room"]

SIZE_LIMITS_M = {"length_m": (1.0, 50.0), "width_m": (1.0, 50.0), "height_m": (1.5, 15.0)}
"""What counts as a possible size of a room that a loudspeaker for the home stands in."""

LOWEST_CEILING_M = 0.3
"""A sloping ceiling comes down to this at least."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Geometry:
    """A closed room of planar faces.

    Attributes
    ----------
    kind : "box" (the six faces of BOX_FACES and nothing else) or "plan"
    faces : all faces, normals inwards; those of obstacles among them
    size_m : extents of the bounding box (length, width, height), shape (3,)
    plan_m : floor outline, counter-clockwise seen from above, shape (n_corner, 2)
    ceiling : planes that together cover the plan; empty for one level ceiling at size_m[2]
    obstacles : boxes in the room
    room_axes : coordinates of patches are the room's own axes on every face, as in a box
    """

    kind: str
    faces: tuple[Face, ...]
    size_m: NDArray[np.float64]
    plan_m: NDArray[np.float64]
    ceiling: tuple[CeilingPart, ...] = ()
    obstacles: tuple[Obstacle, ...] = ()
    room_axes: bool = False

    @property
    def face_names(self) -> tuple[str, ...]:
        return tuple(face.name for face in self.faces)

    @property
    def surface_names(self) -> tuple[str, ...]:
        """The surfaces that have a finish of their own: faces, or several faces together."""
        return tuple(dict.fromkeys(face.of for face in self.faces))

    @property
    def is_extruded(self) -> bool:
        """Whether it is one height over its plan, with nothing in it: its height separates."""
        return not self.ceiling and not self.obstacles

    @property
    def volume_m3(self) -> float:
        """Volume by the divergence theorem, without that of obstacles."""
        return sum(float(face.corners_m[0] @ -face.normal) * face.area_m2 for face in self.faces) / 3

    @property
    def surface_m2(self) -> float:
        """Area that sound can meet."""
        return sum(face.exposed_m2 for face in self.faces)

    @property
    def height_m(self) -> float:
        """Of the highest point."""
        return float(self.size_m[2])

    @property
    def floor_m2(self) -> float:
        """Of the plan, obstacles or not."""
        return self.face("floor").area_m2

    def ceiling_m(self, points_m: ArrayLike) -> NDArray[np.float64]:
        """Height of the ceiling above points (n, 2 or 3), shape (n,); NaN outside the plan."""
        points = np.atleast_2d(np.asarray(points_m, float))[:, :2]
        inside = signed_distance_m(points, self.plan_m) >= -1e-9
        height = np.where(inside, self.height_m, np.nan)
        if self.ceiling:
            away = np.array([signed_distance_m(points, part.outline_m) for part in self.ceiling])
            over = np.array([part.height_m(points) for part in self.ceiling])
            height = np.where(inside, over[away.argmax(axis=0), np.arange(len(points))], np.nan)
        return height

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
        outline = signed_distance_m(points[:, :2], self.plan_m)
        if self.is_extruded:
            return np.minimum(np.minimum(points[:, 2], self.height_m - points[:, 2]), outline)
        distance = np.min([distance_m(face, points) for face in self.faces if face.exposed_m2 > 0], axis=0)
        above = np.nan_to_num(self.ceiling_m(points), nan=-1.0) - points[:, 2]
        inside = np.minimum(np.minimum(points[:, 2], above), outline) >= 0
        for obstacle in self.obstacles:
            inside &= obstacle.inside_m(points) <= 0
        return np.where(inside, distance, -distance)

    def obstacle_at(self, points_m: ArrayLike, margin_m: float = 0.0) -> str | None:
        """The first obstacle that holds one of the points or comes closer than `margin_m`, None for none."""
        points = np.atleast_2d(np.asarray(points_m, float))
        return next((one.name for one in self.obstacles if one.inside_m(points).max() > 1e-9 - margin_m), None)

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
    over = [CeilingPart(name=MAIN_CEILING, outline_m=plan, plane=np.array([0, 0, height]))]
    faces = {name: wall_face(name, plan[k], plan[(k + 1) % 4], over) for name, k in walls.items()}
    faces["floor"] = Face.from_corners("floor", np.column_stack([plan, np.zeros(4)]))
    faces["ceiling"] = Face.from_corners("ceiling", np.column_stack([plan, np.full(4, height)])[::-1])
    size = np.array([length, width, height])
    size.setflags(write=False)
    return Geometry(kind="box", faces=tuple(faces[name] for name in BOX_FACES), size_m=size, plan_m=plan)


def extruded_plan(plan_m: ArrayLike, walls: Sequence[str], height_m: float) -> Geometry:
    """A room of uniform height over a floor plan; see `plan_room`."""
    return plan_room(plan_m, walls, height_m)


def plan_room(
    plan_m: ArrayLike,
    walls: Sequence[str],
    height_m: float | ArrayLike,
    *,
    ceilings: Sequence[CeilingPart] = (),
    obstacles: Sequence[Obstacle] = (),
    room_axes: bool = False,
) -> Geometry:
    """A room over a floor plan.

    Parameters
    ----------
    plan_m : corners [x, y], counter-clockwise seen from above, shape (n_corner, 2)
    walls : a name per wall; wall k runs from corner k to corner k + 1
    height_m : of the ceiling, or of the ceiling above each corner, which must lie in one plane
    ceilings : parts of the ceiling with a plane of their own; `height_m` is for the rest
    obstacles : boxes in the room
    room_axes : see Geometry

    Raises
    ------
    InvalidPlan : every corner that breaks a rule, all at once
    InvalidValue : a height or an extent outside its limits, heights in no plane, a part of the ceiling or an obstacle
        that is not where it can be
    """
    corners = np.array(plan_m, float)
    problems = plan_problems(corners, walls)
    if problems:
        raise InvalidPlan(problems)
    extent = corners.max(axis=0) - corners.min(axis=0)
    for key, value in (("length_m", extent[0]), ("width_m", extent[1]), ("height_m", float(np.max(height_m)))):
        low, high = SIZE_LIMITS_M[key]
        if not low <= value <= high:
            raise InvalidValue(key, value, f"must be {low:g} to {high:g} m", _unit_hint(value, low, high))
    corners.setflags(write=False)
    level = np.ndim(height_m) == 0 and not ceilings
    parts = _ceiling(corners, height_m, ceilings)
    faces = [
        wall_face(name, corners[k], corners[(k + 1) % len(corners)], parts) for k, name in enumerate(walls)
    ]
    faces.append(Face.from_corners("floor", np.column_stack([corners, np.zeros(len(corners))])))
    faces += ceiling_faces(parts, MAIN_CEILING)
    top = max(float(face.corners_m[:, 2].max()) for face in faces)
    size = np.array([*extent, top])
    size.setflags(write=False)
    empty = Geometry(kind="plan", faces=tuple(faces), size_m=size, plan_m=corners, room_axes=room_axes,
                     ceiling=() if level else tuple(parts))
    return with_obstacles(empty, obstacles) if obstacles else empty


MAIN_CEILING = "ceiling"


def _ceiling(
    plan_m: NDArray[np.float64], height_m: float | ArrayLike, ceilings: Sequence[CeilingPart]
) -> list[CeilingPart]:
    """All parts of a ceiling, held to the limits."""
    heights = np.asarray(height_m, float)
    plane = np.array([0, 0, float(heights)]) if heights.ndim == 0 else plane_through(plan_m, heights, "height_m")
    for name, corner, rule in part_problems(plan_m, ceilings) if ceilings else ():
        raise InvalidValue(f"ceilings.{name}.outline_m" + (f"[{corner - 1}]" if corner else ""), None, rule)
    parts = tiled(plan_m, ceilings, CeilingPart(name=MAIN_CEILING, outline_m=plan_m, plane=plane))
    for part in parts:
        over = part.height_m(part.outline_m)
        low, high = (LOWEST_CEILING_M if heights.ndim or ceilings else SIZE_LIMITS_M["height_m"][0],
                     SIZE_LIMITS_M["height_m"][1])
        for k in np.flatnonzero((over < low) | (over > high)):
            main = part.name.startswith(MAIN_CEILING)
            x, y = part.outline_m[k]
            raise InvalidValue("height_m" if main else f"ceilings.{part.name}.height_m", float(over[k]),
                               f"the ceiling over ({x:g}, {y:g}) must be {low:g} to {high:g} m high")
    return parts


def with_obstacles(geometry: Geometry, obstacles: Sequence[Obstacle]) -> Geometry:
    """The room with boxes in it; those that touch a face within a millimetre are set against it.

    Raises
    ------
    InvalidValue : key `obstacles.NAME` and what of it is wrong, for the first that is
    """
    for name, key, value, rule, cure in obstacle_problems(geometry, obstacles):
        raise InvalidValue(f"obstacles.{name}" + (f".{key}" if key else ""), value, rule, cure)
    home = tuple(pushed_home(one, geometry.faces) for one in obstacles)
    faces = with_covers([*geometry.faces, *(face for one in home for face in one.faces())])
    kind, axes = "plan", geometry.room_axes or geometry.kind == "box"
    return replace(geometry, kind=kind, faces=tuple(faces), obstacles=home, room_axes=axes)


def obstacle_problems(
    geometry: Geometry, obstacles: Sequence[Obstacle]
) -> Iterator[tuple[str, str, Any, str, str]]:
    """Everything wrong with where obstacles are: name, key of it, value, rule, cure."""
    for k, one in enumerate(obstacles):
        if one.name in geometry.surface_names or one.name in (other.name for other in obstacles[:k]):
            yield one.name, "", None, "is the name of a face or of another obstacle already", "choose another"
            continue
        names = ("front left", "back left", "back right", "front right")
        out = -signed_distance_m(one.footprint_m, geometry.plan_m)
        if out.max() > FLUSH_M:
            worst = int(out.argmax())
            yield (one.name, "at_m", list(one.at_m), f"its {names[worst]} corner stands {out[worst]:.2f} m outside the "
                   "room", "at_m is the centre of its footprint")
            continue
        over = geometry.ceiling_m(one.footprint_m * (1 - 1e-6) + np.asarray(one.at_m) * 1e-6)
        gap = np.nan_to_num(over, nan=np.inf) - one.top_m
        if gap.min() < -FLUSH_M:
            worst = int(gap.argmin())
            yield (one.name, "size_m", one.top_m, f"its {names[worst]} corner reaches {-gap[worst]:.2f} m above the "
                   f"ceiling, which is {over[worst]:.2f} m high there", "lessen its height or base_m")
            continue
        if _cut_by_walls(geometry, one):
            yield one.name, "at_m", list(one.at_m), "a corner of the room stands inside it", "move or turn it"
            continue
        for name, width in slits(one, geometry.faces):
            yield (one.name, "at_m", list(one.at_m), f"stands {width * 100:.1f} cm from the {name}, a slit too narrow "
                   "for rays", f"put it against the {name} or at least {SLIT_M * 100:g} cm away")
        for other in obstacles[:k]:
            if crossing(one, other):
                yield one.name, "at_m", list(one.at_m), f"stands inside {other.name!r}", "move one of them"


def _cut_by_walls(geometry: Geometry, one: Obstacle) -> bool:
    """Whether the outline of the plan, or a lower part of the ceiling, passes through it."""
    from shapely import Polygon

    footprint = Polygon(one.footprint_m).buffer(-FLUSH_M, join_style="mitre")
    if polygons_of(footprint.difference(Polygon(geometry.plan_m))):
        return True
    for part in geometry.ceiling:
        for piece in polygons_of(footprint.intersection(Polygon(part.outline_m))):
            if part.height_m(np.array(piece.exterior.coords)).min() < one.top_m - FLUSH_M:
                return True
    return False


class InvalidPlan(InvalidValue):
    """A floor plan that is no simple room; `problems` holds (corner number from 1, rule) of each fault."""

    def __init__(self, problems: Sequence[tuple[int, str]]) -> None:
        self.problems = tuple(problems)
        super().__init__("plan_m", None, "; ".join(f"corner {corner}: {rule}" for corner, rule in problems))


def _unit_hint(value: float, low: float, high: float) -> str:
    if low <= value / 1000 <= high and value > 500:
        return "is this in millimetres?"
    if low <= value / 100 <= high:
        return "is this in centimetres?"
    return ""
