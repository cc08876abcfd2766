"""Spherical harmonics fitted to measured directions."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..sphere import fibonacci_grid, real_harmonics
from .interpolation import DirectionInterpolator, direction_interpolator

CONDITION = 100.0
"""Normal equations of the harmonics on a grid may be this badly conditioned."""

_FIELD_ORDER = 24
"""Highest order of an interpolated field: what a 7° grid carries, and what still evaluates fast."""

_NEGLIGIBLE = 1e-9
"""Orders that hold less than this part of the energy in every column are left to the local cubics."""

PRESSURE_LEFT, ENERGY_LEFT = (0.05, 0.2), (0.002, 0.01)
"""Harmonics are used in full where they leave less than the first part of the rms variation over the sphere,
and not at all where they leave more than the second: there the pattern is finer than the grid and they ring.
Energy reaches twice the order of pressure and its quiet directions suffer first, so less is allowed
(set by leaving directions out of measured and computed patterns)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SphereField:
    """Values on directions, interpolated: harmonics as far as they explain them, local cubics for the rest.

    At a node the value is the node's. Built by `sphere_field`.

    Attributes
    ----------
    local : interpolator on the nodes
    order : of the harmonics
    coefficients : shape ((order + 1)², n_column)
    remainder : node values without the harmonics, shape (n_node, n_column)
    """

    local: DirectionInterpolator
    order: int
    coefficients: NDArray
    remainder: NDArray

    def at(self, directions: NDArray[np.float64]) -> NDArray:
        """Values in unit vectors (n, 3), shape (n, n_column)."""
        harmonics = real_harmonics(self.order, directions)
        if np.iscomplexobj(self.coefficients):     # two real products cost half of a mixed one
            smooth = np.empty((len(directions), self.coefficients.shape[1]), complex)
            smooth.real = harmonics @ self.coefficients.real
            smooth.imag = harmonics @ self.coefficients.imag
        else:
            smooth = harmonics @ self.coefficients
        return smooth + self.local.weights(directions) @ self.remainder

    def combined(self, columns: ArrayLike) -> SphereField:
        """The field whose columns are combinations of these; `columns` has shape (n_column, n_new), sparse or not."""
        def times(values: NDArray) -> NDArray:
            return np.ascontiguousarray((columns.T @ values.T).T)

        return SphereField(
            local=self.local, order=self.order, coefficients=times(self.coefficients), remainder=times(self.remainder)
        )


def sphere_field(
    directions: NDArray[np.float64], values: NDArray, left_over: tuple[float, float] = PRESSURE_LEFT
) -> SphereField:
    """Interpolated field of values (n_node, n_column) on nodes (n_node, 3) all round the source.

    `left_over` is PRESSURE_LEFT or ENERGY_LEFT, for what the values are.
    """
    order = grid_order(directions, _FIELD_ORDER)
    coefficients = fitted(directions, values, order)
    harmonics = real_harmonics(order, directions)
    left = np.mean(np.abs(values - harmonics @ coefficients) ** 2, axis=0)
    varies = np.mean(np.abs(values - values.mean(axis=0)) ** 2, axis=0)
    part = np.sqrt(left / np.maximum(varies, 1e-30 + 1e-24 * np.mean(np.abs(values) ** 2, axis=0)))
    full, none = left_over
    coefficients = coefficients * np.clip((none - part) / (none - full), 0, 1)
    by_order = np.add.reduceat(np.abs(coefficients) ** 2, np.arange(order + 1) ** 2, axis=0)
    counts = np.flatnonzero(np.any(by_order > _NEGLIGIBLE * np.maximum(by_order.sum(axis=0), 1e-300), axis=1))
    order = int(counts[-1]) if counts.size else 0
    coefficients, harmonics = coefficients[: (order + 1) ** 2], harmonics[:, : (order + 1) ** 2]
    return SphereField(
        local=direction_interpolator(directions), order=order, coefficients=coefficients,
        remainder=values - harmonics @ coefficients,
    )


def fitted(directions: NDArray[np.float64], values: NDArray, order: int, roughness: float = 0.0) -> NDArray:
    """Area-weighted least-squares coefficients of values (n, n_column), shape ((order + 1)², n_column).

    `roughness` weighs a penalty on n²(n + 1)², the squared curvature of each order.
    """
    degree = np.concatenate([np.full(2 * n + 1, n) for n in range(order + 1)])
    basis = real_harmonics(order, directions)
    weighted = basis * node_areas(directions)[:, None]
    normal = weighted.T @ basis + np.diag(roughness * (degree * (degree + 1.0)) ** 2)
    return np.linalg.solve(normal, weighted.T @ values)


def grid_order(directions: NDArray[np.float64], most: int = 60) -> int:
    """Highest order, at most `most`, whose fit on these directions is well conditioned."""
    top = max(min(int(np.sqrt(len(directions) / 1.2)) - 1, most), 0)
    basis = real_harmonics(top, directions)
    normal = (basis * node_areas(directions)[:, None]).T @ basis

    def carries(order: int) -> bool:
        size = (order + 1) ** 2
        values = np.linalg.eigvalsh(normal[:size, :size])
        return bool(values[0] > 0 and values[-1] / values[0] < CONDITION)

    if carries(top):
        return top
    low, high = 0, top - 1
    while low < high:                                    # the condition number only grows with the order
        middle = (low + high + 1) // 2
        low, high = (middle, high) if carries(middle) else (low, middle - 1)
    return low


def node_areas(directions: NDArray[np.float64]) -> NDArray[np.float64]:
    """Solid angle nearest to each direction, shape (n,); beside a gap no more than four times the median."""
    from scipy.spatial import cKDTree

    test = fibonacci_grid(max(20 * len(directions), 5000))
    nearest = cKDTree(directions).query(test)[1]
    area = np.bincount(nearest, minlength=len(directions)) * 4 * np.pi / len(test)
    return np.minimum(area, 4 * np.median(area)) + 1e-9
