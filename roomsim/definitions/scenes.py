"""Whether loudspeakers and seats fit into the rooms of a study, in every combination."""

from __future__ import annotations

import itertools
import math
from collections.abc import Hashable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

from ..errors import InvalidValue, Problem
from ..loudspeaker.channels import Loudspeaker
from ..placing import Place, Seats, place_loudspeaker, seat_positions
from ..room.room import Room
from ..scene import PlacedLoudspeaker, Scene
from ..systems import System, build_system
from .judging import list_at, mapping_at, part
from .study import PlaceModel, SeatsModel, to_place, to_seats
from .vary import applied, combinations
from .yaml_lines import Document, Path_

SHOWN = 20
"""Misfits that are listed; the rest are counted."""


@dataclass(slots=True, eq=False)
class _Misfit:
    """One thing that does not fit, in all the cases in which it does not."""

    error: InvalidValue
    kind: str
    label: str
    room: str
    designs: dict[str, None] = field(default_factory=dict)
    failed: dict[Hashable, dict[str, Any]] = field(default_factory=dict)


def misfits(
    document: Document, rooms: Mapping[str, Room], designs: Mapping[str, Loudspeaker], vary: Mapping[str, list[Any]],
    systems: Mapping[str, System] | None = None,
) -> Iterator[Problem]:
    """Everything that is outside a room or inside a wall.

    Parameters
    ----------
    document : the study; places and seats that break a rule of their own are passed over
    rooms, designs : those of the study that are right
    vary : dotted key -> values, all right
    systems : of designs with several loudspeakers, what stands beside the one in `designs`
    """
    found: dict[tuple[str, str, str], _Misfit] = {}
    fit = _Fit(systems or {})
    for combination in combinations(vary):
        places, seats = _parts(document, combination)
        for (label, place), (room_label, room), (design, loudspeaker) in itertools.product(
            places.items(), rooms.items(), designs.items()
        ):
            error = fit.error(room_label, room, design, loudspeaker, place, seats)
            if error is None:
                continue
            kind = _kind(error)
            misfit = found.setdefault((label, kind, room_label), _Misfit(error, kind, label, room_label))
            misfit.designs[design] = None
            telling = {key: combination[key] for key in vary if kind == "seats" or key.startswith("place")}
            misfit.failed[tuple(telling.values())] = telling
    for misfit in itertools.islice(found.values(), SHOWN):
        yield _problem(document, misfit, vary, one_design=len(designs) == 1)
    if len(found) > SHOWN:
        yield document.problem((), f"{len(found) - SHOWN} more that do not fit are not listed")


class _Fit:
    """Whether a loudspeaker and seats fit into a room, each thing tried once."""

    def __init__(self, systems: Mapping[str, System]) -> None:
        self._systems = systems
        self._placed: dict[Hashable, PlacedLoudspeaker | InvalidValue] = {}
        self._seated: dict[Hashable, InvalidValue | None] = {}

    def error(
        self, room_label: str, room: Room, design: str, loudspeaker: Loudspeaker, place: Place, seats: Seats | None
    ) -> InvalidValue | None:
        key = (room_label, design, place)
        if key not in self._placed:
            self._placed[key] = _placed(room, loudspeaker, place)
        placed = self._placed[key]
        if isinstance(placed, InvalidValue) or seats is None:
            return placed if isinstance(placed, InvalidValue) else None
        if (*key, seats) not in self._seated:
            try:
                seat_positions(seats, placed, room.geometry)
                if design in self._systems:
                    _try_system(room, loudspeaker, place, seats, self._systems[design])
                self._seated[*key, seats] = None
            except InvalidValue as error:
                self._seated[*key, seats] = error
        return self._seated[*key, seats]


def _placed(room: Room, loudspeaker: Loudspeaker, place: Place) -> PlacedLoudspeaker | InvalidValue:
    try:
        placed = place_loudspeaker(place, loudspeaker, room.geometry)
        Scene(room=room, loudspeakers=(placed,), listeners_m=[])
    except InvalidValue as error:
        return error
    return placed


def _try_system(room: Room, loudspeaker: Loudspeaker, place: Place, seats: Seats, system: System) -> None:
    try:
        build_system(room, loudspeaker, place, seats, system)
    except InvalidValue as error:
        if error.key == "system":
            raise
        raise InvalidValue("system", error.value, f"{error.key}: {error.rule}, at {error.value}", error.cure) from None


def _parts(document: Document, combination: Mapping[str, Any]) -> tuple[dict[str, Place], Seats | None]:
    data = applied(document.data, combination)
    judged = {label: part(PlaceModel, place) for label, place in mapping_at(data, "places").items()}
    seats = part(SeatsModel, data.get("seats"))
    places = {label: to_place(place) for label, place in judged.items() if place is not None}
    return places, None if seats is None else to_seats(seats)


def _kind(error: InvalidValue) -> str:
    """What does not fit: a wall, a gap, the seats, or where the loudspeaker stands."""
    if error.key.startswith("seat"):
        return "seats"
    return error.key if error.key in ("wall", "gap_m", "system") or error.key.partition(".")[0] == "near" else "place"


def _problem(document: Document, misfit: _Misfit, vary: Mapping[str, list[Any]], *, one_design: bool) -> Problem:
    error = misfit.error
    told = [f"room {misfit.room}"]
    if not one_design:
        told.append(("design " if len(misfit.designs) == 1 else "designs ") + ", ".join(misfit.designs))
    if len(mapping_at(document.data, "places")) > 1:
        told.append(f"place {misfit.label}")
    first = next(iter(misfit.failed.values()))
    if _always(misfit, vary):
        told += ["in every combination"] if first else []
    else:
        told += [f"{key} = {value}" for key, value in first.items()]
        told += [f"and {more} more"] if (more := len(misfit.failed) - 1) else []
    named = misfit.kind in ("wall", "gap_m", "system") or misfit.kind.startswith("near")
    rule = f"{', '.join(told)}: {error.rule}" + ("" if named else f", at {error.value}")
    value = error.value if named and misfit.kind != "system" else None
    return document.problem(_where(document, misfit, vary), rule, value=value, cure=error.cure)


def _always(misfit: _Misfit, vary: Mapping[str, list[Any]]) -> bool:
    telling = next(iter(misfit.failed.values()))
    return len(misfit.failed) == math.prod(len(vary[key]) for key in telling)


def _where(document: Document, misfit: _Misfit, vary: Mapping[str, list[Any]]) -> Path_:
    """The varied value that makes the difference; where none does, the place or the seats themselves."""
    own: Path_ = ("seats",) if misfit.kind == "seats" else ("places", misfit.label)
    if misfit.kind == "system":
        return ("designs", next(iter(misfit.designs)))
    own = own if misfit.kind in ("seats", "place") else (*own, *misfit.kind.split("."))
    telling = next(iter(misfit.failed.values()))
    for key in () if _always(misfit, vary) else telling:
        tried = list_at(document.data, "vary", key)
        failing = {repr(case[key]) for case in misfit.failed.values()}
        if len(failing) < len(vary[key]):
            return ("vary", key, next(k for k, value in enumerate(tried) if repr(value) in failing))
    return own
