"""Rooms and places held against what is recommended for listening rooms, item by item.

The recommendations are made for rooms in which sound is judged; homes rarely meet them, and need not. They say what
sets a room apart from those in which records were made and graded [itu-bs1116-3], [ebu1998], [iec60268-13].

None of the three texts was at hand. Every limit says how it is known: from memory, with high, medium or low confidence
(the sizes of one room built to IEC 60268-13 were read elsewhere), or as our own choice where a text gives a value
without a tolerance. Look a limit up before you rely on it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..bands import OCTAVES_HZ, band_means, db, from_db, midbands_hz, nominal
from ..conventions import EARLY_WINDOW_MS, LISTED_DB
from ..errors import InvalidValue
from .balance import REFERENCE_LIMIT_DB

Floats = NDArray[np.float64]

MEMORY = {"high": "memory, high", "medium": "memory, medium", "low": "memory, low"}
"""How a limit is known: the confidence of a memory; the texts were not at hand."""

NO_LIMIT = "not known to us"
MIXED = "memory, medium; tolerance ours"

MEAN_BANDS_HZ = OCTAVES_HZ[2:7]
"""The octaves 250 Hz to 4 kHz, which stand for 200 Hz to 4 kHz."""

REFERENCE_M3 = 100.0
MEAN_TOLERANCE_S = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class Item:
    """One thing that a recommendation asks for.

    Attributes
    ----------
    key, title : short stable name, and what people read
    unit : of value and limits
    value : what the room has; None where roomsim does not know it
    low, high : limits, None where there is none, or none is known to us
    known : how the limits are known
    note : what else a reader should know; may be empty
    """

    key: str
    title: str
    unit: str
    value: float | None
    low: float | None
    high: float | None
    known: str
    note: str = ""

    @property
    def missed_by(self) -> float | None:
        """How far the value is above (positive) or below (negative) its limits, 0 where it is met; None: not known."""
        if self.value is None or (self.low is None and self.high is None):
            return None
        above = max(self.value - self.high, 0.0) if self.high is not None else 0.0
        below = min(self.value - self.low, 0.0) if self.low is not None else 0.0
        return above + below

    @property
    def status(self) -> str:
        """met, missed or not known."""
        missed = self.missed_by
        if missed is None:
            return "not known"
        return "missed" if abs(missed) > 1e-9 * max(abs(self.value or 0.0), 1.0) else "met"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RoomFacts:
    """What the recommendations ask of a room.

    Attributes
    ----------
    length_m, width_m : longer and shorter side of the floor; None for a room that is no box
    height_m, floor_m2, volume_m3 : of the room
    decay_s : decay time in OCTAVES_HZ, shape (8,); NaN where it is not known
    from_modes : octaves whose decay time comes from the room's modes, shape (8,)
    """

    length_m: float | None
    width_m: float | None
    height_m: float
    floor_m2: float
    volume_m3: float
    decay_s: Floats
    from_modes: NDArray[np.bool_]

    @property
    def mean_s(self) -> float:
        """Mean decay time of 250 Hz to 4 kHz."""
        return float(self.decay_s[2:7].mean())


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PlaceFacts:
    """What they ask of loudspeakers and the middle seat.

    Attributes
    ----------
    strongest_db : channel -> level of the strongest reflection within 15 ms re the direct sound, 1 to 8 kHz; None
        where none of LISTED_DB or more comes
    frequency_hz : shape (n_frequency,)
    level_db : channel -> level at the middle seat, shape (n_frequency,)
    height_m, wall_m : of the channels' middles: the one farthest from 1.2 m; the least distance to a wall; None where
        they are not recorded
    base_m : between the channels left and right; None without them
    """

    strongest_db: Mapping[str, float | None]
    frequency_hz: Floats
    level_db: Mapping[str, Floats]
    height_m: float | None = None
    wall_m: float | None = None
    base_m: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Recommendation:
    """A published recommendation.

    Attributes
    ----------
    key, title, source : on the command line, for people, in references.bib
    room, place : what it asks of a room, and of what stands in it
    """

    key: str
    title: str
    source: str
    room: Callable[[RoomFacts], list[Item]]
    place: Callable[[PlaceFacts | None], list[Item]]


def wanted_decay_s(volume_m3: ArrayLike) -> Floats:
    """Mean decay time for a volume: 0.25 (V/100 m³)^(1/3) s [itu-bs1116-3], [ebu1998]; from memory, high confidence."""
    return 0.25 * np.cbrt(np.asarray(volume_m3, float) / REFERENCE_M3)


def decay_mask_s(frequency_hz: ArrayLike) -> tuple[Floats, Floats]:
    """How far decay times may lie below and above their mean.

    Parameters
    ----------
    frequency_hz : midbands, 63 Hz to 8 kHz

    Returns
    -------
    lower and upper limit [s], NaN outside; same shape each. ±0.05 s from 200 Hz to 4 kHz; below, the upper one rises
    to 0.3 s at 63 Hz, straight over log frequency (memory, high); ±0.1 s to 8 kHz (memory, medium)
    """
    f = np.asarray(frequency_hz, float)
    up = 0.05 + 0.25 * np.clip(np.log(200 / f) / np.log(200 / 63), 0, 1)
    high = f > 4000 * 1.03
    inside = (f > 63 * 0.97) & (f < 8000 * 1.03)
    return np.where(inside, np.where(high, -0.1, -0.05), np.nan), np.where(inside, np.where(high, 0.1, up), np.nan)


def response_mask_db(frequency_hz: ArrayLike) -> tuple[Floats, Floats]:
    """How far third octaves may lie below and above their mean from 250 Hz to 2 kHz.

    Returns
    -------
    lower and upper limit [dB], NaN outside 50 Hz to 16 kHz; same shape each. ±3 dB (memory, medium); the lower one
    falls from 2 kHz to −7 dB at 16 kHz, straight over log frequency (memory, low: 6 to 7 dB, the wider is taken)
    """
    f = np.asarray(frequency_hz, float)
    inside = (f > 50 * 0.97) & (f < 16000 * 1.03)
    low = -3 - 4 * np.clip(np.log(f / 2000) / np.log(8), 0, 1)
    return np.where(inside, low, np.nan), np.where(inside, 3.0, np.nan)


# what a room has ------------------------------------------------------------------------------------------

def _size(key: str, title: str, unit: str, value: float | None, low: float | None, high: float | None, known: str,
          note: str = "") -> Item:
    return Item(key=key, title=title, unit=unit, value=value, low=low, high=high, known=known, note=note)


def _proportions(room: RoomFacts, known: str) -> list[Item]:
    note = "the longer side of the floor counts as length"
    if room.length_m is None or room.width_m is None:
        note = "proportions are for boxes"
        return [_size("length_to_height", "length to height", "", None, None, 3.0, known, note),
                _size("width_to_height", "width to height", "", None, None, 3.0, known, note)]
    wide, long = room.width_m / room.height_m, room.length_m / room.height_m
    return [
        _size("length_to_height", "length to height", "", long, 1.1 * wide, min(4.5 * wide - 4, 3.0), known,
              f"from 1.1 w/h to 4.5 w/h − 4 with w/h = {wide:.2f}, and below 3; {note}"),
        _size("width_to_height", "width to height", "", wide, None, 3.0, known),
    ]


def _decay_items(room: RoomFacts, known: str) -> list[Item]:
    wanted = float(wanted_decay_s(room.volume_m3))
    mean = room.mean_s
    found = [_size("decay_mean", "decay time, mean 250 Hz to 4 kHz", "s", _known(mean), wanted - MEAN_TOLERANCE_S,
                   wanted + MEAN_TOLERANCE_S, MEMORY["high"] + "; tolerance ours",
                   f"0.25 (V/100 m³)^(1/3) = {wanted:.2f} s; ±{MEAN_TOLERANCE_S:g} s is the mask's")]
    low, high = decay_mask_s(OCTAVES_HZ)
    for k, f in enumerate(OCTAVES_HZ):
        note = "from the room's modes" if room.from_modes[k] else ""
        found.append(_size(f"decay_{nominal(f)}", f"decay time less that mean, {_hz(f)}", "s",
                           _known(room.decay_s[k] - mean), float(low[k]), float(high[k]),
                           MEMORY["medium"] if f > 4000 * 1.03 else known, note))
    return found


def _noise(limit: str, known: str) -> Item:
    return _size("background_noise", "background noise", "", None, None, None, known,
                 f"{limit}; roomsim predicts no noise: measure it")


def _bs1116_room(room: RoomFacts) -> list[Item]:
    area = room.floor_m2
    return [
        _size("floor_two", "floor area, one or two channels", "m²", area, 20.0, 60.0, MEMORY["high"]),
        _size("floor_many", "floor area, more channels", "m²", area, 30.0, 70.0, MEMORY["high"]),
        *_proportions(room, MEMORY["high"]),
        *_decay_items(room, MEMORY["high"]),
        _noise("at most NR 10, never above NR 15", MEMORY["medium"]),
    ]


def _ebu_room(room: RoomFacts) -> list[Item]:
    items = [
        _size("floor", "floor area", "m²", room.floor_m2, 40.0, None, MEMORY["high"]),
        _size("volume", "volume", "m³", room.volume_m3, None, 300.0, MEMORY["high"]),
        *_proportions(room, MEMORY["medium"]),
    ]
    if room.length_m is None or room.width_m is None:
        items.append(_size("whole_ratio", "ratio of sides from a whole number", "%", None, 5.0, None, MEMORY["high"],
                           "proportions are for boxes"))
    else:
        ratios = {"length to height": room.length_m / room.height_m, "width to height": room.width_m / room.height_m,
                  "length to width": room.length_m / room.width_m}
        apart = {name: 100 * abs(one / max(round(one), 1) - 1) for name, one in ratios.items()}
        name = min(apart, key=lambda one: apart[one])
        items.append(_size("whole_ratio", "ratio of sides from a whole number", "%", apart[name], 5.0, None,
                           MEMORY["high"], f"the nearest is {name}, {ratios[name]:.2f}"))
    items.append(_size("decay_range", "decay time, mean 250 Hz to 4 kHz", "s", _known(room.mean_s), 0.2, 0.4,
                       MEMORY["high"], "whatever the volume"))
    return [*items, *_decay_items(room, MEMORY["medium"]), _noise("a limit near NR 10", MEMORY["low"])]


IEC_BUILT_M = (6.52, 4.20, 2.68)
"""Sides of a room built to IEC 60268-13, 73 m³, with a decay time of about 0.4 s; read in a text about that room."""

_IEC_SHARE = 0.1


def _iec_room(room: RoomFacts) -> list[Item]:
    note = "within 10 %: a room built to it is 6.52 × 4.20 × 2.68 m, 73 m³ (read elsewhere)"

    def near(key: str, title: str, unit: str, value: float | None, wanted: float, said: str) -> Item:
        return _size(key, title, unit, value, wanted * (1 - _IEC_SHARE), wanted * (1 + _IEC_SHARE), MIXED, said)

    long = None if room.length_m is None else room.length_m / room.height_m
    wide = None if room.width_m is None else room.width_m / room.height_m
    shape = "6.7 × 4.2 × 2.8 m" if long is not None else "proportions are for boxes"
    items = [
        near("volume", "volume", "m³", room.volume_m3, 80.0, note),
        near("length_to_height", "length to height", "", long, 6.7 / 2.8, shape),
        near("width_to_height", "width to height", "", wide, 4.2 / 2.8, shape),
    ]
    items += [_size(f"decay_{nominal(f)}", f"decay time, {_hz(f)}", "s", _known(room.decay_s[2 + k]), 0.3, 0.6,
                    MEMORY["medium"], "from the room's modes" if room.from_modes[2 + k] else "")
              for k, f in enumerate(MEAN_BANDS_HZ)]
    return [*items, _noise("a limit that we do not know", NO_LIMIT)]


# what stands in it ----------------------------------------------------------------------------------------

NO_STUDY = "needs a study, which says where loudspeakers and seats are"


def _early_item(place: PlaceFacts | None) -> Item:
    title = "strongest reflection to 15 ms, 1 to 8 kHz"
    known = MEMORY["high"]
    if place is None or not place.strongest_db:
        return _size("early_reflections", title, "dB", None, None, REFERENCE_LIMIT_DB, known,
                     NO_STUDY if place is None else "no reflections are listed")
    level = {name: LISTED_DB if one is None else one for name, one in place.strongest_db.items()}
    worst = max(level, key=lambda name: level[name])
    note = f"channel {worst}, middle seat"
    if place.strongest_db[worst] is None:
        note = f"none of {LISTED_DB:g} dB or more within {EARLY_WINDOW_MS:g} ms".replace("-", "−")
    return _size("early_reflections", title, "dB", level[worst], None, REFERENCE_LIMIT_DB, known, note)


def _response_items(place: PlaceFacts | None, known: Sequence[str]) -> list[Item]:
    """The third octave that is worst in either range, of all channels at the middle seat."""
    mids = midbands_hz(3, 50, 16000)
    ranges = (("response_low", "response 50 Hz to 2 kHz, worst third octave", mids < 2000 * 1.03),
              ("response_high", "response 2.5 to 16 kHz, worst third octave", mids > 2000 * 1.03))
    low, high = response_mask_db(mids)
    if place is None:
        return [_size(key, title, "dB", None, -3.0 if k == 0 else -7.0, 3.0, how, NO_STUDY)
                for k, ((key, title, _), how) in enumerate(zip(ranges, known, strict=True))]
    f = place.frequency_hz
    have = (mids > f[0] * 0.97) & (mids < f[-1] * 1.03)
    about = have & (mids > 250 * 0.97) & (mids < 2000 * 1.03)
    names = list(place.level_db)
    bands = np.array([db(band_means(from_db(place.level_db[name]), f, mids[have], 3)) for name in names])
    level = np.full((len(names), mids.size), np.nan)
    level[:, have] = bands - bands[:, about[have]].mean(axis=1, keepdims=True)
    found = []
    for (key, title, part), how in zip(ranges, known, strict=True):
        used = have & part
        if not used.any() or not about.any():
            found.append(_size(key, title, "dB", None, None, None, how, "the study does not reach there"))
            continue
        over = np.maximum(level[:, used] - high[used], low[used] - level[:, used])
        channel, band = np.unravel_index(int(np.argmax(over)), over.shape)
        at = np.flatnonzero(used)[band]
        count = int((over > 0).sum(axis=1).max())
        found.append(_size(
            key, title, "dB", float(level[channel, at]), float(low[at]), float(high[at]), how,
            f"{_hz(float(mids[at]))}, channel {names[channel]}, middle seat; "
            f"{count} of {int(used.sum())} bands outside in the worst channel"))
    return found


def _where_items(place: PlaceFacts | None) -> list[Item]:
    known = MEMORY["medium"]
    no = NO_STUDY if place is None else "not recorded for this case"
    height = None if place is None else place.height_m
    wall = None if place is None else place.wall_m
    found = [
        _size("loudspeaker_height", "loudspeakers above the floor", "m", height, 1.1, 1.3,
              known + "; tolerance ours", "1.2 m, the ears' height" if height is not None else no),
        _size("loudspeaker_wall", "loudspeakers from the nearest wall", "m", wall, 1.0, None, known,
              "" if wall is not None else no),
    ]
    if place is None or place.base_m is not None:
        base, note = (None, no) if place is None else (place.base_m, "")
        found.append(_size("loudspeaker_base", "left loudspeaker to right", "m", base, 2.0, 3.0, known, note))
    return found


def _level_item() -> Item:
    return _size("listening_level", "listening level of a channel", "dB(A)", None, 77.75, 78.25, MEMORY["medium"],
                 "set when it is played; a study's programme predicts it")


def _bs1116_place(place: PlaceFacts | None) -> list[Item]:
    return [_early_item(place), *_response_items(place, (MEMORY["medium"], MEMORY["low"])), *_where_items(place),
            _level_item()]


def _ebu_place(place: PlaceFacts | None) -> list[Item]:
    return [_early_item(place), *_response_items(place, (MEMORY["low"], MEMORY["low"]))]


def _iec_place(place: PlaceFacts | None) -> list[Item]:
    return [_size("response", "response and early reflections", "", None, None, None, NO_LIMIT,
                  "what it asks of them is not known to us")]


RECOMMENDATIONS = {
    one.key: one for one in (
        Recommendation(key="bs1116", title="ITU-R BS.1116-3", source="itu-bs1116-3", room=_bs1116_room,
                       place=_bs1116_place),
        Recommendation(key="ebu3276", title="EBU Tech 3276", source="ebu1998", room=_ebu_room, place=_ebu_place),
        Recommendation(key="iec60268", title="IEC 60268-13", source="iec60268-13", room=_iec_room, place=_iec_place),
    )
}


def recommendations(names: Sequence[str]) -> tuple[Recommendation, ...]:
    """Recommendations by their keys, `all` for all of them.

    Raises
    ------
    InvalidValue : no such recommendation
    """
    found: dict[str, Recommendation] = {}
    for name in names:
        if name == "all":
            found |= RECOMMENDATIONS
        elif name in RECOMMENDATIONS:
            found[name] = RECOMMENDATIONS[name]
        else:
            raise InvalidValue("against", name, "is no recommendation that roomsim knows",
                               f"known are {', '.join(RECOMMENDATIONS)} and all")
    return tuple(found.values())


def _known(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None


def _hz(frequency_hz: float) -> str:
    name = nominal(frequency_hz)
    return f"{name[:-1]} kHz" if name.endswith("k") else f"{name} Hz"
