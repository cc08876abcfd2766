"""What a set of coherent drivers radiates: into free field, and into the half space before its wall.

Drivers of a channel and their images in the mounting wall interfere, so their powers do not add. The
functions here integrate the composite far field over directions with a grid that follows the frequency.
Powers are returned as W·ρc [Pa² m²], which is ∮|D|² dΩ (rms).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .directivity import Directivity
from .filters import Filter
from .torus import TorusTable, torus_table

Reflection = Callable[[NDArray[np.float64], NDArray[np.float64]], ArrayLike]
"""R(cos θ, f): called with cos θ of shape (n, 1) and f [Hz] of shape (n_frequency,), broadcasts to (n, n_frequency)."""

INCOHERENT_FROM, INCOHERENT_TO = 60.0, 120.0
"""2kh (h: distance to the wall) between which the interference with the wall image is faded out."""

_BLOCK = 8
"""Frequencies that share one grid, at most; also never more than one octave."""

_FEWEST_NODES = 18
"""Nodes along either coordinate of the half space, at least: R(θ) of a hard wall bends near grazing, and 12
left 0.03 dB at an impedance of 200; 18 leave 0.01 dB."""

_MOST_NODES = 384
"""Nodes along the longest extent, at most: enough for k·extent = 650, 1.7 m at 20 kHz."""

_TABLE_MARGIN, _TABLE_VALUES = 1.5, 2_000_000
"""Measured patterns are tabulated to so many times the order that their directions resolve, or their size asks for
(which leaves 0.02 dB in the power of half a sphere), in tables of at most so many values."""


class Sounding(Protocol):
    """What is asked of a driver; `PlacedDriver` and the scene's `Emitter` both answer."""

    @property
    def position_m(self) -> NDArray[np.float64]: ...
    @property
    def rotation(self) -> NDArray[np.float64]: ...
    @property
    def directivity(self) -> Directivity: ...
    @property
    def filter(self) -> Filter: ...


def power_into_half_space(
    emitters: Sequence[Sounding],
    frequency_hz: ArrayLike,
    *,
    wall_point_m: ArrayLike,
    wall_normal: ArrayLike,
    reflection: Reflection,
    speed_m_s: float,
    on_wall: bool = False,
) -> NDArray[np.float64]:
    """Power of coherent drivers and their images in one wall, radiated into the half space before it.

    Parameters
    ----------
    emitters : drivers of one channel, shape (n_driver,); positions, rotations and the wall in one frame
    frequency_hz : shape (n_frequency,)
    wall_point_m, wall_normal : any point of the wall [m]; unit normal towards the drivers
    reflection : the wall's pressure reflection factor R(cos θ, f), called with shapes (n, 1) and (n_frequency,)
    speed_m_s : speed of sound
    on_wall : the drivers' data already hold the wall as if it were rigid; they are then weighted by (1 + R)/2

    Returns
    -------
    W·ρc [Pa² m²], shape (n_frequency,)

    Notes
    -----
    ∫ |Σ_i D_i(Ω) e^{jk n·r_i} + R(θ) Σ_i D_i(Ω') e^{jk n'·r_i}|² dΩ over the half space, with n' the direction
    n mirrored in the wall and r_i from a point of the wall. One omnidirectional driver at h before a rigid
    wall gives 4π (1 + sin 2kh / 2kh) (Rayleigh; [waterhouse1958]).

    Departure: where 2kh exceeds 60 the interference between the drivers and their images is faded out, and it
    is gone from 120 (h = 0.1 m: 16 kHz and above). It oscillates faster than any band that is shown. Measured
    against the full integral: at most 0.04 dB for one omnidirectional driver and for a two-way bar, 0.3 dB for
    an even metre of omnidirectional drivers. Interference among the drivers is kept throughout.

    References: [waterhouse1958], physics of half-space data: (1 + R)/2 keeps free and on-wall twins alike.
    """
    f = np.atleast_1d(np.asarray(frequency_hz, float))
    layout = _Layout.of(emitters, np.asarray(wall_point_m, float), np.asarray(wall_normal, float))
    tables = _Tables(layout, f, speed_m_s)
    twice_m = 2 * layout.height_m
    out = np.empty(f.size)
    for block in _blocks(f):
        k = 2 * np.pi * f[block] / speed_m_s
        apart = on_wall or k.min() * twice_m >= INCOHERENT_TO
        grid = _grid(layout, k.max(), 0.0 if apart else min(twice_m, INCOHERENT_TO / k.max()), whole=False)
        cosine = grid.cosine.reshape(-1, 1)
        factor = np.asarray(reflection(cosine, f[block]))
        ahead = layout.field(grid, f[block], k, tables)
        if on_wall:
            square = _square(ahead * ((1 + factor) / 2))
        else:
            behind = layout.field(grid, f[block], k, tables, mirrored=True) * factor
            square = _square(ahead) + _square(behind)
            reach = np.log(np.maximum(k * twice_m, 1e-9) / INCOHERENT_FROM)
            keep = 1 - np.clip(reach / np.log(INCOHERENT_TO / INCOHERENT_FROM), 0, 1)
            if keep.any():
                behind *= np.exp(-1j * cosine * (k * twice_m))
                square += 2 * keep * (ahead.real * behind.real + ahead.imag * behind.imag)
        out[block] = grid.weights @ square
    return out


def power_into_free_field(
    emitters: Sequence[Sounding], frequency_hz: ArrayLike, *, speed_m_s: float, half_space: bool = False
) -> NDArray[np.float64]:
    """Power of coherent drivers without any wall: W·ρc = ∮|D|² dΩ [Pa² m²], shape (n_frequency,).

    Parameters
    ----------
    emitters : drivers of one channel in the loudspeaker's frame
    frequency_hz : shape (n_frequency,)
    speed_m_s : speed of sound
    half_space : integrate over x > 0 only (data that stand for a source in a large rigid wall)
    """
    f = np.atleast_1d(np.asarray(frequency_hz, float))
    layout = _Layout.of(emitters, np.zeros(3), np.array([1.0, 0, 0]))
    tables = _Tables(layout, f, speed_m_s)
    out = np.empty(f.size)
    for block in _blocks(f):
        k = 2 * np.pi * f[block] / speed_m_s
        grid = _grid(layout, k.max(), 0.0, whole=not half_space)
        out[block] = grid.weights @ _square(layout.field(grid, f[block], k, tables))
    return out


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Grid:
    """Product grid about the layout's axis: u along it, the angle φ round it from the wall's normal."""

    u: NDArray[np.float64]            # (n_u, 1)
    phi: NDArray[np.float64]          # (n_phi,)
    cosine: NDArray[np.float64]       # component along the normal, (n_u, n_phi)
    sine: NDArray[np.float64]         # component across, (n_u, n_phi)
    weights: NDArray[np.float64]      # (n_u * n_phi,)

    def directions(self, sign: float) -> NDArray[np.float64]:
        """Unit vectors along, normal (times sign), across; shape (n_u * n_phi, 3)."""
        parts = [np.broadcast_to(self.u, self.cosine.shape), sign * self.cosine, self.sine]
        return np.stack(parts, axis=-1).reshape(-1, 3)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Layout:
    """Drivers seen from an axis that lies in the wall, along their longest extent, so that a bar's phases
    need many nodes along one coordinate only; drivers alike in directivity and aim share one evaluation."""

    frame: NDArray[np.float64]        # rows: along, normal, across
    along_m: NDArray[np.float64]      # re the middle, (n_driver,)
    off_m: NDArray[np.float64]        # normal and across offsets from their means, (n_driver, 2)
    height_m: float                   # mean distance to the wall
    groups: tuple[tuple[int, ...], ...]
    emitters: tuple[Sounding, ...]

    @classmethod
    def of(cls, emitters: Sequence[Sounding], point: NDArray, normal: NDArray) -> _Layout:
        positions = np.array([emitter.position_m for emitter in emitters], float) - point
        flat = positions - np.outer(positions @ normal, normal)
        spread = flat - flat.mean(axis=0)
        along = np.linalg.svd(spread)[2][0]
        if np.abs(spread).max() < 1e-9 or abs(along @ normal) > 1e-6:
            along = np.cross(normal, np.eye(3)[np.argmin(np.abs(normal))])
        along = along - (along @ normal) * normal
        along /= np.linalg.norm(along)
        frame = np.array([along, normal, np.cross(along, normal)])
        local = positions @ frame.T
        groups: dict[tuple[int, bytes], list[int]] = {}
        for index, emitter in enumerate(emitters):
            key = id(emitter.directivity), np.round(emitter.rotation, 12).tobytes()
            groups.setdefault(key, []).append(index)
        middle = (local[:, 0].max() + local[:, 0].min()) / 2
        return cls(
            frame=frame,
            along_m=local[:, 0] - middle,
            off_m=np.where(np.abs(d := local[:, 1:] - local[:, 1:].mean(axis=0)) < 1e-9, 0.0, d),
            height_m=abs(float(local[:, 1].mean())),
            groups=tuple(tuple(group) for group in groups.values()),
            emitters=tuple(emitters),
        )

    @property
    def symmetric(self) -> bool:
        """Whether one side of the plane through the axis and the wall's normal mirrors the other."""
        return not self.off_m[:, 1].any() and all(
            e.directivity.axisymmetric and abs(self.frame[2] @ e.rotation[:, 0]) < 1e-12 for e in self.emitters
        )

    @property
    def directivities(self) -> list[Directivity]:
        """Those of all drivers, each once."""
        return list({id(emitter.directivity): emitter.directivity for emitter in self.emitters}.values())

    def pattern_reach(self, k: float) -> float:
        """How fast a single driver's |D|² can turn: k times its diameter, cabinet included; measured data
        turn no faster than their directions resolve."""
        return 2 * max(_turns(directivity, k) for directivity in self.directivities)

    def field(
        self, grid: _Grid, frequency_hz: NDArray, k: NDArray, tables: _Tables, *, mirrored: bool = False
    ) -> NDArray[np.complex128]:
        """Σ D_i H_i e^{jk n·r_i}, r_i from the mean height; shape (n_direction, n_frequency)."""
        sign = -1.0 if mirrored else 1.0
        n_u, n_phi = grid.cosine.shape
        total: NDArray | None = None
        for group in self.groups:
            array: NDArray | float = 0.0
            for index in group:
                turn = np.exp(1j * grid.u * (k * self.along_m[index]))[:, None, :]
                normal, across = self.off_m[index]
                if normal or across:
                    path = sign * normal * grid.cosine + across * grid.sine
                    turn = turn * np.exp(1j * path[..., None] * k)
                array = array + self.emitters[index].filter.response(frequency_hz) * turn
            first = self.emitters[group[0]]
            if (table := tables.of(group, frequency_hz)) is not None:
                pattern = table.on_grid(np.arccos(grid.u[:, 0]), np.pi - grid.phi if mirrored else grid.phi)
            else:
                directions = grid.directions(sign) @ self.frame @ first.rotation
                pattern = first.directivity.far_pressure(frequency_hz, directions)
            share = pattern.reshape(n_u, n_phi, k.size) * array
            total = share if total is None else total + share
        return total.reshape(-1, k.size)


class _Tables:
    """Measured patterns, tabulated about the layout's axis for as many frequencies at once as memory allows."""

    def __init__(self, layout: _Layout, frequency_hz: NDArray[np.float64], speed_m_s: float) -> None:
        self._layout, self._speed_m_s = layout, speed_m_s
        self._rising = np.unique(frequency_hz)
        self._held: dict[tuple[int, ...], tuple[int, int, TorusTable]] = {}

    def of(self, group: tuple[int, ...], frequency_hz: NDArray[np.float64]) -> TorusTable | None:
        """The table of a group of drivers at these frequencies, None where the pattern itself is quick."""
        driver = self._layout.emitters[group[0]]
        if not _is_measured(driver.directivity):
            return None
        at = np.searchsorted(self._rising, frequency_hz)
        start, stop, table = self._held.get(group, (0, 0, None))
        if table is None or at.min() < start or at.max() >= stop:
            k = 2 * np.pi * self._rising[-1] / self._speed_m_s
            degree = int(np.ceil(_TABLE_MARGIN * _turns(driver.directivity, k))) + 6
            start = int(at.min())
            stop = max(start + _TABLE_VALUES // (4 * (degree + 1) ** 2), int(at.max()) + 1)
            f = self._rising[start:stop]
            turn = self._layout.frame @ driver.rotation
            table = torus_table(lambda q: driver.directivity.far_pressure(f, q @ turn), degree)
            self._held[group] = start, stop, table
        return table.columns(at - start)


def _is_measured(directivity: Directivity) -> bool:
    return len(getattr(directivity, "directions", ())) > 0


def _turns(directivity: Directivity, k: float) -> float:
    """Highest order of a pattern: k times its radius, cabinet included, or what its directions resolve."""
    radius = max(directivity.radius_m, getattr(directivity, "sphere_radius_m", 0.0))
    resolved = np.sqrt(len(getattr(directivity, "directions", ()))) or np.inf
    return float(min(k * radius, resolved))


def _grid(layout: _Layout, k: float, image_reach_m: float, *, whole: bool) -> _Grid:
    """A grid fine enough for wave number k; `whole` for the sphere, else the half x > 0 of the normal."""
    pattern = layout.pattern_reach(k)
    across = float(np.hypot(*np.ptp(layout.off_m, axis=0))) + image_reach_m
    reach_u = k * max(float(np.ptp(layout.along_m)), across) + pattern
    reach_phi = k * across + pattern
    u, u_weight = _gauss(_nodes(max(reach_u / 2 + 1.5 * np.cbrt(reach_u) + 10, _FEWEST_NODES)))
    if whole:
        count = 4 * _nodes((reach_phi + 3 * np.cbrt(reach_phi)) / 4 + 3)
        phi = np.pi * (2 * np.arange(count) + 1 - count) / count
        phi_weight = np.full(count, 2 * np.pi / count)
    else:
        wanted = max(reach_phi * np.pi / 4 + 1.5 * np.cbrt(reach_phi) + 8, _FEWEST_NODES)
        node, phi_weight = _gauss(_nodes(wanted))
        phi, phi_weight = node * np.pi / 2, phi_weight * np.pi / 2
    if layout.symmetric:                      # nodes are even in number and lie evenly about zero
        phi, phi_weight = phi[phi > 0], 2 * phi_weight[phi > 0]
    s = np.sqrt(1 - u**2)
    return _Grid(
        u=u[:, None],
        phi=phi,
        cosine=np.outer(s, np.cos(phi)),
        sine=np.outer(s, np.sin(phi)),
        weights=np.outer(u_weight, phi_weight).ravel(),
    )


def _square(field: NDArray[np.complex128]) -> NDArray[np.float64]:
    return field.real**2 + field.imag**2


def _nodes(wanted: float) -> int:
    """The next size of a short list (rules are remembered by size)."""
    step = 4 if wanted <= 32 else 8 if wanted <= 96 else 32
    return int(min(step * np.ceil(wanted / step), _MOST_NODES))


@lru_cache(maxsize=64)
def _gauss(count: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    from scipy.special import roots_legendre

    node, weight = roots_legendre(count)
    node.setflags(write=False)
    weight.setflags(write=False)
    return node, weight


def _blocks(frequency_hz: NDArray[np.float64]) -> Iterator[NDArray[np.intp]]:
    """Indices of frequencies that share a grid: within an octave, at most _BLOCK of them."""
    order = np.argsort(frequency_hz, kind="stable")
    start = 0
    while start < order.size:
        low = frequency_hz[order[start]]
        stop = int(np.searchsorted(frequency_hz[order], 2 * low, side="right"))
        stop = min(max(stop, start + 1), start + _BLOCK)
        yield order[start:stop]
        start = stop
