"""Visible image sources of a room of polygons by brute force: every order of faces, nothing left out or clipped.

Plain numpy. A point lies in a polygon where the angles to its corners add up to a full turn. Every sequence of faces
up to an order is tried for every listener, back from the listener to the source.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator

import numpy as np


class Polygon:
    """Corners (n, 3), counter-clockwise seen from inside the room."""

    def __init__(self, corners) -> None:
        self.corners = np.asarray(corners, float)
        rel = self.corners - self.corners[0]
        vector = np.cross(rel[:-1], rel[1:]).sum(axis=0)
        self.normal = vector / np.linalg.norm(vector)
        self.offset = float(self.normal @ self.corners[0])

    def height(self, point) -> float:
        return float(self.normal @ point) - self.offset

    def mirrored(self, point) -> np.ndarray:
        return point - 2 * self.height(point) * self.normal

    def holds(self, point) -> bool:
        """Whether a point of its plane is inside: the winding number."""
        a = self.corners - point
        b = np.roll(a, -1, axis=0)
        turn = np.arctan2(np.cross(a, b) @ self.normal, (a * b).sum(axis=1)).sum()
        return abs(turn) > np.pi

    def crossing(self, start, end) -> float | None:
        """Where from 0 to 1 a line from the room's side meets it; None where it does not."""
        above, below = self.height(start), self.height(end)
        if above <= 1e-9 or below >= -1e-9:
            return None
        t = above / (above - below)
        return t if self.holds(start + t * (end - start)) else None


def path_back(polygons, order, source, listener) -> list[np.ndarray] | None:
    """Points of reflection from the source on, None where the path is not there."""
    images = [np.asarray(source, float)]
    for face in order:
        if polygons[face].height(images[-1]) <= 1e-9:
            return None
        images.append(polygons[face].mirrored(images[-1]))
    at, points = np.asarray(listener, float), []
    for k in range(len(order) - 1, -1, -1):
        polygon = polygons[order[k]]
        t = polygon.crossing(at, images[k + 1])
        if t is None:
            return None
        hit = at + t * (images[k + 1] - at)
        if _stopped(polygons, at, hit, order[k]):
            return None
        points.append(hit)
        at = hit
    return None if _stopped(polygons, at, images[0], None) else points[::-1]


def _stopped(polygons, start, end, meant) -> bool:
    return any(k != meant and polygon.crossing(start, end) is not None for k, polygon in enumerate(polygons))


def sequences(faces: int, order: int) -> Iterator[tuple[int, ...]]:
    """All orders of so many faces, none twice in a row."""
    for count in range(order + 1):
        for one in itertools.product(range(faces), repeat=count):
            if all(a != b for a, b in itertools.pairwise(one)):
                yield one


def visible(polygons, source, listener, order: int) -> dict[tuple[int, ...], float]:
    """Every visible sequence of faces, from the source on, and the length of its path."""
    found = {}
    for one in sequences(len(polygons), order):
        points = path_back(polygons, one, source, listener)
        if points is not None:
            way = [np.asarray(source, float), *points, np.asarray(listener, float)]
            found[one] = float(sum(np.linalg.norm(b - a) for a, b in itertools.pairwise(way)))
    return found
