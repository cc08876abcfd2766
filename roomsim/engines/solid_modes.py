"""Modes of rooms that are no box: frequency, decay and shape, from the elements of the wave engine in three dimensions.

First the modes of the rigid room. To these come what the walls add: each mode's own walls as sources, answered once by
the elements. On this basis every mode is solved for with its walls' admittance at its own frequency. Modes of a stretch
of frequencies are solved together; the rest of the basis answers to first order around the middle of the stretch.
"""

from __future__ import annotations

import threading
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..constants import DECAY_CONSTANT
from ..room.room import Room
from ..scene import Scene
from .multipoles import Multipole, multipole
from .plan_elements import Elements, elements, reference_matrices
from .solid_mesh import solid_mesh
from .solid_sources import solid_probe, solid_weights
from .solid_surfaces import wall_matrices
from .solid_wave import ORDER, unknowns

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

HIGH_HZ = 200.0
"""Modes are solved for to this frequency, or to that of the MOST_MODES-th in large rooms."""

MOST_MODES = 160

LOW_HZ = 8.0

SIZE_IN_WAVELENGTHS = 0.8
"""Of the highest frequency, if that makes no more than MOST_UNKNOWNS: elements are larger by COARSEST at most."""

COARSEST = 1.5
MOST_UNKNOWNS = 9_000
"""Frequencies of a rigid box are then within 1e-4 to 160 Hz and 3e-4 to 200 Hz, among many obstacles 1e-3."""

_MORE = 1.12
"""The rigid room's modes to this multiple of the highest frequency make the basis."""

_STRETCH = 2 ** (1 / 8)
_MARGIN = 1.35
"""Modes of a stretch are solved together with those so far beside it."""

_OVERLAP = 0.02
_LEAST = 1e-3
"""Answers of the walls smaller than this, re the largest, are left out."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SolidModes:
    """Modes by rising frequency.

    Attributes
    ----------
    frequency_hz, decay_s : shape (n_mode,), air absorption in the decay; infinite where nothing is lost
    wavenumber : complex, without the air's absorption, shape (n_mode,)
    upright : share of the motion that is up and down, 0 to 1, shape (n_mode,)
    space : elements
    nodal : values at their nodes, ∫ψ² dV = 1, shape (n_node, n_mode)
    high_hz : all modes to here are in
    """

    frequency_hz: Floats
    decay_s: Floats
    wavenumber: Complexes
    upright: Floats
    space: Elements
    nodal: Complexes
    high_hz: float


class _Recent(threading.local):
    room: Room | None = None
    modes: SolidModes | None = None


_RECENT = _Recent()


def mode_count(room: Room, high_hz: float) -> float:
    """About how many modes a room has up to a frequency, by volume and surface [kuttruff2016]."""
    ratio, geometry = high_hz / room.air.speed_m_s, room.geometry
    return float(4 * np.pi / 3 * geometry.volume_m3 * ratio**3 + np.pi / 4 * geometry.surface_m2 * ratio**2)


def highest_mode_hz(room: Room) -> float:
    """Frequency to which `solid_modes` goes."""
    f = np.linspace(20, HIGH_HZ, 211)
    return float(f[np.array([mode_count(room, one) for one in f]) <= MOST_MODES].max(initial=20.0))


def solid_modes(room: Room) -> SolidModes:
    """Modes of a room of any shape; each thread remembers those of its last room.

    Notes
    -----
    (K + jkΣβB)ψ = k²Mψ with β at the real part of the mode's frequency, as for a box (`modes.room_modes`). A mode that
    resonant walls add to those of the rigid room is not found.
    """
    if _RECENT.room is not room or _RECENT.modes is None:
        _RECENT.modes, _RECENT.room = _solve(room), room
    return _RECENT.modes


def solid_coupling(
    scene: Scene, modes: SolidModes, kept: NDArray[np.int64]
) -> tuple[list[Multipole], Complexes, Complexes]:
    """Drivers as multipoles, D(∇/jk)ψ at each (n_driver, n_kept), and ψ at the seats (n_listener, n_kept)."""
    room, space = scene.room, modes.space
    f, k, nodal = modes.frequency_hz[kept], modes.wavenumber[kept], modes.nodal[:, kept]
    seats = space.values(scene.listeners_m) @ nodal
    if not kept.size:
        return [], np.zeros((0, 0), complex), seats
    sources = [multipole(emitter, room.geometry, f, k.real) for emitter in scene.emitters]
    k_beta = k * np.array([1 / np.asarray(room.materials[face.name].impedance(f), complex)
                           for face in room.geometry.faces])
    drive = np.zeros((len(sources), kept.size), complex)
    fits: list[dict[bytes, Complexes]] = [{} for _ in range(kept.size)]
    for number, source in enumerate(sources):
        where = solid_probe(source, room, np.inf)                # the field of a mode is smooth at seats
        read = space.values(where.points_m) @ nodal
        for n in range(kept.size):
            drive[number, n] = solid_weights(where, n, complex(k[n]), k_beta[:, n], fits[n]) @ read[:, n]
    return sources, drive, seats


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Basis:
    """Functions with ∫uv dV = δ: `rigid` modes first, then answers of walls; their matrices."""

    vectors: Floats
    rigid: int
    square: Floats
    stiffness: Floats
    walls: Floats
    materials: list[Any]

    def admittance(self, frequency_hz: float) -> Complexes:
        f = np.array([frequency_hz])
        return np.array([1 / np.asarray(one.impedance(f), complex)[0] for one in self.materials])


def _solve(room: Room) -> SolidModes:
    speed, high = room.air.speed_m_s, highest_mode_hz(room)
    size = finest = SIZE_IN_WAVELENGTHS * speed / high
    mesh = solid_mesh(room.geometry, size)
    while unknowns(mesh, ORDER) > MOST_UNKNOWNS and size < COARSEST * finest:
        size *= 1.08
        mesh = solid_mesh(room.geometry, size)
    space = elements(mesh, ORDER)
    basis = _basis(room, space, high)
    found: list[tuple[complex, Complexes, float]] = []
    low, loss_per_m = LOW_HZ, 0.0
    while low < high:
        top = max(low * _STRETCH, 30.0)
        middle = float(np.sqrt(max(low, 20.0) * top))
        modes = list(_of_stretch(basis, low, top, middle, loss_per_m, speed))
        for _ in range(2 if low == LOW_HZ else 0):
            loss_per_m = float(np.mean([k.imag for k, _ in modes])) if modes else 0.0
            modes = list(_of_stretch(basis, low, top, middle, loss_per_m, speed))
        if modes:                              # walls of a decaying mode work at its complex k; neighbours lose alike
            loss_per_m = float(np.mean([k.imag for k, _ in modes]))
        for k, vector in modes:
            hz = k.real * speed / (2 * np.pi)
            inside = low * (1 - _OVERLAP) < hz < top * (1 + _OVERLAP) and hz <= high
            if inside and not _take_better(found, k, vector, abs(np.log(hz / middle))):
                found.append((k, vector, abs(np.log(hz / middle))))
        low = top
    found.sort(key=lambda one: one[0].real)
    k = np.array([one[0] for one in found])
    parts = np.array([one[1] for one in found]).reshape(len(found), -1).T
    nodal = basis.vectors @ parts.real + 1j * (basis.vectors @ parts.imag)
    frequency = k.real * speed / (2 * np.pi)
    loss = speed * (np.maximum(k.imag, 0) + room.air.attenuation_np_per_m(frequency))
    with np.errstate(divide="ignore"):
        decay = np.where(loss > 1e-9, DECAY_CONSTANT / (2 * loss), np.inf)
    whole = np.einsum("im,im->m", parts.conj(), basis.stiffness @ parts).real
    return SolidModes(frequency_hz=frequency, decay_s=decay, wavenumber=k, upright=_upright(space, nodal) / whole,
                      space=space, nodal=nodal, high_hz=high)


def _basis(room: Room, space: Elements, high_hz: float) -> _Basis:
    from scipy.sparse.linalg import LinearOperator, eigsh, splu

    speed = room.air.speed_m_s
    wanted = (2 * np.pi * _MORE * high_hz / speed) ** 2
    shift = 0.45 * wanted
    factors = splu((space.stiffness - shift * space.mass).tocsc(), permc_spec="MMD_AT_PLUS_A", diag_pivot_thresh=0.0,
                   options={"SymmetricMode": True})
    size = len(space.nodes_m)
    count = min(int(1.12 * mode_count(room, _MORE * high_hz)) + 12, size // 3)
    inverse = LinearOperator((size, size), matvec=factors.solve, dtype=float)
    square, rigid = eigsh(space.stiffness, count, M=space.mass, sigma=shift, OPinv=inverse, tol=1e-7,
                          v0=np.cos(np.arange(size)))
    order = np.argsort(square)
    square, rigid = np.maximum(square[order], 0), rigid[:, order]
    finishes = wall_matrices(room, space)
    materials, matrices = [one for one, _ in finishes], [one for _, one in finishes]
    hz = np.maximum(np.sqrt(square) * speed / (2 * np.pi), LOW_HZ)
    beta = np.array([1 / np.asarray(one.impedance(hz), complex) for one in materials])
    on_walls = [matrix @ rigid for matrix in matrices]
    answers = []
    for part in (beta.real, beta.imag):
        push = sum((image * weight for image, weight in zip(on_walls, part, strict=True)), np.zeros_like(rigid))
        if np.any(push):
            answers.append(factors.solve(push * np.sqrt(np.maximum(square, 1e-3))))
    vectors = rigid
    if answers:
        extra = np.concatenate(answers, axis=1)
        for _ in range(2):
            extra = extra - rigid @ (rigid.T @ (space.mass @ extra))
        gram, turn = np.linalg.eigh(extra.T @ (space.mass @ extra))
        kept = gram > _LEAST**2 * gram.max()
        vectors = np.concatenate([rigid, extra @ (turn[:, kept] / np.sqrt(gram[kept]))], axis=1)
    return _Basis(
        vectors=vectors, rigid=count, square=square, stiffness=vectors.T @ (space.stiffness @ vectors),
        walls=np.array([vectors.T @ (matrix @ vectors) for matrix in matrices]), materials=materials,
    )


def _of_stretch(basis: _Basis, low_hz: float, top_hz: float, middle_hz: float, loss_per_m: float, speed: float):
    """(k, vector in the basis, Σ = 1) of the modes around a stretch of frequencies."""
    k = 2 * np.pi * middle_hz / speed + 1j * loss_per_m
    system = basis.stiffness + 1j * k * np.tensordot(basis.admittance(middle_hz), basis.walls, 1)
    hz = np.sqrt(basis.square) * speed / (2 * np.pi)
    near = np.flatnonzero((hz > low_hz / _MARGIN) & (hz < top_hz * _MARGIN))
    rest = np.setdiff1d(np.arange(len(system)), near)
    if not near.size:
        return
    across = system[np.ix_(rest, near)]
    answer = np.linalg.solve(system[np.ix_(rest, rest)] - k**2 * np.eye(rest.size), across)
    # around k² the rest answers with -answer, and with its slope in k², which acts as mass
    mass = np.eye(near.size) + answer.T @ answer
    stiff = system[np.ix_(near, near)] - across.T @ answer + k**2 * (answer.T @ answer)
    squares, vectors = np.linalg.eig(np.linalg.solve(mass, stiff))
    for square, part in zip(squares, vectors.T, strict=True):
        about_hz = np.sqrt(square + 0j).real * speed / (2 * np.pi)
        if not low_hz / 1.1 < about_hz < top_hz * 1.1:
            continue
        vector = np.empty(len(system), complex)
        vector[near], vector[rest] = part, -answer @ part
        norm = vector @ vector
        if abs(norm) < 1e-6 * np.linalg.norm(vector) ** 2:
            continue
        vector = vector / np.sqrt(norm)
        k_mode = _own_wavenumber(basis, vector, np.sqrt(square + 0j), speed)
        if k_mode.real > 0 and k_mode.imag > -1e-9 * k_mode.real:
            yield k_mode, vector


def _own_wavenumber(basis: _Basis, vector: Complexes, k: complex, speed: float) -> complex:
    """k² = K + jkΣβB in one shape, β at the shape's own frequency; errors of the shape enter squared."""
    stiffness = vector @ basis.stiffness @ vector
    walls = (basis.walls @ vector.real + 1j * (basis.walls @ vector.imag)) @ vector
    for _ in range(6):
        half = 0.5j * (basis.admittance(max(k.real * speed / (2 * np.pi), LOW_HZ)) @ walls)
        k = complex(half + np.sqrt(half**2 + stiffness))
    return k


def _take_better(found: list[tuple[complex, Complexes, float]], k: complex, vector: Complexes, away: float) -> bool:
    """Whether a mode is known; of two solutions that from nearer its stretch's middle is kept."""
    for place in range(max(len(found) - 40, 0), len(found)):
        other, shape, before = found[place]
        alike = abs(k - other) < 0.03 * abs(k)
        if alike and abs(shape @ vector) > 0.7:
            if away < before:
                found[place] = (k, vector, away)
            return True
    return False


def _upright(space: Elements, nodal: Complexes) -> Floats:
    """∫|∂ψ/∂z|² dV, shape (n_mode,)."""
    _, edges = space.mesh.frames
    slope = np.linalg.inv(edges)[:, :, 2]
    metric = slope[:, :, None] * slope[:, None] * np.linalg.det(edges)[:, None, None]
    local = np.einsum("cij,ijab->cab", metric, reference_matrices(space.order, 3)[1])
    total = np.zeros(nodal.shape[1])
    for cell, matrix in zip(space.cell_nodes, local, strict=True):
        part = nodal[cell]
        total += np.sum(part.real * (matrix @ part.real) + part.imag * (matrix @ part.imag), axis=0)
    return total
