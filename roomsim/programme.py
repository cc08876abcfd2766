"""What is played, in the words of a study."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Programme:
    """Pink noise in all channels, loud as stated either way.

    Attributes
    ----------
    level_db : mean over the seats, all channels, power sum [dB re 20 µPa, weighted]; None where `drive_v` is given
    weighting : "A", "C" or "Z" (none), of `level_db`
    drive_v : rms of the whole signal at the input of a channel of 0 dB [V]
    channels_db : level of the signal of each channel [dB]; those that are not named have 0
    low_hz, high_hz : range of the noise
    """

    level_db: float | None = None
    weighting: str = "A"
    drive_v: float | None = None
    channels_db: Mapping[str, float] = field(default_factory=dict)
    low_hz: float = 20.0
    high_hz: float = 20000.0
