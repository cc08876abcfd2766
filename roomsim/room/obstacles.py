"""Box-shaped obstacles: furniture large enough to block sound, with a place of its own."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .faces import FLUSH_M, Face, overlap

SLIT_M = 0.03
"""Between an obstacle and a wall there is nothing, or at least this much: sound in a narrower slit is no ray."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Obstacle:
    """A box that stands, lies or hangs in the room.

    Attributes
    ----------
    name : label; its faces are "name: front" and so on
    at_m : centre of its footprint (x, y)
    size_m : width, depth (front to back) and height
    azimuth_deg : where its front points; 0 is +x, away from the front wall
    base_m : its underside above the floor
    """

    name: str
    at_m: tuple[float, float]
    size_m: tuple[float, float, float]
    azimuth_deg: float = 0.0
    base_m: float = 0.0

    @property
    def top_m(self) -> float:
        return self.base_m + self.size_m[2]

    @property
    def axes(self) -> NDArray[np.float64]:
        """Its own x (ahead), y (left) and z in the room, as rows, shape (3, 3)."""
        turn = np.radians(self.azimuth_deg)
        cos, sin = np.cos(turn), np.sin(turn)
        if abs(self.azimuth_deg / 90 - round(self.azimuth_deg / 90)) < 1e-12:
            cos, sin = round(cos), round(sin)
        return np.array([[cos, sin, 0.0], [-sin, cos, 0.0], [0.0, 0.0, 1.0]])

    @property
    def footprint_m(self) -> NDArray[np.float64]:
        """Corners (4, 2): front left, back left, back right, front right; counter-clockwise from above."""
        ahead, left = self.axes[:2, :2]
        width, depth, _ = self.size_m
        return np.array([np.asarray(self.at_m) + a * depth / 2 * ahead + b * width / 2 * left
                         for a, b in ((1, 1), (-1, 1), (-1, -1), (1, -1))])

    @property
    def corners_m(self) -> NDArray[np.float64]:
        """Eight corners, shape (8, 3): the footprint at its underside, then at its top."""
        return np.concatenate([np.column_stack([self.footprint_m, np.full(4, z)]) for z in (self.base_m, self.top_m)])

    def faces(self) -> list[Face]:
        """Its six faces, normals out of it, into the room."""
        low, high = self.corners_m[:4], self.corners_m[4:]
        made = [Face.from_corners(f"{self.name}: top", high, self.name),
                Face.from_corners(f"{self.name}: underside", low[::-1], self.name)]
        for k, side in enumerate(("left", "back", "right", "front")):
            j = (k + 1) % 4
            made.append(Face.from_corners(f"{self.name}: {side}", [low[k], low[j], high[j], high[k]], self.name))
        return made

    def inside_m(self, points_m: NDArray[np.float64]) -> NDArray[np.float64]:
        """How deep points are inside it, negative outside (by the nearest face's plane), shape (n_point,)."""
        width, depth, height = self.size_m
        middle = np.array([*self.at_m, self.base_m + height / 2])
        local = np.abs((points_m - middle) @ self.axes.T)
        return (np.array([depth, width, height]) / 2 - local).min(axis=1)


def pushed_home(obstacle: Obstacle, faces: Sequence[Face]) -> Obstacle:
    """The obstacle set exactly against the faces that it touches within FLUSH_M, so that no slit is left."""
    shift = np.zeros(3)
    for own in obstacle.faces():
        for face in faces:
            gap = float((own.corners_m[0] - face.corners_m[0]) @ face.normal)
            if own.normal @ face.normal < -1 + 1e-9 and abs(gap) <= FLUSH_M and gap != 0 and overlap(own, face):
                shift -= gap * face.normal * (abs(shift @ face.normal) < abs(gap) / 2)
    if not shift.any():
        return obstacle
    x, y = np.asarray(obstacle.at_m) + shift[:2]
    return Obstacle(name=obstacle.name, at_m=(float(x), float(y)), size_m=obstacle.size_m,
                    azimuth_deg=obstacle.azimuth_deg, base_m=float(obstacle.base_m + shift[2]))


def with_covers(faces: list[Face]) -> list[Face]:
    """Faces with what lies against each other of them."""
    out = list(faces)
    for i in range(len(faces)):
        for j in range(i):
            for polygon in overlap(faces[i], faces[j]):
                out[i], out[j] = out[i].covered(polygon), out[j].covered(polygon)
    return out


def crossing(one: Obstacle, other: Obstacle) -> bool:
    """Whether two obstacles share more than their surfaces."""
    if min(one.top_m, other.top_m) - max(one.base_m, other.base_m) <= FLUSH_M:
        return False
    from shapely import Polygon

    shared = Polygon(one.footprint_m).intersection(Polygon(other.footprint_m))
    return shared.area > FLUSH_M * 0.01


def slits(obstacle: Obstacle, faces: Sequence[Face]) -> Iterator[tuple[str, float]]:
    """Faces from which a slit too narrow to be heard separates it: name and width."""
    for own in obstacle.faces():
        for face in faces:
            gap = float((own.corners_m[0] - face.corners_m[0]) @ face.normal)
            if own.normal @ face.normal < -1 + 1e-9 and FLUSH_M < gap < SLIT_M and _facing(own, face):
                yield face.name, gap


def _facing(own: Face, face: Face) -> bool:
    moved = own.corners_m - face.normal * ((own.corners_m - face.corners_m[0]) @ face.normal)[:, None]
    return bool(overlap(Face.from_corners(own.name, moved), face))
