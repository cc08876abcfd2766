"""Faces with patches as one finish all over and rectangles that deviate from it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..conventions import BOX_FACES
from ..room.materials import Material
from ..room.room import Room

_TYPICAL_K = 10.0
"""Wavenumber [1/m] at which the cost of a layout is judged."""

_SLIVER_M = 1e-6


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Deviation:
    """A rectangle of a box's face whose finish is not the one the face is taken to have all over.

    Attributes
    ----------
    axis, side : the face: perpendicular to that axis, 0 at its low end, 1 at its high end
    low_m, high_m : corners in the two other axes, in the order x, y, z, shape (2,)
    material : the finish that is there
    """

    axis: int
    side: int
    low_m: NDArray[np.float64]
    high_m: NDArray[np.float64]
    material: Material


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Layout:
    """A box room as uniform faces and deviations.

    Attributes
    ----------
    base : face name -> finish that the face is taken to have all over
    deviations : rectangles where another finish is
    """

    base: dict[str, Material]
    deviations: tuple[Deviation, ...]

    def base_admittances(self, frequency_hz: ArrayLike) -> NDArray[np.complex128]:
        """β = 1/ζ of the uniform faces, shape (3, 2, n_frequency)."""
        f = np.atleast_1d(np.asarray(frequency_hz, float))
        beta = [1 / np.asarray(self.base[face].impedance(f), complex) for face in BOX_FACES]
        return np.stack(beta).reshape(3, 2, f.size)


def layout(room: Room) -> Layout:
    """The layout of a box that costs the patch solver least.

    A face counts as of its own finish or of that of its largest patches, whichever leaves less to be solved: a
    carpet from wall to nearly wall is a carpet with a bare rim. Patches of the same finish as their face vanish.
    """
    base, deviations = {}, []
    for number, face in enumerate(BOX_FACES):
        finish, pieces = _cheapest(room, face)
        base[face] = finish
        axis, side = divmod(number, 2)
        deviations += [
            Deviation(axis=axis, side=side, low_m=low, high_m=high, material=material)
            for low, high, material in pieces
        ]
    return Layout(base=base, deviations=tuple(deviations))


Piece = tuple[NDArray[np.float64], NDArray[np.float64], Material]


def _cheapest(room: Room, face: str) -> tuple[Material, list[Piece]]:
    own = room.materials[face]
    patches: list[Piece] = [(p.from_m, p.to_m, p.material) for p in room.patches if p.face == face]
    if not patches:
        return own, []
    axis = BOX_FACES.index(face) // 2
    size = np.delete(np.asarray(room.geometry.size_m, float), axis)
    rest = [(low, high, own) for low, high in uncovered(size, [(low, high) for low, high, _ in patches])]
    choices = []
    for finish in {id(m): m for m in (own, *(material for _, _, material in patches))}.values():
        pieces = [piece for piece in (*patches, *rest) if piece[2] is not finish]
        choices.append((sum(_cost(high - low) for low, high, _ in pieces), len(choices), finish, pieces))
    _, _, finish, pieces = min(choices, key=lambda choice: choice[:2])
    return finish, pieces


def _cost(size_m: NDArray[np.float64]) -> float:
    """About how many unknowns a rectangle takes."""
    return float(np.prod(0.4 * _TYPICAL_K * size_m + 4))


def uncovered(
    size_m: NDArray[np.float64], covered: list[tuple[NDArray[np.float64], NDArray[np.float64]]]
) -> Iterator[tuple[NDArray[np.float64], NDArray[np.float64]]]:
    """Rectangles that fill what others leave of the rectangle from 0 to size_m; corners (2,) of each."""
    edges = [
        np.unique(np.clip([0.0, size_m[i], *(c[i] for pair in covered for c in pair)], 0, size_m[i])) for i in range(2)
    ]
    open_strips: dict[tuple[float, float], float] = {}
    strips: list[tuple[tuple[float, float], float, float]] = []
    for bottom, top in zip(edges[1][:-1], edges[1][1:], strict=True):
        if top - bottom < _SLIVER_M:
            continue
        middle = (bottom + top) / 2
        taken = sorted((low[0], high[0]) for low, high in covered if low[1] <= middle <= high[1])
        free, reached = [], 0.0
        for begin, end in (*taken, (size_m[0], size_m[0])):
            if begin - reached > _SLIVER_M:
                free.append((float(reached), float(begin)))
            reached = max(reached, end)
        for gap in list(open_strips):
            if gap not in free:
                strips.append((gap, open_strips.pop(gap), float(bottom)))
        for gap in free:
            open_strips.setdefault(gap, float(bottom))
    strips += [(gap, begin, float(size_m[1])) for gap, begin in open_strips.items()]
    for (left, right), bottom, top in strips:
        yield np.array([left, bottom]), np.array([right, top])
