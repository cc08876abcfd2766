"""Kirchhoff's integral over a rectangle by quadrature: what a mirror of that size sends back. Imports nothing of the
project.

The wave that an infinite mirror at z = 0 sends back, e^{-jkr}/r, is re-radiated from the rectangle only
(M. Born, E. Wolf, Principles of Optics, section 8.3.2, from memory):

    U = (1/4π) ∫ [ (jk + 1/r₂) cos θ₂ + (jk + 1/r₁) cos θ₁ ] e^{-jk(r₁+r₂)} / (r₁ r₂) dS

with r₁ from the source and r₂ to the receiver: the mean of both Rayleigh integrals, each of which is exact for the
whole plane. Panels of 8 × 8 Gauss points, half a wavelength or half of the least height wide.
"""

from __future__ import annotations

import numpy as np


def weight(wavenumber: float, source, receiver, low, high, refine: float = 1.0) -> complex:
    """U over the image's own e^{-jkr}/r; points as (u, v, height), corners as (u, v)."""
    k = wavenumber
    s, p = np.asarray(source, float), np.asarray(receiver, float)
    across = []
    for axis in range(2):
        span = high[axis] - low[axis]
        widest = min(np.pi / k, 0.5 * s[2], 0.5 * p[2]) / refine
        edges = np.linspace(low[axis], high[axis], int(np.ceil(span / widest)) + 1)
        node, part = np.polynomial.legendre.leggauss(8)
        half = np.diff(edges)[:, None] / 2
        across.append(((edges[:-1, None] + half + half * node).ravel(), (half * part).ravel()))
    (u, wu), (v, wv) = across
    r1 = np.sqrt((u[:, None] - s[0]) ** 2 + (v - s[1]) ** 2 + s[2] ** 2)
    r2 = np.sqrt((u[:, None] - p[0]) ** 2 + (v - p[1]) ** 2 + p[2] ** 2)
    strength = (1j * k + 1 / r2) * p[2] / r2 + (1j * k + 1 / r1) * s[2] / r1
    total = wu @ (strength * np.exp(-1j * k * (r1 + r2)) / (r1 * r2)) @ wv / (4 * np.pi)
    r = np.sqrt((s[0] - p[0]) ** 2 + (s[1] - p[1]) ** 2 + (s[2] + p[2]) ** 2)
    return complex(total * r * np.exp(1j * k * r))
