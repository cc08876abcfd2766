"""Triangles that fill a floor plan: Delaunay refinement with a size that shrinks towards inward corners.

Where a corner points into the room the pressure has a singular slope (r^(2/3) at 270 degrees); small triangles
there keep the error of the whole down.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ..room.outline import signed_distance_m
from .plan_elements import Mesh

_CORNER_PART = 0.35
"""Size of triangles at an inward corner re that elsewhere."""

_GROWTH = 0.5
"""By how much triangles may grow per metre away from it."""

_SKINNY = 1.25
"""Radius of the circumcircle over the shortest side beyond which a triangle is refined (0.577 is equilateral)."""

_SMOOTHING = 4


def plan_mesh(
    outline_m: NDArray[np.float64], size_m: float, *, sides_m: NDArray[np.float64] | None = None
) -> Mesh:
    """Mesh of a polygon.

    Parameters
    ----------
    outline_m : corners, counter-clockwise, shape (n_corner, 2)
    size_m : longest side of triangles, about
    sides_m : straight lines that sides of triangles must follow, in place of those of the outline, all of which they
        hold; they meet at their ends only; shape (n_line, 2, 2). Triangles are then of one size.
    """
    corners = np.asarray(outline_m, float)
    inward = corners[_points_in(corners)]
    sides = np.stack([corners, np.roll(corners, -1, axis=0)], axis=1)
    if sides_m is not None:
        sides, inward = np.asarray(sides_m, float), inward[:0]
    sides = _split_to_size(sides, size_m, inward)
    points = _unique(np.concatenate([corners, sides.reshape(-1, 2)]))
    for _ in range(400):
        sides, fresh = _split_missing(points, sides)
        if not len(fresh):
            triangles = _triangles(points, corners)
            sides, fresh = _refinement(points, triangles, sides, corners, size_m, inward)
            if not len(fresh):
                break
        points = np.concatenate([points, fresh])
    points = _smoothed(points, corners, sides)
    triangles = _triangles(points, corners)
    return Mesh(points_m=points, cells=triangles)


def _points_in(corners: NDArray[np.float64]) -> NDArray[np.bool_]:
    before, after = corners - np.roll(corners, 1, axis=0), np.roll(corners, -1, axis=0) - corners
    return before[:, 0] * after[:, 1] - before[:, 1] * after[:, 0] < 0


def _size(points: NDArray[np.float64], size_m: float, inward: NDArray[np.float64]) -> NDArray[np.float64]:
    """Wanted length of sides at points."""
    if not len(inward):
        return np.full(len(points), size_m)
    away = np.linalg.norm(points[:, None] - inward[None], axis=-1).min(axis=1)
    return np.minimum(size_m, _CORNER_PART * size_m + _GROWTH * away)


def _split_to_size(sides: NDArray[np.float64], size_m: float, inward: NDArray[np.float64]) -> NDArray[np.float64]:
    out, waiting = [], list(sides)
    if not len(inward):
        for a, b in sides:
            parts = np.linspace(0, 1, max(int(np.ceil(np.linalg.norm(b - a) / size_m - 0.1)), 1) + 1)[:, None]
            corners = a + parts * (b - a)
            out += list(np.stack([corners[:-1], corners[1:]], axis=1))
        return np.array(out)
    while waiting:
        a, b = waiting.pop()
        middle = (a + b) / 2
        if np.linalg.norm(b - a) > 1.15 * _size(np.array([a, middle, b]), size_m, inward).min() + 1e-9:
            waiting += [np.array([a, middle]), np.array([middle, b])]
        else:
            out.append(np.array([a, b]))
    return np.array(out)


def _unique(points: NDArray[np.float64]) -> NDArray[np.float64]:
    _, first = np.unique(np.round(points / 1e-7).astype(np.int64), axis=0, return_index=True)
    return points[np.sort(first)]


def _triangles(points: NDArray[np.float64], corners: NDArray[np.float64]) -> NDArray[np.int64]:
    """Delaunay triangles inside the outline, counter-clockwise."""
    from scipy.spatial import Delaunay

    found = Delaunay(points).simplices.astype(np.int64)
    a, b, c = np.moveaxis(points[found], 1, 0)
    area = (b[:, 0] - a[:, 0]) * (c[:, 1] - a[:, 1]) - (b[:, 1] - a[:, 1]) * (c[:, 0] - a[:, 0])
    found[area < 0] = found[area < 0][:, [0, 2, 1]]
    inside = signed_distance_m((a + b + c) / 3, corners) > 0
    return found[inside & (np.abs(area) > 1e-10)]


def _split_missing(
    points: NDArray[np.float64], sides: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Halve sides that hold a point in the circle on them: sides, new points."""
    middle, radius = sides.mean(axis=1), np.linalg.norm(sides[:, 1] - sides[:, 0], axis=1) / 2
    near = np.linalg.norm(points[None] - middle[:, None], axis=-1) < radius[:, None] * (1 - 1e-6)
    bad = near.any(axis=1) & (radius > 0.01)
    return _halved(sides, bad)


def _halved(sides: NDArray[np.float64], bad: NDArray[np.bool_]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    middle = sides[bad].mean(axis=1)
    halves = [np.stack([sides[bad][:, 0], middle], axis=1), np.stack([middle, sides[bad][:, 1]], axis=1)]
    return np.concatenate([sides[~bad], *halves]), middle


def _refinement(
    points: NDArray[np.float64], triangles: NDArray[np.int64], sides: NDArray[np.float64],
    corners: NDArray[np.float64], size_m: float, inward: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Centres of the circumcircles of triangles too large or too thin, or halves of sides they come too close to."""
    a, b, c = np.moveaxis(points[triangles], 1, 0)
    u, v = b - a, c - a
    cross = 2 * (u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0])
    uu, vv = (u**2).sum(1), (v**2).sum(1)
    centre = np.stack([v[:, 1] * uu - u[:, 1] * vv, u[:, 0] * vv - v[:, 0] * uu], axis=1) / cross[:, None]
    radius = np.linalg.norm(centre, axis=1)
    centre = centre + a
    shortest = np.sqrt(np.minimum(np.minimum(uu, vv), ((c - b) ** 2).sum(1)))
    wanted = _size((a + b + c) / 3, size_m, inward)
    excess = np.maximum(radius / (0.7 * wanted), np.where(shortest > 0.2 * wanted, radius / shortest / _SKINNY, 0))
    new: list[NDArray[np.float64]] = []
    split = np.zeros(len(sides), bool)
    middle, half = sides.mean(axis=1), np.linalg.norm(sides[:, 1] - sides[:, 0], axis=1) / 2
    for k in np.argsort(-excess):
        if excess[k] <= 1:
            break
        if any(np.linalg.norm(centre[k] - one) < wanted[k] for one in new):
            continue
        close = np.linalg.norm(middle - centre[k], axis=1) < half
        outside = signed_distance_m(centre[k][None], corners)[0] <= 0
        if close.any() or outside:
            if outside and not close.any():
                close[np.linalg.norm(middle - centre[k], axis=1).argmin()] = True
            split |= close & (half > 0.125 * wanted[k])
        else:
            new.append(centre[k])
    halved, fresh = _halved(sides, split)
    return halved, np.concatenate([np.array(new).reshape(-1, 2), fresh])


def _smoothed(
    points: NDArray[np.float64], corners: NDArray[np.float64], sides: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Inner points moved to the middle of their neighbours a few times, as long as no triangle turns over."""
    fixed = {tuple(p) for p in np.round(np.concatenate([corners, sides.reshape(-1, 2)]) / 1e-7).astype(int)}
    free = np.array([tuple(p) not in fixed for p in np.round(points / 1e-7).astype(int)])
    for _ in range(_SMOOTHING):
        triangles = _triangles(points, corners)
        total, count = np.zeros_like(points), np.zeros(len(points))
        for k in range(3):
            for j in (1, 2):
                np.add.at(total, triangles[:, k], points[triangles[:, (k + j) % 3]])
                np.add.at(count, triangles[:, k], 1)
        moved = points.copy()
        moved[free] = total[free] / count[free, None]
        if len(_split_missing(moved, sides)[1]):
            return points
        points = moved
    return points
