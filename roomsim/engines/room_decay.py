"""Energy in a whole room over time: what is left of sound that started everywhere in all directions.

The same surfaces, furniture, air and scattering as in the ray engine, but no loudspeaker and no seats. A few thousand
rays give decay times within 1 %, since each tells something at every moment; the rays of a scene reach a seat now
and then.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..errors import InvalidValue
from ..room.impedance import PARIS_MAXIMUM
from ..room.reproducibility import drawn_furniture, factor_at, material_factor
from ..room.room import Room
from ..room.statistics import eyring_kuttruff_s
from .ray_surfaces import RayGeometry, air_table, band_frequencies_hz, energy_reflection, furniture_cloud

Floats = NDArray[np.float64]

BIN_S = 0.002
GROUPS = 8
PILOT = 500
"""So many of the rays go first, to tell what is to be expected of one."""


def energy_in_room(
    room: Room, band_hz: ArrayLike, *, rays: int, seed: int = 0, scattering: float = 1.0, draws: int = 0
) -> Floats:
    """Energy over time as a mean over all places of sender and listener.

    Parameters
    ----------
    room : of planar faces
    band_hz : exact midbands of octaves, shape (n_band,)
    rays : per band
    seed : of the random numbers; with the same seed rays take the same turns in similar rooms, so that small
        differences between them are known better than either
    scattering : factor on all scattering coefficients and on the furniture's, which stay at most 1
    draws : so many variants with absorption drawn within its reproducibility, instead of the room as it is; they share
        their rays

    Returns
    -------
    sums over an eighth of the rays each, in the middle of every `BIN_S`, shape (GROUPS, n_variant, n_band, n_time); a
    band is followed a little longer than the formula's decay time, and is 0 after that

    Raises
    ------
    InvalidValue : no bands, fewer rays than groups, a negative factor
    """
    from .decay_kernels import walk_energy

    bands = np.atleast_1d(np.asarray(band_hz, float))
    if bands.size == 0 or rays < GROUPS or not scattering >= 0:
        raise InvalidValue("rays", rays, f"needs a band, {GROUPS} rays or more, and a factor of 0 or more")
    geometry = RayGeometry.of(room.geometry)
    start, patches, owner = _patches(room)
    ends = np.ceil(np.clip(1.1 * eyring_kuttruff_s(room, bands) + 0.1, 0.3, 10.0) / BIN_S).astype(int)
    n_bin, bin_m = int(ends.max()), room.air.speed_m_s * BIN_S
    table, step_m = air_table(room, bands, 1, n_bin * bin_m)
    middles = (np.arange(n_bin) + 0.5) * bin_m
    air = np.array([np.interp(middles, np.arange(len(table)) * step_m, column) for column in table.T])
    positions, directions, seeds = _starts(room, rays, seed)
    reflect = _reflect(room, bands, draws)                                   # surface, angle, band, variant
    scatter = np.minimum(_scatter(room, bands) * scattering, 1.0)
    per_m, absorbs, scatters = furniture_cloud(room, bands)
    keeps = 1 - np.minimum(absorbs[:, None] * _furniture_factors(room, bands, draws), 1)
    out = np.zeros((GROUPS, reflect.shape[-1], bands.size, n_bin))
    first = np.arange(0, rays, max(rays // PILOT, 1))
    for b in range(bands.size):
        def walk(some: slice | NDArray[np.int64], expected: Floats, b: int = b) -> Floats:
            part = np.zeros((GROUPS, ends[b], reflect.shape[-1]))
            walk_energy(
                positions[some], directions[some], seeds[some], *geometry.arrays, start, patches, owner,
                np.ascontiguousarray(reflect[:, :, b]), np.ascontiguousarray(scatter[:, b]), per_m, keeps[b],
                min(scatters * scattering, 1.0), air[b, : ends[b]], bin_m, expected, part,
            )
            return part

        pilot = walk(first, np.zeros(ends[b])).mean(axis=-1).sum(axis=0) / first.size / air[b, : ends[b]]
        out[:, :, b, : ends[b]] = np.moveaxis(walk(slice(None), np.maximum(pilot, 1e-9)), -1, 1)
    return out


def _starts(room: Room, rays: int, seed: int) -> tuple[Floats, Floats, NDArray[np.uint64]]:
    """Places all over the room and directions all around, evenly together (an additive sequence in five dimensions)."""
    rng = np.random.default_rng(np.random.SeedSequence(seed))
    ratio = 1.0
    for _ in range(60):                                      # the root of x⁶ = x + 1
        ratio = (1 + ratio) ** (1 / 6)
    step, shift = ratio ** -np.arange(1, 6), rng.random(5)
    low = room.geometry.plan_m.min(axis=0)
    share = min(room.geometry.volume_m3 / float(np.prod(room.geometry.size_m)), 1.0)
    count = rays if share > 1 - 1e-9 else int(rays / share * 1.2) + 200
    while True:
        points = (shift + np.arange(1, count + 1)[:, None] * step) % 1.0
        places = points[:, :3] * room.geometry.size_m + [*low, 0]
        inside = np.flatnonzero(room.geometry.contains(places))[:rays]
        if inside.size == rays:
            break
        count *= 2
    points, places = points[inside], places[inside]
    up, turn = 2 * points[:, 3] - 1, 2 * np.pi * points[:, 4]
    flat = np.sqrt(np.maximum(1 - up**2, 0))
    directions = np.column_stack([flat * np.cos(turn), flat * np.sin(turn), up])
    return np.ascontiguousarray(places), directions, rng.integers(0, 2**64, rays, dtype=np.uint64)


def _patches(room: Room) -> tuple[NDArray[np.int64], Floats, NDArray[np.int64]]:
    """Patches face by face; patch k of them is surface n_face + k."""
    rectangles, start = [], [0]
    for patch in _in_order(room):
        rectangles.append([patch.from_m[0], patch.to_m[0], patch.from_m[1], patch.to_m[1]])
    for name in room.geometry.face_names:
        start.append(start[-1] + sum(patch.face == name for patch in room.patches))
    owner = len(room.geometry.faces) + np.arange(len(rectangles))
    return np.array(start), np.array(rectangles, float).reshape(-1, 4), owner


def _in_order(room: Room) -> list:
    return [patch for name in room.geometry.face_names for patch in room.patches if patch.face == name]


def _materials(room: Room) -> list:
    return [*(room.materials[name] for name in room.geometry.face_names), *(p.material for p in _in_order(room))]


def _reflect(room: Room, bands: Floats, draws: int) -> Floats:
    """|R|² of every surface, each material once, shape (n_surface, n_angle, n_band, n_variant)."""
    known: dict[int, Floats] = {}
    for one in _materials(room):
        if id(one) not in known:
            plain = energy_reflection(one, bands, 1)
            known[id(one)] = plain[..., None] if not draws else _absorbing(plain, factor_at(
                bands, np.array([material_factor(one, draw) for draw in range(draws)])).T)
    return np.stack([known[id(one)] for one in _materials(room)])


def _absorbing(reflect: Floats, factor: Floats) -> Floats:
    """|R|² (n_angle, n_band) raised to powers with which random absorption changes by factors (n_band, n_variant).

    Between angles it keeps its course; more than 0.951, the most of a locally reacting surface, is not asked of it.
    """
    step = np.linspace(0, 1, len(reflect))
    weight = 4 * step**3 / (len(reflect) - 1)                                # sin 2θ dθ over even steps of sqrt(cos θ)
    weight[-1] /= 2
    log_r = np.log(np.maximum(reflect, 1e-12))[..., None]
    before = weight @ (1 - reflect)
    wanted = np.minimum(before[:, None] * factor, np.maximum(PARIS_MAXIMUM, before)[:, None])
    power = np.array(factor)
    for _ in range(8):                                                       # Newton on the logarithm of the power
        kept = np.exp(log_r * power)
        found = np.tensordot(weight, 1 - kept, 1)
        slope = np.tensordot(weight, -kept * log_r * power, 1)
        power = power * np.exp(np.clip((wanted - found) / np.maximum(slope, 1e-9), -1, 1))
    return np.exp(log_r * power)


def _furniture_factors(room: Room, bands: Floats, draws: int) -> Floats:
    """What the absorption area of all furniture is multiplied by, shape (n_band, n_variant)."""
    plain = sum((item.absorption_m2(bands) for item in room.furniture), np.zeros(bands.size))
    if not draws:
        return np.ones((bands.size, 1))
    drawn = [sum((drawn_furniture(item, draw).absorption_m2(bands) for item in room.furniture), np.zeros(bands.size))
             for draw in range(draws)]
    return np.array(drawn).T / np.maximum(plain, 1e-12)[:, None] if room.furniture else np.ones((bands.size, draws))


def _scatter(room: Room, bands: Floats) -> Floats:
    f = band_frequencies_hz(bands, 1)
    values = [np.broadcast_to(one.scattering(f.ravel()), f.size).reshape(f.shape).mean(axis=1)
              for one in _materials(room)]
    return np.clip(np.array(values), 0, 1)
