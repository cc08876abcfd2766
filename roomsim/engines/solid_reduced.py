"""Fields at many frequencies from exact solutions at some: a Galerkin solution in what those span.

Between solved frequencies the field hardly leaves their span, so a small dense system does instead of a large sparse
one. Frequencies are added, half way between solved ones, until the equation is met there (rational approximation of a
transfer function by its own solutions; interpolation by projection [antoulas2005]).
"""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .plan_elements import Elements

Complexes = NDArray[np.complex128]

RESIDUAL = 1e-3
"""What may be left of the sources half way between solved frequencies; about the relative error of the field."""

_FIRST = 9
"""So many frequencies are solved to begin with."""

_LEAST = 1e-7
"""New directions smaller than this are rounding."""


def reduced_fields(
    space: Elements, walls: list[Any], square: Complexes, k_beta: Complexes, sources: Complexes,
    residual: float = RESIDUAL,
) -> tuple[Complexes, Complexes]:
    """Solve (K - κ²M + jΣkβB)x = sources at every frequency.

    Parameters
    ----------
    walls : the sparse matrices B
    square : κ², shape (n_frequency,), rising
    k_beta : kβ of every wall, shape (n_wall, n_frequency)
    sources : shape (n_node, n_source)
    residual : see RESIDUAL; 0 solves every frequency

    Returns
    -------
    basis, strength : (n_node, n_basis) and (n_frequency, n_basis, n_source); the fields are their products
    """
    whole = _Systems(space, walls, square, k_beta)
    small = _Projected(whole, sources)
    count = square.size
    known = _spread(square.real, count if residual <= 0 else min(_FIRST, count))
    small.add([whole.solve(n, sources) for n in known])
    gaps = [(a, b) for a, b in pairwise(known) if b > a + 1]
    while gaps:
        found, fresh = [], []
        for a, b in gaps:
            wanted = (square[a].real + square[b].real) / 2
            middle = int(np.clip(np.searchsorted(square.real, wanted), a + 1, b - 1))
            left = whole.at(middle) @ (small.basis @ small.solve(middle)) - sources
            if np.linalg.norm(left) > residual * np.linalg.norm(sources):
                found.append(middle)
                fresh += [(low, high) for low, high in ((a, middle), (middle, b)) if high > low + 1]
        if found:
            small.add([whole.solve(n, sources) for n in found])
        gaps = fresh
    return small.basis, np.array([small.solve(n) for n in range(count)])


def _spread(square: NDArray[np.float64], count: int) -> list[int]:
    """Positions evenly spread over κ², first and last among them."""
    if count >= square.size:
        return list(range(square.size))
    wanted = np.linspace(square[0], square[-1], count)
    return sorted({int(np.argmin(np.abs(square - one))) for one in wanted})


class _Systems:
    """The sparse systems of all frequencies: one pattern of entries, values by frequency."""

    def __init__(self, space: Elements, walls: list[Any], square: Complexes, k_beta: Complexes) -> None:
        self.square, self.k_beta = square, k_beta
        self.stiffness, self.mass, self.walls = space.stiffness, space.mass, walls
        pattern = self.stiffness
        size = pattern.shape[0]
        keys = np.repeat(np.arange(size), np.diff(pattern.indptr)) * size + pattern.indices
        self._places = []
        for one in walls:
            entries = one.tocoo()
            place = np.searchsorted(keys, entries.row.astype(np.int64) * size + entries.col)
            self._places.append((place, entries.data))

    def at(self, number: int) -> Any:
        """The matrix of one frequency; symmetric, so rows stand for columns."""
        from scipy.sparse import csc_matrix

        values = self.stiffness.data - self.square[number] * self.mass.data
        for beta, (place, data) in zip(self.k_beta[:, number], self._places, strict=True):
            values[place] += 1j * beta * data
        return csc_matrix((values, self.stiffness.indices, self.stiffness.indptr), self.stiffness.shape)

    def solve(self, number: int, right: Complexes) -> Complexes:
        """The ordering for symmetric patterns is 200 times faster than the usual one."""
        from scipy.sparse.linalg import splu

        factors = splu(self.at(number), permc_spec="MMD_AT_PLUS_A", diag_pivot_thresh=0.0,
                       options={"SymmetricMode": True})
        return factors.solve(right)


class _Projected:
    """The same systems on an orthonormal basis that grows."""

    def __init__(self, whole: _Systems, sources: Complexes) -> None:
        self.whole, self.sources = whole, sources
        self.basis = np.empty((len(sources), 0), complex)
        self._parts: list[Complexes] = [np.empty((0, 0), complex) for _ in range(2 + len(whole.walls))]
        self._right = np.empty((0, sources.shape[1]), complex)

    def add(self, fields: list[Complexes]) -> None:
        """Take more fields in."""
        fresh = np.concatenate([field / np.linalg.norm(field, axis=0) for field in fields], axis=1)
        for _ in range(2):                     # once more for what rounding leaves of the known directions
            fresh = fresh - self.basis @ (self.basis.conj().T @ fresh)
        vectors, weight, _ = np.linalg.svd(fresh, full_matrices=False)
        fresh = vectors[:, weight > _LEAST]
        matrices = (self.whole.stiffness, self.whole.mass, *self.whole.walls)
        for n, (part, matrix) in enumerate(zip(self._parts, matrices, strict=True)):
            image = matrix @ fresh
            cross = self.basis.conj().T @ image                                      # matrices are real and symmetric
            self._parts[n] = np.block([[part, cross], [cross.conj().T, fresh.conj().T @ image]])
        self._right = np.concatenate([self._right, fresh.conj().T @ self.sources])
        self.basis = np.concatenate([self.basis, fresh], axis=1)

    def solve(self, number: int) -> Complexes:
        """Strengths of the basis at one frequency, (n_basis, n_source)."""
        stiffness, mass, *walls = self._parts
        system = stiffness - self.whole.square[number] * mass
        for beta, part in zip(self.whole.k_beta[:, number], walls, strict=True):
            system += 1j * beta * part
        return np.linalg.solve(system, self._right)
