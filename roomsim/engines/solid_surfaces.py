"""Walls of a solid mesh: which finish each piece of its surface has, and ∫uv over all of one finish."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..errors import RoomsimError
from ..room.faces import Face
from ..room.furnishing import face_axes
from ..room.materials import Material
from ..room.outline import signed_distance_m
from ..room.room import Room
from .plan_elements import Elements, Mesh, shapes, simplex_rule

_ON_M = 1e-5
_LEAST_M2 = 1e-9


def surface(mesh: Mesh) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Triangles (n, 3) that belong to one tetrahedron alone, and that tetrahedron (n,)."""
    corners = np.concatenate([np.delete(mesh.cells, out, axis=1) for out in range(4)])
    cells = np.tile(np.arange(len(mesh.cells)), 4)
    _, first, count = np.unique(np.sort(corners, axis=1), axis=0, return_index=True, return_counts=True)
    alone = first[count == 1]
    return corners[alone], cells[alone]


def wall_matrices(room: Room, space: Elements) -> list[tuple[Material, Any]]:
    """Each finish of the room and its sparse matrix ∫uv dS, (n_node, n_node)."""
    from scipy.sparse import csr_matrix

    triangles, cells = surface(space.mesh)
    first, edges = space.mesh.frames
    inverse = np.linalg.inv(edges)
    rule, weight = simplex_rule(2 * space.order, 2)
    parts: dict[int, tuple[Material, list, list]] = {}
    faces = _faces_of(room, space.mesh.points_m[triangles].mean(axis=1))
    for corners, cell, face in zip(space.mesh.points_m[triangles], cells, faces, strict=True):
        for material, pieces in _finishes(room, face, corners):
            _, blocks, of = parts.setdefault(id(material), (material, [], []))
            local = np.zeros((space.cell_nodes.shape[1],) * 2)
            for a, b, c in pieces:
                sides = np.stack([b - a, c - a], axis=1)
                double = float(np.linalg.norm(np.cross(sides[:, 0], sides[:, 1])))
                values = shapes(space.order, (a + rule @ sides.T - first[cell]) @ inverse[cell].T)
                local += values.T @ (values * (weight * double)[:, None])
            blocks.append(local)
            of.append(cell)
    found = []
    count = len(space.nodes_m)
    for material, blocks, of in parts.values():
        nodes = space.cell_nodes[of]
        size = nodes.shape[1]
        rows, columns = np.repeat(nodes, size, axis=1).ravel(), np.tile(nodes, (1, size)).ravel()
        found.append((material, csr_matrix((np.array(blocks).ravel(), (rows, columns)), (count, count))))
    return found


def _faces_of(room: Room, middles: NDArray[np.float64]) -> list[Face]:
    """The face each piece of surface lies on."""
    out: list[Face | None] = [None] * len(middles)
    for face in room.geometry.faces:
        origin, first, second = face.own_axes
        away = np.abs((middles - face.corners_m[0]) @ face.normal)
        outline = np.stack([(face.corners_m - origin) @ first, (face.corners_m - origin) @ second], axis=1)
        if np.sum(outline[:, 0] * np.roll(outline[:, 1], -1) - np.roll(outline[:, 0], -1) * outline[:, 1]) < 0:
            outline = outline[::-1]
        flat = np.stack([(middles - origin) @ first, (middles - origin) @ second], axis=1)
        inside = signed_distance_m(flat, outline) > -_ON_M
        for n in np.flatnonzero((away < _ON_M) & inside):
            if out[n] is None:
                out[n] = face
    if any(face is None for face in out):
        raise RoomsimError(f"{room.name}: a piece of the mesh's surface lies on no face of the room")
    return [face for face in out if face is not None]


def _finishes(
    room: Room, face: Face, corners: NDArray[np.float64]
) -> list[tuple[Material, list[NDArray[np.float64]]]]:
    """Finishes of a triangle of surface and the triangles (3, 3) it has of each."""
    own = room.materials[face.name]
    patches = [patch for patch in room.patches if patch.face == face.name and patch.material is not own]
    if not patches:
        return [(own, [corners])]
    from shapely import Polygon, box

    origin, first, second = face_axes(room.geometry, face)
    rest = Polygon(np.stack([(corners - origin) @ first, (corners - origin) @ second], axis=1))
    found = []
    for patch in patches:
        whole = box(*patch.from_m, *patch.to_m)
        pieces = _cut(rest.intersection(whole), origin, first, second)
        if pieces:
            found.append((patch.material, pieces))
            rest = rest.difference(whole)
    pieces = _cut(rest, origin, first, second)
    return [*found, (own, pieces)] if pieces else found


def _cut(shape: Any, origin: NDArray, first: NDArray, second: NDArray) -> list[NDArray[np.float64]]:
    """Triangles in the room that make up a flat shape."""
    from shapely import constrained_delaunay_triangles

    if shape.area < _LEAST_M2:
        return []
    out = []
    for triangle in constrained_delaunay_triangles(shape).geoms:
        if triangle.area > _LEAST_M2:
            flat = np.array(triangle.exterior.coords)[:3]
            out.append(origin + flat[:, :1] * first + flat[:, 1:] * second)
    return out
