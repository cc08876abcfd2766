"""What an engine returns and analysis reads."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True, kw_only=True)
class Reflection:
    """One early path, as a designer acts on it.

    Attributes
    ----------
    channel, listener : indices
    faces : names of the faces it hits, from the loudspeaker to the listener
    delay_ms : after the direct sound at that listener
    level_db : re the direct sound, mean of energy 500 Hz to 4 kHz
    high_level_db : the same for 1 to 8 kHz, the range of the recommendations for reference rooms
    azimuth_deg, elevation_deg : where it arrives from, in the listener's frame
    """

    channel: int
    listener: int
    faces: tuple[str, ...]
    delay_ms: float
    level_db: float
    high_level_db: float
    azimuth_deg: float
    elevation_deg: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Note:
    """Something a reader of the result must know: an assumption, a limit, a range not to trust.

    Attributes
    ----------
    code : short stable name, such as "statistical-late-field"
    text : one sentence for people
    low_hz, high_hz : the range it concerns, None for all of it
    """

    code: str
    text: str
    low_hz: float | None = None
    high_hz: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Response:
    """Response of every channel at every listener.

    Pressures are complex rms amplitudes [Pa]; shapes (n_channel, n_listener, n_frequency).

    Attributes
    ----------
    frequency_hz : shape (n_frequency,)
    channels : labels
    direct : direct sound with its mounting-wall image
    early : reflections up to the hand-over, without the direct sound
    late : mean-square pressure [Pa²] of what comes after the hand-over
    scattered : mean-square pressure [Pa²] of scattered sound before the hand-over, which has no phase
    wave : exact pressure of the wave engine, NaN above its range; None where it did not run
    wave_weight : w(f) of the crossfade, 1 where the wave engine stands alone, shape (n_frequency,)
    energy : energy of all paths over time since emission [Pa² per step], (n_channel, n_listener, n_band, n_step)
    energy_groups : mean over the listeners of `energy` from each of several independent parts of the rays, from which
        the error of any reading follows, shape (n_group, n_channel, n_band, n_step)
    energy_step_s : length of a step
    energy_band_hz : exact octave midbands of `energy`, shape (n_band,)
    direct_s : arrival of the direct sound after emission, shape (n_channel, n_listener)
    late_noise_db : standard error of the late energy, shape (n_channel, n_listener, n_band)
    reflections : the strongest early paths
    notes : assumptions and limits
    """

    frequency_hz: NDArray[np.float64]
    channels: tuple[str, ...]
    direct: NDArray[np.complex128]
    early: NDArray[np.complex128]
    late: NDArray[np.float64]
    scattered: NDArray[np.float64]
    wave: NDArray[np.complex128] | None = None
    wave_weight: NDArray[np.float64] | None = None
    energy: NDArray[np.float64] | None = None
    energy_groups: NDArray[np.float64] | None = None
    energy_step_s: float = 0.001
    energy_band_hz: NDArray[np.float64] = field(default_factory=lambda: np.empty(0))
    direct_s: NDArray[np.float64] | None = None
    late_noise_db: NDArray[np.float64] | None = None
    reflections: tuple[Reflection, ...] = ()
    notes: tuple[Note, ...] = ()

    @property
    def weight(self) -> NDArray[np.float64]:
        """w(f), zero everywhere without a wave part; shape (n_frequency,)."""
        return np.zeros(self.frequency_hz.size) if self.wave_weight is None else self.wave_weight

    @property
    def pressure(self) -> NDArray[np.complex128]:
        """Coherent pressure w·wave + (1 - w)·(direct + early) [Pa]."""
        images = self.direct + self.early
        if self.wave is None:
            return images
        w = self.weight
        wave = np.where(w > 0, self.wave, 0)
        return w * wave + (1 - w) * images

    @property
    def diffuse_mean_square(self) -> NDArray[np.float64]:
        """Energy without phase beside `pressure`: (1 - w²)(late + scattered) [Pa²]; the wave part holds the rest."""
        return (1 - self.weight**2) * (self.late + self.scattered)

    @property
    def mean_square(self) -> NDArray[np.float64]:
        """Expected mean-square pressure |pressure|² + diffuse part [Pa²]."""
        return np.abs(self.pressure) ** 2 + self.diffuse_mean_square

    def with_notes(self, *notes: Note) -> Response:
        """The same response with more notes."""
        return replace(self, notes=self.notes + notes)
