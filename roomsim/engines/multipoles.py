"""A driver's pattern as the wave engine takes it: polynomials of the direction, fit to wave into modes.

p = 4π D(∇0/jk) G: the pattern's harmonics as polynomials of the gradient at the source. A guided mode is a
sum of plane waves, so the gradient becomes its complex direction (u, v, w) = q/k, whose squares sum to 1:
every pattern reduces to E(u, v) + w O(u, v), and eight plane waves to two short sums.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from math import factorial, pi, sqrt

import numpy as np
from numpy.typing import NDArray

from ..errors import InvalidValue
from ..room.geometry import Geometry
from ..scene import Emitter
from ..sphere import gauss_grid, real_harmonics

MAX_ORDER = 20
"""Beyond it the polynomials would lose too many digits; reached by a source of 0.85 m radius at 1.15 kHz."""

_LEAST_RADIUS_M = 0.1
"""Cabinet, diffraction and an imperfect reference point make any measured source at least this large."""

_NEAR_FIELD = 4.0
"""How much stronger an order's pressure on the source's sphere may be than that of the orders below it."""

_MAJOR = 0.7
"""An order with more than this of the pattern's norm is no noise."""

_NEGLIGIBLE = 1e-5

_PHASELESS_KA = (0.5, 1.0)
"""Data without phase: order 0 below the first ka, all orders above the second."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Multipole:
    """One emitter's pattern in harmonics of the room's frame.

    Attributes
    ----------
    position_m : the point they are referred to, shape (3,); on the wall for an on-wall emitter
    radius_m : of the sphere that holds the source
    coefficients : [Pa m], filter included, shape (n_harmonic, n_frequency); D = Σ c Y
    order : highest order that counts at each frequency, shape (n_frequency,)
    """

    position_m: NDArray[np.float64]
    radius_m: float
    coefficients: NDArray[np.complex128]
    order: NDArray[np.int64]

    def polynomials(self, closing: int) -> tuple[NDArray[np.complex128], NDArray[np.complex128]]:
        """E and O, each (n_frequency, i, j): D = Σ (E_ij + w O_ij) u^i v^j, w along axis `closing`."""
        top = int(self.order.max())
        table = harmonic_polynomials(top, closing)
        used = self.coefficients[: (top + 1) ** 2]
        even, odd = np.moveaxis(np.tensordot(used, table, axes=(0, 0)), 1, 0)
        return np.ascontiguousarray(even), np.ascontiguousarray(odd)

    def at(self, directions: NDArray[np.complex128]) -> NDArray[np.complex128]:
        """D at complex directions (n, 3) of every frequency, shape (n, n_frequency)."""
        return real_harmonics(int(self.order.max()), directions) @ self.coefficients[: (self.order.max() + 1) ** 2]


def multipole(
    emitter: Emitter, geometry: Geometry, frequency_hz: NDArray[np.float64], wavenumber: NDArray[np.float64]
) -> Multipole:
    """Fit an emitter's pattern at every frequency.

    Parameters
    ----------
    emitter : the driver in its place
    geometry : of the room, for the mounting wall
    frequency_hz, wavenumber : f and real k = 2πf/c, shape (n_frequency,)

    Raises
    ------
    InvalidValue : an on-wall emitter without its wall

    Notes
    -----
    Orders to ka + 4, a the source's radius. Where an order above 1 and above ka would need a stronger field
    on the source's sphere than a source of that size can have, it is noise and is cut down to that bound
    (unless it is most of the pattern): h_n(ka) grows so fast that 1 % of noise in order 3 would else lead at
    20 Hz. On a wall the pattern is extended evenly across it and halved: the wall, with its own reflection
    factor, adds the other half.
    """
    position = np.asarray(emitter.position_m, float)
    pattern = emitter.directivity
    offset, normal = 0.0, None
    if emitter.on_wall:
        if emitter.wall is None:
            raise InvalidValue(emitter.label, None, "an on-wall loudspeaker needs the wall it hangs on")
        face = geometry.face(emitter.wall)
        normal = face.normal
        offset = float((position - face.corners_m[0]) @ normal)
        position = position - offset * normal
    ka = wavenumber * (pattern.radius_m + abs(offset))
    order = np.minimum(np.ceil(ka).astype(np.int64) + 4, MAX_ORDER)
    top = int(order.max())
    directions, weights = gauss_grid(top + 4)
    far = _far_pressure(emitter, directions, normal, offset, frequency_hz, wavenumber)
    harmonics = real_harmonics(top, directions)
    coefficients = (harmonics * weights[:, None]).T @ far
    if not pattern.has_phase:
        _without_phase(coefficients, wavenumber * max(pattern.radius_m, _LEAST_RADIUS_M))
    norms = _restrict(coefficients, order, wavenumber * max(pattern.radius_m + abs(offset), _LEAST_RADIUS_M))
    order = _needed(norms, order)
    kept = (int(order.max()) + 1) ** 2
    return Multipole(
        position_m=position, radius_m=float(pattern.radius_m + abs(offset)),
        coefficients=coefficients[:kept] * emitter.filter.response(frequency_hz), order=order,
    )


def _far_pressure(
    emitter: Emitter,
    directions: NDArray[np.float64],
    normal: NDArray[np.float64] | None,
    offset: float,
    frequency_hz: NDArray[np.float64],
    wavenumber: NDArray[np.float64],
) -> NDArray[np.complex128]:
    """Unfiltered D in room directions; on a wall even across it, referred to the wall and halved."""
    if normal is None:
        return emitter.directivity.far_pressure(frequency_hz, directions @ emitter.rotation)
    along = directions @ normal
    facing = directions + np.outer(np.abs(along) - along, normal)
    far = emitter.directivity.far_pressure(frequency_hz, facing @ emitter.rotation)
    if offset:
        far = far * np.exp(1j * offset * np.outer(np.abs(along), wavenumber))
    return 0.5 * far


def _without_phase(coefficients: NDArray[np.complex128], ka: NDArray[np.float64]) -> None:
    """Fade to order 0 of the same power where magnitudes alone say nothing about the higher orders."""
    low, high = _PHASELESS_KA
    weight = np.clip((np.log(ka) - np.log(low)) / (np.log(high) - np.log(low)), 0, 1)
    higher = np.sum(np.abs(coefficients[1:]) ** 2, axis=0)
    coefficients[0] = np.sqrt(np.abs(coefficients[0]) ** 2 + (1 - weight**2) * higher)
    coefficients[1:] *= weight


def _restrict(
    coefficients: NDArray[np.complex128], order: NDArray[np.int64], ka: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Cut orders to `order` and to the near field a source of this size can have; in place.

    Returns each order's norm times its near-field factor |ka h_n(ka)|, shape (n_order, n_frequency).
    """
    top = round(sqrt(len(coefficients))) - 1
    near = near_field_factors(top, ka)
    norms = np.empty((top + 1, ka.size))
    strongest = np.zeros(ka.size)
    whole = np.linalg.norm(coefficients, axis=0)
    for n in range(top + 1):
        rows = coefficients[n * n : (n + 1) ** 2]
        rows[:, n > order] = 0
        norms[n] = np.linalg.norm(rows, axis=0) * near[n]
        if n > 1:
            minor = norms[n] < _MAJOR * whole * near[n]
            excess = minor & (n > ka) & (norms[n] > _NEAR_FIELD * strongest)
            factor = _NEAR_FIELD * strongest[excess] / norms[n, excess]
            rows[:, excess] *= factor
            norms[n, excess] *= factor
        strongest = np.maximum(strongest, norms[n])
    return norms


def _needed(norms: NDArray[np.float64], order: NDArray[np.int64]) -> NDArray[np.int64]:
    """Highest order whose near field counts, shape (n_frequency,)."""
    counts = norms > _NEGLIGIBLE * norms.max(axis=0, keepdims=True)
    highest = len(norms) - 1 - np.argmax(counts[::-1], axis=0)
    return np.minimum(np.where(counts.any(axis=0), highest, 0), order)


def near_field_factors(order: int, ka: NDArray[np.float64]) -> NDArray[np.float64]:
    """|ka h_n(ka)| of spherical Hankel functions, n = 0 … order; shape (order + 1, n)."""
    h = np.empty((order + 2, ka.size), complex)
    h[0] = np.exp(-1j * ka)
    h[1] = np.exp(-1j * ka) * (1 / ka + 1j)      # upward recurrence is stable: h_n grows with n
    for n in range(1, order):
        h[n + 1] = (2 * n + 1) / ka * h[n] - h[n - 1]
    return np.abs(h[: order + 1])


@lru_cache(maxsize=64)
def harmonic_polynomials(order: int, closing: int) -> NDArray[np.float64]:
    """Real harmonics as E(u, v) + w O(u, v), shape (n_harmonic, 2, order + 1, order + 1).

    w is the direction's component along axis `closing`, u and v the two others in the order x, y, z; w² is
    replaced by 1 - u² - v². Same recurrences as `roomsim.sphere.real_harmonics`. References: [williams1999].
    """
    size = order + 1
    others = [axis for axis in range(3) if axis != closing]

    def times(axis: int, p: NDArray[np.float64]) -> NDArray[np.float64]:
        out = np.zeros_like(p)
        if axis == others[0]:
            out[:, 1:] = p[:, :-1]
        elif axis == others[1]:
            out[:, :, 1:] = p[:, :, :-1]
        else:
            out[1] = p[0]
            out[0] = p[1]
            out[0, 2:] -= p[1, :-2]
            out[0, :, 2:] -= p[1, :, :-2]
        return out

    table = np.zeros((size * size, 2, size, size))
    cosine, sine = np.zeros((2, size, size)), np.zeros((2, size, size))
    cosine[0, 0, 0] = 1.0
    double = 1.0
    for m in range(size):
        if m:
            cosine, sine = times(0, cosine) - times(1, sine), times(0, sine) + times(1, cosine)
            double *= 2 * m - 1
        for sign, start in ((1, cosine), (-1, sine)):
            if sign < 0 and m == 0:
                continue
            below, here = np.zeros_like(start), double * start
            for n in range(m, size):
                scale = sqrt((2 * n + 1) / (4 * pi) * factorial(n - m) / factorial(n + m) * (2 if m else 1))
                table[n * n + n + sign * m] = scale * here
                if n < order:
                    below, here = here, ((2 * n + 1) * times(2, here) - (n + m) * below) / (n - m + 1)
    table.setflags(write=False)
    return table
