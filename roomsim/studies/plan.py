"""The cases of a study: rooms × settings × designs × places × every combination of the vary keys."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Hashable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from ..bands import analysis_grid_hz
from ..conventions import RESULT_DIMENSIONS
from ..engines.hybrid import Options
from ..loudspeaker.channels import Loudspeaker
from ..placing import Place, Seats, build_scene
from ..room.room import Room
from ..scene import Scene
from ..systems import System, build_system
from .settings import rooms_in

if TYPE_CHECKING:
    from ..definitions import StudyDefinition


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Case:
    """One prediction: everything that shapes it, ready to be sent to a worker.

    Attributes
    ----------
    labels : (dimension, label) pairs in the order of the result's leading dimensions
    room, loudspeaker, place, seats : what is predicted
    frequency_hz : analysis grid, shape (n_frequency,)
    options : how the engines are joined
    system : what a design has beside this loudspeaker, None for nothing
    """

    labels: tuple[tuple[str, Hashable], ...]
    room: Room
    loudspeaker: Loudspeaker
    place: Place
    seats: Seats
    frequency_hz: NDArray[np.float64]
    options: Options
    system: System | None = None

    def scene(self) -> Scene:
        """The scene of this case; InvalidValue where something does not fit."""
        if self.system is not None:
            return build_system(self.room, self.loudspeaker, self.place, self.seats, self.system)
        return build_scene(self.room, self.loudspeaker, self.place, self.seats)

    @property
    def channels(self) -> tuple[str, ...]:
        """Labels of its channels: of the scene's, or of the inputs of the receiver that feeds a system."""
        return tuple(self.loudspeaker.channels) if self.system is None else self.system.channels(self.loudspeaker)

    @property
    def title(self) -> str:
        """Its labels in one line."""
        return ", ".join(str(label) for _, label in self.labels)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Plan:
    """All cases of a study and the coordinates they span.

    Attributes
    ----------
    title : the study's question
    coordinates : dimension -> its labels, in order
    cases : every case, the last vary key changing fastest
    """

    title: str
    coordinates: dict[str, tuple[Any, ...]]
    cases: tuple[Case, ...]

    @property
    def channels(self) -> tuple[str, ...]:
        """Labels of all channels of all designs."""
        designs = {(id(case.loudspeaker), id(case.system)): case.channels for case in self.cases}
        return tuple(dict.fromkeys(channel for channels in designs.values() for channel in channels))


def make_plan(study: StudyDefinition) -> Plan:
    """Every case of a study.

    Raises
    ------
    DefinitionError : a combination of vary keys that breaks a rule, a decay time that a setting cannot meet
    """
    coordinates: dict[str, tuple[Any, ...]] = dict(
        zip(
            RESULT_DIMENSIONS,
            (tuple(study.designs), tuple(study.rooms), tuple(study.settings), tuple(study.places)),
            strict=True,
        )
    )
    coordinates.update({key: tuple(values) for key, values in study.vary.items()})
    variants = study.varied()
    speakers = {label: _same(found.content_hash, found.loudspeaker()) for label, found in study.designs.items()}
    rooms = rooms_in(study)
    cases = [
        Case(
            labels=(("design", design), ("room", room), ("setting", setting), ("place", place), *values.items()),
            room=rooms[room, setting],
            loudspeaker=speakers[design],
            place=variant.places[place],
            seats=variant.seats,
            frequency_hz=analysis_grid_hz(*variant.frequency),
            options=Options(crossfade_hz=variant.crossfade_hz),
            system=study.systems[design].system if design in study.systems else None,
        )
        for room in study.rooms
        for setting in study.settings
        for design in study.designs
        for place in study.places
        for values, variant in variants
    ]
    return Plan(title=study.title, coordinates=coordinates, cases=tuple(cases))


KEPT = 64
"""Loudspeakers that are remembered for the next study; `studies.settings` does the same for rooms."""

_KNOWN: OrderedDict[str, Loudspeaker] = OrderedDict()


def _same(content_hash: str, made: Loudspeaker) -> Loudspeaker:
    """The object that another study had for the same content: engines remember what they found out about it."""
    found = _KNOWN.setdefault(content_hash, made)
    _KNOWN.move_to_end(content_hash)
    while len(_KNOWN) > KEPT:
        _KNOWN.popitem(last=False)
    return found
