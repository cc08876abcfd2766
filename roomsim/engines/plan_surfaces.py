"""Walls and patches of a plan as functions that the field is weighed with: Legendre polynomials on each."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.polynomial import legendre
from numpy.typing import NDArray

from ..room.furnishing import face_axes
from ..room.geometry import Geometry
from ..room.materials import Material
from ..room.room import Room
from .patch_layout import uncovered
from .plan_elements import Elements, simplex_rule

_WALL_MARGIN, _PATCH_MARGIN = 6, 4
"""Polynomials beyond those that follow half waves along a wall or a patch."""

_TYPICAL_K = 7.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Piece:
    """A rectangle of a wall, or of the floor or ceiling, whose finish is not the one all over.

    Attributes
    ----------
    wall : index of the wall; -1 for the floor, -2 for the ceiling
    low_m, high_m : along the wall and height, or x and y, shape (2,)
    material : what is there
    """

    wall: int
    low_m: NDArray[np.float64]
    high_m: NDArray[np.float64]
    material: Material


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PlanLayout:
    """An extruded room as uniform faces and pieces that deviate.

    Attributes
    ----------
    walls : finish of each wall, in the order of the plan
    floor, ceiling : theirs
    pieces : where it is another
    """

    walls: tuple[Material, ...]
    floor: Material
    ceiling: Material
    pieces: tuple[Piece, ...]


def wall_names(geometry: Geometry) -> list[str]:
    """Names of the walls from corner k to corner k + 1 of the plan."""
    if geometry.kind == "box":
        return ["left", "back", "right", "front"]
    return [face.name for face in geometry.faces[: len(geometry.plan_m)]]


def plan_layout(room: Room) -> PlanLayout:
    """Read a room of uniform height; a wall counts as of the finish that leaves the least to be solved."""
    geometry = room.geometry
    walls, pieces = [], []
    for index, name in enumerate(wall_names(geometry)):
        finish, own = _wall(room, name)
        walls.append(finish)
        pieces += [Piece(wall=index, low_m=low, high_m=high, material=material) for low, high, material in own]
    for index, name in ((-1, "floor"), (-2, "ceiling")):
        for patch in room.patches:
            if patch.face == name and patch.material is not room.materials[name]:
                pieces.append(Piece(wall=index, low_m=patch.from_m, high_m=patch.to_m, material=patch.material))
    return PlanLayout(walls=tuple(walls), floor=room.materials["floor"], ceiling=room.materials["ceiling"],
                      pieces=tuple(pieces))


Rectangle = tuple[NDArray[np.float64], NDArray[np.float64], Material]


def _wall(room: Room, name: str) -> tuple[Material, list[Rectangle]]:
    own = room.materials[name]
    corners = room.geometry.plan_m
    index = wall_names(room.geometry).index(name)
    start, end = corners[index], corners[(index + 1) % len(corners)]
    size = np.array([np.linalg.norm(end - start), room.geometry.height_m])
    along = np.array([*(end - start), 0.0]) / size[0]
    patches: list[Rectangle] = []
    for patch in room.patches:
        if patch.face != name:
            continue
        origin, first, _ = face_axes(room.geometry, room.geometry.face(name))
        at = [float((origin + u * first - [*start, 0.0]) @ along) for u in (patch.from_m[0], patch.to_m[0])]
        patches.append((np.array([min(at), patch.from_m[1]]), np.array([max(at), patch.to_m[1]]), patch.material))
    if not patches:
        return own, []
    rest = [(low, high, own) for low, high in uncovered(size, [(low, high) for low, high, _ in patches])]
    choices = []
    for finish in {id(m): m for m in (own, *(m for _, _, m in patches))}.values():
        pieces = [piece for piece in (*patches, *rest) if piece[2] is not finish]
        choices.append((sum(float(np.prod(0.4 * _TYPICAL_K * (high - low) + 4)) for low, high, _ in pieces),
                        len(choices), finish, pieces))
    _, _, finish, pieces = min(choices, key=lambda choice: choice[:2])
    return finish, pieces


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Functions:
    """Weights of the nodes in ∫ p f over walls and pieces, for all functions f.

    Attributes
    ----------
    walls : ∫ p L_a ds along each wall, shape (n_node, n_order) each
    pieces : along each piece of a wall (n_node, n_order), or over each piece of floor or ceiling
        (n_node, n_first, n_second)
    """

    walls: tuple[NDArray[np.float64], ...]
    pieces: tuple[NDArray[np.float64], ...]


def wall_orders(length_m: float, wavenumber: float, more: int = 0) -> int:
    """Polynomials along a wall."""
    return int(np.ceil(1.25 * length_m * wavenumber / np.pi)) + _WALL_MARGIN + more


def piece_orders(length_m: float, wavenumber: float, more: int = 0) -> int:
    """Polynomials along a side of a piece."""
    return int(np.ceil(1.1 * length_m * wavenumber / np.pi)) + _PATCH_MARGIN + more


def legendre_table(count: int, x: NDArray[np.float64], low: float, high: float) -> NDArray[np.float64]:
    """Legendre polynomials orthonormal on [low, high], shape (n_point, count)."""
    scale = np.sqrt((2 * np.arange(count) + 1) / (high - low))
    return legendre.legvander(2 * (x - low) / (high - low) - 1, count - 1) * scale


def functions(
    space: Elements, outline_m: NDArray[np.float64], pieces: Sequence[Piece], wavenumber: float, more: int = 0
) -> Functions:
    """All functions of a plan up to a wavenumber."""
    ends = np.roll(outline_m, -1, axis=0)
    walls = []
    for start, end in zip(outline_m, ends, strict=True):
        length = float(np.linalg.norm(end - start))
        walls.append(_along(space, start, end, 0.0, length, wall_orders(length, wavenumber, more)))
    made = []
    for piece in pieces:
        if piece.wall >= 0:
            low, high = float(piece.low_m[0]), float(piece.high_m[0])
            count = piece_orders(high - low, wavenumber, more)
            made.append(_along(space, outline_m[piece.wall], ends[piece.wall], low, high, count))
        else:
            made.append(_over(space, piece.low_m, piece.high_m, wavenumber, more))
    return Functions(walls=tuple(walls), pieces=tuple(made))


def _along(
    space: Elements, start: NDArray[np.float64], end: NDArray[np.float64], low: float, high: float, count: int
) -> NDArray[np.float64]:
    """∫ p L_a ds from `low` to `high` along a wall, broken where triangles end."""
    length = float(np.linalg.norm(end - start))
    direction = (end - start) / length
    points = space.mesh.points_m - start
    across = np.abs(points @ np.array([-direction[1], direction[0]]))
    at = points @ direction
    breaks = at[(across < 1e-6) & (at > low + 1e-6) & (at < high - 1e-6)]
    breaks = np.unique(np.concatenate([[low], breaks, [high]]))
    x, w = np.polynomial.legendre.leggauss((space.order + count) // 2 + 2)
    half = np.diff(breaks)[:, None] / 2
    s = (breaks[:-1, None] + half * (x + 1)).ravel()
    weight = (half * w).ravel()
    values = space.values(start + s[:, None] * direction)
    return values.T @ (weight[:, None] * legendre_table(count, s, low, high))


def _over(
    space: Elements, low: NDArray[np.float64], high: NDArray[np.float64], wavenumber: float, more: int
) -> NDArray[np.float64]:
    """∫ p L_a(x) L_b(y) dA over a rectangle, cut along the triangles."""
    from shapely import Polygon, box, constrained_delaunay_triangles

    counts = [piece_orders(float(high[k] - low[k]), wavenumber, more) for k in range(2)]
    whole = box(*low, *high)
    local, weight = simplex_rule(space.order + max(counts) + 2, 2)
    points, weights, cells = [], [], []
    corners = space.mesh.points_m[space.mesh.cells]
    near = np.all((corners.max(axis=1) > low) & (corners.min(axis=1) < high), axis=1)
    for cell in np.flatnonzero(near):
        cut = whole.intersection(Polygon(corners[cell]))
        if cut.area < 1e-9:
            continue
        for triangle in constrained_delaunay_triangles(cut).geoms:
            a, b, c = np.array(triangle.exterior.coords)[:3]
            edges = np.stack([b - a, c - a], axis=1)
            points.append(a + local @ edges.T)
            weights.append(weight * abs(np.linalg.det(edges)))
            cells.append(np.full(len(local), cell))
    at, by = np.concatenate(points), np.concatenate(weights)
    first = legendre_table(counts[0], at[:, 0], low[0], high[0])
    second = legendre_table(counts[1], at[:, 1], low[1], high[1])
    both = (first[:, :, None] * second[:, None, :] * by[:, None, None]).reshape(len(at), -1)
    return (space.values(at, np.concatenate(cells)).T @ both).reshape(-1, *counts)
