"""An opening to another room: what goes through it does not come back."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

OPENING = "opening"
"""The name under which room files ask for one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Opening:
    """A doorway, arch or missing wall: nothing is reflected at any angle.

    Attributes
    ----------
    name : label
    band_hz, absorption_table : midbands, and the part of what goes through that does not come back, shape (n_band,)
        each; all of it where there are none
    anechoic : tells engines to take R = 0 at every angle of incidence; ζ = 1 alone would reflect at grazing
        incidence and absorb 0.909 at random incidence, and no locally reacting surface more than 0.951

    Notes
    -----
    What comes back from the space behind comes from everywhere in it: the rays take it as scattered, leaving the
    opening by Lambert's law, and at once, so that the space is given no decay of its own. A space that rings longer
    than the room is drawn as a part of it.
    """

    name: str = OPENING
    band_hz: tuple[float, ...] = ()
    absorption_table: tuple[float, ...] = ()

    kind = "opening"
    anechoic = True
    source = "definition: an open area absorbs what falls on it"

    def impedance(self, frequency_hz: ArrayLike) -> NDArray[np.complex128]:
        """ζ = 1, that of air for normal incidence, shape (n_frequency,)."""
        return np.ones(np.shape(frequency_hz), complex)

    def absorption(self, frequency_hz: ArrayLike) -> NDArray[np.float64]:
        """What does not come back, linear in log f, end values kept; shape (n_frequency,)."""
        f = np.asarray(frequency_hz, float)
        if not self.band_hz:
            return np.ones(f.shape)
        return np.interp(np.log(f), np.log(self.band_hz), self.absorption_table)

    def scattering(self, frequency_hz: ArrayLike) -> NDArray[np.float64]:
        """1 where something comes back, which is all scattered, else 0; shape (n_frequency,)."""
        return np.full(np.shape(frequency_hz), 1.0 if self.gives_back else 0.0)

    @property
    def gives_back(self) -> bool:
        """Whether anything comes back."""
        return bool(self.band_hz) and min(self.absorption_table) < 1

    def rests_on_assumption(self, frequency_hz: ArrayLike) -> NDArray[np.bool_]:
        """Its absorption does not, shape (n_frequency,)."""
        return np.zeros(np.shape(frequency_hz), bool)


def opening_to(
    space: str, *, absorption: Mapping[float, float] | None = None, absorption_m2: Mapping[float, float] | None = None,
    area_m2: float = 0.0,
) -> Opening:
    """An opening to a space with its own absorption.

    Parameters
    ----------
    space : what it is called
    absorption : midband -> part of what goes through that does not come back
    absorption_m2 : or midband -> absorption area of the space behind, without the opening
    area_m2 : of the opening

    Notes
    -----
    In a diffuse space what has entered is absorbed there or leaves through the opening again, in proportion to their
    areas: A/(A + S) of it does not come back, the steady state of two coupled rooms [kuttruff2016].
    """
    if absorption_m2 is not None:
        absorption = {band: area / (area + area_m2) for band, area in absorption_m2.items()}
    table = dict(sorted((absorption or {}).items()))
    return Opening(name=f"{OPENING} to {space}" if space else OPENING, band_hz=tuple(table),
                   absorption_table=tuple(table.values()))
