"""A pattern on an even grid in polar angle and azimuth, read between by trigonometric interpolation.

Spherical harmonics of order N are trigonometric polynomials of degree N in both angles once the sphere is
unrolled to a torus (going on over a pole means half a turn in azimuth). So a grid of a little more than 2N
steps holds all that measured data can, and product grids of any fineness follow from two small matrix
products instead of one interpolation per direction.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TorusTable:
    """A pattern about an axis, unrolled.

    Attributes
    ----------
    values : at polar angles 2π(i + ½)/n and azimuths 2πj/m, shape (n, m, n_frequency), n and m even
    """

    values: NDArray[np.complex128]

    def columns(self, which: NDArray[np.intp]) -> TorusTable:
        """The table at some of its frequencies."""
        return TorusTable(values=self.values[:, :, which])

    def on_grid(
        self, polar_rad: NDArray[np.float64], azimuth_rad: NDArray[np.float64]
    ) -> NDArray[np.complex128]:
        """Values on the product grid, shape (n_polar, n_azimuth, n_frequency)."""
        n, m, count = self.values.shape
        down, about = _between(polar_rad.tobytes(), n, 0.5), _between(azimuth_rad.tobytes(), m, 0.0)
        half = _times(down, self.values.reshape(n, -1)).reshape(-1, m, count)
        out = _times(about, half.transpose(1, 0, 2).reshape(m, -1)).reshape(-1, len(down), count)
        return out.transpose(1, 0, 2)


def torus_table(
    far_pressure: Callable[[NDArray[np.float64]], NDArray[np.complex128]], degree: int
) -> TorusTable:
    """Tabulate a pattern for trigonometric degree `degree`.

    Parameters
    ----------
    far_pressure : values (n, n_frequency) in unit vectors (n, 3): the axis is x, azimuth counts from y towards z
    """
    n = 2 * (degree + 1)                                   # even, and no node on a pole
    polar = 2 * np.pi * (np.arange(n // 2) + 0.5) / n
    azimuth = 2 * np.pi * np.arange(n) / n
    sine = np.sin(polar)
    parts = [np.outer(np.cos(polar), np.ones(n)), np.outer(sine, np.cos(azimuth)), np.outer(sine, np.sin(azimuth))]
    front = far_pressure(np.stack(parts, axis=-1).reshape(-1, 3)).reshape(n // 2, n, -1)
    back = np.roll(front[::-1], n // 2, axis=1)            # beyond the pole: the other side
    return TorusTable(values=np.concatenate([front, back]))


def _times(matrix: NDArray[np.float64], values: NDArray[np.complex128]) -> NDArray[np.complex128]:
    """A real matrix times complex columns; two real products cost half of a mixed one."""
    flat = np.ascontiguousarray(values)
    return (matrix @ flat.view(float)).view(complex)


@lru_cache(maxsize=64)
def _between(angle: bytes, count: int, offset: float) -> NDArray[np.float64]:
    """Trigonometric interpolation from angles 2π(i + offset)/count, count even, shape (n_angle, count)."""
    x = np.frombuffer(angle)[:, None] - 2 * np.pi * (np.arange(count) + offset) / count
    near = np.abs(np.sin(x / 2)) < 1e-12
    safe = np.where(near, 1.0, x)
    out = np.where(near, 1.0, np.sin(count * x / 2) / np.tan(safe / 2) / count)
    out.setflags(write=False)
    return out
