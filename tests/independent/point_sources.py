"""Point sources in free space, exactly: what any measurement of them must come back to."""

from __future__ import annotations

import numpy as np

C = 343.2


def even_grid(step_deg: float, lowest_deg: float = -90.0) -> np.ndarray:
    """Unit vectors on circles of elevation, poles once, shape (n, 3); azimuth from x towards y."""
    out = []
    for el in np.arange(-90.0, 90.0 + step_deg / 2, step_deg):
        if el < lowest_deg - 1e-9:
            continue
        azimuth = [0.0] if abs(el) > 89.999 else np.arange(0.0, 360.0, step_deg)
        for az in azimuth:
            a, e = np.radians(az), np.radians(el)
            out.append([np.cos(e) * np.cos(a), np.cos(e) * np.sin(a), np.sin(e)])
    return np.array(out)


def spiral(count: int) -> np.ndarray:
    """Nearly even unit vectors without any regularity, shape (count, 3)."""
    k = np.arange(count) + 0.5
    z, phi = 1 - 2 * k / count, np.pi * (1 + 5**0.5) * k
    s = np.sqrt(1 - z * z)
    return np.column_stack([s * np.cos(phi), s * np.sin(phi), z])


def sixth_octaves(low: float, high: float) -> np.ndarray:
    f = 1000 * 10 ** (0.3 * np.arange(-40, 41) / 6)
    return f[(f >= low * 0.999) & (f <= high * 1.001)]


def pressure(
    frequency: np.ndarray, directions: np.ndarray, distance: float, positions: np.ndarray, strengths: np.ndarray
) -> np.ndarray:
    """Σ q e^{-jkR}/R at a distance from the origin, shape (n, n_frequency)."""
    k = 2 * np.pi * frequency / C
    path = np.linalg.norm(distance * directions[:, None, :] - positions[None], axis=2)
    terms = np.exp(-1j * k[None, None] * path[..., None]) / path[..., None]
    return np.einsum("s,nsf->nf", strengths, terms)


def far_field(
    frequency: np.ndarray, directions: np.ndarray, positions: np.ndarray, strengths: np.ndarray
) -> np.ndarray:
    """Σ q e^{+jk n·y}: pressure × distance far away, without the delay from the origin; shape (n, n_frequency)."""
    k = 2 * np.pi * frequency / C
    return np.einsum("s,nsf->nf", strengths, np.exp(1j * k[None, None] * (directions @ positions.T)[..., None]))


def level(values: np.ndarray) -> np.ndarray:
    return 20 * np.log10(np.abs(values))
