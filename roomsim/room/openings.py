"""An opening to another room: what goes through it does not come back."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

OPENING = "opening"
"""The name under which room files ask for one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Opening:
    """A doorway, arch or missing wall: fully absorbing at every angle.

    Attributes
    ----------
    name : label
    anechoic : tells engines to take R = 0 at every angle of incidence; ζ = 1 alone would reflect at grazing
        incidence and absorb 0.909 at random incidence, and no locally reacting surface more than 0.951

    Notes
    -----
    The space behind is taken as so large or so dead that nothing returns from it. Smaller rooms behind an
    opening give sound back late; that is not modelled.
    """

    name: str = OPENING

    kind = "opening"
    anechoic = True
    source = "definition: an open area absorbs what falls on it"

    def impedance(self, frequency_hz: ArrayLike) -> NDArray[np.complex128]:
        """ζ = 1, that of air for normal incidence, shape (n_frequency,)."""
        return np.ones(np.shape(frequency_hz), complex)

    def absorption(self, frequency_hz: ArrayLike) -> NDArray[np.float64]:
        """1, shape (n_frequency,)."""
        return np.ones(np.shape(frequency_hz))

    def scattering(self, frequency_hz: ArrayLike) -> NDArray[np.float64]:
        """0: there is nothing to scatter, shape (n_frequency,)."""
        return np.zeros(np.shape(frequency_hz))

    def rests_on_assumption(self, frequency_hz: ArrayLike) -> NDArray[np.bool_]:
        """Its absorption does not, shape (n_frequency,)."""
        return np.zeros(np.shape(frequency_hz), bool)
