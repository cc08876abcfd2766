"""What of a room can be changed: panels, curtains, rugs, reflectors; where each hangs for a given area."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ..errors import InvalidValue
from .furnishing import Patch, face_axes
from .geometry import Geometry
from .materials import Material
from .mixed import mixed
from .room import Room

LEAST_SIDE_M = 0.02
"""Narrower pieces are left out."""

MOST_PIECES = 6
"""Rectangles of a face that one adjustable may be spread over."""

Rectangle = tuple[float, float, float, float]
"""Two opposite corners in a face's own coordinates: u0, v0, u1, v1."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Adjustable:
    """Something whose area can be chosen.

    Attributes
    ----------
    name : label; settings and shopping lists name it so
    material : its finish
    face : the face it hangs or lies on
    least_m2, most_m2 : its limits
    usual_m2 : how much of it there is where a setting does not say
    spread : in small pieces evenly over what is free of the face, which engines take as one mixed finish
    from_m, to_m : corners of the rectangle that it may fill, None for what is free of the face; it hides what it
        covers there
    """

    name: str
    material: Material
    face: str
    least_m2: float
    most_m2: float
    usual_m2: float
    spread: bool = False
    from_m: tuple[float, float] | None = None
    to_m: tuple[float, float] | None = None

    @property
    def range_m2(self) -> float:
        return self.most_m2 - self.least_m2

    @property
    def region(self) -> Rectangle | None:
        """The rectangle it may fill, None for any free one."""
        if self.from_m is None or self.to_m is None:
            return None
        (a, b), (c, d) = self.from_m, self.to_m
        return min(a, c), min(b, d), max(a, c), max(b, d)


def regions(
    geometry: Geometry, patches: Sequence[Patch], adjustables: Sequence[Adjustable | None]
) -> list[tuple[Rectangle, ...] | InvalidValue]:
    """The rectangles that each adjustable may fill, or why there are none; keys are `adjustable[k]…`.

    Those without a rectangle of their own take the largest free ones of their face, in the order given; None in the
    place of one passes over it.
    """
    taken: dict[str, list[Rectangle]] = {}
    for patch in patches:
        taken.setdefault(patch.face, []).append((*map(float, patch.from_m), *map(float, patch.to_m)))
    own: dict[str, list[tuple[int, Rectangle]]] = {}
    found: list[tuple[Rectangle, ...] | InvalidValue] = [() for _ in adjustables]
    for k, one in enumerate(adjustables):
        if one is None or (region := one.region) is None:
            continue
        found[k] = _own_region(geometry, one, k, own.get(one.face, []))
        own.setdefault(one.face, []).append((k, region))
    spread: dict[str, float] = {}
    for k, one in enumerate(adjustables):
        if one is not None and one.spread:
            spread[one.face] = spread.get(one.face, 0) + one.most_m2
            free = free_m2(geometry, patches, one.face)
            if spread[one.face] > free + 0.0051:
                found[k] = InvalidValue(f"adjustable[{k}].area_m2", one.most_m2,
                                        f"does not fit: {one.face} has {free:.2f} m² free", "lower the limit")
    for face, some in own.items():
        taken.setdefault(face, []).extend(region for _, region in some)
    for k, one in enumerate(adjustables):
        if one is None or one.spread or one.region is not None:
            continue
        alone = sum(other is not None and other.face == one.face and other.region is None and not other.spread
                    for other in adjustables) == 1
        pieces = _free_pieces(geometry, one.face, taken.setdefault(one.face, []), one.most_m2, keep_whole=alone)
        free = sum(map(_area, pieces))
        if free < one.most_m2 - 0.005:
            found[k] = InvalidValue(
                f"adjustable[{k}].area_m2", one.most_m2,
                f"does not fit: {free:.2f} m² of {one.face} can be covered in {MOST_PIECES} rectangles",
                "lower the limit, or give from_m and to_m: it then hides what it covers")
            continue
        taken[one.face] += pieces
        found[k] = tuple(pieces)
    return found


def _own_region(
    geometry: Geometry, one: Adjustable, k: int, others: list[tuple[int, Rectangle]]
) -> tuple[Rectangle, ...] | InvalidValue:
    region = one.region
    assert region is not None
    other = next((j for j, there in others if _overlap(region, there)), None)
    if other is not None:
        return InvalidValue(f"adjustable[{k}].from_m", None, f"overlaps adjustable[{other}]", "keep them apart")
    if one.most_m2 > _area(region) + 0.0051:
        return InvalidValue(f"adjustable[{k}].area_m2", one.most_m2,
                            f"is more than its rectangle holds ({_area(region):.2f} m²)")
    return (region,)


def with_areas(room: Room, adjustables: Sequence[Adjustable], areas_m2: Sequence[float]) -> Room:
    """The room with so much of each adjustable; patches behind them are hidden.

    Raises
    ------
    InvalidValue : an adjustable that has no place
    """
    placed = placements(room, adjustables, areas_m2)
    materials = dict(room.materials)
    for one, area in zip(adjustables, areas_m2, strict=True):
        if one.spread:
            share = min(float(area) / free_m2(room.geometry, room.patches, one.face), 1.0)
            materials[one.face] = mixed(materials[one.face], one.material, share)
    patches = list(room.patches)
    new: list[Patch] = []
    for one, pieces in zip(adjustables, placed, strict=True):
        for piece in pieces:
            patches = [left for patch in patches for left in _behind(patch, one.face, piece)]
            new.append(Patch(face=one.face, material=one.material, from_m=np.array(piece[:2]),
                             to_m=np.array(piece[2:])))
    return replace(room, materials=materials, patches=(*patches, *new))


def free_m2(geometry: Geometry, patches: Sequence[Patch], face: str) -> float:
    """Area of a face that no patch covers."""
    return geometry.face(face).exposed_m2 - sum(patch.area_m2 for patch in patches if patch.face == face)


def placements(
    room: Room, adjustables: Sequence[Adjustable], areas_m2: Sequence[float]
) -> list[tuple[Rectangle, ...]]:
    """Where so much of each hangs: curtains from their first corner on over the full height, all else about the middle.

    Raises
    ------
    InvalidValue : an adjustable that has no place
    """
    out = []
    for one, area, pieces in zip(
        adjustables, areas_m2, regions(room.geometry, room.patches, adjustables), strict=True
    ):
        if isinstance(pieces, InvalidValue):
            raise pieces
        out.append(tuple(_filled(one, pieces, float(area))))
    return out


def _filled(one: Adjustable, pieces: Sequence[Rectangle], area_m2: float) -> Iterator[Rectangle]:
    for piece in pieces:
        share = min(area_m2 / _area(piece), 1.0)
        area_m2 -= share * _area(piece)
        u0, v0, u1, v1 = piece
        if getattr(one.material, "kind", "") == "curtain":
            width = (u1 - u0) * share
            backwards = one.from_m is not None and one.to_m is not None and one.from_m[0] > one.to_m[0]
            made = (u1 - width, v0, u1, v1) if backwards else (u0, v0, u0 + width, v1)
        else:
            half_u, half_v = (u1 - u0) / 2 * share**0.5, (v1 - v0) / 2 * share**0.5
            made = ((u0 + u1) / 2 - half_u, (v0 + v1) / 2 - half_v, (u0 + u1) / 2 + half_u, (v0 + v1) / 2 + half_v)
        if min(made[2] - made[0], made[3] - made[1]) >= LEAST_SIDE_M:
            yield made


def _free_pieces(
    geometry: Geometry, face_name: str, taken: Sequence[Rectangle], most_m2: float, *, keep_whole: bool
) -> list[Rectangle]:
    """The largest free rectangles of a face, largest first, until they hold an area; the last may be cut."""
    face = geometry.face(face_name)
    outline = _in_face(geometry, face_name, face.corners_m)
    covers = [_in_face(geometry, face_name, cover) for cover in face.covers]
    blocked = [*taken, *((*c.min(axis=0), *c.max(axis=0)) for c in covers)]
    pieces: list[Rectangle] = []
    left = most_m2
    while left > 0.005 and len(pieces) < MOST_PIECES:
        best = _largest(outline, [*blocked, *pieces])
        if best is None or min(best[2] - best[0], best[3] - best[1]) < LEAST_SIDE_M:
            break
        if _area(best) > left and not keep_whole:
            u0, v0, u1, v1 = best
            best = (u0, v0, u0 + left / (v1 - v0), v1) if u1 - u0 >= v1 - v0 else (u0, v0, u1, v0 + left / (u1 - u0))
        pieces.append(best)
        left -= _area(best)
    return pieces


def _largest(outline: NDArray[np.float64], blocked: Sequence[Rectangle]) -> Rectangle | None:
    """The largest rectangle inside an outline that meets none of those blocked."""
    from .outline import signed_distance_m

    box = np.array(blocked, float).reshape(-1, 4)
    lines = [np.unique(np.concatenate([outline[:, axis], box[:, axis], box[:, axis + 2]]).round(9)) for axis in (0, 1)]
    low, high = outline.min(axis=0), outline.max(axis=0)
    u, v = (line[(line >= low[axis] - 1e-9) & (line <= high[axis] + 1e-9)] for axis, line in enumerate(lines))
    free = np.zeros((len(u) - 1, len(v) - 1), bool)
    for i in range(len(u) - 1):
        for j in range(len(v) - 1):
            corners = np.array([[u[i], v[j]], [u[i + 1], v[j]], [u[i + 1], v[j + 1]], [u[i], v[j + 1]]])
            middle = corners.mean(axis=0)
            inside = signed_distance_m(np.vstack([corners, middle[None]]), outline) >= -1e-6
            held = np.any((box[:, 0] < middle[0]) & (middle[0] < box[:, 2])
                          & (box[:, 1] < middle[1]) & (middle[1] < box[:, 3])) if len(box) else False
            free[i, j] = bool(inside.all()) and not held
    best, most = None, 0.0
    for i in range(len(u) - 1):
        open_columns = np.ones(len(v) - 1, bool)
        for k in range(i, len(u) - 1):
            open_columns &= free[k]
            for j, e in _runs(open_columns):
                area = (u[k + 1] - u[i]) * (v[e] - v[j])
                if area > most + 1e-9:
                    best, most = (float(u[i]), float(v[j]), float(u[k + 1]), float(v[e])), area
    return best


def _runs(flags: NDArray[np.bool_]) -> Iterator[tuple[int, int]]:
    """Beginnings and ends of runs of true."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], flags.astype(int), [0]])))
    yield from zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True)


def _in_face(geometry: Geometry, face: str, points_m: NDArray[np.float64]) -> NDArray[np.float64]:
    """Points in the coordinates that patches of a face count in, shape (n, 2)."""
    origin, first, second = face_axes(geometry, geometry.face(face))
    rel = points_m - origin
    return np.stack([rel @ first, rel @ second], axis=1)


def _behind(patch: Patch, face: str, cover: Rectangle) -> Iterator[Patch]:
    """What is still seen of a patch with something in front of it: itself, or up to four pieces."""
    (a, b), (c, d) = map(tuple, (patch.from_m.tolist(), patch.to_m.tolist()))
    if patch.face != face or not _overlap((a, b, c, d), cover):
        yield patch
        return
    u0, v0, u1, v1 = max(a, cover[0]), max(b, cover[1]), min(c, cover[2]), min(d, cover[3])
    for piece in ((a, b, u0, d), (u1, b, c, d), (u0, b, u1, v0), (u0, v1, u1, d)):
        if min(piece[2] - piece[0], piece[3] - piece[1]) >= LEAST_SIDE_M:
            yield replace(patch, from_m=np.array(piece[:2]), to_m=np.array(piece[2:]))


def _overlap(one: Rectangle, other: Rectangle) -> bool:
    return (min(one[2], other[2]) - max(one[0], other[0]) > 1e-9
            and min(one[3], other[3]) - max(one[1], other[1]) > 1e-9)


def _area(one: Rectangle) -> float:
    return (one[2] - one[0]) * (one[3] - one[1])
