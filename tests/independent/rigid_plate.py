"""Sound scattered by a thin rigid rectangle: a boundary-element solution. Imports nothing of the project.

Outside the plate p = p_i + ∫ μ ∂G/∂n' dS, with the pressure jump μ such that the normal velocity vanishes on it:
∫ μ ∂²G/∂n∂n' dS = -∂p_i/∂n. On coplanar points ∂²G/∂n∂n' = (1 + jkR) e^{-jkR} / 4πR³; its static part is integrated
over every element in closed form (finite part), the rest at midpoints (∫dS/R of the element's own in closed form).
Constant elements; two meshes are extrapolated, as their error falls with the element's width (the jump has a square
root at the edges).
"""

from __future__ import annotations

import numpy as np


def scattered(wavenumber: float, source, receiver, low, high, width_m: float) -> complex:
    """Scattered pressure for an incident e^{-jkr}/r; plate in z = 0 from low to high (u, v), points (u, v, z)."""
    coarse, fine = (_solve(wavenumber, source, receiver, low, high, w) for w in (width_m, 0.75 * width_m))
    return complex(fine + 3 * (fine - coarse))


def _solve(k: float, source, receiver, low, high, width_m: float) -> complex:
    edges = [np.linspace(low[i], high[i], int(np.ceil((high[i] - low[i]) / width_m)) + 1) for i in range(2)]
    a, b = (edge[1] - edge[0] for edge in edges)
    u, v = (x.ravel() for x in np.meshgrid(*((edge[1:] + edge[:-1]) / 2 for edge in edges), indexing="ij"))
    du, dv = u[:, None] - u, v[:, None] - v
    static = 0.0
    for i in (1, -1):
        for j in (1, -1):
            x, y = du + i * a / 2, dv + j * b / 2
            static = static - i * j * np.hypot(x, y) / (x * y)
    distance = np.hypot(du, dv)
    np.fill_diagonal(distance, 1.0)
    rest = ((1 + 1j * k * distance) * np.exp(-1j * k * distance) - 1) / distance**3 * a * b
    own = 2 * (a * np.arcsinh(b / a) + b * np.arcsinh(a / b))
    np.fill_diagonal(rest, 0.5 * k**2 * own - 1j * k**3 / 3 * a * b)
    s, p = np.asarray(source, float), np.asarray(receiver, float)
    r1 = np.sqrt((u - s[0]) ** 2 + (v - s[1]) ** 2 + s[2] ** 2)
    slope = (1j * k + 1 / r1) * np.exp(-1j * k * r1) / r1 * s[2] / r1
    jump = np.linalg.solve((static + rest) / (4 * np.pi), -slope)
    r2 = np.sqrt((u - p[0]) ** 2 + (v - p[1]) ** 2 + p[2] ** 2)
    green = (1j * k + 1 / r2) * np.exp(-1j * k * r2) / (4 * np.pi * r2) * p[2] / r2
    return complex(np.sum(jump * green) * a * b)
