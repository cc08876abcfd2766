"""Drivers in the field of a plan: each driver's pattern applied to the field that a seat would send to it.

By reciprocity the pressure of a driver at a seat is its pattern, as derivatives at the driver's place, of the field of
a point source at the seat. That field is smooth where the driver is, however close a wall may be, so no mesh has to
resolve a driver. Per vertical function it is Σ α_m J_m(κr) e^{jmφ} around the driver; the α_m come from its values at a
few points by least squares, and a plane wave of complex direction from them.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from ..room.outline import signed_distance_m
from .multipoles import Multipole
from .plan_systems import Band

_RADIUS_M = 0.45
_RINGS = (0.0, 0.6, 1.0)
_MORE_ORDERS = 4
"""Orders fitted beyond those of the pattern, so that the rest of the field does not leak into it."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Probe:
    """Points around a driver at which the field is read.

    Attributes
    ----------
    source : the driver
    points_m : shape (n_point, 2)
    radius_m, azimuth : of the points around the driver, shape (n_point,)
    order : orders m fitted; 0 reads the one point at the driver itself
    wall_radius_m, wall_azimuth : points on walls nearby, where the wall's own condition is known, shape (n_wall_point,)
    wall, outward : which wall each of these is on, and the direction out of the room there (n_wall_point, 2)
    """

    source: Multipole
    points_m: NDArray[np.float64]
    radius_m: NDArray[np.float64]
    azimuth: NDArray[np.float64]
    order: int
    wall_radius_m: NDArray[np.float64] = field(default_factory=lambda: np.empty(0))
    wall_azimuth: NDArray[np.float64] = field(default_factory=lambda: np.empty(0))
    wall: NDArray[np.int64] = field(default_factory=lambda: np.empty(0, np.int64))
    outward: NDArray[np.float64] = field(default_factory=lambda: np.empty((0, 2)))

    @property
    def key(self) -> bytes:
        """The same for drivers whose surroundings are alike."""
        parts = (self.radius_m, self.azimuth, self.wall_radius_m, self.wall_azimuth, self.wall, self.outward)
        return b"".join(np.round(part, 7).tobytes() for part in (np.array([self.order]), *parts))


def probe(source: Multipole, outline_m: NDArray[np.float64], nearest_m: float) -> Probe:
    """Place the points for one driver; no farther out than half the way to the nearest seat."""
    centre = source.position_m[:2]
    top = int(source.order.max())
    if top == 0:
        return Probe(source=source, points_m=centre[None], radius_m=np.zeros(1), azimuth=np.zeros(1), order=0)
    order = top + _MORE_ORDERS
    size = min(max(_RADIUS_M, 0.5 * source.radius_m), 0.5 * nearest_m)
    around = 2 * order + 6
    angle = np.concatenate([np.arange(around) * 2 * np.pi / around + 0.1 * k for k in range(len(_RINGS))])
    radius = np.repeat(np.array(_RINGS) * size, around)
    keep = np.concatenate([[0], np.arange(around, len(angle))])
    angle, radius = angle[keep], radius[keep]
    points = centre + radius[:, None] * np.stack([np.cos(angle), np.sin(angle)], axis=1)
    inside = signed_distance_m(points, outline_m) > -1e-9
    inside[0] = True
    wall_points, wall, outward = _near_walls(centre, size, outline_m, around)
    apart = wall_points - centre
    return Probe(
        source=source, points_m=points[inside], radius_m=radius[inside], azimuth=angle[inside], order=order,
        wall_radius_m=np.hypot(apart[:, 0], apart[:, 1]), wall_azimuth=np.arctan2(apart[:, 1], apart[:, 0]),
        wall=wall, outward=outward,
    )


def _near_walls(
    centre: NDArray[np.float64], size: float, outline_m: NDArray[np.float64], count: int
) -> tuple[NDArray[np.float64], NDArray[np.int64], NDArray[np.float64]]:
    """Points on the parts of walls within `size`, the wall of each and its outward normal."""
    points, walls, outward = [np.empty((0, 2))], [np.empty(0, np.int64)], [np.empty((0, 2))]
    for index, (start, end) in enumerate(zip(outline_m, np.roll(outline_m, -1, axis=0), strict=True)):
        length = float(np.linalg.norm(end - start))
        along = (end - start) / length
        normal = np.array([along[1], -along[0]])
        gap, middle = float((start - centre) @ normal), float((centre - start) @ along)
        if abs(gap) >= 0.98 * size:
            continue
        half = float(np.sqrt(size**2 - gap**2))
        low, high = max(middle - half, 0.0), min(middle + half, length)
        if high - low < 1e-3:
            continue
        at = (low + high) / 2 - (high - low) / 2 * np.cos((2 * np.arange(count) + 1) * np.pi / (2 * count))
        points.append(start + at[:, None] * along)
        walls.append(np.full(count, index))
        outward.append(np.tile(normal, (count, 1)))
    return np.concatenate(points), np.concatenate(walls), np.concatenate(outward)


def pattern_weights(
    where: Probe, band: Band, fits: dict[bytes, NDArray[np.complex128]]
) -> NDArray[np.complex128]:
    """Weights of the values at a probe's points in D(∇/jk) of the field, per frequency and vertical function.

    Parameters
    ----------
    band : frequencies, vertical functions and walls
    fits : what was worked out for other drivers of this band; those alike in their surroundings share it

    Returns
    -------
    shape (n_frequency, n_vertical, n_point)
    """
    source = where.source
    z = source.position_m[2]
    k, q = band.k[:, None], band.q
    up, down = band.a * np.exp(1j * q * z), band.b * np.exp(1j * q * (band.height_m - z))
    even, odd = (part[band.index] for part in source.polynomials(2))
    if where.order == 0:
        return (even[:, 0, 0][:, None] * (up + down))[..., None]
    size = even.shape[1]
    count = 2 * where.order + 1
    angle = 2 * np.pi * np.arange(count) / count
    kappa = band.kappa
    bend = (kappa / k)[..., None]
    powers_u = (bend * np.cos(angle))[..., None] ** np.arange(size)
    powers_v = (bend * np.sin(angle))[..., None] ** np.arange(size)
    part = np.einsum("fnti,fij->fntj", powers_u, even) * (up + down)[..., None, None]
    part += np.einsum("fnti,fij->fntj", powers_u, odd) * ((up - down) * q / k)[..., None, None]
    # D over the angle is Σ d_m e^{jmβ}, and e^{jmβ} of a plane wave is j^m α_{-m}
    d = np.fft.fft((part * powers_v).sum(axis=-1), axis=-1) / count
    m = np.arange(-where.order, where.order + 1)
    # orders that the pattern lacks are rounding noise, which small κr would blow up
    has = np.abs(m) <= source.order[band.index][:, None]
    of_alpha = np.where(has[:, None], d[..., -m] * (1j ** (-m % 4)), 0)
    key = where.key
    if key not in fits:
        fits[key] = np.stack([_fit(where, kappa[i], band.k_beta[:, i]) for i in range(len(band.k))])
    return np.einsum("fnm,fnmp->fnp", of_alpha, fits[key])


def _fit(
    where: Probe, kappa: NDArray[np.complex128], k_beta: NDArray[np.complex128]
) -> NDArray[np.complex128]:
    """α_m from the values at the points, shape (n_vertical, n_order, n_point).

    Near a wall only part of the circle can be read; the wall's condition ∂p/∂n + jkβp = 0 makes up for the rest.
    """
    m = np.arange(-where.order, where.order + 1)
    waves = _waves(m, where.radius_m, where.azimuth, kappa)
    scale = np.sqrt(np.mean(np.abs(waves) ** 2, axis=1, keepdims=True))
    scale = np.where(scale > 0, scale, 1)
    if where.wall.size:
        up = _waves(m + 1, where.wall_radius_m, where.wall_azimuth, kappa)
        down = _waves(m - 1, where.wall_radius_m, where.wall_azimuth, kappa)
        x, y = where.outward[:, :1], where.outward[:, 1:]
        # (∂x ± j∂y) J_m e^{jmφ} = ∓κ J_{m±1} e^{j(m±1)φ}
        slope = kappa[:, None, None] / 2 * ((down - up) * x + 1j * (down + up) * y)
        level = _waves(m, where.wall_radius_m, where.wall_azimuth, kappa)
        condition = slope + 1j * k_beta[where.wall][:, None] * level
        waves = np.concatenate([waves, condition * where.radius_m.max()], axis=1)
    inverse = np.linalg.pinv(waves / scale, rcond=1e-10)[..., : len(where.points_m)]
    return inverse / np.swapaxes(scale, 1, 2)


def _waves(
    m: NDArray[np.int64], radius_m: NDArray[np.float64], azimuth: NDArray[np.float64], kappa: NDArray[np.complex128]
) -> NDArray[np.complex128]:
    """J_m(κr) e^{jmφ}, shape (n_vertical, n_point, n_order)."""
    from scipy.special import jv

    rings, ring = np.unique(np.round(radius_m, 9), return_inverse=True)
    order = np.abs(m)
    table = jv(np.arange(order.max() + 1)[None, None], kappa[:, None, None] * rings[None, :, None])[:, ring]
    return table[..., order] * np.where((m < 0) & (m % 2 == 1), -1, 1) * np.exp(1j * np.outer(azimuth, m))
