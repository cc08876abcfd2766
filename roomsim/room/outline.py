"""Outlines of floor plans: what a simple one is, and how far points are inside."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from ..limits import limits

MOST_CORNERS = limits().corners
SHORTEST_WALL_M = 0.05
SHARPEST_CORNER_DEG = 10.0
"""What a floor plan may have: more is a drawing error rather than a room."""


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
    for k in np.flatnonzero(length < SHORTEST_WALL_M - 1e-9):
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


def signed_distance_m(
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
