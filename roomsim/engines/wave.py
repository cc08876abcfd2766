"""Wave engine for box rooms: the exact field of locally reacting walls, every driver and seat at once.

The field separates. It is expanded in the modes of two axes and closed along the third, the one along which
source and listener are farthest apart, where every guided mode is a wave that runs to and fro; 1 to 3 m
apart some hundred guided modes give what takes a triple sum 200,000 terms.
"""

from __future__ import annotations

import threading
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..conventions import BOX_FACES
from ..errors import InvalidValue
from ..room.room import Room
from ..scene import Scene
from . import wave_kernels as kernels
from .close_pairs import close_field
from .multipoles import Multipole, multipole
from .pairs import PairGroup, group_pairs
from .patch_layout import Layout, layout
from .roots import AxisModes, axis_modes
from .wave_patches import Systems, needed_reach, patch_field

LOW_HZ, HIGH_HZ = 10.0, 1150.0
"""Range of the engine."""

CONVERGENCE_NP = 20.0
"""Guided modes are kept until they fall by this many nepers from source to listener: 1e-7 of the field."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BoxRoots:
    """What the wave engine needs to know of a room, whatever stands in it; share it between designs.

    Attributes
    ----------
    room : the room
    frequency_hz : shape (n_frequency,)
    wavenumber : complex k of propagation, with the air's absorption [1/m], shape (n_frequency,)
    k_beta : real k times the admittance of each wall without its patches [1/m], shape (3, 2, n_frequency)
    axes : modes of x, y and z
    layout : the room as uniform walls and rectangles that deviate from them
    systems : what `solve_box` works out for the patches, kept for the next scene
    """

    room: Room
    frequency_hz: NDArray[np.float64]
    wavenumber: NDArray[np.complex128]
    k_beta: NDArray[np.complex128]
    axes: tuple[AxisModes, AxisModes, AxisModes]
    layout: Layout
    systems: Systems = field(default_factory=Systems)

    @property
    def counts(self) -> tuple[int, ...]:
        """How many modes each axis holds."""
        return tuple(axis.q.shape[1] for axis in self.axes)


def wall_admittances(room: Room, frequency_hz: ArrayLike) -> NDArray[np.complex128]:
    """β = 1/ζ of the six faces, the area mean over patches, shape (3, 2, n_frequency)."""
    f = np.atleast_1d(np.asarray(frequency_hz, float))
    beta = dict.fromkeys(BOX_FACES, np.zeros(f.size, complex))
    area = dict.fromkeys(BOX_FACES, 0.0)
    for part in room.parts():
        beta[part.face] = beta[part.face] + part.area_m2 / np.asarray(part.material.impedance(f), complex)
        area[part.face] += part.area_m2
    return np.stack([beta[face] / area[face] for face in BOX_FACES]).reshape(3, 2, f.size)


def prepare(room: Room, frequency_hz: ArrayLike, *, separation_m: float = 1.0) -> BoxRoots:
    """Find the modes of a room's axes once, for all designs and places in it.

    Parameters
    ----------
    room : a box
    frequency_hz : 10 Hz to 1.15 kHz, shape (n_frequency,)
    separation_m : smallest distance between driver and seat, along the axis where it is greatest, that the
        modes must serve; closer pairs make `solve_box` find more

    Raises
    ------
    InvalidValue : a room that is no box, a frequency outside the engine's range
    """
    f = _checked(room, frequency_hz)
    k = 2 * np.pi * f / room.air.speed_m_s
    reach = k**2 + (CONVERGENCE_NP / separation_m) ** 2
    plan = layout(room)
    return _prepare(room, f, plan, plan.base_admittances(f), float(reach.max()))


class _Recent(threading.local):
    """What each thread prepared last: cases of one room follow each other."""

    roots: BoxRoots | None = None


_RECENT = _Recent()


def recent_roots(room: Room, frequency_hz: ArrayLike) -> BoxRoots:
    """`prepare` for a room and frequencies; each thread remembers the last."""
    f = np.atleast_1d(np.asarray(frequency_hz, float))
    roots = _RECENT.roots
    if roots is None or roots.room is not room or not np.array_equal(roots.frequency_hz, f):
        roots = _RECENT.roots = prepare(room, f)
    return roots


def solve_box(
    scene: Scene, frequency_hz: ArrayLike, *, roots: BoxRoots | None = None, closing_axis: int | None = None
) -> NDArray[np.complex128]:
    """Complex pressure of every channel at every listener of a box room.

    Parameters
    ----------
    scene : a box room with its loudspeakers and listeners
    frequency_hz : 10 Hz to 1.15 kHz, shape (n_frequency,)
    roots : from `prepare`, for the same room and frequencies
    closing_axis : close all pairs along x, y or z (0, 1, 2) instead of each pair's own best: a check

    Returns
    -------
    pressure [Pa rms], shape (n_channel, n_listener, n_frequency)

    Raises
    ------
    InvalidValue : a room that is no box, a frequency outside the range, roots of something else

    Notes
    -----
    (∇² + k²)p = -source, ∂p/∂n = -jkβp. Exact for locally reacting walls and drivers that do not scatter: no
    furniture. Patches are solved for beside the uniform walls (see `patch_field`: 0.02 dB rms at seats); an
    opening is ζ = 1 here, which gives back some sound at grazing incidence. Modes are kept until the evanescent
    ones fall by `CONVERGENCE_NP` from the source to the listener. Drivers enter to order ka + 4 (see `multipole`).
    A seat inside a driver's own sphere (`radius_m`) has no meaning.
    Pairs closer than 0.3 m along every axis are solved by `close_field`. Air absorbs in the propagation
    (complex k), the walls see the real k. References: [morse-ingard1968] ch. 9.
    """
    f = _checked(scene.room, frequency_hz)
    if roots is not None and (roots.room is not scene.room or not np.array_equal(roots.frequency_hz, f)):
        raise InvalidValue("roots", roots.room.name, "must be prepared for this room and these frequencies")
    k = 2 * np.pi * f / scene.room.air.speed_m_s
    sources = [multipole(emitter, scene.room.geometry, f, k) for emitter in scene.emitters]
    positions = np.array([source.position_m for source in sources])
    groups, close = group_pairs(positions, scene.listeners_m, closing_axis)
    cuts = [_cut(group, sources, k) for group in groups]
    needed = max([float(cut.max()) for cut in cuts], default=float(k.max() ** 2))
    if roots is None:
        plan = layout(scene.room)
        roots = _prepare(scene.room, f, plan, plan.base_admittances(f), needed)
    elif _reach(roots) < needed:
        roots = _prepare(scene.room, f, roots.layout, roots.k_beta / k, needed)
    field = np.zeros((len(sources), len(scene.listeners_m), f.size), complex)
    for group, cut in zip(groups, cuts, strict=True):
        part = _guided(group, sources, scene.listeners_m, roots, cut)
        rows, columns = np.nonzero(group.pairs)
        field[group.sources[rows], group.listeners[columns]] = part[rows, columns]
    for source, listener in close:
        field[source, listener] = close_field(
            sources[source], scene.listeners_m[listener], k, roots.wavenumber, roots.k_beta,
            scene.room.geometry.size_m,
        )
    pressure = np.zeros((len(scene.channels), len(scene.listeners_m), f.size), complex)
    for emitter, values in zip(scene.emitters, field, strict=True):
        pressure[emitter.channel] += values
    if roots.layout.deviations:
        pressure += patch_field(roots, sources, [emitter.channel for emitter in scene.emitters], scene.listeners_m)
    return pressure


def _checked(room: Room, frequency_hz: ArrayLike) -> NDArray[np.float64]:
    f = np.atleast_1d(np.asarray(frequency_hz, float))
    if room.geometry.kind != "box":
        raise InvalidValue("room", room.name, "the exact field needs a box room")
    outside = (f < LOW_HZ * (1 - 1e-9)) | (f > HIGH_HZ * (1 + 1e-9))
    if outside.any() or f.size == 0:
        value = f[outside][0] if f.size else None
        raise InvalidValue("frequency_hz", value, f"the wave engine reaches from {LOW_HZ:g} to {HIGH_HZ:g} Hz")
    return f


def _prepare(
    room: Room, f: NDArray[np.float64], plan: Layout, beta: NDArray[np.complex128], reach: float
) -> BoxRoots:
    """Roots of all axes with Re q² to `reach` at least, or as far as the patches need them."""
    k = 2 * np.pi * f / room.air.speed_m_s
    if plan.deviations:
        reach = max(reach, needed_reach(k))
    axes = []
    for axis, length in enumerate(map(float, room.geometry.size_m)):
        # a root stands off its rigid twin by Re 2jk(β0 + β1)/L at most where it matters
        off = 2 * float(np.max(k * np.abs(beta[axis]).sum(axis=0))) / length
        count = int(np.ceil(length / np.pi * np.sqrt(reach + off))) + 3
        axes.append(axis_modes(k, beta[axis, 0], beta[axis, 1], length, count))
    return BoxRoots(
        room=room, frequency_hz=f, wavenumber=k - 1j * room.air.attenuation_np_per_m(f), k_beta=k * beta,
        axes=(axes[0], axes[1], axes[2]), layout=plan,
    )


def _reach(roots: BoxRoots) -> float:
    """Largest Re q² to which every axis holds all modes."""
    return min(float((axis.q[:, -1] ** 2).real.min()) for axis in roots.axes)


def _cut(group: PairGroup, sources: list[Multipole], k: NDArray[np.float64]) -> NDArray[np.float64]:
    """Largest Re(q_a² + q_b²) that counts at each frequency, shape (n_frequency,).

    A source of some size has a near field that reaches out to its radius, and a dipole's evanescent waves
    are κ/k times stronger; both move the convergence out.
    """
    orders = max(int(sources[e].order.max()) for e in group.sources)
    radius = max(sources[e].radius_m for e in group.sources) if orders > 1 else 0.0
    distance = group.distance_m - min(radius, group.distance_m / 2)
    kappa = CONVERGENCE_NP / distance
    if orders:
        kappa = (CONVERGENCE_NP + np.log1p(kappa / k)) / distance
    return k**2 + kappa**2


def _guided(
    group: PairGroup,
    sources: list[Multipole],
    listeners_m: NDArray[np.float64],
    roots: BoxRoots,
    cut: NDArray[np.float64],
) -> NDArray[np.complex128]:
    """Field of a group's sources at its listeners, shape (n_source, n_listener, n_frequency)."""
    c = group.axis
    a, b = (axis for axis in range(3) if axis != c)
    chosen = [sources[e] for e in group.sources]
    place = np.array([source.position_m for source in chosen])
    ears = listeners_m[group.listeners]
    even, odd, order = _stacked(chosen, c)
    length = roots.axes[c].length_m
    low, high = roots.k_beta[c]
    level, plane, heard = place[:, c], group.plane_m, ears[:, c]
    if group.side < 0:      # listeners on the lower side: look at the axis from its other end
        level, plane, heard, low, high, odd = length - level, length - plane, length - heard, high, low, -odd
    levels, level_of = np.unique(level, return_inverse=True)
    out = np.zeros((len(chosen), len(ears), cut.size), complex)
    axes = []
    for axis in (a, b):
        modes = roots.axes[axis]
        axes += [modes.q, modes.a, modes.b, modes.length_m, place[:, axis].copy(), ears[:, axis].copy()]
    kernels.guided_sum(
        out, roots.wavenumber, cut, even, odd, order, *axes,
        np.ascontiguousarray(low), np.ascontiguousarray(high), length, levels, level_of.reshape(-1),
        np.ascontiguousarray(heard), float(plane),
    )
    return out


def _stacked(
    sources: list[Multipole], closing: int
) -> tuple[NDArray[np.complex128], NDArray[np.complex128], NDArray[np.int64]]:
    """Polynomials of several sources, padded to one size, and their orders."""
    order = np.array([source.order for source in sources])
    size = int(order.max()) + 1
    even = np.zeros((len(sources), order.shape[1], size, size), complex)
    odd = np.zeros_like(even)
    for e, source in enumerate(sources):
        some_even, some_odd = source.polynomials(closing)
        n = some_even.shape[1]
        even[e, :, :n, :n], odd[e, :, :n, :n] = some_even, some_odd
    return even, odd, order
