"""Ceilings that slope or step: planes over parts of a floor plan, and the walls and steps that follow them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..errors import InvalidValue
from .faces import Face, polygons_of
from .outline import corner_problems

PLANE_M = 0.002
"""Heights of one part of a ceiling may be off their common plane by this much."""

_SAME_M = 1e-6


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CeilingPart:
    """A plane of the ceiling over a part of the plan.

    Attributes
    ----------
    name : its face is called so
    outline_m : corners [x, y], counter-clockwise seen from above, shape (n_corner, 2)
    plane : (a, b, c) of z = a x + b y + c
    """

    name: str
    outline_m: NDArray[np.float64]
    plane: NDArray[np.float64]

    def height_m(self, points_m: ArrayLike) -> NDArray[np.float64]:
        """Of the ceiling above points (..., 2); shape (...)."""
        return np.asarray(points_m, float)[..., :2] @ self.plane[:2] + self.plane[2]


def ceiling_part(name: str, outline_m: ArrayLike, height_m: float | ArrayLike) -> CeilingPart:
    """A part of a ceiling: one height, or one per corner.

    Raises
    ------
    InvalidValue : key "outline_m[k]" or "heights_m[k]" for what is wrong at corner k + 1, or without [k]
    """
    outline = np.array(outline_m, float)
    for corner, rule in corner_problems(outline):
        rule = rule.replace("wall", "edge").replace("a plan", "an outline").replace(" (and the edges')", "")
        raise InvalidValue(f"outline_m[{corner - 1}]" if corner else "outline_m", None,
                           f"corner {corner}: {rule}" if corner else rule)
    heights = np.atleast_1d(np.asarray(height_m, float))
    if heights.size == 1:
        return CeilingPart(name=name, outline_m=outline, plane=np.array([0.0, 0.0, heights[0]]))
    return CeilingPart(name=name, outline_m=outline, plane=plane_through(outline, heights, "heights_m"))


def plane_through(outline_m: NDArray[np.float64], heights_m: ArrayLike, key: str) -> NDArray[np.float64]:
    """(a, b, c) of the plane z = a x + b y + c through the corners of an outline.

    Raises
    ------
    InvalidValue : `key` where there are more or fewer heights than corners; `key`[k] where corner k + 1 keeps them
        from lying in one plane
    """
    heights = np.asarray(heights_m, float)
    if heights.size != len(outline_m):
        raise InvalidValue(key, None, f"{len(outline_m)} corners need {len(outline_m)} heights, not {heights.size}")
    plane, off = _fitted(outline_m, heights)
    if np.abs(off).max() <= PLANE_M:
        return plane
    # Name the one corner without which the others are in a plane, else the one that is off most.
    without = [np.abs(_fitted(np.delete(outline_m, k, 0), np.delete(heights, k))[1]).max()
               for k in range(len(heights))]
    alone = np.flatnonzero(np.array(without) <= PLANE_M) if len(heights) > 4 else np.empty(0, int)
    worst = int(alone[0]) if alone.size == 1 else int(np.abs(off).argmax())
    others = _fitted(np.delete(outline_m, worst, 0), np.delete(heights, worst))[0]
    wanted = float(others @ [*outline_m[worst], 1.0])
    raise InvalidValue(f"{key}[{worst}]", float(heights[worst]),
                       f"corner {worst + 1}: the ceiling is no plane; the other corners ask for {wanted:.3f} m here",
                       "split it into parts under ceilings")


def _fitted(outline_m: NDArray[np.float64], heights_m: NDArray[np.float64]) -> tuple[NDArray, NDArray]:
    """Plane of least squares and what each corner is off it."""
    matrix = np.column_stack([outline_m, np.ones(len(outline_m))])
    plane = np.linalg.lstsq(matrix, heights_m, rcond=None)[0]
    plane[:2][np.abs(plane[:2]) < 1e-12] = 0.0
    return plane, heights_m - matrix @ plane


def part_problems(plan_m: NDArray[np.float64], parts: Sequence[CeilingPart]) -> Iterator[tuple[str, int, str]]:
    """Parts that leave the plan or lie over each other: name, corner from 1 (0 for the whole), rule."""
    from shapely import Point, Polygon

    plan = Polygon(plan_m).buffer(1e-3, join_style="mitre")
    shapes = [Polygon(part.outline_m) for part in parts]
    for k, (part, shape) in enumerate(zip(parts, shapes, strict=True)):
        outside = [n for n, corner in enumerate(part.outline_m) if not plan.covers(Point(corner))]
        if outside:
            yield part.name, outside[0] + 1, f"corner {outside[0] + 1}: is outside the plan"
        elif not plan.covers(shape):
            yield part.name, 0, "its edge leaves the plan"
        for j in range(k):
            if shape.intersection(shapes[j]).area > 1e-4:
                yield part.name, 0, f"lies over {parts[j].name!r}"


def tiled(plan_m: NDArray[np.float64], parts: Sequence[CeilingPart], rest: CeilingPart) -> list[CeilingPart]:
    """Parts that together cover the plan once: those given, and of `rest` what they leave, in simple pieces.

    Pieces beyond the first are called "ceiling (2)" and so on.
    """
    from shapely import Polygon, difference, unary_union

    left = Polygon(plan_m)
    if parts:
        left = difference(left, unary_union([Polygon(part.outline_m) for part in parts]), grid_size=1e-6)
    pieces = [np.array(piece.exterior.coords)[:-1] for piece in _simple(left) if piece.area > 1e-4]
    out = list(parts)
    for k, outline in enumerate(pieces):
        if not parts:
            outline = plan_m
        elif not Polygon(outline).exterior.is_ccw:
            outline = outline[::-1]
        out.append(CeilingPart(name=rest.name if k == 0 else f"{rest.name} ({k + 1})",
                               outline_m=_tidy(outline, plan_m, parts), plane=rest.plane))
    return out


def _simple(shape: Any) -> list[Any]:
    """Polygons without holes: cut through the middle of each hole."""
    from shapely import LineString
    from shapely.ops import split

    found, waiting = [], polygons_of(shape)
    while waiting:
        piece = waiting.pop()
        if not piece.interiors:
            found.append(piece)
            continue
        x = float(np.mean(np.array(piece.interiors[0].coords)[:-1, 0]))
        low, high = piece.bounds[1] - 1, piece.bounds[3] + 1
        waiting += polygons_of(split(piece, LineString([(x, low), (x, high)])))
    return found


def _tidy(outline: NDArray[np.float64], plan_m: NDArray, parts: Sequence[CeilingPart]) -> NDArray[np.float64]:
    """Corners moved onto those of the plan and the parts, doubles and corners on straight lines left out."""
    known = np.concatenate([plan_m, *(part.outline_m for part in parts)])
    moved = outline.copy()
    for k, corner in enumerate(outline):
        away = np.linalg.norm(known - corner, axis=1)
        if away.min() < 1e-5:
            moved[k] = known[away.argmin()]
    return _without_straight(moved)


def _without_straight(outline: NDArray[np.float64]) -> NDArray[np.float64]:
    """Corners less doubles and those on the line between their neighbours; any dimension."""
    kept = list(outline)
    k = 0
    while len(kept) > 3 and k < len(kept):
        before, after = kept[k] - kept[k - 1], kept[(k + 1) % len(kept)] - kept[k]
        reach = np.linalg.norm(before), np.linalg.norm(after)
        if min(reach) < _SAME_M or np.linalg.norm(before / reach[0] + after / reach[1]) > 2 - 1e-11:
            del kept[k]
            k = max(k - 1, 0)
        else:
            k += 1
    return np.array(kept)


def ceiling_faces(parts: Sequence[CeilingPart], main: str) -> list[Face]:
    """Faces of the parts, normals down, and the upright steps between parts of different height."""
    faces = [
        Face.from_corners(part.name, np.column_stack([part.outline_m, part.height_m(part.outline_m)])[::-1],
                          main if part.name.startswith(f"{main} (") else part.name)
        for part in parts
    ]
    of = {face.name: face.of for face in faces}
    counts: dict[str, int] = {}
    for k, one in enumerate(parts):
        for other in parts[:k]:
            for start, end in shared_edges(one, other):
                for low, corners in _steps(one, other, start, end):
                    counts[low] = counts.get(low, 0) + 1
                    name = f"{low} step" + (f" ({counts[low]})" if counts[low] > 1 else "")
                    faces.append(Face.from_corners(name, corners, of[low]))
    return faces


def shared_edges(one: CeilingPart, other: CeilingPart) -> list[tuple[NDArray[np.float64], NDArray[np.float64]]]:
    """Pieces of edge that two parts have in common, along the outline of `one` (its inside to the left)."""
    found = []
    for a, b in zip(one.outline_m, np.roll(one.outline_m, -1, axis=0), strict=True):
        for c, d in zip(other.outline_m, np.roll(other.outline_m, -1, axis=0), strict=True):
            edge = b - a
            length = float(np.linalg.norm(edge))
            along, across = edge / length, np.array([-edge[1], edge[0]]) / length
            if max(abs((c - a) @ across), abs((d - a) @ across)) > 1e-5 or (d - c) @ along > 0:
                continue
            begin, end = max(0.0, float((d - a) @ along)), min(length, float((c - a) @ along))
            if end - begin > 1e-5:
                found.append((a + begin * along, a + end * along))
    return found


def _steps(
    one: CeilingPart, other: CeilingPart, start: NDArray, end: NDArray
) -> Iterator[tuple[str, list[list[float]]]]:
    """Upright faces between two parts along a shared edge: name of the lower part, corners."""
    gaps = [float(one.height_m(point) - other.height_m(point)) for point in (start, end)]
    if gaps[0] * gaps[1] < -_SAME_M**2 and min(map(abs, gaps)) > PLANE_M:
        middle = start + gaps[0] / (gaps[0] - gaps[1]) * (end - start)
        yield from _steps(one, other, start, middle)
        yield from _steps(one, other, middle, end)
        return
    if max(map(abs, gaps)) <= PLANE_M:
        return
    low, high, a, b = (other, one, start, end) if sum(gaps) > 0 else (one, other, end, start)
    # The inside of the higher part is to the left of a to b: there the face is seen.
    corners = [[*b, float(low.height_m(b))], [*a, float(low.height_m(a))]]
    corners += [[*point, float(high.height_m(point))] for point in (a, b)
                if abs(float(high.height_m(point) - low.height_m(point))) > PLANE_M]
    yield low.name, corners


def wall_face(name: str, start: NDArray[np.float64], end: NDArray[np.float64], parts: Sequence[CeilingPart]) -> Face:
    """A wall from the floor up to whatever ceiling is above it."""
    length = float(np.linalg.norm(end - start))
    along = (end - start) / length
    pieces = []
    for part in parts:
        for a, b in zip(part.outline_m, np.roll(part.outline_m, -1, axis=0), strict=True):
            across = np.array([-along[1], along[0]])
            if max(abs((a - start) @ across), abs((b - start) @ across)) > 1e-5 or (b - a) @ along < 0:
                continue
            low, high = max(0.0, float((a - start) @ along)), min(length, float((b - start) @ along))
            if high - low > 1e-5:
                pieces.append((low, high, part))
    top: list[list[float]] = []
    for low, high, part in sorted(pieces, key=lambda piece: piece[0]):
        for at in (low, high):
            at = 0.0 if at < 1e-5 else length if at > length - 1e-5 else at
            point = start if at == 0.0 else end if at == length else start + at * along
            top.append([*point, float(part.height_m(point))])
    corners = np.array([[*end, 0.0], [*start, 0.0], *top])
    tidy = np.concatenate([corners[:2], _without_straight(corners)[2:]])
    return Face.from_corners(name, tidy)
