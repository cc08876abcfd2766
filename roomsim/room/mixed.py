"""A face with small pieces of other finishes spread evenly over it, as one finish."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .impedance import random_absorption
from .reproducibility import scaled_to

Floats = NDArray[np.float64]

MOST_KNOWN = 24
"""Sets of frequencies at which a mixed finish remembers its impedance."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MixedFinish:
    """Several finishes by share of area, in pieces spread evenly.

    Attributes
    ----------
    base : what shows between the pieces
    pieces : (finish, share of the area) each; the base has the rest

    Notes
    -----
    The surface absorbs random sound as its areas do together, and its admittance is in phase as the mean of theirs:
    the mean itself would be right for pieces much smaller than a wavelength, and absorbs far too much where they
    are larger. Edges, which make small pieces absorb and scatter more, are not modelled.
    """

    base: Any
    pieces: tuple[tuple[Any, float], ...]
    name: str = field(init=False)
    kind: str = field(init=False)
    _known: dict[bytes, NDArray[np.complex128]] = field(init=False, repr=False, default_factory=dict)

    def __post_init__(self) -> None:
        told = ", ".join(f"{share:.0%} {finish.name}" for finish, share in self.pieces)
        object.__setattr__(self, "name", f"{self.base.name} with {told}")
        object.__setattr__(self, "kind", self.base.kind)

    @property
    def shares(self) -> tuple[tuple[Any, float], ...]:
        """Every finish with its share, the base first."""
        return (self.base, 1 - sum(share for _, share in self.pieces)), *self.pieces

    @property
    def source(self) -> str:
        return "; ".join(dict.fromkeys(finish.source for finish, _ in self.shares))

    def impedance(self, frequency_hz: ArrayLike) -> NDArray[np.complex128]:
        """ζ, passive, shape (n_frequency,); remembered, since engines and designs ask for the same frequencies."""
        f = np.asarray(frequency_hz, float)
        key = repr(f.shape).encode() + f.tobytes()
        known = self._known.get(key)
        if known is None:
            known = self._impedance(f)
            known.setflags(write=False)
            while len(self._known) >= MOST_KNOWN:
                self._known.pop(next(iter(self._known)), None)
            self._known[key] = known
        return known

    def _impedance(self, frequency_hz: Floats) -> NDArray[np.complex128]:
        each = [np.asarray(finish.impedance(frequency_hz), complex) for finish, _ in self.shares]
        parts = [share for _, share in self.shares]
        mean = sum(share / zeta for share, zeta in zip(parts, each, strict=True))
        wanted = sum(share * random_absorption(zeta) for share, zeta in zip(parts, each, strict=True))
        return np.asarray(1 / (scaled_to(mean, wanted) * mean.real + 1j * mean.imag))

    def absorption(self, frequency_hz: ArrayLike) -> Floats:
        """Mean of the tables by area, shape (n_frequency,)."""
        return np.asarray(sum(share * finish.absorption(frequency_hz) for finish, share in self.shares))

    def scattering(self, frequency_hz: ArrayLike) -> Floats:
        """Mean by area, shape (n_frequency,)."""
        return np.asarray(sum(share * finish.scattering(frequency_hz) for finish, share in self.shares))

    def rests_on_assumption(self, frequency_hz: ArrayLike) -> NDArray[np.bool_]:
        """Where more than half of the absorption does, shape (n_frequency,)."""
        assumed = np.zeros(np.shape(frequency_hz))
        for finish, share in self.shares:
            rests = getattr(finish, "rests_on_assumption", None)
            if rests is not None:
                assumed = assumed + share * finish.absorption(frequency_hz) * rests(frequency_hz)
        return assumed > self.absorption(frequency_hz) / 2


def mixed(base: Any, finish: Any, share: float) -> Any:
    """A base of which a share of the whole area is covered; what is mixed already shares what is left."""
    if share <= 0:
        return base
    pieces = base.pieces if isinstance(base, MixedFinish) else ()
    ground = base.base if isinstance(base, MixedFinish) else base
    return MixedFinish(base=ground, pieces=(*pieces, (finish, share)))
