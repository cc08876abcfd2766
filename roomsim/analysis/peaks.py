"""Narrow peaks of the response at the seats: the loudspeaker's, which stay, and the room's, which move.

A resonance of a loudspeaker goes out in all directions: it stands in its sound power, and so in every curve of every
seat, room and place. What the room does moves from seat to seat at high frequency; at low frequency a small zone lies
within one wavelength, a mode's peak is at every seat, and rooms of like size share it. So the power of the loudspeaker
alone decides, which a prediction has apart; how many of all seat curves show the peak is said beside it. The direct
sound would not do: a wall and a floor close by comb it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from ..bands import db
from ..errors import InvalidValue
from .seat_bands import SeatBands, seat_bands

if TYPE_CHECKING:
    from xarray import Dataset

Array = NDArray[np.float64]

COARSE_FROM_HZ = 400.0
"""From here on peaks are judged on third octaves: narrower bands of a single seat fluctuate by chance."""
LEAST_DB = {"twelfth": 3.0, "third": 1.5}
"""Height above the neighbourhood from which a peak at the seats counts."""
OWN_DB = 1.5
"""Height from which the power of the loudspeaker alone shows a resonance."""
OWN_SHARE = 0.5
"""The loudspeaker alone has at least this part of the height: its own."""
ROOM_SHARE = 0.25
"""It has less than this: the room's. Between the two it stays unclear."""
APART = 2
"""Peaks fewer twelfths of an octave apart are one."""
BASE = 17
"""Twelfths of the running median that peaks rise from."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Peak:
    """One narrow peak.

    Attributes
    ----------
    design : label
    room : where it was found; None for a peak of the loudspeaker, which is in all rooms
    frequency_hz : midband of its highest twelfth of an octave
    height_db : of the seat average above the running median over 17 twelfths; mean of the rooms for the loudspeaker's
    own_db : of the sound power of the loudspeaker alone
    stays : part of all seat curves, of all rooms and places, that show at least half of the height there
    owner : "loudspeaker", "room" or "unclear"
    words : one sentence
    """

    design: Any
    room: Any
    frequency_hz: float
    height_db: float
    own_db: float
    stays: float
    owner: str
    words: str


def find_peaks(result: Dataset, *, low_hz: float = 30.0, high_hz: float = 10000.0) -> list[Peak]:
    """Narrow peaks of every design, the loudspeaker's first, by frequency.

    Parameters
    ----------
    result : as `roomsim.predict` returns it; channels are summed in power
    low_hz, high_hz : where peaks are looked for

    Examples
    --------
    >>> {peak.design for peak in roomsim.find_peaks(quick_result())} <= {"narrow", "wide"}
    True
    """
    return peaks_of(seat_bands(result), low_hz=low_hz, high_hz=high_hz)


def peaks_of(seen: SeatBands, *, low_hz: float = 30.0, high_hz: float = 10000.0) -> list[Peak]:
    """The same from energies per seat and twelfth of an octave."""
    inside = (seen.band_hz >= low_hz) & (seen.band_hz <= high_hz)
    found: list[Peak] = []
    for k, design in enumerate(seen.labels[0]):
        total = _by_room(seen.total[k], len(seen.labels[1]))                   # (room, case, seat, band)
        if seen.own is None:
            raise InvalidValue("result", "", "has no sound power of the loudspeaker", "predict the study again")
        own = seen.own[k].reshape(-1, seen.band_hz.size)
        if not np.isfinite(total).any():
            continue
        found += _of_design(design, seen.labels[1], total, own, seen.band_hz, inside)
    return found


def excess_db(energy: Array, band_hz: Array) -> Array:
    """Level above the running median; twelfths below COARSE_FROM_HZ, sliding third octaves above; (..., n_band)."""
    padded = np.concatenate([energy[..., :2][..., ::-1], energy, energy[..., -2:][..., ::-1]], axis=-1)
    weights = np.array([0.5, 1, 1, 1, 0.5]) / 4
    n = energy.shape[-1]
    thirds = sum(w * padded[..., j : j + n] for j, w in enumerate(weights))
    level = db(np.where(band_hz < COARSE_FROM_HZ, energy, thirds))
    half = BASE // 2
    edged = np.concatenate([np.repeat(level[..., :1], half, -1), level, np.repeat(level[..., -1:], half, -1)], axis=-1)
    base = np.median(np.lib.stride_tricks.sliding_window_view(edged, BASE, axis=-1), axis=-1)
    return level - base


def _of_design(
    design: Any, rooms: tuple[Any, ...], total: Array, power: Array, band_hz: Array,
    inside: NDArray[np.bool_],
) -> list[Peak]:
    least = np.where(band_hz < COARSE_FROM_HZ, LEAST_DB["twelfth"], LEAST_DB["third"])
    seats = excess_db(total, band_hz)                                         # of each seat's own curve
    average = np.nanmean(excess_db(_mean(total, axis=2), band_hz), axis=1)    # (room, band)
    own = np.nanmean(excess_db(power, band_hz), axis=0)
    curves = seats.reshape(-1, band_hz.size)
    curves = curves[np.isfinite(curves).all(axis=-1)]
    known = np.isfinite(average).all(axis=-1)
    taken: list[int] = []
    peaks = []
    for at in _maxima(np.where(inside, own, -np.inf), np.full(band_hz.size, OWN_DB)):
        height = float(np.nanmean(average[:, _near(at, band_hz)].max(axis=-1)))
        taken.append(at)
        peaks.append(_peak(design, None, at, height, own, curves, band_hz, "loudspeaker", len(rooms)))
    for r, room in enumerate(rooms):
        if not known[r]:
            continue
        for at in _maxima(np.where(inside, average[r], -np.inf), least):
            if any(abs(at - other) <= APART for other in taken):
                continue
            height = float(average[r, at])
            alone = float(np.max(own[_near(at, band_hz)]))
            owner = "room" if alone < ROOM_SHARE * height else "unclear"
            if alone >= max(OWN_SHARE * height, OWN_DB):
                owner = "loudspeaker"
            peaks.append(_peak(design, room, at, height, own, curves, band_hz, owner, len(rooms)))
    order = {"loudspeaker": 0, "unclear": 1, "room": 2}
    return sorted(peaks, key=lambda p: (order[p.owner], str(p.room or ""), p.frequency_hz))


def _peak(
    design: Any, room: Any, at: int, height: float, own: Array, curves: Array, band_hz: Array, owner: str, rooms: int
) -> Peak:
    stays = float((curves[:, _near(at, band_hz)].max(axis=-1) >= max(height, 0.5) / 2).mean())
    f = float(band_hz[at])
    heard = f"{height:+.1f} dB at the seats".replace("-", "−")
    alone = f", {own[at]:+.1f} dB by itself".replace("-", "−")
    where = f"in {room}, " if room is not None and rooms > 1 else ""
    words = f"{design}, {f:.0f} Hz: {where}{heard}{alone}, in {stays:.0%} of all seat curves: ".replace("%", " %")
    words += {"loudspeaker": "the loudspeaker's", "room": "the room's", "unclear": "unclear whose"}[owner]
    return Peak(design=design, room=room, frequency_hz=f, height_db=height, own_db=float(own[at]), stays=stays,
                owner=owner, words=words)


def _maxima(curve: Array, least: Array) -> list[int]:
    """Local maxima of at least `least`, highest first, none within APART of a higher one."""
    left, right = np.concatenate([[-np.inf], curve[:-1]]), np.concatenate([curve[1:], [-np.inf]])
    candidates = np.flatnonzero((curve >= left) & (curve > right) & (curve >= least))
    chosen: list[int] = []
    for at in candidates[np.argsort(-curve[candidates], kind="stable")]:
        if all(abs(int(at) - other) > APART for other in chosen):
            chosen.append(int(at))
    return chosen


def _near(at: int, band_hz: Array) -> slice:
    return slice(max(at - 1, 0), min(at + 2, band_hz.size))


def _by_room(energy: Array, rooms: int) -> Array:
    """(room, …, seat, band) -> (room, case, seat, band)."""
    return energy.reshape(rooms, -1, *energy.shape[-2:])


def _mean(energy: Array, axis: int) -> Array:
    count = np.isfinite(energy).sum(axis=axis)
    with np.errstate(invalid="ignore"):
        return np.where(count > 0, np.nansum(energy, axis=axis) / np.maximum(count, 1), np.nan)
