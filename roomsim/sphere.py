"""Directions, rotations, grids with quadrature weights, and real spherical harmonics.

Directions are unit vectors, shape (n, 3). Harmonics are real, orthonormal over the sphere
(∮ Y_a Y_b dΩ = δ_ab), ordered n² + n + m, and are evaluated as homogeneous polynomials of the
Cartesian components, so that they also hold for the complex directions of guided modes.
"""

from __future__ import annotations

from functools import lru_cache
from math import factorial, pi, sqrt

import numpy as np
from numpy.typing import ArrayLike, NDArray


def unit_vectors(azimuth_deg: ArrayLike, elevation_deg: ArrayLike) -> NDArray[np.float64]:
    """Unit vectors, shape (..., 3), of azimuth (from x towards y) and elevation [degrees]."""
    az, el = np.broadcast_arrays(np.radians(azimuth_deg), np.radians(elevation_deg))
    return np.stack([np.cos(el) * np.cos(az), np.cos(el) * np.sin(az), np.sin(el)], axis=-1)


def angles_deg(vectors: ArrayLike) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Azimuth (-180 to 180] and elevation [degrees] of vectors, shape (..., 3)."""
    v = np.asarray(vectors, float)
    return (
        np.degrees(np.arctan2(v[..., 1], v[..., 0])),
        np.degrees(np.arctan2(v[..., 2], np.hypot(v[..., 0], v[..., 1]))),
    )


def orbit_vectors(orbit: str, angle_deg: ArrayLike) -> NDArray[np.float64]:
    """Unit vectors on the horizontal (positive to the left) or vertical (positive up) orbit."""
    angle = np.radians(np.asarray(angle_deg, float))
    zero = np.zeros_like(angle)
    if orbit == "horizontal":
        return np.stack([np.cos(angle), np.sin(angle), zero], axis=-1)
    if orbit == "vertical":
        return np.stack([np.cos(angle), zero, np.sin(angle)], axis=-1)
    raise ValueError(f"orbit must be horizontal or vertical, not {orbit!r}")


def rotation(azimuth_deg: float = 0.0, elevation_deg: float = 0.0, roll_deg: float = 0.0) -> NDArray[np.float64]:
    """Matrix that turns a frame so that its x axis points to azimuth and elevation; columns are the axes.

    `rotation(...) @ v` takes a vector from the turned frame to the outer one. Roll is about the turned
    x axis, from y towards z.
    """
    a, e, r = np.radians([azimuth_deg, elevation_deg, roll_deg])
    about_z = np.array([[np.cos(a), -np.sin(a), 0], [np.sin(a), np.cos(a), 0], [0, 0, 1]])
    about_y = np.array([[np.cos(e), 0, -np.sin(e)], [0, 1, 0], [np.sin(e), 0, np.cos(e)]])
    about_x = np.array([[1, 0, 0], [0, np.cos(r), -np.sin(r)], [0, np.sin(r), np.cos(r)]])
    return about_z @ about_y @ about_x


@lru_cache(maxsize=32)
def gauss_grid(order: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Gauss–Legendre product grid exact for polynomials to degree 2·order+1: directions (n, 3), weights (n,).

    The weights sum to 4π. Both arrays are read-only.
    """
    z, w = np.polynomial.legendre.leggauss(order + 1)
    phi = 2 * pi * np.arange(2 * order + 2) / (2 * order + 2)
    s = np.sqrt(1 - z**2)
    directions = np.stack(
        [np.outer(s, np.cos(phi)), np.outer(s, np.sin(phi)), np.outer(z, np.ones_like(phi))], axis=-1
    ).reshape(-1, 3)
    weights = np.repeat(w * 2 * pi / phi.size, phi.size)
    directions.setflags(write=False)
    weights.setflags(write=False)
    return directions, weights


def fibonacci_grid(count: int) -> NDArray[np.float64]:
    """`count` nearly even directions (golden spiral), shape (count, 3); equal weights 4π/count."""
    k = np.arange(count) + 0.5
    z = 1 - 2 * k / count
    phi = k * pi * (3 - sqrt(5))
    s = np.sqrt(1 - z**2)
    return np.stack([s * np.cos(phi), s * np.sin(phi), z], axis=-1)


def real_harmonics(order: int, vectors: ArrayLike) -> NDArray:
    """Real solid harmonics |v|^n Y_nm(v/|v|) up to `order`, shape (..., (order+1)²).

    For unit vectors these are the spherical harmonics. Complex vectors are allowed (no conjugation: |v|²
    means v·v); with v·v = 1 they are the harmonics at a complex direction.

    Notes
    -----
    Recurrences in z for Legendre, in (x + jy) for the azimuth, written out in real form; no trigonometry,
    no Condon–Shortley sign: Y_11 ∝ x, Y_1,-1 ∝ y, Y_10 ∝ z. References: [williams1999] ch. 6.
    """
    v = np.asarray(vectors)
    v = v.astype(complex) if np.iscomplexobj(v) else v.astype(float)
    x, y, z = v[..., 0], v[..., 1], v[..., 2]
    r2 = x * x + y * y + z * z
    out = np.empty((*v.shape[:-1], (order + 1) ** 2), v.dtype)
    cosine, sine = np.ones_like(x), np.zeros_like(x)      # Re and Im of (x + jy)^m
    double = 1.0                                          # (2m - 1)!!
    for m in range(order + 1):
        if m:
            cosine, sine = x * cosine - y * sine, x * sine + y * cosine
            double *= 2 * m - 1
        below, here = np.zeros_like(x), np.full_like(x, double)   # P_n^m / sin^m, homogeneous in z and r
        for n in range(m, order + 1):
            scale = sqrt((2 * n + 1) / (4 * pi) * factorial(n - m) / factorial(n + m) * (2 if m else 1))
            out[..., n * n + n + m] = scale * here * cosine
            if m:
                out[..., n * n + n - m] = scale * here * sine
            below, here = here, ((2 * n + 1) * z * here - (n + m) * r2 * below) / (n - m + 1)
    return out
