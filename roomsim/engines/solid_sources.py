"""Drivers in a field of three dimensions: each pattern applied to the field that a seat would send to it.

Around a driver that field is Σ a_lm j_l(kr) Y_lm; the a_lm come from its values at points nearby, and near a wall from
that wall's own condition too. A pattern D = Σ c_lm Y_lm then gives Σ c_lm a_lm / (4π j^l).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..room.outline import signed_distance_m
from ..room.room import Room
from ..sphere import gauss_grid, real_harmonics
from .multipoles import Multipole

_RADIUS_M = 0.4
_RINGS = (0.5, 1.0)
_MORE_ORDERS = 3
_STEP_M = 1e-3


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SolidProbe:
    """Points around a driver at which the field is read, and points on walls nearby.

    Attributes
    ----------
    source : the driver
    points_m, walls_m : shape (n_point, 3) and (n_wall_point, 3)
    outward : out of the room, shape (n_wall_point, 3)
    face : index of the face of each of these
    order : orders fitted; -1 reads the one point at the driver itself
    """

    source: Multipole
    points_m: NDArray[np.float64]
    walls_m: NDArray[np.float64]
    outward: NDArray[np.float64]
    face: NDArray[np.int64]
    order: int

    @property
    def key(self) -> bytes:
        """The same for drivers whose surroundings are alike."""
        centre = self.source.position_m
        parts = (np.array([self.order]), self.points_m - centre, self.walls_m - centre, self.outward, self.face)
        return b"".join(np.round(part, 7).tobytes() for part in parts)


def solid_probe(source: Multipole, room: Room, nearest_m: float) -> SolidProbe:
    """Place the points for one driver; no farther out than half the way to the nearest seat."""
    centre = np.asarray(source.position_m, float)
    none = np.empty((0, 3))
    top = int(source.order.max())
    if top == 0:
        return SolidProbe(source=source, points_m=centre[None], walls_m=none, outward=none,
                          face=np.empty(0, np.int64), order=-1)
    order = top + _MORE_ORDERS
    size = min(max(_RADIUS_M, 0.5 * source.radius_m), 0.5 * nearest_m)
    directions = gauss_grid(order)[0]
    points = np.concatenate([centre[None], *(centre + ring * size * directions for ring in _RINGS)])
    inside = room.geometry.contains(points, -1e-9)
    inside[0] = True
    walls, outward, faces = [none], [none], [np.empty(0, np.int64)]
    steps = np.linspace(-1, 1, 2 * order + 3)
    grid = np.stack(np.meshgrid(steps, steps), axis=-1).reshape(-1, 2)
    grid = grid[np.linalg.norm(grid, axis=1) <= 1]
    for index, face in enumerate(room.geometry.faces):
        gap = float((face.corners_m[0] - centre) @ face.normal)
        if abs(gap) >= 0.98 * size or face.exposed_m2 <= 0:
            continue
        origin, first, second = face.own_axes
        foot = centre + gap * face.normal
        reach = float(np.sqrt(size**2 - gap**2))
        at = foot + reach * (grid[:, :1] * first + grid[:, 1:] * second)
        outline = np.stack([(face.corners_m - origin) @ first, (face.corners_m - origin) @ second], axis=1)
        if np.sum(outline[:, 0] * np.roll(outline[:, 1], -1) - np.roll(outline[:, 0], -1) * outline[:, 1]) < 0:
            outline = outline[::-1]
        flat = np.stack([(at - origin) @ first, (at - origin) @ second], axis=1)
        on = signed_distance_m(flat, outline) >= 0
        walls.append(at[on])
        outward.append(np.tile(-face.normal, (int(on.sum()), 1)))
        faces.append(np.full(int(on.sum()), index))
    return SolidProbe(source=source, points_m=points[inside], walls_m=np.concatenate(walls),
                      outward=np.concatenate(outward), face=np.concatenate(faces), order=order)


def solid_weights(
    where: SolidProbe, number: int, k: complex, k_beta: NDArray[np.complex128], fits: dict[bytes, NDArray]
) -> NDArray[np.complex128]:
    """Weights of the values at a probe's points in D(∇/jk) of the field at one frequency, shape (n_point,).

    `number` is that of the frequency in the multipole, `k_beta` k times the admittance of every face, `fits` what was
    worked out for other drivers at this frequency.
    """
    source = where.source
    if where.order < 0:
        return source.coefficients[:1, number] / np.sqrt(4 * np.pi)
    top = int(source.order[number])
    used = (top + 1) ** 2
    degree = np.floor(np.sqrt(np.arange(used)) + 1e-9).astype(int)
    of_wave = source.coefficients[:used, number] / (4 * np.pi * 1j**degree)
    key = where.key
    if key not in fits:
        fits[key] = solid_fit(where, k, k_beta)
    return of_wave @ fits[key][:used]


def solid_fit(where: SolidProbe, k: complex, k_beta: NDArray[np.complex128]) -> NDArray[np.complex128]:
    """a_lm from the values at the points, shape (n_wave, n_point)."""
    centre = where.source.position_m
    waves = _waves(where.order, k, where.points_m - centre).astype(complex)
    scale = np.sqrt(np.mean(waves.real**2, axis=0))
    scale = np.where(scale > 0, scale, 1)
    if len(where.walls_m):
        at = where.walls_m - centre
        ahead = _waves(where.order, k, at + _STEP_M * where.outward)
        behind = _waves(where.order, k, at - _STEP_M * where.outward)
        level = _waves(where.order, k, at)
        condition = (ahead - behind) / (2 * _STEP_M) + 1j * k_beta[where.face][:, None] * level
        waves = np.concatenate([waves, condition * np.linalg.norm(where.points_m - centre, axis=1).max()])
    return np.linalg.pinv(waves / scale, rcond=1e-10)[:, : len(where.points_m)] / scale[:, None]


def _waves(order: int, k: complex, points: NDArray[np.float64]) -> NDArray:
    """j_l(kr) Y_lm, shape (n_point, n_wave)."""
    from scipy.special import spherical_jn

    radius = np.linalg.norm(points, axis=1)
    directions = np.where(radius[:, None] > 0, points / np.maximum(radius, 1e-300)[:, None], [0.0, 0.0, 1.0])
    bessel = spherical_jn(np.arange(order + 1)[None], k * radius[:, None])
    degree = np.floor(np.sqrt(np.arange((order + 1) ** 2)) + 1e-9).astype(int)
    return real_harmonics(order, directions) * bessel[:, degree]
