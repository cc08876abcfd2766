"""Rooms, studies and results held against recommendations for listening rooms."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..analysis.balance import judge_early, with_wall_images
from ..analysis.recommendations import Item, PlaceFacts, Recommendation, RoomFacts, recommendations
from ..bands import OCTAVES_HZ
from .decay import FROM_MODES

if TYPE_CHECKING:
    from xarray import Dataset

    from ..definitions import RoomDefinition

EARS_M = 1.2
"""Height of the loudspeakers that the recommendation names."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Held:
    """One room, or one loudspeaker in it, beside one recommendation.

    Attributes
    ----------
    labels : of the case: room and setting, and where it is about loudspeakers the design, the place and the vary keys
    recommendation, source : its title, and its key in references.bib
    items : what it asks for
    """

    labels: dict[str, Any]
    recommendation: str
    source: str
    items: tuple[Item, ...]

    def count(self, status: str) -> int:
        """How many items are met, missed or not known."""
        return sum(item.status == status for item in self.items)

    def record(self) -> dict[str, Any]:
        """The same as plain data for --json."""
        return {
            "labels": self.labels, "recommendation": self.recommendation, "source": self.source,
            "met": self.count("met"), "missed": self.count("missed"), "not_known": self.count("not known"),
            "items": [
                {"key": item.key, "title": item.title, "unit": item.unit, "status": item.status,
                 "value": _number(item.value), "low": _number(item.low), "high": _number(item.high),
                 "missed_by": _number(item.missed_by), "known": item.known, "note": item.note} for item in self.items
            ],
        }


def hold_room(definition: RoomDefinition, setting: str = "", against: Sequence[str] = ("all",)) -> list[Held]:
    """A room by itself beside recommendations for listening rooms.

    Parameters
    ----------
    definition : as `roomsim.load` returns it
    setting : its first by default; decay times are those of the traced room in it, from the modes below the
        transition frequency of a box
    against : keys of RECOMMENDATIONS, or "all"

    Raises
    ------
    InvalidValue : no such setting or recommendation
    DefinitionError : a decay time that the setting cannot meet

    Examples
    --------
    >>> room = roomsim.load(roomsim.write_demo("roomsim-demo").parent / "room-small.yaml")
    >>> (held,) = roomsim.hold_room(room, "ordinary", ["iec60268"])
    >>> [(item.title, round(item.missed_by)) for item in held.items if item.status == "missed"][0]
    ('volume', -39)
    """
    from ..engines.modes import highest_modal_band_hz, modal_decay_s
    from .settings import setting_state

    asked = recommendations(against)
    name = setting or definition.settings[0]
    state = setting_state(definition, name)
    room, decay = state.room, np.array(state.decay.decay_s, float)
    box = room.geometry.kind == "box"
    volume = room.geometry.volume_m3
    top = min(state.transition_hz, highest_modal_band_hz(room))
    low = top > OCTAVES_HZ
    if low.any():
        decay[low] = modal_decay_s(room, OCTAVES_HZ[low])
    facts = _facts(room.geometry.size_m, box, room.geometry.floor_m2, volume, decay, low)
    labels = {"room": room.name, "setting": name}
    return [_held(labels, one, (*one.room(facts), *one.place(None))) for one in asked]


def hold_result(result: Dataset, against: Sequence[str] = ("all",)) -> list[Held]:
    """Every room and every case of a result beside recommendations for listening rooms.

    Parameters
    ----------
    result : as `roomsim.predict` returns it
    against : keys of RECOMMENDATIONS, or "all"

    Returns
    -------
    for each recommendation: what it asks of each room in each setting, then of each case in it

    Raises
    ------
    InvalidValue : no such recommendation

    Examples
    --------
    >>> held = roomsim.hold_result(quick_result(), ["bs1116"])
    >>> [item.status for item in held[0].items if item.key == "floor_two"]
    ['met']
    """
    asked = recommendations(against)
    metadata = json.loads(result.attrs.get("metadata", "{}"))
    found: dict[str, list[Held]] = {one.key: [] for one in asked}
    for room in result["room"].values.tolist():
        for setting in result["setting"].values.tolist():
            facts = _room_of(result, metadata, room, setting)
            for one in asked:
                labels = {"room": room, "setting": setting}
                found[one.key].append(_held(labels, one, tuple(one.room(facts))))
            for labels in _cases(result, room, setting):
                place = _place_of(result, metadata, labels)
                for one in asked:
                    found[one.key].append(_held(labels, one, tuple(one.place(place))))
    return [held for some in found.values() for held in some]


def _held(labels: dict[str, Any], one: Recommendation, items: tuple[Item, ...]) -> Held:
    return Held(labels=labels, recommendation=one.title, source=one.source, items=items)


def _facts(size_m: ArrayLike, box: bool, floor_m2: float, volume_m3: float, decay_s: NDArray[np.float64],
           from_modes: NDArray[np.bool_]) -> RoomFacts:
    x, y, z = map(float, np.asarray(size_m, float))
    return RoomFacts(
        length_m=max(x, y) if box else None, width_m=min(x, y) if box else None, height_m=z, floor_m2=float(floor_m2),
        volume_m3=float(volume_m3), decay_s=decay_s, from_modes=from_modes)


def _room_of(result: Dataset, metadata: Mapping[str, Any], room: Any, setting: Any) -> RoomFacts:
    at = result.sel(room=room, setting=setting)
    others = [dim for dim in at["decay_s"].dims if dim != "band"]
    method = at["decay_method"]
    first = method.isel(dict.fromkeys((dim for dim in method.dims if dim != "band"), 0)).values
    drawn = next((one for one in metadata.get("rooms", []) if one["room"] == room), None)
    box = drawn is not None and len(drawn["plan"]) == 4 and len(drawn["faces"]) == 6
    size = [float(at[name].values) for name in ("length_m", "width_m", "height_m")]
    return _facts(size, box, float(at["floor_m2"].values), float(at["volume_m3"].values),
                  at["decay_s"].mean(others).values, np.array([str(one) == FROM_MODES for one in first]))


def _place_of(result: Dataset, metadata: Mapping[str, Any], labels: Mapping[str, Any]) -> PlaceFacts:
    case = result["level_db"].sel(labels).transpose("channel", "listener", "frequency").isel(listener=0)
    levels = {str(channel): values for channel, values in
              zip(case["channel"].values, case.values.astype(float), strict=True) if np.isfinite(values).any()}
    rows = [one for one in metadata.get("reflections", []) if _matches(one, labels) and one["listener"] == 0]
    strongest: dict[str, float | None] = {}
    for channel in dict.fromkeys(one["channel"] for one in rows):
        some = [one for one in rows if one["channel"] == channel]
        delay = np.array([one["delay_ms"] for one in some], float)
        kept, (level,) = with_wall_images([one["faces"] for one in some], delay, [one["high_level_db"] for one in some])
        strongest[channel] = judge_early(delay[kept], level).strongest_db
    scene = next((one for one in metadata.get("scenes", []) if _matches(one, labels, but=("setting",))), None)
    drawn = next((one for one in metadata.get("rooms", []) if one["room"] == labels["room"]), None)
    height = wall = base = None
    if scene is not None and drawn is not None:
        middles = {name: np.array(at, float) for name, at in scene["channels"].items()}
        height = max((float(at[2]) for at in middles.values()), key=lambda one: abs(one - EARS_M))
        wall = min(_from_walls_m(np.array(drawn["plan"], float), at[:2]) for at in middles.values())
        if {"left", "right"} <= middles.keys():
            base = float(np.linalg.norm(middles["left"] - middles["right"]))
    return PlaceFacts(strongest_db=strongest, frequency_hz=result["frequency"].values, level_db=levels,
                      height_m=height, wall_m=wall, base_m=base)


def _from_walls_m(plan_m: NDArray[np.float64], at_m: NDArray[np.float64]) -> float:
    """Distance of a point from the nearest wall of a floor plan."""
    start, along = plan_m, np.roll(plan_m, -1, axis=0) - plan_m
    share = np.clip(np.einsum("ij,ij->i", at_m - start, along) / np.einsum("ij,ij->i", along, along), 0, 1)
    return float(np.linalg.norm(start + share[:, None] * along - at_m, axis=1).min())


def _matches(row: Mapping[str, Any], labels: Mapping[str, Any], but: Sequence[str] = ()) -> bool:
    return all(row.get(name) == label for name, label in labels.items() if name not in but)


def _cases(result: Dataset, room: Any, setting: Any) -> Iterator[dict[str, Any]]:
    dims = [str(dim) for dim in result["level_db"].dims
            if dim not in ("room", "setting", "channel", "listener", "frequency")]
    for index in np.ndindex(*(result.sizes[dim] for dim in dims)):
        labels = {dim: result[dim].values[k] for dim, k in zip(dims, index, strict=True)}
        yield {"room": room, "setting": setting,
               **{dim: one.item() if isinstance(one, np.generic) else one for dim, one in labels.items()}}


def _number(value: float | None) -> float | None:
    return None if value is None else round(float(value), 4)
