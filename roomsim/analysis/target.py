"""What a response at the seats is measured against: a target curve."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..errors import InvalidValue


@dataclass(frozen=True, slots=True, kw_only=True)
class Target:
    """A target curve as points, straight between them over log frequency and level beyond the ends.

    Attributes
    ----------
    name : what it is, for people
    frequency_hz : rising, two or more
    level_db : at these; only the shape counts, the level is fitted

    Raises
    ------
    InvalidValue : unlike lengths, fewer than two points, frequencies that do not rise, a level that is no number

    Examples
    --------
    >>> target = roomsim.Target(name="flat to 1 kHz", frequency_hz=[20, 1000, 20_000], level_db=[0, 0, -4])
    >>> len(target.level_db)
    3
    """

    name: str
    frequency_hz: tuple[float, ...]
    level_db: tuple[float, ...]

    def __post_init__(self) -> None:
        f, level = np.asarray(self.frequency_hz, float), np.asarray(self.level_db, float)
        if f.shape != level.shape or f.ndim != 1 or f.size < 2:
            raise InvalidValue("target", self.name, "needs two or more points, each a frequency and a level")
        if not (np.all(np.isfinite(f)) and f[0] > 0 and np.all(np.diff(f) > 0)):
            raise InvalidValue("target", self.name, "has frequencies that do not rise")
        if not np.all(np.isfinite(level)):
            raise InvalidValue("target", self.name, "has a level that is no number")

    def at(self, frequency_hz: ArrayLike) -> NDArray[np.float64]:
        """Level of the curve [dB], same shape as `frequency_hz`."""
        return np.interp(np.log(np.asarray(frequency_hz, float)), np.log(self.frequency_hz), self.level_db)


HOUSE_TARGET = Target(
    name="falls by 1 dB per octave from 100 Hz on", frequency_hz=(100.0, 20000.0),
    level_db=(0.0, float(-np.log2(200.0))),
)
"""The default: level up to 100 Hz, then 1 dB less per octave.

A choice of this project. Why it falls: a loudspeaker whose direct sound is level, as listeners prefer it, beams more
and more towards the treble, and furnished rooms absorb more there, so that what arrives at the seats, direct and
reflected together, falls; about 1 dB per octave for ordinary loudspeakers in ordinary rooms (common
practice, no source). A target that rises above it towards the bass is a matter of taste: give it as an input."""


def target_of(name: str, points: Sequence[Sequence[float]]) -> Target:
    """A target from [frequency, level] pairs."""
    pairs = [tuple(point) for point in points]
    if any(len(pair) != 2 for pair in pairs):
        raise InvalidValue("target", name, "needs pairs of a frequency and a level")
    return Target(
        name=name, frequency_hz=tuple(float(f) for f, _ in pairs), level_db=tuple(float(level) for _, level in pairs)
    )
