"""What a driver sends out in each direction."""

from __future__ import annotations

from typing import Protocol, runtime_checkable

import numpy as np
from numpy.typing import ArrayLike, NDArray


@runtime_checkable
class Directivity(Protocol):
    """Pressure times distance in the far field, in the driver's own frame (x out of its front).

    Attributes
    ----------
    name : for messages and labels
    radius_m : of the smallest sphere about the reference point that holds the sounding source
    axisymmetric : the same all round the x axis (engines then tabulate it by one angle)
    has_phase : False where only magnitudes were measured
    half_space : True where the data stand for a source in a large rigid wall (x > 0 only)
    low_hz, high_hz : the range in which the data can be trusted
    calibrated : True where Pa·m are for a stated drive; False where levels are only relative
    """

    name: str
    radius_m: float
    axisymmetric: bool
    has_phase: bool
    half_space: bool
    low_hz: float
    high_hz: float
    calibrated: bool

    def far_pressure(self, frequency_hz: ArrayLike, directions: ArrayLike) -> NDArray[np.complex128]:
        """D [Pa m, rms], shape (n_direction, n_frequency), for unit vectors of shape (n_direction, 3).

        The phase is referred to the driver's reference point: the delay of propagation is removed.
        """


def mean_square_over_sphere(
    directivity: Directivity, frequency_hz: ArrayLike, order: int = 24
) -> NDArray[np.float64]:
    """Mean of |D|² over the sphere [Pa² m²] (over the half sphere x > 0 for half-space data), shape (n_frequency,)."""
    from ..sphere import gauss_grid

    directions, weights = gauss_grid(order)
    if directivity.half_space:
        directions = np.column_stack([np.abs(directions[:, 0]), directions[:, 1:]])
    power = np.abs(directivity.far_pressure(frequency_hz, directions)) ** 2
    return weights @ power / (4 * np.pi)
