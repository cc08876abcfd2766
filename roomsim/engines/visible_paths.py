"""Image paths of a room of planar faces that reach its listeners, one by one."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from ..room.faces import Face
from ..room.furnishing import face_axes
from ..room.geometry import Geometry

Floats = NDArray[np.float64]

LEAST_ANGLE_SR = 1e-7
"""Narrower beams are dropped: less than 1e-8 of what the source sends, and a centimetre wide after 30 m."""

BUDGET = 4_000_000
"""Windows that are tried for one source at most; less than a second."""

ASIDE_M = np.array([3.1e-7, 2.3e-7, 1.7e-7])
"""Displacement of listeners by which visibility is decided, so that a path that meets an edge counts once."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TreeFaces:
    """The faces of a room that sound can meet, as the compiled search reads them.

    Attributes
    ----------
    faces : in the order of all arrays
    normal, offset, origin, axis_u, axis_v : of each face, shape (n_face, 3), (n_face,) and (n_face, 3) three times
    corners, space : of all faces one after the other, in their own coordinates (n, 2) and in the room (n, 3)
    corner_start : shape (n_face + 1,)
    convex_face : shape (n_face,)
    convex : nothing in the room can stand between two points
    images_per_m3, hits_per_m : how many images and hits there are about: one image for every volume of the room, a
        hit for every mean free path
    """

    faces: tuple[Face, ...]
    normal: Floats
    offset: Floats
    origin: Floats
    axis_u: Floats
    axis_v: Floats
    corners: Floats
    space: Floats
    corner_start: NDArray[np.int64]
    convex_face: NDArray[np.bool_]
    convex: bool
    images_per_m3: float
    hits_per_m: float

    @property
    def names(self) -> tuple[str, ...]:
        return tuple(face.name for face in self.faces)

    def index(self, name: str | None) -> int:
        """Number of a face, -1 for none."""
        return -1 if name is None else self.names.index(name)

    def mirrored(self, points_m: Floats, face: NDArray[np.int64] | int) -> Floats:
        """Points (n, 3) mirrored in faces, one for all or one each."""
        normal = self.normal[face]
        height = (points_m * normal).sum(axis=-1) - self.offset[face]
        return points_m - 2 * height[..., None] * normal


@lru_cache(maxsize=16)
def tree_faces(geometry: Geometry) -> TreeFaces:
    """Flatten a room of planar faces; what something stands against all over is left out."""
    faces = tuple(face for face in geometry.faces if face.exposed_m2 > 0)
    axes = [face_axes(geometry, face) for face in faces]
    origin, axis_u, axis_v = (np.array([axis[i] for axis in axes]) for i in range(3))
    flat = [
        np.stack([(face.corners_m - o) @ u, (face.corners_m - o) @ v], axis=1)
        for face, (o, u, v) in zip(faces, axes, strict=True)
    ]
    normal = np.array([face.normal for face in faces])
    offset = np.array([face.normal @ face.corners_m[0] for face in faces])
    space = np.concatenate([face.corners_m for face in faces])
    return TreeFaces(
        faces=faces, normal=normal, offset=offset, origin=origin, axis_u=axis_u, axis_v=axis_v,
        corners=np.concatenate(flat), space=space, corner_start=np.cumsum([0, *(len(part) for part in flat)]),
        convex_face=np.array([_is_convex(face) for face in faces]),
        convex=bool(np.all(space @ normal.T > offset - 1e-9)),
        images_per_m3=4 / 3 * np.pi / geometry.volume_m3,
        hits_per_m=geometry.surface_m2 / (4 * geometry.volume_m3),
    )


def _is_convex(face: Face) -> bool:
    edge = np.roll(face.corners_m, -1, axis=0) - face.corners_m
    return bool(np.all(np.cross(np.roll(edge, 1, axis=0), edge) @ face.normal > -1e-12))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class VisiblePaths:
    """Paths from one source to the listeners, by listener.

    Attributes
    ----------
    listener : whose path, shape (n_path,)
    image_m : image of the source that the listener sees, shape (n_path, 3)
    sent : direction in which the source sends it, shape (n_path, 3)
    length_m, middle_m : of the path, and of the same one from the middle of the channel's drivers, shape (n_path,)
    start : first hit of each path, shape (n_path + 1,)
    face, cosine : of the hits, from the source on: number of the face, cosine of incidence, shape (n_hit,)
    dropped : solid angle of beams that were too narrow [sr]
    """

    listener: NDArray[np.int64]
    image_m: Floats
    sent: Floats
    length_m: Floats
    middle_m: Floats
    start: NDArray[np.int64]
    face: NDArray[np.int64]
    cosine: Floats
    dropped: float

    @property
    def hits(self) -> NDArray[np.int64]:
        """Of each path, shape (n_path,)."""
        return np.diff(self.start)

    def faces_of(self, path: int) -> NDArray[np.int64]:
        return self.face[self.start[path] : self.start[path + 1]]


class TooManyImages(Exception):
    """The search would take too long so far out."""


def visible_paths(
    faces: TreeFaces,
    source_m: Floats,
    middle_m: Floats,
    listeners_m: Floats,
    reach_m: Floats,
    *,
    mount: int = -1,
    budget: int = BUDGET,
    least_angle_sr: float = LEAST_ANGLE_SR,
) -> VisiblePaths:
    """All paths from a source to listeners that are no longer than `reach_m`, measured to `middle_m`.

    Parameters
    ----------
    faces : from `tree_faces`
    source_m, middle_m : shape (3,)
    listeners_m, reach_m : shape (n_listener, 3), (n_listener,)
    mount : face that the source is in; no path hits it first
    budget : windows that are tried at most
    least_angle_sr : narrower beams are dropped

    Raises
    ------
    TooManyImages : the budget does not do
    """
    from .tree_kernels import COLUMNS, grow_tree

    room_for = int(1.3 * faces.images_per_m3 * float(((reach_m + 1) ** 3).sum())) + 1000
    hits_for = int(room_for * (float(np.max(reach_m)) * faces.hits_per_m + 4))
    while True:
        out, listener = np.empty((room_for, COLUMNS)), np.empty(room_for, np.int64)
        start = np.zeros(room_for + 1, np.int64)
        face, cosine = np.empty(hits_for, np.int64), np.empty(hits_for)
        count, hits, tried, dropped = grow_tree(
            np.asarray(source_m, float), np.asarray(middle_m, float), np.ascontiguousarray(listeners_m, float),
            np.ascontiguousarray(reach_m, float), ASIDE_M, mount, least_angle_sr, budget,
            faces.normal, faces.offset, faces.convex, faces.origin, faces.axis_u, faces.axis_v, faces.corners,
            faces.corner_start, faces.space, faces.convex_face, out, listener, start, face, cosine,
        )
        if tried < 0:
            raise TooManyImages
        if count <= room_for and hits <= hits_for:
            break
        room_for, hits_for = max(count, room_for), max(hits, hits_for)
    order = np.argsort(listener[:count], kind="stable")
    number = np.diff(start[: count + 1])[order]
    new_start = np.concatenate([[0], np.cumsum(number)])
    old = np.repeat(start[:count][order] - new_start[:-1], number) + np.arange(hits)
    out = out[:count][order]
    return VisiblePaths(
        listener=listener[:count][order], image_m=out[:, :3].copy(), sent=out[:, 3:6].copy(),
        length_m=out[:, 6].copy(), middle_m=out[:, 7].copy(), start=new_start, face=face[old], cosine=cosine[old],
        dropped=float(dropped),
    )
