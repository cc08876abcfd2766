"""Tetrahedra that fill a room with sloping ceilings, steps and obstacles: columns over the triangles of its plan.

The plan is cut along everything that changes from place to place: parts of the ceiling, footprints of obstacles. Over
each triangle the air is then one or several stacks between two planes. Corners of triangles carry points at every plane
that any neighbour has there. A stack is filled by climbing: of the three edges, the one whose next point comes first
goes up, and the tetrahedron between the old and the new front is cut off. The order depends on the points alone, so
neighbours cut their common sides alike.
"""

from __future__ import annotations

from collections import defaultdict
from graphlib import CycleError, TopologicalSorter
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from ..errors import RoomsimError
from ..room.ceilings import CeilingPart
from ..room.geometry import Geometry
from ..room.obstacles import Obstacle
from ..room.outline import signed_distance_m
from .plan_elements import Mesh
from .plan_mesh import plan_mesh

_SAME_M = 1e-6
_FLAT_M = 1e-3
"""A stack lower than this is closed."""

Plane = tuple[str, tuple[float, float, float]]


def solid_mesh(geometry: Geometry, size_m: float) -> Mesh:
    """Mesh of a room; sides of tetrahedra are about `size_m` long.

    Raises
    ------
    RoomsimError : planes above each other in no order (not seen)
    """
    ceiling = geometry.ceiling or (
        CeilingPart(name="ceiling", outline_m=geometry.plan_m, plane=np.array([0.0, 0.0, geometry.height_m])),)
    flat = plan_mesh(geometry.plan_m, size_m, sides_m=_cuts(geometry, ceiling))
    stacks = _stacks(flat, ceiling, geometry.obstacles)
    heights = _heights(flat, stacks)
    ranks = _ranks(heights)
    points, columns = _columns(flat, heights, ranks, size_m)
    cells = []
    for triangle, low, high in stacks:
        corners = flat.cells[triangle]
        chosen = []
        for vertex in corners:
            where, keys, of = columns[vertex]
            chosen.append((where[of[low[0]] : of[high[0]] + 1], keys[of[low[0]] : of[high[0]] + 1]))
        cells += _climb(corners, chosen)
    return _upright(np.array(points), np.array(cells, np.int64))


def _cuts(geometry: Geometry, ceiling: tuple[CeilingPart, ...]) -> NDArray[np.float64]:
    """Straight pieces of all outlines, cut where they meet, shape (n, 2, 2)."""
    from shapely import LinearRing, get_parts, set_precision, unary_union

    rings = [geometry.plan_m, *(part.outline_m for part in ceiling), *(one.footprint_m for one in geometry.obstacles)]
    lines = unary_union([set_precision(LinearRing(ring), _SAME_M) for ring in rings], grid_size=_SAME_M)
    sides = []
    for line in get_parts(lines):
        at = np.array(line.coords)
        sides += [np.array([a, b]) for a, b in pairwise(at)]
    known = np.concatenate(rings)
    out = np.array(sides)
    for corner in out.reshape(-1, 2):      # views: snapped back to the corners as drawn
        away = np.linalg.norm(known - corner, axis=1)
        if away.min() < 3 * _SAME_M:
            corner[:] = known[away.argmin()]
    return out


def _stacks(flat: Mesh, ceiling: tuple[CeilingPart, ...], obstacles: tuple[Obstacle, ...]):
    """(triangle, lower plane, upper plane) of every piece of air."""
    middle = flat.points_m[flat.cells].mean(axis=1)
    over = np.argmax([signed_distance_m(middle, part.outline_m) for part in ceiling], axis=0)
    within = [signed_distance_m(middle, one.footprint_m) > 0 for one in obstacles]
    stacks = []
    for triangle, part in enumerate(over):
        solid = sorted(((one.base_m, one.top_m, one.name) for one, inside in zip(obstacles, within, strict=True)
                        if inside[triangle]))
        low: Plane = ("floor", (0.0, 0.0, 0.0))
        pieces = []
        for base, top, name in solid:
            pieces.append((low, (f"{name} base", (0.0, 0.0, base))))
            low = (f"{name} top", (0.0, 0.0, top))
        pieces.append((low, (f"ceiling {part}", tuple(float(x) for x in ceiling[part].plane))))
        corners = flat.points_m[flat.cells[triangle]]
        for below, above in pieces:
            if max(_at(above, corners) - _at(below, corners)) > _FLAT_M:
                stacks.append((triangle, below, above))
    return stacks


def _at(plane: Plane, points: NDArray[np.float64]) -> NDArray[np.float64]:
    a, b, c = plane[1]
    return points[..., 0] * a + points[..., 1] * b + c


def _heights(flat: Mesh, stacks) -> dict[int, dict[str, float]]:
    """Height of every plane that is used at every point of the plan."""
    heights: dict[int, dict[str, float]] = defaultdict(dict)
    for triangle, *planes in stacks:
        for vertex in flat.cells[triangle]:
            for plane in planes:
                heights[int(vertex)][plane[0]] = float(_at(plane, flat.points_m[vertex]))
    return heights


def _ranks(heights: dict[int, dict[str, float]]) -> dict[str, int]:
    """Planes in an order in which they lie above each other wherever they meet."""
    below: dict[str, set[str]] = defaultdict(set)
    for planes in heights.values():
        for name, z in planes.items():
            below[name] |= {other for other, y in planes.items() if y < z - _SAME_M}
    try:
        return {name: rank for rank, name in enumerate(TopologicalSorter(below).static_order())}
    except CycleError as error:
        raise RoomsimError("the room's planes lie above each other in no order that can be meshed") from error


def _columns(flat: Mesh, heights, ranks: dict[str, int], size_m: float):
    """Points above every point of the plan.

    Returns the points, and per point of the plan: their indices, their keys, and the place of every plane among them.
    """
    points: list[NDArray[np.float64]] = []
    columns = {}
    for vertex, planes in heights.items():
        groups: list[tuple[float, list[str]]] = []
        for name, z in sorted(planes.items(), key=lambda item: (item[1], ranks[item[0]])):
            if groups and z - groups[-1][0] < _SAME_M:
                groups[-1][1].append(name)
            else:
                groups.append((z, [name]))
        where, keys, of = [], [], {}
        for k, (z, names) in enumerate(groups):
            key = float(min(ranks[name] for name in names))
            if k:
                last, last_key = groups[k - 1][0], keys[-1]
                steps = max(int(np.ceil((z - last) / size_m - 0.1)), 1)
                for step in range(1, steps):
                    part = step / steps
                    where.append(len(points))
                    keys.append(last_key + part * (key - last_key))
                    points.append(np.array([*flat.points_m[vertex], last + part * (z - last)]))
            where.append(len(points))
            keys.append(key)
            of |= dict.fromkeys(names, len(where) - 1)
            points.append(np.array([*flat.points_m[vertex], z]))
        columns[vertex] = (where, keys, of)
    return points, columns


def _climb(corners: NDArray[np.int64], chosen) -> list[list[int]]:
    """Tetrahedra of one stack from the points on its three upright edges."""
    front = [where[0] for where, _ in chosen]
    steps = sorted(
        (key, int(vertex), edge, point)
        for edge, (vertex, (where, keys)) in enumerate(zip(corners, chosen, strict=True))
        for point, key in zip(where[1:], keys[1:], strict=True)
    )
    cells = []
    for _, _, edge, point in steps:
        cells.append([*front, point])
        front[edge] = point
    return cells


def _upright(points: NDArray[np.float64], cells: NDArray[np.int64]) -> Mesh:
    """The mesh with positive volumes."""
    corners = points[cells]
    volume = np.linalg.det(corners[:, 1:] - corners[:, :1])
    cells[volume < 0] = cells[volume < 0][:, [1, 0, 2, 3]]
    return Mesh(points_m=points, cells=cells)
