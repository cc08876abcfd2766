"""What the ray engine returns, and what the hybrid takes from it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RayLedger:
    """Where the energy went, per channel and band [Pa² m²], shape (n_channel, n_band) each.

    emitted = walls + air + furniture + travelling + dropped + lost, to rounding: absorbed by surfaces, air,
    furniture; still on its way at the end; given up as negligible; lost at edges by rounding.
    """

    emitted: NDArray[np.float64]
    walls: NDArray[np.float64]
    air: NDArray[np.float64]
    furniture: NDArray[np.float64]
    travelling: NDArray[np.float64]
    dropped: NDArray[np.float64]
    lost: NDArray[np.float64]

    @property
    def imbalance(self) -> NDArray[np.float64]:
        """(emitted - everything else) / emitted, shape (n_channel, n_band)."""
        spent = self.walls + self.air + self.furniture + self.travelling + self.dropped + self.lost
        return (self.emitted - spent) / np.where(self.emitted > 0, self.emitted, 1)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RayPart:
    """What the ray engine returns: mean-square pressure [Pa²] per time bin.

    Attributes
    ----------
    time_s : start of each bin after emission, shape (n_time,)
    band_hz, fraction : exact midbands, 1 for octaves or 3 for third octaves
    scattered : of paths scattered at least once, shape (n_channel, n_listener, n_band, n_time)
    unscattered : of all other paths, the direct one included, same shape
    direct_s : arrival of the direct sound, shape (n_channel, n_listener)
    noise_db : standard error of the late energy (scattered, and unscattered after the usual hand-over),
        from independent blocks of rays, shape (n_channel, n_listener, n_band)
    groups : mean over listeners of all energy, from each of eight independent parts of the rays, from which
        the spread of any reading follows, shape (n_group, n_channel, n_band, n_time)
    ledger : where the energy went
    rays : rays per channel
    detector_m : radius of each listener's sphere, shape (n_listener,)
    seed : of the random numbers
    """

    time_s: NDArray[np.float64]
    band_hz: NDArray[np.float64]
    fraction: int
    scattered: NDArray[np.float64]
    unscattered: NDArray[np.float64]
    direct_s: NDArray[np.float64]
    noise_db: NDArray[np.float64]
    groups: NDArray[np.float64]
    ledger: RayLedger
    rays: int
    detector_m: NDArray[np.float64]
    seed: int

    @property
    def bin_s(self) -> float:
        return float(self.time_s[1] - self.time_s[0])

    @property
    def energy(self) -> NDArray[np.float64]:
        """All paths, shape (n_channel, n_listener, n_band, n_time)."""
        return self.scattered + self.unscattered


def after_hand_over(part: RayPart, hand_over_s: ArrayLike, fade_s: float = 0.0) -> NDArray[np.float64]:
    """Share of each bin's unscattered energy that the images leave to the rays.

    Parameters
    ----------
    part : from trace_rays
    hand_over_s : after emission, shape (n_channel, n_listener)
    fade_s : as in trace_images: images carry the amplitude w, half a cosine from hand-over - fade to + fade, and
        the rays 1 - w² of the energy; 0 for a sharp cut, where the bin that holds it gives the share after it

    Returns
    -------
    shape (n_channel, n_listener, 1, n_time)
    """
    hand_over = np.asarray(hand_over_s, float)[..., None, None]
    if fade_s <= 0:
        return np.clip((part.time_s + part.bin_s - hand_over) / part.bin_s, 0, 1)
    middle = part.time_s + part.bin_s / 2
    done = np.clip((middle - hand_over + fade_s) / (2 * fade_s), 0, 1)
    return 1 - (0.5 + 0.5 * np.cos(np.pi * done)) ** 2


def late_histogram(part: RayPart, hand_over_s: ArrayLike, fade_s: float = 0.0) -> NDArray[np.float64]:
    """What the hybrid takes from the rays over time: scattered paths, and unscattered ones after the hand-over.

    Parameters
    ----------
    part : from trace_rays
    hand_over_s, fade_s : as in after_hand_over

    Returns
    -------
    mean-square pressure per bin [Pa²], shape (n_channel, n_listener, n_band, n_time)
    """
    return part.scattered + part.unscattered * after_hand_over(part, hand_over_s, fade_s)


def late_energy(part: RayPart, hand_over_s: ArrayLike, fade_s: float = 0.0) -> NDArray[np.float64]:
    """Sum of `late_histogram` over time [Pa²], shape (n_channel, n_listener, n_band)."""
    return late_histogram(part, hand_over_s, fade_s).sum(axis=-1)
