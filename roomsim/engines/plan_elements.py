"""High-order finite elements on triangles and tetrahedra with straight sides: matrices and values at points.

General libraries stop at order 2 on tetrahedra and 4 on triangles; waves want 5 to 6, where the error per unknown
is a hundredth of that.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import lru_cache
from itertools import product
from math import factorial

import numpy as np
from numpy.polynomial import legendre
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Mesh:
    """Triangles (dimension 2) or tetrahedra (3) that fill a region.

    Attributes
    ----------
    points_m : shape (n_point, dimension)
    cells : corners of each cell, positive volume, shape (n_cell, dimension + 1)
    """

    points_m: NDArray[np.float64]
    cells: NDArray[np.int64]

    @property
    def dimension(self) -> int:
        return self.points_m.shape[1]

    @property
    def frames(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """First corner of each cell and the matrix whose columns are the edges from it."""
        corners = self.points_m[self.cells]
        return corners[:, 0], np.swapaxes(corners[:, 1:] - corners[:, :1], 1, 2)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Elements:
    """Continuous polynomials of one order on a mesh.

    Attributes
    ----------
    mesh, order : the cells and the degree on each
    nodes_m : where the unknowns are values of the field, shape (n_node, dimension)
    cell_nodes : nodes of each cell, shape (n_cell, n_local)
    stiffness, mass : ∫∇u·∇v and ∫uv, sparse, symmetric, (n_node, n_node)
    """

    mesh: Mesh
    order: int
    nodes_m: NDArray[np.float64]
    cell_nodes: NDArray[np.int64]
    stiffness: object = field(repr=False)
    mass: object = field(repr=False)

    def values(self, points_m: NDArray[np.float64], cells: NDArray[np.int64] | None = None) -> object:
        """Sparse matrix (n_point, n_node) that gives the field at points; each in its cell, if known.

        A point outside every cell is given by the polynomial of the cell it is least outside of.
        """
        from scipy.sparse import csr_matrix

        points = np.atleast_2d(points_m)
        where = self.locate(points) if cells is None else cells
        first, edges = self.mesh.frames
        local = np.linalg.solve(edges[where], (points - first[where])[..., None])[..., 0]
        rows = shapes(self.order, local)
        index = np.repeat(np.arange(len(points)), rows.shape[1])
        return csr_matrix((rows.ravel(), (index, self.cell_nodes[where].ravel())), (len(points), len(self.nodes_m)))

    def locate(self, points_m: NDArray[np.float64]) -> NDArray[np.int64]:
        """The cell that holds each point, shape (n_point,)."""
        first, edges = self.mesh.frames
        inverse = np.linalg.inv(edges)
        out = np.empty(len(points_m), np.int64)
        for start in range(0, len(points_m), 256):
            some = points_m[start : start + 256]
            local = np.einsum("cij,cpj->cpi", inverse, some[None] - first[:, None])
            least = np.minimum(local.min(axis=2), 1 - local.sum(axis=2))
            out[start : start + 256] = least.argmax(axis=0)
        return out


def elements(mesh: Mesh, order: int) -> Elements:
    """Number the unknowns of a mesh and assemble its matrices."""
    from scipy.sparse import csr_matrix

    first, edges = mesh.frames
    nodes = first[:, None] + np.einsum("cij,nj->cni", edges, lattice(order, mesh.dimension))
    # A node is its weights of the corners: rounded places would part some that are one, where they fall on a half.
    steps = np.round(lattice(order, mesh.dimension) * order).astype(np.int64)
    weights = np.concatenate([order - steps.sum(axis=1, keepdims=True), steps], axis=1)
    keys = np.where(weights > 0, mesh.cells[:, None] * (order + 1) + weights, -1)
    keys = np.sort(keys, axis=2).reshape(-1, mesh.dimension + 1)
    _, unique, index = np.unique(keys, axis=0, return_index=True, return_inverse=True)
    cell_nodes = index.reshape(nodes.shape[:2])
    volume = np.linalg.det(edges)
    metric = np.linalg.inv(edges)
    metric = metric @ np.swapaxes(metric, 1, 2) * volume[:, None, None]
    mass, stiffness = reference_matrices(order, mesh.dimension)
    local_k = np.einsum("cij,ijab->cab", metric, stiffness)
    local_m = volume[:, None, None] * mass
    count, size = len(unique), cell_nodes.shape[1]
    rows = np.repeat(cell_nodes, size, axis=1).ravel()
    columns = np.tile(cell_nodes, (1, size)).ravel()
    shape = (count, count)
    return Elements(
        mesh=mesh, order=order, nodes_m=nodes.reshape(-1, mesh.dimension)[unique], cell_nodes=cell_nodes,
        stiffness=csr_matrix((local_k.ravel(), (rows, columns)), shape),
        mass=csr_matrix((local_m.ravel(), (rows, columns)), shape),
    )


@lru_cache(maxsize=16)
def lattice(order: int, dimension: int) -> NDArray[np.float64]:
    """Evenly spaced nodes of the reference simplex, shape (n_local, dimension)."""
    steps = [n for n in product(range(order + 1), repeat=dimension) if sum(n) <= order]
    return np.array(steps, float) / order


def _modes(order: int, points: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Products of Legendre polynomials up to a total degree, and their gradients, at points of the reference simplex.

    Shapes (n_point, n_local) and (n_point, n_local, dimension).
    """
    dimension = points.shape[1]
    table = [legendre.legvander(2 * points[:, d] - 1, order) for d in range(dimension)]
    slope = []
    for d in range(dimension):
        x = 2 * points[:, d] - 1
        columns = [legendre.legval(x, legendre.legder(np.eye(order + 1)[n])) for n in range(order + 1)]
        slope.append(2 * np.stack(columns, axis=1))
    degrees = [n for n in product(range(order + 1), repeat=dimension) if sum(n) <= order]
    value = np.stack([np.prod([table[d][:, n[d]] for d in range(dimension)], axis=0) for n in degrees], axis=1)
    gradient = np.stack([
        np.stack([np.prod([(slope if d == e else table)[d][:, n[d]] for d in range(dimension)], axis=0)
                  for e in range(dimension)], axis=1)
        for n in degrees
    ], axis=1)
    return value, gradient


@lru_cache(maxsize=16)
def _to_nodes(order: int, dimension: int) -> NDArray[np.float64]:
    """Modes to nodal shapes."""
    return np.linalg.inv(_modes(order, lattice(order, dimension))[0])


def shapes(order: int, local: NDArray[np.float64]) -> NDArray[np.float64]:
    """Shape functions at points of the reference simplex, shape (n_point, n_local)."""
    return _modes(order, local)[0] @ _to_nodes(order, local.shape[1])


@lru_cache(maxsize=16)
def simplex_rule(degree: int, dimension: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Points and weights on the reference simplex, exact to `degree` (Gauss-Legendre on the collapsed cube)."""
    count = (degree + dimension) // 2 + 1
    x, w = np.polynomial.legendre.leggauss(count)
    x, w = (x + 1) / 2, w / 2
    grids = np.meshgrid(*[x] * dimension, indexing="ij")
    weight = np.prod(np.meshgrid(*[w] * dimension, indexing="ij"), axis=0).ravel()
    cube = np.stack([g.ravel() for g in grids], axis=1)
    points, left = np.empty_like(cube), np.ones(len(cube))
    for d in range(dimension):
        points[:, d] = cube[:, d] * left
        weight = weight * left
        left = left * (1 - cube[:, d])
    weight = weight / weight.sum() / factorial(dimension)
    return points, weight


@lru_cache(maxsize=16)
def reference_matrices(order: int, dimension: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """∫ab on the reference simplex (n, n), and ∫∂_i a ∂_j b, (dimension, dimension, n, n)."""
    points, weight = simplex_rule(2 * order, dimension)
    value, gradient = _modes(order, points)
    nodal = _to_nodes(order, dimension)
    value, gradient = value @ nodal, np.einsum("pmd,mn->pnd", gradient, nodal)
    mass = np.einsum("p,pa,pb->ab", weight, value, value)
    return mass, np.einsum("p,pai,pbj->ijab", weight, gradient, gradient)
