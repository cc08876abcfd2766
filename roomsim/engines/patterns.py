"""Directivities made ready for a path sum: a factor common to all directions, and tables of the rest.

D(f, Ω) = common(f) · d(f, Ω). The common factor holds the response that all directions share (rms over the
sphere, and the phase that turns least from one lattice point to the next); it is applied once per driver at
every frequency, exactly. What is left, d, is smooth enough for coarse nodes in frequency and a table over
direction: by the angle off the axis for axisymmetric drivers, by azimuth and elevation for others, both
interpolated by cubics through four rows.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass
from threading import Lock
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..loudspeaker.directivity import Directivity
from ..sphere import gauss_grid, unit_vectors
from .nodes import cubic_error, lattice_hz, lattice_position

EVEN, AXIAL, SPHERICAL = 0, 1, 2
"""How a pattern is looked up: the same everywhere, by the angle off the axis, by azimuth and elevation."""

SPHERICAL_STEP_DEG = 3.0
_AXIAL_STEP_RAD = np.radians(1.0)
_AXIAL_STEP_KA = 0.35       # step times ka: a cubic then leaves 1e-4 of a ripple as fast as the source's size allows
_ORDER = 7                  # Gauss grid of the common factor: 128 directions
_SPEED_M_S = 340.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Common:
    """The factor that all directions share, on lattice points first … first + n - 1.

    Attributes
    ----------
    first : index of the first lattice point
    log_magnitude, phase_rad : shape (n,)
    ratio : D / common in the test directions, shape (n_direction, n)
    weights : of the test directions, shape (n_direction,), sum 1
    """

    first: int
    log_magnitude: NDArray[np.float64]
    phase_rad: NDArray[np.float64]
    ratio: NDArray[np.complex128]
    weights: NDArray[np.float64]

    def at(self, frequency_hz: ArrayLike) -> NDArray[np.complex128]:
        """The factor, shape (n_frequency,); exact at lattice points, linear in log and phase between them."""
        position = lattice_position(frequency_hz)
        index = self.first + np.arange(self.phase_rad.size)
        return np.exp(
            np.interp(position, index, self.log_magnitude) + 1j * np.interp(position, index, self.phase_rad)
        )

    def worst_error(self, step: int) -> NDArray[np.float64]:
        """Rms error over directions of nodes every `step` lattice points, re the rms of D; shape (n,)."""
        return np.sqrt(self.weights @ np.abs(cubic_error(self.ratio, step)) ** 2)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Pattern:
    """D / common as a table at nodes.

    Attributes
    ----------
    kind : EVEN, AXIAL or SPHERICAL
    table : real and imaginary rows, shape (n_row, 2, n_node), float32
    rows_per_rad : rows (and columns) per radian
    columns : rows of the table per step in azimuth (1 for AXIAL)
    """

    kind: int
    table: NDArray[np.float32]
    rows_per_rad: float
    columns: int


def common_factor(directivity: Directivity, first: int, last: int) -> Common:
    """The common factor on lattice points first … last."""
    return _remembered((id(directivity), first, last), directivity, lambda: _common(directivity, first, last))


def pattern_table(directivity: Directivity, common: Common, node_hz: NDArray[np.float64]) -> Pattern:
    """The table at nodes, which lie on lattice points that `common` covers."""
    key = (id(directivity), node_hz.tobytes(), common.first, common.phase_rad.size)
    return _remembered(key, directivity, lambda: _table(directivity, common, node_hz))


def _common(directivity: Directivity, first: int, last: int) -> Common:
    directions, weights = gauss_grid(_ORDER)
    weights = weights / weights.sum()
    values = _far_pressure(directivity, lattice_hz(np.arange(first, last + 1)), directions)
    rms = np.sqrt(weights @ np.abs(values) ** 2)
    rms[rms < 1e-30] = 1.0
    turn = (weights[:, None] * values[:, 1:] * values[:, :-1].conj()).sum(axis=0)
    start = (weights @ values[:, 0]) if values.shape[1] else 0
    phase = np.cumsum(np.concatenate([[np.angle(start)], np.angle(turn)]))
    return Common(
        first=first,
        log_magnitude=np.log(rms),
        phase_rad=phase,
        ratio=values / (rms * np.exp(1j * phase)),
        weights=weights,
    )


def _table(directivity: Directivity, common: Common, node_hz: NDArray[np.float64]) -> Pattern:
    parts = np.ascontiguousarray(common.ratio).view(float).reshape(len(common.ratio), -1)
    if np.ptp(parts, axis=0).max(initial=0) < 1e-12:
        return _packed(EVEN, common.ratio[:1, 0].repeat(node_hz.size)[None], 1.0, 1)
    if directivity.axisymmetric:
        largest = 2 * np.pi * node_hz.max() / _SPEED_M_S * directivity.radius_m
        step = min(_AXIAL_STEP_RAD, _AXIAL_STEP_KA / max(largest, 1e-9))
        count = int(np.ceil(np.pi / step))
        angle = np.pi * np.arange(-1, count + 3) / count
        directions = np.stack([np.cos(angle), np.sin(angle), np.zeros_like(angle)], axis=-1)
        kind, rows_per_rad, columns = AXIAL, count / np.pi, 1
    else:
        azimuth = np.arange(-180 - SPHERICAL_STEP_DEG, 180 + 2.5 * SPHERICAL_STEP_DEG, SPHERICAL_STEP_DEG)
        elevation = np.arange(-90 - SPHERICAL_STEP_DEG, 90 + 2.5 * SPHERICAL_STEP_DEG, SPHERICAL_STEP_DEG)
        # Beyond the poles the unit vectors come down on the other side, as the cubic needs them.
        directions = unit_vectors(azimuth[:, None], elevation[None, :]).reshape(-1, 3)
        kind, rows_per_rad, columns = SPHERICAL, 180 / np.pi / SPHERICAL_STEP_DEG, elevation.size
    distinct, where = np.unique(node_hz, return_inverse=True)
    values = (_far_pressure(directivity, distinct, directions) / common.at(distinct))[:, where]
    return _packed(kind, values, rows_per_rad, columns)


def _packed(kind: int, values: NDArray[np.complex128], rows_per_rad: float, columns: int) -> Pattern:
    table = np.ascontiguousarray(np.stack([values.real, values.imag], axis=1), np.float32)
    return Pattern(kind=kind, table=table, rows_per_rad=rows_per_rad, columns=columns)


def _far_pressure(
    directivity: Directivity, frequency_hz: NDArray[np.float64], directions: NDArray[np.float64]
) -> NDArray[np.complex128]:
    if directivity.half_space:      # a source in a wall: the same on both sides
        directions = np.column_stack([np.abs(directions[:, 0]), directions[:, 1:]])
    return np.asarray(directivity.far_pressure(frequency_hz, directions), complex)


# Tables outlive a call: rooms, seats and slider positions share the drivers. The directivity is held with its
# entry, so that its identity stays its own.
_MEMORY: OrderedDict[Any, tuple[Directivity, Any]] = OrderedDict()
_MOST_REMEMBERED = 32
_LOCK = Lock()


def _remembered(key: Any, directivity: Directivity, make: Callable[[], Any]) -> Any:
    with _LOCK:
        if key in _MEMORY:
            _MEMORY.move_to_end(key)
            return _MEMORY[key][1]
    made = make()
    with _LOCK:
        _MEMORY[key] = (directivity, made)
        while len(_MEMORY) > _MOST_REMEMBERED:
            _MEMORY.popitem(last=False)
    return made
