"""Point source over a locally reacting plane: exact, by the image line of Di & Gilbert.

X. Di, K. E. Gilbert, "An exact Laplace transform formulation for a point source above a ground surface", JASA 93,
714-720 (1993) (from memory): the reflected wave is the image source less a line of complex image sources.
"""

from __future__ import annotations

import numpy as np
from scipy.integrate import quad


def reflection(wave_number: float, admittance: complex, across_m: float, height_m: float) -> complex:
    """Reflected field over that of a rigid plane's image, e^{+jωt}; height_m: source plus receiver height."""
    k, b = wave_number, np.conj(admittance)
    r = np.hypot(across_m, height_m)

    def line(q: float) -> complex:
        length = np.sqrt(across_m**2 + (height_m + 1j * q) ** 2)
        return np.exp(-k * b * q + 1j * k * length) / length

    end = min(60 / (k * max(b.real, 0.02)), 400.0)
    integral = quad(lambda q: line(q).real, 0, end, limit=5000)[0] + 1j * quad(
        lambda q: line(q).imag, 0, end, limit=5000)[0]
    rigid = np.exp(1j * k * r) / r
    return complex(np.conj((rigid - 2 * k * b * integral) / rigid))
