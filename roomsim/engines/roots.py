"""Eigenvalues and eigenfunctions of one axis of a box with locally reacting walls at both ends.

All roots, or none of it is right: a field built on roots of which one is missing or counted twice is wrong by
decibels and looks like any other. So roots are followed from frequency to frequency, and at every frequency
the argument principle has to count as many as were found; where it does not, they are taken afresh from a
matrix that has them all.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..errors import RoomsimError
from . import wave_kernels as kernels

_RADIUS = 0.6
"""Roots are tracked and counted out to |q| with k(|β0| + |β1|) < _RADIUS |q|; beyond, n and q are one to one."""


_LONG_STEP = 0.2
"""Frequencies farther apart than this in ln f are solved afresh, not followed."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class AxisModes:
    """Modes of one axis, φ(x) = a e^{jqx} + b e^{jq(L-x)}, ∫φ² dx = 1, at every frequency.

    Attributes
    ----------
    length_m : L
    q : roots [1/m], Im q ≥ 0, rising Re q², shape (n_frequency, n_mode)
    a, b : amplitudes, same shape
    """

    length_m: float
    q: NDArray[np.complex128]
    a: NDArray[np.complex128]
    b: NDArray[np.complex128]

    def at(self, x_m: ArrayLike) -> NDArray[np.complex128]:
        """φ at the points x (n_point,), shape (n_point, n_frequency, n_mode)."""
        x = np.asarray(x_m, float).reshape(-1, 1, 1)
        return self.a * np.exp(1j * self.q * x) + self.b * np.exp(1j * self.q * (self.length_m - x))


def axis_modes(
    wavenumber: ArrayLike, admittance_low: ArrayLike, admittance_high: ArrayLike, length_m: float, count: int
) -> AxisModes:
    """The first `count` modes of an axis at every frequency.

    Parameters
    ----------
    wavenumber : real k [1/m], shape (n_frequency,), in any order; rising and finely spaced is fastest
    admittance_low, admittance_high : β = 1/ζ at x = 0 and x = L, complex, passive, shape (n_frequency,)
    length_m : L
    count : how many, by rising real part of q²

    Raises
    ------
    RoomsimError : the roots cannot be proved complete (not seen for passive walls)

    Notes
    -----
    (q² + k²β0β1) sin qL = jkq(β0 + β1) cos qL, φ ∝ q cos qx + jkβ0 sin qx [morse-ingard1968, ch. 9].
    """
    k, beta0, beta1 = np.broadcast_arrays(
        np.atleast_1d(np.asarray(wavenumber, float)),
        np.asarray(admittance_low, complex),
        np.asarray(admittance_high, complex),
    )
    kb0, kb1 = np.ascontiguousarray(k * beta0), np.ascontiguousarray(k * beta1)
    z = _all_roots(np.ascontiguousarray(k), kb0, kb1, float(length_m), count)
    q, a, b = kernels.mode_shapes(z, kb0, kb1, float(length_m))
    return AxisModes(
        length_m=float(length_m), q=q[:, :count].copy(), a=a[:, :count].copy(), b=b[:, :count].copy()
    )


def axis_roots(
    wavenumber: ArrayLike, admittance_low: ArrayLike, admittance_high: ArrayLike, length_m: float, count: int
) -> NDArray[np.complex128]:
    """The roots q [1/m] alone, shape (n_frequency, count); parameters as for `axis_modes`."""
    return axis_modes(wavenumber, admittance_low, admittance_high, length_m, count).q


def labelled_roots(
    wavenumber: NDArray[np.float64],
    admittance_low: NDArray[np.complex128],
    admittance_high: NDArray[np.complex128],
    length_m: float,
    count: int,
) -> NDArray[np.complex128]:
    """z = q² of the first `count` modes, each column one mode followed from its rigid twin nπ/L.

    Parameters as for `axis_modes`, with rising frequencies that start low. Shape (n_frequency, count).
    """
    kb0, kb1 = wavenumber * admittance_low, wavenumber * admittance_high
    return _all_roots(wavenumber, kb0, kb1, float(length_m), count)[:, :count]


def matrix_roots(kb0: complex, kb1: complex, length_m: float, count: int) -> NDArray[np.complex128]:
    """Squares z = q² of the lowest roots from the Legendre–Galerkin matrix, shape (count,), unpolished.

    K + j(kβ0 e0 e0ᵀ + kβ1 eL eLᵀ) over orthonormal Legendre polynomials on [0, L]: K holds ∫P'_m P'_n dx,
    e0 and eL their values at the ends. About 2.2 polynomials per root and 30 more resolve them all.
    """
    size = int(2.2 * count) + 30
    n = np.arange(size)
    scale = np.sqrt((2 * n + 1) / length_m)
    high = scale
    low = scale * (-1.0) ** n
    smaller = np.minimum.outer(n, n)
    even = (n[:, None] + n[None, :]) % 2 == 0
    # ∫ P'_m P'_n over [-1, 1] is l(l + 1), l the smaller degree, where m + n is even; else 0
    stiffness = np.where(even, smaller * (smaller + 1.0), 0.0) * np.outer(scale, scale) * 2 / length_m
    matrix = stiffness + 1j * (kb0 * np.outer(low, low) + kb1 * np.outer(high, high))
    z = np.linalg.eigvals(matrix)
    return z[np.argsort(z.real)][:count]


def tracked_count(k_beta: float, length_m: float) -> int:
    """How many roots must be tracked and counted for a largest k(|β0| + |β1|) of `k_beta` [1/m]."""
    return max(4, int(np.ceil(k_beta / _RADIUS * length_m / np.pi + 0.5)) + 1)


def _all_roots(
    k: NDArray[np.float64],
    kb0: NDArray[np.complex128],
    kb1: NDArray[np.complex128],
    length: float,
    count: int,
) -> NDArray[np.complex128]:
    """z = q², shape (n_frequency, at least count)."""
    low = tracked_count(float(np.max(np.abs(kb0) + np.abs(kb1))), length)
    total = max(count, low)
    z = np.empty((k.size, total), complex)
    taken = np.empty(total, bool)
    rigid = (np.arange(total) * np.pi / length) ** 2
    # a guess from the rigid axis is cheap to try, because the count finds it out when it is wrong
    start = rigid + 2j * (kb0[0] + kb1[0]) / length
    start[0] /= 2
    if not kernels.settle(z[0], start, kb0[0], kb1[0], length, low, taken):
        _from_matrix(z[0], start, kb0[0], kb1[0], length, low, taken)
    reached = kernels.follow(z, 1, k, kb0, kb1, length, low, False)
    while reached < k.size:
        f = reached
        if not _in_small_steps(z, f, k, kb0, kb1, length, low):
            start = rigid + 2j * (kb0[f] + kb1[f]) / length
            _from_matrix(z[f], start, kb0[f], kb1[f], length, low, taken)
            z[f, :low] = z[f, _matched(z[f - 1, :low], z[f, :low])]
        reached = kernels.follow(z, f + 1, k, kb0, kb1, length, low, False)
    return z


def _in_small_steps(
    z: NDArray[np.complex128],
    f: int,
    k: NDArray[np.float64],
    kb0: NDArray[np.complex128],
    kb1: NDArray[np.complex128],
    length: float,
    low: int,
) -> bool:
    """Fill z[f] by following from z[f - 1] over frequencies between, admittances linear; whether it worked."""
    if abs(np.log(k[f] / k[f - 1])) > _LONG_STEP:
        return False
    for steps in (8, 64):
        part = np.linspace(0, 1, steps + 1)
        between = np.empty((steps + 1, z.shape[1]), complex)
        between[0] = z[f - 1]
        ends = [(1 - part) * values[f - 1] + part * values[f] for values in (k, kb0, kb1)]
        if kernels.follow(between, 1, *ends, length, low, False) > steps:
            z[f] = between[-1]
            return True
    return False


def _matched(before: NDArray[np.complex128], now: NDArray[np.complex128]) -> NDArray[np.int64]:
    """Order in which roots from the matrix continue those before, by least movement in all."""
    from scipy.optimize import linear_sum_assignment

    return linear_sum_assignment(np.abs(before[:, None] - now[None]))[1]


def _from_matrix(
    z: NDArray[np.complex128],
    start: NDArray[np.complex128],
    kb0: complex,
    kb1: complex,
    length: float,
    low: int,
    taken: NDArray[np.bool_],
) -> None:
    for margin in (0, 12, 40, 120):
        start[:low] = matrix_roots(kb0, kb1, length, low + margin)[:low]
        if kernels.settle(z, start, kb0, kb1, length, low, taken):
            return
    raise RoomsimError(
        f"the modes of an axis of {length:g} m could not be proved complete for kβ = {kb0:.4g} and {kb1:.4g} 1/m"
    )
