"""The dense systems of a plan, per frequency and vertical function: walls, then patches, then the fields of seats."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..room.materials import Material
from ..room.room import Room
from .plan_elements import Elements
from .plan_surfaces import Functions, Piece, PlanLayout, functions, legendre_table, piece_orders, plan_layout
from .roots import axis_modes

_EXACT = 2.0
"""Modes up to this multiple of the highest κ² are summed one by one, the others by the polynomial."""

_LEAST_EXACT = 20.0

_TAIL = 1e-6
"""What the polynomial may leave of the rest."""

_PATCH_REACH = 14.0
"""With patches, vertical functions to this wavenumber [1/m] at least."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Band:
    """An octave of frequencies of a room.

    Attributes
    ----------
    index : positions of its frequencies
    k : real wavenumber, shape (n_frequency,)
    squares : κ² of the plan per vertical function, shape (n_frequency, n_vertical)
    q, a, b : vertical functions a e^{jqz} + b e^{jq(h-z)}, same shape
    k_beta : k times the admittance of each wall, shape (n_wall, n_frequency)
    layout : uniform faces and pieces that deviate
    columns : functions of walls and pieces of it
    exact : so many of the modes are summed one by one
    nodes : κ² at which the others were summed, shape (n_node,)
    """

    index: NDArray[np.int64]
    k: NDArray[np.float64]
    squares: NDArray[np.complex128]
    q: NDArray[np.complex128]
    a: NDArray[np.complex128]
    b: NDArray[np.complex128]
    height_m: float
    k_beta: NDArray[np.complex128]
    layout: PlanLayout
    columns: Functions
    space: Elements
    exact: int
    nodes: NDArray[np.float64]
    more: int

    @property
    def kappa(self) -> NDArray[np.complex128]:
        return np.sqrt(self.squares)

    def vertical(self, z_m: NDArray[np.float64]) -> NDArray[np.complex128]:
        """Vertical functions at heights, shape (n_frequency, n_vertical, n_height)."""
        q = self.q[..., None]
        return self.a[..., None] * np.exp(1j * q * z_m) + self.b[..., None] * np.exp(1j * q * (self.height_m - z_m))

    def tail_weights(self, squares: NDArray[np.complex128]) -> NDArray[np.complex128]:
        """Lagrange weights of the nodes at κ², shape (..., n_node)."""
        gap = squares[..., None] - self.nodes
        gap = np.where(gap == 0, 1e-300, gap)
        count = len(self.nodes)
        sign = (-1.0) ** np.arange(count) * np.sin((2 * np.arange(count) + 1) * np.pi / (2 * count))
        part = sign / gap
        return part / part.sum(axis=-1, keepdims=True)


def band_of(
    room: Room, space: Elements, squares: NDArray[np.float64], frequency_hz: NDArray[np.float64],
    index: NDArray[np.int64], reach: float, more: int,
) -> Band:
    """Vertical functions of a band, and how the plan's modes are summed for it."""
    f = frequency_hz[index]
    k = 2 * np.pi * f / room.air.speed_m_s
    layout = plan_layout(room)
    height = float(room.geometry.height_m)
    if layout.pieces:
        reach = max(reach, _PATCH_REACH)
    beta = [1 / np.asarray(material.impedance(f), complex) for material in (layout.floor, layout.ceiling)]
    off = 2 * float(np.max(k * (np.abs(beta[0]) + np.abs(beta[1])))) / height
    count = int(np.ceil(height / np.pi * np.sqrt(float(k.max()) ** 2 + reach**2 + off))) + 1
    axis = axis_modes(k, beta[0], beta[1], height, count)
    propagating = (k - 1j * room.air.attenuation_np_per_m(f)) ** 2
    plan = propagating[:, None] - axis.q**2
    high, low = float(plan.real.max()), float(plan.real.min())
    limit = max(_EXACT * high, _LEAST_EXACT)
    exact = int(np.searchsorted(squares, limit))
    middle, half = (high + low) / 2, (high - low) / 2
    pole = (limit - middle) / half
    rho = pole + np.sqrt(pole**2 - 1)
    nodes = max(int(np.ceil(-np.log(_TAIL) / np.log(rho))), 3)
    at = middle + half * np.cos((2 * np.arange(nodes) + 1) * np.pi / (2 * nodes))
    columns = functions(space, room.geometry.plan_m, layout.pieces, float(k.max()), more)
    k_beta = k * np.array([1 / np.asarray(material.impedance(f), complex) for material in layout.walls])
    return Band(index=index, k=k, squares=plan, q=axis.q, a=axis.a, b=axis.b, height_m=height, k_beta=k_beta,
                layout=layout, columns=columns, space=space, exact=exact, nodes=at, more=more)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SeatFields:
    """The field of a point source at every seat, as sources on walls, pieces and seats of the rigid plan.

    Attributes
    ----------
    columns : all functions and seats in modes of the plan, shape (n_mode, n_column)
    squares : of all modes
    strength : shape (n_frequency, n_vertical, n_column, n_listener)
    """

    columns: NDArray[np.float64]
    squares: NDArray[np.float64]
    strength: NDArray[np.complex128]

    def at(self, read: NDArray[np.float64], band: Band) -> NDArray[np.complex128]:
        """The field at points whose values of the modes are `read` (n_point, n_mode).

        Shape (n_frequency, n_vertical, n_point, n_listener).
        """
        low, high = self.squares[: band.exact], self.squares[band.exact :]
        weights = band.tail_weights(band.squares)
        rest = [
            (read[:, band.exact :] / (high - node)) @ self.columns[band.exact :] for node in band.nodes
        ]
        rest = np.array(rest)
        near, far = read[:, : band.exact], self.columns[: band.exact]
        out = np.empty((*band.squares.shape, len(read), self.strength.shape[-1]), complex)
        for i, n in np.ndindex(*band.squares.shape):
            strength = self.strength[i, n]
            amplitude = _real_times(far, strength) / (low - band.squares[i, n])[:, None]
            tail = (weights[i, n] @ rest.reshape(len(rest), -1)).reshape(rest.shape[1:])
            out[i, n] = _real_times(near, amplitude) + tail @ strength
        return out


def _real_times(real: NDArray[np.float64], other: NDArray[np.complex128]) -> NDArray[np.complex128]:
    """Product of a real and a complex matrix without making the real one complex."""
    wide = real @ np.ascontiguousarray(other).view(float).reshape(len(other), -1)
    return wide.view(complex).reshape(len(real), -1)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Patches:
    """Unknowns on the pieces: which plan function and which vertical weight each has.

    Attributes
    ----------
    column : plan function among all of the pieces, shape (n_unknown,)
    row : vertical weight, same shape
    deviation : jk(β - β all over), shape (n_frequency, n_unknown)
    weights : ∫ of the vertical functions, shape (n_frequency, n_vertical, n_row)
    level : which of floor and ceiling each unknown is on, -1 for walls
    """

    column: NDArray[np.int64]
    row: NDArray[np.int64]
    deviation: NDArray[np.complex128]
    weights: NDArray[np.complex128]
    level: NDArray[np.int64]


def seat_fields(
    room: Room, band: Band, squares: NDArray[np.float64], modes: NDArray[np.float64],
    frequency_hz: NDArray[np.float64], listeners_m: NDArray[np.float64],
) -> SeatFields:
    """Solve for walls and patches, a point source at every seat."""
    walls = np.concatenate(band.columns.walls, axis=1)
    pieces = [one.reshape(len(walls), -1) for one in band.columns.pieces]
    ears = band.space.values(listeners_m[:, :2]).toarray().T
    columns = modes.T @ np.concatenate([walls, *pieces, ears], axis=1)
    wall_count, seat_count = walls.shape[1], len(listeners_m)
    others = columns.shape[1] - wall_count
    piece_count = others - seat_count
    drop = 1j * np.repeat(band.k_beta, [one.shape[1] for one in band.columns.walls], axis=0)
    near, high = columns[: band.exact], columns[band.exact :]
    rest = np.array([high.T @ (high / (squares[band.exact :] - node)[:, None]) for node in band.nodes])
    tail = band.tail_weights(band.squares)
    heights = band.vertical(listeners_m[:, 2])
    patches = _patches(band, frequency_hz) if pieces else None
    strength = np.empty((*band.squares.shape, columns.shape[1], seat_count), complex)
    identity = np.eye(wall_count)
    for i in range(len(band.k)):
        inner = np.empty((band.squares.shape[1], others, others), complex) if patches else None
        answers = []
        for n in range(band.squares.shape[1]):
            scale = 1 / (squares[: band.exact] - band.squares[i, n])
            whole = near.T @ (near * scale.real[:, None]) + 1j * (near.T @ (near * scale.imag[:, None]))
            whole += (tail[i, n] @ rest.reshape(len(rest), -1)).reshape(whole.shape)
            system = identity + drop[:, i, None] * whole[:wall_count, :wall_count]
            answer = np.linalg.solve(system, drop[:, i, None] * whole[:wall_count, wall_count:])
            answers.append(answer)
            if patches:
                inner[n] = whole[wall_count:, wall_count:] - whole[wall_count:, :wall_count] @ answer
        drive = np.zeros((band.squares.shape[1], others, seat_count), complex)
        drive[:, piece_count + np.arange(seat_count), np.arange(seat_count)] = heights[i]
        if patches:
            _add_patches(drive, inner, patches, i, piece_count, band)
        for n, answer in enumerate(answers):
            strength[i, n, wall_count:] = drive[n]
            strength[i, n, :wall_count] = -answer @ drive[n]
    return SeatFields(columns=columns, squares=squares, strength=strength)


def _add_patches(
    drive: NDArray[np.complex128], inner: NDArray[np.complex128], patches: _Patches, i: int, piece_count: int,
    band: Band,
) -> None:
    """What the pieces send out, added to the seats' own sources in place."""
    weights = patches.weights[i][:, patches.row]            # (n_vertical, n_unknown)
    mutual = np.zeros((len(patches.row),) * 2, complex)
    heard = np.zeros((len(patches.row), drive.shape[2]), complex)
    for n in range(len(drive)):
        green = inner[n][:piece_count][patches.column]
        mutual += weights[n][:, None] * green[:, patches.column] * weights[n]
        heard += weights[n][:, None] * (green[:, piece_count:] * drive[n, piece_count:].diagonal())
    flat = np.flatnonzero(patches.level >= 0)
    mutual[flat, flat] += _higher_functions(band.k[i], band.height_m, len(drive))
    deviation = patches.deviation[i]
    pressure = np.linalg.solve(np.eye(len(deviation)) + mutual * deviation, heard)
    sent = -deviation[:, None] * pressure
    for n in range(len(drive)):
        np.add.at(drive[n], patches.column, weights[n][:, None] * sent)


def _higher_functions(k: float, height_m: float, kept: int) -> float:
    """Σ of φ_n²/(q_n² - k²) at a level face over the vertical functions left out: each acts on its own place alone."""
    n = np.arange(kept, kept + 4000)
    return float(np.sum(2 / height_m / ((n * np.pi / height_m) ** 2 - k**2)) + 2 * height_m / np.pi**2 / (n[-1] + 1))


def _patches(band: Band, frequency_hz: NDArray[np.float64]) -> _Patches:
    columns, rows, deviations, weights, levels = [], [], [], [], []
    first_column = first_row = 0
    ends = band.vertical(np.array([0.0, band.height_m]))
    for piece, made in zip(band.layout.pieces, band.columns.pieces, strict=True):
        count = int(np.prod(made.shape[1:]))
        base = _base(band.layout, piece)
        deviation = 1j * band.k * (1 / np.asarray(piece.material.impedance(frequency_hz), complex)
                                   - 1 / np.asarray(base.impedance(frequency_hz), complex))
        if piece.wall >= 0:
            low, high = float(piece.low_m[1]), float(piece.high_m[1])
            up = piece_orders(high - low, float(band.k.max()), band.more)
            x, w = np.polynomial.legendre.leggauss(up + 40)
            z = low + (high - low) * (x + 1) / 2
            table = legendre_table(up, z, low, high) * (w * (high - low) / 2)[:, None]
            weights.append(band.vertical(z) @ table)
        else:
            up = 1
            weights.append(ends[..., [-1 - piece.wall]])
        columns.append(first_column + np.repeat(np.arange(count), up))
        rows.append(first_row + np.tile(np.arange(up), count))
        levels.append(np.full(count * up, max(-1, -1 - piece.wall) if piece.wall < 0 else -1))
        deviations.append(np.repeat(deviation[:, None], count * up, axis=1))
        first_column, first_row = first_column + count, first_row + up
    return _Patches(column=np.concatenate(columns), row=np.concatenate(rows), level=np.concatenate(levels),
                    deviation=np.concatenate(deviations, axis=1), weights=np.concatenate(weights, axis=2))


def _base(layout: PlanLayout, piece: Piece) -> Material:
    return layout.walls[piece.wall] if piece.wall >= 0 else (layout.floor, layout.ceiling)[-1 - piece.wall]
