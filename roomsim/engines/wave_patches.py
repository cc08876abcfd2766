"""Patches in the wave engine: what rectangles of another finish do to the exact field of uniform walls.

With G of uniform walls of admittance β₀ and p₀ its field, Green's theorem gives [morse-ingard1968, ch. 7, 9]

    p(r) = p₀(r) - jk ∫_patches (β - β₀) p(s) G(r, s) dS.

On every patch p is written in Legendre polynomials of its two coordinates and the equation is tested with the same
polynomials (Galerkin). G is a sum over the guided modes of the patch's two axes with a closed form along the third,
so that all integrals over rectangles are products of spherical Bessel functions, and the matrix of two patches is
two matrix products. It is symmetric: so is the field in source and listener.

The sums converge with the square of the highest transverse wavenumber: on the patch both G and p are smooth but for
a mild kink at the patch's edge. Measured against much longer sums, 2 to 8 m² of soft patches (β about 0.7 + 0.5j) in
a 58 m³ box, 40 to 790 Hz: 0.003 of the field or less, 0.05 dB at all seats but those in a notch.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple, Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..room.room import Room
from . import patch_kernels as kernels
from .multipoles import Multipole
from .patch_layout import Deviation, Layout
from .roots import AxisModes

Complexes = NDArray[np.complex128]
Floats = NDArray[np.float64]

REACH_PER_K = 4.0
LEAST_REACH = 30.0
"""Guided modes are kept to the transverse wavenumber max(REACH_PER_K·k, LEAST_REACH) [1/m]."""

_ORDERS_PER_KL, _MORE_ORDERS = (0.35, 0.5), 3
"""Polynomials along a side of length l: kl/2 + 3, as a plane wave along it needs; down to 0.35 kl + 3 where the patch
hardly differs from its wall (|β - β₀| within _SLIGHT), where what the finest waves on it do is slight: 0.005 of the
field in furnished rooms. The two sides' orders together lie within an ellipse."""

_SLIGHT = (0.03, 0.15)

_SINGLE_FROM = 200

_SMALLEST_BLUR_M = 0.1
"""A source with a pattern, nearer to a patch than its radius or this, has its evanescent waves blurred."""


def needed_reach(wavenumber: ArrayLike) -> float:
    """Largest Re q² to which the modes of all axes must be known for the wavenumbers k [1/m]."""
    return float(max(REACH_PER_K * np.max(wavenumber), LEAST_REACH) ** 2)


MOST_HELD_BYTES = 120_000_000
"""Matrices that are kept for whatever stands in the same room next; what does not fit is built again."""


class Systems:
    """Matrices of a room's patches, one a frequency, with their factors: they know nothing of drivers and seats."""

    def __init__(self) -> None:
        self._held: dict[int, System] = {}
        self._bytes = 0

    def get(self, f: int) -> System | None:
        """The system at frequency number f, None where it is not held."""
        return self._held.get(f)

    def keep(self, f: int, system: System) -> None:
        """Hold a system, if there is room."""
        if f not in self._held and self._bytes + system.nbytes <= MOST_HELD_BYTES:
            self._held[f] = system
            self._bytes += system.nbytes


class UniformBox(Protocol):
    """A box of uniform faces, as `wave.BoxRoots` holds it."""

    room: Room
    frequency_hz: Floats
    wavenumber: Complexes
    k_beta: Complexes
    axes: tuple[AxisModes, AxisModes, AxisModes]
    layout: Layout
    systems: Systems


def patch_field(
    box: UniformBox, sources: Sequence[Multipole], channel_of: Sequence[int], listeners_m: Floats
) -> Complexes:
    """What a room's patches add to the field of its uniform faces.

    Parameters
    ----------
    box : the uniform box, its modes known to `needed_reach`, and the rectangles that deviate from it
    sources : all drivers
    channel_of : channel of each driver
    listeners_m : shape (n_listener, 3)

    Returns
    -------
    pressure [Pa], shape (n_channel, n_listener, n_frequency)

    Notes
    -----
    Within its own radius (at least 0.1 m) a source with a pattern has no near field that would mean anything: on a
    patch nearer than that its evanescent waves are blurred by exp(-κ²(r² - d²)/4); a point source is not touched.
    """
    f = box.frequency_hz
    k = 2 * np.pi * f / box.room.air.speed_m_s
    deviations = box.layout.deviations
    difference = np.array([
        k * (1 / np.asarray(one.material.impedance(f), complex)) - box.k_beta[one.axis, one.side]
        for one in deviations
    ]).reshape(len(deviations), f.size)
    channels = max(channel_of) + 1
    out = np.zeros((channels, len(listeners_m), f.size), complex)
    drives = {axis: [_drive(*pair, axis) for pair in zip(sources, channel_of, strict=True)]
              for axis in {one.axis for one in deviations}}
    for n in range(f.size):
        if np.any(difference[:, n] != 0):
            patches = _Patches(box, n, float(k[n]), difference[:, n])
            if (system := box.systems.get(n)) is None:
                system = patches.system()
                box.systems.keep(n, system)
            out[..., n] = patches.field(system, drives, channels, listeners_m)
    return out


class System(NamedTuple):
    """A linear system, ready to be solved for any right side; large ones in single precision with one step of
    refinement (1e-13), for which they keep their matrix."""

    lower_upper: NDArray[Any]
    pivots: NDArray[np.int32]
    matrix: Complexes | None

    @classmethod
    def of(cls, matrix: Complexes) -> System:
        """Factorise a matrix."""
        from scipy.linalg import lu_factor

        single = len(matrix) >= _SINGLE_FROM
        factors = lu_factor(matrix.astype(np.complex64) if single else matrix, overwrite_a=single, check_finite=False)
        return cls(*factors, matrix if single else None)

    @property
    def nbytes(self) -> int:
        return self.lower_upper.nbytes + (0 if self.matrix is None else self.matrix.nbytes)

    def solved(self, right: Complexes) -> Complexes:
        """The solution."""
        from scipy.linalg import lu_solve

        factors = self.lower_upper, self.pivots
        if self.matrix is None:
            return lu_solve(factors, right, check_finite=False)
        found = lu_solve(factors, right.astype(np.complex64), check_finite=False).astype(complex)
        rest = (right - self.matrix @ found).astype(np.complex64)
        return found + lu_solve(factors, rest, check_finite=False)


class _Drive(NamedTuple):
    """One driver before the walls of one axis."""

    source: Multipole
    channel: int
    even: Complexes
    odd: Complexes


def _drive(source: Multipole, channel: int, axis: int) -> _Drive:
    return _Drive(source, channel, *source.polynomials(axis))


class _Axis(NamedTuple):
    """Modes of one axis at one frequency."""

    q: Complexes
    a: Complexes
    b: Complexes
    length: float


class _Wall(NamedTuple):
    """Waves between the guided modes of a wall's two axes, at one frequency; see kernels.closing."""

    axis: int
    side: int
    across: tuple[int, int]
    kb_far: complex
    kc: Complexes
    inverse: Complexes
    own: Complexes
    opposite: Complexes

    def depth(self, coordinate: Floats, length: float) -> Floats:
        """Distance from this wall."""
        return length - coordinate if self.side else coordinate


class _Patches:
    """The patches' equations at one frequency."""

    def __init__(self, box: UniformBox, f: int, k: float, difference: Complexes) -> None:
        self.f, self.k, self.propagation = f, k, complex(box.wavenumber[f])
        self.deviations, self.difference = box.layout.deviations, difference
        reach = needed_reach(k)
        self.axes = [_cut(modes, f, reach) for modes in box.axes]
        self.walls: dict[tuple[int, int], _Wall] = {}
        for patch in self.deviations:
            key = patch.axis, patch.side
            if key not in self.walls:
                self.walls[key] = self._wall(box.k_beta[:, :, f], *key)
        self.bases = [self._bases(*pair) for pair in zip(self.deviations, difference, strict=True)]
        self.kept = [_kept(one.shape[1], two.shape[1]) for one, two in self.bases]
        self.counts = [kept.size for kept in self.kept]

    def system(self) -> System:
        """Their matrix and its factors."""
        edges = np.cumsum([0, *self.counts])
        matrix = np.empty((edges[-1], edges[-1]), complex)
        for i in range(len(self.deviations)):
            rows = slice(edges[i], edges[i + 1])
            for j in range(i, len(self.deviations)):
                columns = slice(edges[j], edges[j + 1])
                block = self._block(i, j)
                matrix[rows, columns] = 1j * self.difference[j] * block
                if j > i:
                    matrix[columns, rows] = 1j * self.difference[i] * block.T
        matrix[np.diag_indices(edges[-1])] += 1
        return System.of(matrix)

    def field(
        self, system: System, drives: dict[int, list[_Drive]], channels: int, listeners_m: Floats
    ) -> Complexes:
        """Shape (n_channel, n_listener)."""
        edges = np.cumsum([0, *self.counts])
        incident = np.empty((edges[-1], channels), complex)
        for key, wall in self.walls.items():
            arrived = self._arrived(wall, drives[wall.axis], channels)
            for i, patch in enumerate(self.deviations):
                if (patch.axis, patch.side) == key:
                    one, two = self.bases[i]
                    projected = one.T @ arrived @ two                       # (n_channel, i, j)
                    incident[edges[i] : edges[i + 1]] = projected.reshape(channels, -1)[:, self.kept[i]].T
        pressure = system.solved(incident)
        out = np.zeros((channels, len(listeners_m)), complex)
        for key, wall in self.walls.items():
            strength = np.zeros((channels, *wall.kc.shape), complex)
            for i, patch in enumerate(self.deviations):
                if (patch.axis, patch.side) == key:
                    one, two = self.bases[i]
                    there = np.zeros((channels, one.shape[1] * two.shape[1]), complex)
                    there[:, self.kept[i]] = pressure[edges[i] : edges[i + 1]].T
                    there = there.reshape(channels, one.shape[1], two.shape[1])
                    strength += -1j * self.difference[i] * (one @ there @ two.T)
            self._add_heard(out, wall, strength, listeners_m)
        return out

    def _wall(self, k_beta: Complexes, axis: int, side: int) -> _Wall:
        a, b = (other for other in range(3) if other != axis)
        near, far = k_beta[axis, side], k_beta[axis, 1 - side]
        closed = kernels.closing(
            self.axes[a].q, self.axes[b].q, self.propagation, near, far, self.axes[axis].length)
        return _Wall(axis, side, (a, b), far, *closed)

    def _bases(self, patch: Deviation, difference: complex) -> tuple[Complexes, Complexes]:
        """Overlaps of the modes of the patch's two axes with its polynomials, each (n_mode, n_order)."""
        found = []
        per_kl = float(np.interp(abs(difference) / self.k, _SLIGHT, _ORDERS_PER_KL))
        for axis, low, high in zip(self.walls[patch.axis, patch.side].across, patch.low_m, patch.high_m, strict=True):
            orders = int(np.ceil(per_kl * self.k * (high - low))) + _MORE_ORDERS
            found.append(kernels.overlaps(*self.axes[axis], float(low), float(high), orders))
        return found[0], found[1]

    def _block(self, i: int, j: int) -> Complexes:
        """∫∫ P(s) G(s, s') P'(s') dS dS' of two patches, shape (n_i, n_j)."""
        first, second = self.deviations[i], self.deviations[j]
        if first.axis != second.axis:
            return self._corner_block(i, j)
        wall = self.walls[first.axis, first.side]
        green = wall.own if first.side == second.side else wall.opposite
        (a, b), (c, d) = self.bases[i], self.bases[j]
        ac, bd = _pairs(a, c), _pairs(b, d)
        block = (ac.T @ (green @ bd)).reshape(a.shape[1], c.shape[1], b.shape[1], d.shape[1])
        return self._chosen(block.transpose(0, 2, 1, 3), i, j)

    def _corner_block(self, i: int, j: int) -> Complexes:
        """The same for patches on walls that meet at an edge.

        Closed along the normal of the first wall: the second wall stands at the end of one of its axes (`end`),
        shares the other (`shared`), and runs along the normal.
        """
        first, second = self.deviations[i], self.deviations[j]
        wall, end = self.walls[first.axis, first.side], second.axis
        across, other = wall.across, self.walls[second.axis, second.side].across
        turned = across[0] != end
        along_end, along_shared = self.bases[i][::-1] if turned else self.bases[i]
        position = other.index(first.axis)
        base_shared = self.bases[j][1 - position]
        orders = self.bases[j][position].shape[1]
        length = self.axes[first.axis].length
        low, high = second.low_m[position], second.high_m[position]
        if first.side:
            low, high = length - high, length - low
        kc, inverse = (np.ascontiguousarray(x.T) if turned else x for x in (wall.kc, wall.inverse))
        waves = kernels.along_wall(kc, inverse, wall.kb_far, length, float(low), float(high), orders)
        if first.side:                                      # the polynomials run from the other end
            waves *= (-1.0) ** np.arange(orders)
        modes = self.axes[end]
        at_end = kernels.shapes(*modes, np.array([modes.length if second.side else 0.0]))
        inner = (along_end * at_end).T @ waves                              # (shared mode, end, normal)
        shared = _pairs(along_shared, base_shared)
        block = (shared.T @ inner.reshape(len(inner), -1)).reshape(
            along_shared.shape[1], base_shared.shape[1], along_end.shape[1], orders)
        rows = (0, 2) if turned else (2, 0)
        columns = (3, 1) if position == 0 else (1, 3)
        return self._chosen(block.transpose(*rows, *columns), i, j)

    def _chosen(self, block: Complexes, i: int, j: int) -> Complexes:
        """The kept polynomials of a block (i, j of one patch, i, j of the other)."""
        square = block.reshape(block.shape[0] * block.shape[1], -1)
        return square[self.kept[i][:, None], self.kept[j]]

    def _arrived(self, wall: _Wall, drives: list[_Drive], channels: int) -> Complexes:
        """p₀ at a wall in guided modes, shape (n_channel, n_a, n_b)."""
        out = np.zeros((channels, *wall.kc.shape), complex)
        length = self.axes[wall.axis].length
        for source, channel, even, odd in drives:
            order = int(source.order[self.f])
            place = np.asarray(source.position_m, float)
            level = float(wall.depth(place[wall.axis], length))
            radius = max(source.radius_m, _SMALLEST_BLUR_M) if order else 0.0
            shapes = (kernels.powers(*self.axes[axis], place[axis], self.propagation, order) for axis in wall.across)
            kernels.arriving(
                out[channel], wall.kc, wall.inverse, self.propagation, wall.kb_far, length,
                even[self.f], -odd[self.f] if wall.side else odd[self.f], order, *shapes,
                level, max(radius**2 - level**2, 0.0) / 4,
            )
        return out

    def _add_heard(self, out: Complexes, wall: _Wall, strength: Complexes, listeners_m: Floats) -> None:
        at = [np.ascontiguousarray(listeners_m[:, axis]) for axis in range(3)]
        length = self.axes[wall.axis].length
        kernels.add_heard(
            out, strength, wall.kc, wall.inverse, wall.kb_far, length,
            *(kernels.shapes(*self.axes[axis], at[axis]) for axis in wall.across),
            np.ascontiguousarray(wall.depth(at[wall.axis], length)),
        )


def _cut(modes: AxisModes, f: int, reach: float) -> _Axis:
    """Modes with Re q² to `reach` at one frequency."""
    q = modes.q[f]
    count = max(int(np.searchsorted((q * q).real, reach)), 1)
    return _Axis(q[:count].copy(), modes.a[f, :count].copy(), modes.b[f, :count].copy(), modes.length_m)


def _kept(first: int, second: int) -> NDArray[np.int64]:
    """Which products of `first` × `second` polynomials count: those inside an ellipse, as plane waves need them."""
    i, j = np.arange(first)[:, None] / first, np.arange(second) / second
    return np.flatnonzero((i**2 + j**2 < 1).ravel())


def _pairs(one: Complexes, two: Complexes) -> Complexes:
    """All products of the columns of two matrices, row by row, shape (n, n_one·n_two)."""
    return (one[:, :, None] * two[:, None, :]).reshape(len(one), -1)
