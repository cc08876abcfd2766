"""Free rigid rectangles close to a loudspeaker: the bench under it, the recess it stands in, the screen above it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..errors import InvalidValue


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Plate:
    """A thin, rigid rectangle.

    Attributes
    ----------
    name : as reports call it
    corner_m, first_m, second_m : a corner and the two sides from it in the room, shape (3,), at right angles

    Raises
    ------
    InvalidValue : sides that have no length or are not at right angles
    """

    name: str
    corner_m: NDArray[np.float64]
    first_m: NDArray[np.float64]
    second_m: NDArray[np.float64]

    def __post_init__(self) -> None:
        for key in ("corner_m", "first_m", "second_m"):
            array = np.array(getattr(self, key), float)
            array.setflags(write=False)
            object.__setattr__(self, key, array)
        if self.size_m.min() < 1e-3:
            raise InvalidValue(self.name, self.size_m.tolist(), "a plate must be at least a millimetre wide and deep")
        if abs(self.first_m @ self.second_m) > 1e-9 * np.prod(self.size_m):
            raise InvalidValue(self.name, None, "the sides of a plate must be at right angles")

    @property
    def size_m(self) -> NDArray[np.float64]:
        """Lengths of its two sides, shape (2,)."""
        return np.array([np.linalg.norm(self.first_m), np.linalg.norm(self.second_m)])

    @property
    def axes(self) -> NDArray[np.float64]:
        """Unit vectors along its sides and its normal as rows, shape (3, 3)."""
        first, second = self.first_m / self.size_m[0], self.second_m / self.size_m[1]
        return np.stack([first, second, np.cross(first, second)])

    @property
    def corners_m(self) -> NDArray[np.float64]:
        """Shape (4, 3)."""
        return np.array([self.corner_m + a * self.first_m + b * self.second_m
                         for a, b in ((0, 0), (1, 0), (1, 1), (0, 1))])

    def local(self, points_m: ArrayLike) -> NDArray[np.float64]:
        """Coordinates along its sides and along its normal, from its corner, shape (..., 3)."""
        return (np.asarray(points_m, float) - self.corner_m) @ self.axes.T

    def mirrored(self, points_m: ArrayLike) -> NDArray[np.float64]:
        """Mirror images of points in its plane, shape (..., 3)."""
        points = np.asarray(points_m, float)
        height = self.local(points)[..., 2:]
        return points - 2 * height * self.axes[2]

    @property
    def reflection(self) -> NDArray[np.float64]:
        """The matrix that mirrors directions in its plane, shape (3, 3)."""
        return np.eye(3) - 2 * np.outer(self.axes[2], self.axes[2])
