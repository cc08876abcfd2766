"""From a finite measuring distance to any other: spherical harmonics with their radial functions."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..errors import InvalidValue
from ..sphere import real_harmonics
from .harmonic_fit import fitted, grid_order, node_areas
from .interpolation import frequency_weights
from .measured import MeasuredDirectivity, _mirrored

_MOST_ORDER = 60
"""No higher order is fitted, however fine the grid."""

_FADE_OCTAVES = 1 / 3
"""Above the limit the correction fades out over this much."""

RESIDUAL = 0.005
"""Part of the rms pressure that the expansion may leave unexplained below its limit, unless noise is larger:
0.4 dB in a direction 20 dB below the rms."""

_NOISE_MARGIN, _NOISE_MOST = 2.0, 0.05
"""Unexplained pressure counts as noise up to so many times its low-frequency floor, and up to this part."""

MARGIN_ORDERS = 3
"""A source of radius a radiates orders up to about ka; this many more are wanted for 0.3 dB."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Expansion:
    """Outgoing spherical waves that were measured at one distance.

    Attributes
    ----------
    data : the measurement
    frequency_hz : shape (n_frequency,), the measured ones
    order : highest order that the measured grid carries
    coefficients : of pressure × distance at `data.distance_m`, shape ((order + 1)², n_frequency)
    residual : rms of what the expansion leaves, re the rms pressure, shape (n_frequency,)
    noise : floor of the residual at low frequency, where the grid has orders to spare
    limit_hz : up to here the grid carries what the source radiates
    """

    data: MeasuredDirectivity
    frequency_hz: NDArray[np.float64]
    order: int
    coefficients: NDArray[np.complex128]
    residual: NDArray[np.float64]
    noise: float
    limit_hz: float

    def pressure(
        self, frequency_hz: ArrayLike, directions: ArrayLike, distance_m: float, noise_db: float = -60.0
    ) -> NDArray[np.complex128]:
        """Pressure [Pa rms] at a distance, shape (n_direction, n_frequency), without the delay e^{-jkr}.

        Nearer than the measurement, orders whose noise would grow to more than 20 dB below the loudest are
        left out; `noise_db` is the measurement's noise re its loudest direction.
        """
        if not distance_m > 0:
            raise InvalidValue("distance_m", distance_m, "must be positive")
        ratio = self._radial(distance_m, noise_db)
        return self._smooth(self.coefficients * ratio, frequency_hz, directions) / distance_m

    def far_values(self, frequency_hz: ArrayLike, directions: ArrayLike) -> NDArray[np.complex128]:
        """D [Pa m] of the expansion in the far field, shape (n_direction, n_frequency)."""
        return self._smooth(self.coefficients * self._radial(np.inf), frequency_hz, directions)

    def near_values(self, frequency_hz: ArrayLike, directions: ArrayLike) -> NDArray[np.complex128]:
        """Pressure × distance [Pa m] of the expansion at the measuring distance."""
        return self._smooth(self.coefficients, frequency_hz, directions)

    def _smooth(
        self, coefficients: NDArray[np.complex128], frequency_hz: ArrayLike, directions: ArrayLike
    ) -> NDArray[np.complex128]:
        f = np.atleast_1d(np.asarray(frequency_hz, float))
        d = np.atleast_2d(np.asarray(directions, float))
        if self.data.half_space:
            d = np.column_stack([np.abs(d[:, 0]), d[:, 1:]])
        turn = np.exp(2j * np.pi * self.frequency_hz * self.data.delay_s)
        at = (frequency_weights(self.frequency_hz, f).T @ (coefficients * turn).T).T
        return (real_harmonics(self.order, d) @ at) * np.exp(-2j * np.pi * f * self.data.delay_s)

    def _radial(self, distance_m: float, noise_db: float = -np.inf) -> NDArray[np.complex128]:
        """Factor per coefficient from r0 to r, times r/r0 and without travel time, shape ((order + 1)², n_f)."""
        k = 2 * np.pi * self.frequency_hz / self.data.speed_m_s
        n = np.arange(self.order + 1)[:, None]
        here = _outgoing(n, k * self.data.distance_m)
        there = 1j ** (n + 1) if np.isinf(distance_m) else _outgoing(n, k * distance_m)
        with np.errstate(invalid="ignore", over="ignore"):
            ratio = np.where(np.isfinite(here), there / here, 0.0)
        ratio = np.where(np.isfinite(ratio), ratio, 0.0)
        if np.isfinite(noise_db) and distance_m < self.data.distance_m:
            ratio = np.where(np.abs(ratio) < 10 ** ((-noise_db - 20) / 20), ratio, 0.0)
        return np.repeat(ratio, 2 * np.arange(self.order + 1) + 1, axis=0)


def expansion(data: MeasuredDirectivity, max_order: int | None = None) -> Expansion:
    """Expand a measurement with phase into outgoing waves about the frame's origin.

    Area-weighted least squares on the directions, up to the highest order whose normal equations stay well
    conditioned. `limit_hz` is the lower of two frequencies: where the source's size asks for more orders than
    the grid has (order < ka + MARGIN_ORDERS), and where more than RESIDUAL, or than twice the noise found at
    low frequency, is left unexplained.

    Raises
    ------
    InvalidValue : no phase, or directions that were not measured

    Notes
    -----
    p(r) = Σ c_nm h_n(kr)/h_n(kr0) Y_nm with the outgoing h_n of the second kind for e^{+jωt}; the far field
    takes j^{n+1} for kr e^{jkr} h_n(kr). References: [williams1999] ch. 6.
    """
    if not data.has_phase:
        raise InvalidValue("has_phase", False, "phase is needed to leave the measuring distance", "export phase too")
    if np.any(data.filled):
        raise InvalidValue("directions", int(data.filled.sum()), "were filled, not measured: no expansion from these")
    nodes, rows = _mirrored(data.directions) if data.half_space else (data.directions, np.arange(len(data.directions)))
    f = data.frequency_hz[data.trusted]
    values = data.values[:, data.trusted][rows]
    order = grid_order(nodes, _MOST_ORDER if max_order is None else max_order)
    coefficients = fitted(nodes, values, order)
    area = node_areas(nodes)
    left = values - real_harmonics(order, nodes) @ coefficients
    residual = np.sqrt((area @ np.abs(left) ** 2) / np.maximum(area @ np.abs(values) ** 2, 1e-300))
    by_size = max(order - MARGIN_ORDERS, 0) * data.speed_m_s / (2 * np.pi * data.radius_m)
    spare = f <= by_size / 3
    noise = float(np.median(residual[spare])) if np.any(spare) else 0.0
    bad = np.flatnonzero(residual > max(RESIDUAL, min(_NOISE_MARGIN * noise, _NOISE_MOST)))
    by_residual = f[-1] if bad.size == 0 else (f[bad[0] - 1] if bad[0] else 0.0)
    return Expansion(
        data=data, frequency_hz=f, order=order, coefficients=coefficients, residual=residual, noise=noise,
        limit_hz=float(min(by_size, by_residual)),
    )


def to_far_field(data: MeasuredDirectivity, max_order: int | None = None) -> MeasuredDirectivity:
    """The same measurement as it would be at a great distance, with the frequency up to which that holds.

    To each measured value the difference between far and near field of the expansion is added, so that what
    the expansion does not explain stays as measured. Above `Expansion.limit_hz` the difference fades out over
    a third of an octave, and the data hold for the measuring distance.
    """
    waves = expansion(data, max_order)
    f = waves.frequency_hz
    weight = np.ones(f.size)
    if waves.limit_hz <= 0:
        weight[:] = 0.0
    else:
        beyond = np.log2(np.maximum(f / waves.limit_hz, 1e-9)) / _FADE_OCTAVES
        weight = np.cos(np.pi / 2 * np.clip(beyond, 0, 1)) ** 2
    change = waves.far_values(f, data.directions) - waves.near_values(f, data.directions)
    values = np.array(data.values)
    values[:, data.trusted] += weight * change
    text = f"measuring distance {data.distance_m:g} m removed up to {waves.limit_hz:.0f} Hz (order {waves.order})"
    if waves.limit_hz < f[-1]:
        text += "; above, the data hold for that distance"
    return replace(data, values=values, far_field=waves.limit_hz >= f[-1], notes=(*data.notes, text))


def far_field_distance_m(frequency_hz: ArrayLike, radius_m: float, speed_m_s: float) -> NDArray[np.float64]:
    """Distance from which a source of that radius is in its far field, 2 (2a)²/λ; shape of frequency_hz.

    The path difference over the aperture is then λ/16; common practice, no source.
    """
    return 8 * radius_m**2 * np.asarray(frequency_hz, float) / speed_m_s


def _outgoing(n: NDArray[np.int64], z: NDArray[np.float64]) -> NDArray[np.complex128]:
    """z e^{jz} h_n(z), h_n the spherical Hankel function of the second kind; shape (n_order, n_z)."""
    from scipy.special import spherical_jn, spherical_yn

    with np.errstate(over="ignore", invalid="ignore"):
        return z * np.exp(1j * z) * (spherical_jn(n, z) - 1j * spherical_yn(n, z))
