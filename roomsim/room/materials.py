"""Surface finishes: a table of absorption, a kind, and the complex impedance that follows from both."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray


class Material(Protocol):
    """What the engines and the statistics ask of a surface. Everything is locally reacting."""

    name: str
    kind: str                     # hard, panel, porous, curtain

    def impedance(self, frequency_hz: ArrayLike) -> NDArray[np.complex128]:
        """Normalised specific impedance ζ = Z/ρc, passive (Re ζ > 0), shape (n_frequency,), e^{+jωt}."""

    def absorption(self, frequency_hz: ArrayLike) -> NDArray[np.float64]:
        """Random-incidence absorption as the statistics use it (table values, may exceed 1)."""

    def scattering(self, frequency_hz: ArrayLike) -> NDArray[np.float64]:
        """Scattering coefficient 0 to 1, shape (n_frequency,)."""


def reflection_factor(
    impedance: ArrayLike, cos_incidence: ArrayLike
) -> NDArray[np.complex128]:
    """R = (ζ cosθ - 1) / (ζ cosθ + 1) of a locally reacting surface; shapes broadcast.

    References: [kuttruff2016] eq. 2.17 (from memory).
    """
    product = np.asarray(impedance) * np.asarray(cos_incidence)
    return (product - 1) / (product + 1)
