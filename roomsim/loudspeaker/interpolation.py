"""Interpolation of measured directivities: over directions, over frequency, and the phase that magnitudes imply.

All three are linear operators, so that they can be built once and applied to any number of frequencies,
and all three return the measured value at a measured point.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..errors import InvalidValue

_TERMS = 10
"""Coefficients of a local cubic in two variables, the constant first."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DirectionInterpolator:
    """Local cubics about every node of a triangulated sphere, blended inside each triangle.

    Each node carries the cubic (in its tangent plane) that passes through it and fits its neighbours to the
    second ring; inside a triangle the cubics of its three corners are blended with weights b²/Σb² of the
    barycentric coordinates b. The result is continuous, passes through every node with that node's own slope,
    and is of fourth order in the spacing.
    """

    directions: NDArray[np.float64]
    triangles: NDArray[np.intp]
    _inverse: NDArray[np.float64]
    _centroids: Any
    _axes: NDArray[np.float64]
    _fit: Any

    def weights(self, directions: ArrayLike) -> Any:
        """Sparse matrix that takes node values to values in `directions` (n, 3), shape (n, n_node)."""
        from scipy.sparse import csr_array

        q = np.atleast_2d(np.asarray(directions, float))
        triangle, bary = self.locate(q)
        corner = self.triangles[triangle]
        blend = bary**2
        blend /= blend.sum(axis=1, keepdims=True)
        tangent = np.einsum("qcak,qk->qca", self._axes[corner], q)
        terms = _monomials(tangent[..., 0], tangent[..., 1]) * blend[..., None]
        columns = corner[..., None] * _TERMS + np.arange(_TERMS)
        per_row = 3 * _TERMS
        blended = csr_array(
            (terms.reshape(-1), columns.reshape(-1), np.arange(len(q) + 1) * per_row),
            shape=(len(q), _TERMS * len(self.directions)),
        )
        return blended @ self._fit

    def smallest_corner(self, directions: ArrayLike, values: NDArray[np.float64]) -> NDArray[np.float64]:
        """Smallest node value (n_node, n_column) at the corners around each direction, shape (n, n_column)."""
        triangle, _ = self.locate(np.atleast_2d(np.asarray(directions, float)))
        return values[self.triangles].min(axis=1)[triangle]

    def locate(self, directions: NDArray[np.float64]) -> tuple[NDArray[np.intp], NDArray[np.float64]]:
        """The triangle that each direction passes through (n,), and barycentric coordinates there (n, 3)."""
        count = min(8, len(self.triangles))
        near = self._centroids.query(directions, k=count)[1].reshape(len(directions), count)
        bary = np.einsum("qtij,qj->qti", self._inverse[near], directions)
        best = np.argmax(bary.min(axis=2), axis=1)
        rows = np.arange(len(directions))
        triangle, inside = near[rows, best], bary[rows, best]
        for row in np.flatnonzero(inside.min(axis=1) < -1e-9):   # long thin triangles: look at all of them
            every = self._inverse @ directions[row]
            triangle[row] = np.argmax(every.min(axis=1))
            inside[row] = every[triangle[row]]
        inside = np.clip(inside, 0, None)
        return triangle, inside / inside.sum(axis=1, keepdims=True)


def direction_interpolator(directions: ArrayLike) -> DirectionInterpolator:
    """Interpolator over nodes that surround the origin, unit vectors of shape (n, 3), n at least 4.

    Raises
    ------
    InvalidValue : the nodes leave half a sphere or more without any direction
    """
    from scipy.sparse import csr_array
    from scipy.spatial import ConvexHull, QhullError, cKDTree

    nodes = np.array(directions, float)
    try:
        hull = ConvexHull(nodes)
    except (QhullError, ValueError) as error:
        raise InvalidValue("directions", len(nodes), "at least four directions that span space are needed") from error
    if np.any(hull.equations[:, 3] > -1e-9):
        raise InvalidValue("directions", len(nodes), "must lie all round the source", "fill the missing ones first")
    triangles = hull.simplices
    corners = nodes[triangles]
    flat = np.abs(np.linalg.det(corners)) < 1e-12
    triangles, corners = triangles[~flat], corners[~flat]
    inverse = np.linalg.inv(corners.transpose(0, 2, 1))
    centroid = corners.mean(axis=1)
    centroid /= np.linalg.norm(centroid, axis=1, keepdims=True)
    axes = _tangent_axes(nodes)
    ring = _second_ring(triangles, len(nodes))
    rows, columns, data = [], [], []
    for node, stencil in enumerate(ring):
        offset = nodes[stencil] @ axes[node].T
        solve = _local_fit(offset)
        base = node * _TERMS
        rows.append(np.repeat(base + 1 + np.arange(_TERMS - 1), len(stencil)))
        columns.append(np.tile(stencil, _TERMS - 1))
        data.append(solve.reshape(-1))
        rows.append(base + np.arange(_TERMS))
        columns.append(np.full(_TERMS, node))
        data.append(np.concatenate([[1.0], -solve.sum(axis=1)]))
    fit = csr_array(
        (np.concatenate(data), (np.concatenate(rows), np.concatenate(columns))),
        shape=(_TERMS * len(nodes), len(nodes)),
    )
    return DirectionInterpolator(
        directions=nodes, triangles=triangles, _inverse=inverse, _centroids=cKDTree(centroid), _axes=axes, _fit=fit
    )


def frequency_weights(nodes_hz: ArrayLike, frequency_hz: ArrayLike) -> Any:
    """Sparse cubic interpolation on log f from nodes to frequencies, shape (n_node, n_frequency).

    Piecewise cubics with three-point slopes; held beyond the first and last node.
    """
    from scipy.sparse import csr_array

    x = np.log(np.atleast_1d(np.asarray(nodes_hz, float)))
    q = np.clip(np.log(np.atleast_1d(np.asarray(frequency_hz, float))), x[0], x[-1])
    if x.size == 1:
        return csr_array(np.ones((1, q.size)))
    slope = _slopes(x)
    k = np.clip(np.searchsorted(x, q, side="right") - 1, 0, x.size - 2)
    h = x[k + 1] - x[k]
    t = (q - x[k]) / h
    dense = np.zeros((q.size, x.size))
    rows = np.arange(q.size)
    dense += (h * t * (1 - t) ** 2)[:, None] * slope[k] - (h * t**2 * (1 - t))[:, None] * slope[k + 1]
    dense[rows, k] += (1 + 2 * t) * (1 - t) ** 2
    dense[rows, k + 1] += t**2 * (3 - 2 * t)
    return csr_array(dense.T)


def minimum_phase(frequency_hz: ArrayLike, log_magnitude: ArrayLike) -> NDArray[np.float64]:
    """Phase [rad] of the minimum-phase response with ln|H| at rising frequencies; same shape (..., n_frequency).

    Notes
    -----
    φ(f0) = (1/π) ∫ dL/du ln coth|u/2| du with u = ln(f/f0) (Bode's relation) [bode1945], exact for a
    magnitude that is piecewise linear in log f and held beyond the ends.
    """
    return np.asarray(log_magnitude, float) @ _phase_operator(np.asarray(frequency_hz, float))


def _phase_operator(frequency_hz: NDArray[np.float64]) -> NDArray[np.float64]:
    u = np.log(frequency_hz)
    if u.size < 2:
        return np.zeros((u.size, u.size))
    primitive = _coth_integral(u[:, None] - u[None, :])            # [node, f0]
    segment = np.diff(primitive, axis=0) / np.diff(u)[:, None] / np.pi
    operator = np.zeros((u.size, u.size))
    operator[1:] += segment
    operator[:-1] -= segment
    return operator


def _coth_integral(x: NDArray[np.float64]) -> NDArray[np.float64]:
    """∫_0^x ln coth|u/2| du = sign(x) (π²/4 - 2 χ2(e^-|x|)), χ2 the Legendre chi function."""
    from scipy.special import spence

    y = np.exp(-np.abs(x))
    return np.sign(x) * (np.pi**2 / 4 - (spence(1 - y) - spence(1 + y)))


def _slopes(x: NDArray[np.float64]) -> NDArray[np.float64]:
    """Three-point slopes (two-point at the ends) as a matrix on node values."""
    n = x.size
    out = np.zeros((n, n))
    h = np.diff(x)
    out[0, 0], out[0, 1] = -1 / h[0], 1 / h[0]
    out[-1, -2], out[-1, -1] = -1 / h[-1], 1 / h[-1]
    for i in range(1, n - 1):
        a, b = h[i - 1], h[i]
        out[i, i - 1], out[i, i], out[i, i + 1] = -b / (a * (a + b)), (b - a) / (a * b), a / (b * (a + b))
    return out


def _monomials(u: NDArray[np.float64], v: NDArray[np.float64]) -> NDArray[np.float64]:
    one = np.ones_like(u)
    return np.stack([one, u, v, u * u, u * v, v * v, u**3, u * u * v, u * v * v, v**3], axis=-1)


def _tangent_axes(nodes: NDArray[np.float64]) -> NDArray[np.float64]:
    helper = np.where(np.abs(nodes[:, 2:3]) < 0.9, np.array([[0.0, 0, 1]]), np.array([[1.0, 0, 0]]))
    first = np.cross(helper, nodes)
    first /= np.linalg.norm(first, axis=1, keepdims=True)
    return np.stack([first, np.cross(nodes, first)], axis=1)


def _second_ring(triangles: NDArray[np.intp], count: int) -> list[NDArray[np.intp]]:
    near: list[set[int]] = [set() for _ in range(count)]
    for a, b, c in triangles.tolist():
        near[a].update((b, c))
        near[b].update((a, c))
        near[c].update((a, b))
    out = []
    for node, first in enumerate(near):
        wide = set(first).union(*(near[other] for other in first)) - {node} if first else set()
        out.append(np.array(sorted(wide), dtype=np.intp))
    return out


def _local_fit(offset: NDArray[np.float64]) -> NDArray[np.float64]:
    """Least-squares operator from neighbour differences to the nine higher coefficients, shape (9, n)."""
    size = np.sqrt(np.mean(np.sum(offset**2, axis=1))) if len(offset) else 1.0
    scaled = offset / size
    basis = _monomials(scaled[:, 0], scaled[:, 1])[:, 1:]
    weight = 1 / (0.05 + np.sum(scaled**2, axis=1))
    powers = np.array([1, 1, 2, 2, 2, 3, 3, 3, 3])
    solve = np.zeros((9, len(offset)))
    for terms, least in ((9, 13), (5, 7), (2, 2)):      # the highest order that the neighbours can carry
        if len(offset) < least:
            continue
        matrix = basis[:, :terms] * weight[:, None]
        if np.linalg.cond(matrix) < 1e3 or terms == 2:
            solve[:terms] = np.linalg.pinv(matrix) * weight
            break
    return solve / size ** powers[:, None]
