"""The decay time of a room by itself: T20 of the traced energy in the whole room, and how well it is known."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..analysis.decay import decay_from_energy, jackknife_error
from ..bands import OCTAVES_HZ
from ..engines.room_decay import BIN_S, energy_in_room
from ..errors import InvalidValue
from ..room.room import Room

Floats = NDArray[np.float64]

MID_HZ = OCTAVES_HZ[3:5]
"""The octaves whose mean is the mid-band decay time: 500 Hz and 1 kHz."""

RAYS = 8000
MOST_RAYS = 24_000

DRAWS = 32
"""Draws of absorption behind a stated band: sixteen and their opposites."""

COVERAGE = 2.0
"""Coverage factor of the band: about 95 % of what other laboratories' absorption would give."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RoomDecay:
    """Decay of one room.

    Attributes
    ----------
    band_hz : exact midbands of octaves, shape (n_band,)
    decay_s : T20 of the energy in the whole room, shape (n_band,); NaN where it cannot be read
    error : relative standard error of each, by leaving out an eighth of the rays in turn (jackknife)
        [efron-tibshirani1993]
    rays, seed : how it was traced; rays of the octave that took most
    """

    band_hz: Floats
    decay_s: Floats
    error: Floats
    rays: int
    seed: int

    @property
    def mid_s(self) -> float:
        """Mean of the octaves 500 Hz and 1 kHz; NaN where one of them is missing."""
        return mid_s(self.band_hz, self.decay_s)

    @property
    def mid_error(self) -> float:
        """Relative standard error of `mid_s`, as if both octaves erred alike."""
        return mid_s(self.band_hz, self.decay_s * self.error) / self.mid_s


def mid_s(band_hz: ArrayLike, decay_s: ArrayLike) -> float:
    """Mean of the decay times of the octaves 500 Hz and 1 kHz; NaN where one of them is missing."""
    apart = np.abs(np.log(np.asarray(band_hz, float) / MID_HZ[:, None]))
    if np.any(apart.min(axis=1) > 0.1):
        return float("nan")
    return float(np.mean(np.asarray(decay_s, float)[apart.argmin(axis=1)]))


def room_decay(
    room: Room, band_hz: ArrayLike = OCTAVES_HZ, *, rays: int = RAYS, seed: int = 0, scattering: float = 1.0,
    noise: float | None = None,
) -> RoomDecay:
    """Decay time per octave, averaged over all places of sender and listener.

    Parameters
    ----------
    room : of planar faces
    band_hz : exact midbands of octaves, shape (n_band,)
    rays : per band
    seed : of the random numbers; with the same seed rays take the same turns in similar rooms, so that small
        differences between them are known better than either
    scattering : factor on all scattering coefficients and on the furniture's, held at 1
    noise : a relative standard error; bands that are known less well are traced again with as many rays as it takes,
        at most `MOST_RAYS`

    Raises
    ------
    InvalidValue : no bands, fewer rays than 8, a negative factor
    """
    bands = np.atleast_1d(np.asarray(band_hz, float))
    if bands.size == 0:
        raise InvalidValue("band_hz", None, "needs a band")
    taken, found = rays, []
    for band in bands:                                # one by one: each is followed for as long as it lasts
        time, error = _traced(room, band, rays, seed, scattering)
        if noise is not None and error > noise:
            more = int(min(np.ceil(1.2 * rays * (error / noise) ** 2), MOST_RAYS))
            if more > rays:
                time, error = _traced(room, band, more, seed, scattering)
                taken = max(taken, more)
        found.append((time, error))
    decay, error = np.array(found).T
    return RoomDecay(band_hz=bands, decay_s=decay, error=error, rays=taken, seed=seed)


def _traced(room: Room, band_hz: float, rays: int, seed: int, scattering: float) -> tuple[float, float]:
    """T20 of one octave and its relative standard error."""
    bands = np.array([band_hz])
    curves = energy_in_room(room, bands, rays=rays, seed=seed, scattering=scattering)[:, 0]
    whole = _t20(curves.sum(axis=0), bands)
    error = jackknife_error(_t20(curves.sum(axis=0) - curves, bands), whole)
    return float(whole[0]), float(error[0])


def decay_uncertainty(
    room: Room, band_hz: ArrayLike = OCTAVES_HZ, *, draws: int = DRAWS, rays: int = 1000, seed: int = 0
) -> tuple[Floats, float]:
    """How far the decay moves when absorption is drawn within the reproducibility of ISO 12999-2.

    Returns
    -------
    relative standard deviation of the decay time per octave, shape (n_band,), and of its mid-band mean (NaN without
    those octaves); `COVERAGE` times it is the band to state

    Notes
    -----
    All draws share their rays, so the rays' own noise drops out. See `roomsim.room.reproducibility` for the draws.
    """
    bands = np.atleast_1d(np.asarray(band_hz, float))
    times = _slope_s(energy_in_room(room, bands, rays=rays, seed=seed, draws=draws).sum(axis=0))
    mids = np.array([mid_s(bands, one) for one in times])
    logs = np.log(np.column_stack([times, mids]))
    sd = np.sqrt(((logs - logs.mean(axis=0)) ** 2).mean(axis=0))
    return sd[:-1], float(sd[-1])


def _t20(energy: Floats, bands: Floats) -> Floats:
    """T20 of curves (…, n_band, n_time), shape (…, n_band)."""
    read = decay_from_energy(energy, BIN_S, band_hz=bands)["t20_s"]
    return np.asarray(read).reshape(energy.shape[:-1])


def _slope_s(energy: Floats) -> Floats:
    """Decay time from -5 to -25 dB of many curves (…, n_time) at once, shape (…): for their differences only.

    What follows the end is not added, as it is where a decay time is read to be shown.
    """
    level = 10 * np.log10(np.maximum(np.flip(np.flip(energy, -1).cumsum(-1), -1), 1e-300))
    level -= level[..., :1]
    used = ((level <= -5) & (level >= -25)).astype(float)
    t = np.arange(energy.shape[-1]) * BIN_S
    count = np.maximum(used.sum(-1), 1)
    apart = used * (t - ((used @ t) / count)[..., None])
    slope = (apart * level).sum(-1) / np.maximum((apart * t).sum(-1), 1e-12)
    return -60 / np.minimum(slope, -1e-6)
