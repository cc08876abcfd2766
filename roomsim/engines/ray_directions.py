"""Directions of rays: even, and closer together where sound lives longest.

Between parallel faces that absorb little, sound outlives the rest if it runs nearly along both: in the plane between an
absorbing floor and ceiling, to and fro along one axis. Such directions are a small part of the sphere, so that even
rays would leave late sound to a few of them. A share of the rays is therefore drawn from densities that rise towards
the planes and axes of the room's faces, and every ray carries the inverse of the density of all together.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..room.geometry import Geometry

SHEET, CONE = 0.02, 0.001
"""How near to a plane (sine of the angle) and to an axis (1 - cosine) the density rises."""

EVEN, SHEETS = 0.4, 0.3
"""Share of even rays (Lambert's law for those from a face) and of those towards planes; the rest goes towards axes."""

MOST_AXES = 4


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Spread:
    """Densities of directions in one room.

    Attributes
    ----------
    axes : unit normals of its faces, each once up to its sign, those of the largest area, shape (n_axis, 3)
    """

    axes: NDArray[np.float64]

    @classmethod
    def of(cls, geometry: Geometry) -> Spread:
        found: list[NDArray[np.float64]] = []
        area: list[float] = []
        for face in geometry.faces:
            for k, axis in enumerate(found):
                if abs(axis @ face.normal) > 1 - 1e-6:
                    area[k] += face.area_m2
                    break
            else:
                found.append(face.normal)
                area.append(face.area_m2)
        largest = sorted(np.argsort(-np.array(area), kind="stable")[:MOST_AXES])
        return cls(axes=np.array([found[k] for k in largest]))

    def sample(
        self, count: int, rng: np.random.Generator, normal: NDArray[np.float64] | None = None, *, blocks: int = 1
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Directions and how much of all sound each stands for (1 in all).

        Parameters
        ----------
        count : about how many
        rng : shifts the sequences
        normal : of a face, shape (3,), if only directions to its side are wanted
        blocks : how many sets

        Returns
        -------
        directions (blocks, n, 3), weights (blocks, n)
        """
        counts = self.shares(count)
        parts = [
            self.turned(kind, even_points(0, n * blocks, 2, rng.random(2))).reshape(blocks, n, 3)
            for kind, n in enumerate(counts)
        ]
        directions = np.concatenate(parts, axis=1)
        if normal is not None:
            directions -= 2 * np.minimum(directions @ normal, 0)[..., None] * normal
        flat = directions.reshape(-1, 3)
        weight = (1 / self._density(flat, counts, normal, lambert=False)).reshape(directions.shape[:2])
        return directions, weight / weight.sum(axis=1, keepdims=True)

    def shares(self, count: int) -> list[int]:
        """How many of `count` rays follow each density: even, then towards the plane and the axis of every axis."""
        even = int(np.ceil(count * EVEN))
        plane = int(np.ceil(count * SHEETS / len(self.axes)))
        axis = int(np.ceil(count * (1 - EVEN - SHEETS) / len(self.axes)))
        return [even, *([plane, axis] * len(self.axes))]

    def turned(
        self, kind: int, even: NDArray[np.float64], normal: NDArray[np.float64] | None = None
    ) -> NDArray[np.float64]:
        """Directions of one density (see `shares`) from even points of the unit square, (n, 3).

        With a normal they lie on its side, and the even ones follow Lambert's law about it.
        """
        if kind == 0:
            up = np.sqrt(even[:, 0]) if normal is not None else 2 * even[:, 0] - 1
            return _about(self.axes[0] if normal is None else normal, up, even[:, 1])
        signed = 2 * even[:, 0] - 1
        if kind % 2:
            t = np.sign(signed) * SHEET * (((1 + SHEET) / SHEET) ** np.abs(signed) - 1)
        else:
            t = np.sign(signed) * (1 - CONE * (((1 + CONE) / CONE) ** np.abs(signed) - 1))
        out = _about(self.axes[(kind - 1) // 2], t, even[:, 1])
        return out if normal is None else out - 2 * np.outer(np.minimum(out @ normal, 0), normal)

    def lambert(
        self, directions: NDArray[np.float64], counts: list[int], normal: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """How much of what a face sends by Lambert's law each direction stands for, (n,), 1 in all."""
        weight = directions @ normal / self._density(directions, counts, normal, lambert=True)
        return weight / weight.sum()

    def even(self, directions: NDArray[np.float64], counts: list[int]) -> NDArray[np.float64]:
        """How much of what is sent evenly each direction stands for, (n,), 1 in all."""
        weight = 1 / self._density(directions, counts, None, lambert=False)
        return weight / weight.sum()

    def _density(
        self, directions: NDArray[np.float64], counts: list[int], normal: NDArray[np.float64] | None, *, lambert: bool
    ) -> NDArray[np.float64]:
        """Of all parts together, re even over the sphere (or the half sphere)."""
        mirrored = None if normal is None else directions - 2 * np.outer(directions @ normal, normal)
        total = counts[0] * (2 * (directions @ normal) if lambert else np.ones(len(directions)))
        for k, axis in enumerate(self.axes):
            for kind, density in enumerate((_plane_density, _axis_density)):
                value = density(directions @ axis)
                if mirrored is not None:
                    value = (value + density(mirrored @ axis)) / 2
                total = total + counts[1 + 2 * k + kind] * value
        return total


def _plane_density(t: NDArray[np.float64]) -> NDArray[np.float64]:
    return 1 / (np.log((1 + SHEET) / SHEET) * (np.abs(t) + SHEET))


def _axis_density(t: NDArray[np.float64]) -> NDArray[np.float64]:
    return 1 / (np.log((1 + CONE) / CONE) * (1 - np.minimum(np.abs(t), 1) + CONE))


def _about(axis: NDArray[np.float64], t: NDArray[np.float64], turn: NDArray[np.float64]) -> NDArray[np.float64]:
    """Directions at cosine t from an axis, turned about it by a share of a full turn."""
    t = np.clip(t, -1, 1)[:, None]
    x, y, z = axis
    least = int(np.argmin(np.abs(axis)))
    first = np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]][least])
    first /= np.sqrt(first @ first)
    second = np.array([y * first[2] - z * first[1], z * first[0] - x * first[2], x * first[1] - y * first[0]])
    flat, angle = np.sqrt(1 - t**2), 2 * np.pi * turn[:, None]
    return t * axis + flat * (np.cos(angle) * first + np.sin(angle) * second)


def even_points(first: int, count: int, dimensions: int, shift: NDArray[np.float64]) -> NDArray[np.float64]:
    """Points first to first + count of a sequence that fills the unit cube evenly, shape (count, dimensions).

    Multiples of the powers of 1/φ, φ^(d+1) = φ + 1, modulo 1 (a Kronecker sequence [niederreiter1992]).
    """
    phi = 2.0
    for _ in range(30):
        phi = (1 + phi) ** (1 / (dimensions + 1))
    steps = phi ** -np.arange(1.0, dimensions + 1)
    return (shift[:dimensions] + np.arange(first + 1, first + count + 1)[:, None] * steps) % 1.0
