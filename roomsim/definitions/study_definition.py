"""Studies: what comes of the schema."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from ..errors import InvalidValue, Problem
from ..placing import Place, Seats
from ..programme import Programme
from . import vary as varying
from .judging import content_hash, judged, list_at, mapping_at, number_at
from .loudspeaker_definition import LoudspeakerDefinition
from .references import YAML_SUFFIXES, is_path, shipped
from .room import ORDINARY
from .room_definition import RoomDefinition
from .study import CASES, StudyModel, to_place, to_programme, to_seats
from .systems import SystemDefinition, systems
from .yaml_lines import Document

if TYPE_CHECKING:
    from .reading import Reader


class Frequency(NamedTuple):
    """The analysis grid, in the order in which `bands.analysis_grid_hz` takes it."""

    low_hz: float
    high_hz: float
    per_octave: int


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StudyDefinition:
    """A study as its file says it.

    Attributes
    ----------
    title : the study's question
    rooms, designs, places : label -> what it stands for
    systems : of those designs that have several loudspeakers: what stands beside the one in `designs`
    settings : acoustic states that every room has
    seats : where people sit
    vary : dotted key -> values, in the order of the file
    frequency : the analysis grid
    crossfade_hz : where the exact field of a box hands over to the images
    programme : what is played, None for nothing
    source : the file
    files : all files that were read, this one first
    content_hash : of what all of them say, not of comments, spelling or place on disk
    """

    title: str
    rooms: Mapping[str, RoomDefinition]
    designs: Mapping[str, LoudspeakerDefinition]
    systems: Mapping[str, SystemDefinition]
    settings: tuple[str, ...]
    places: Mapping[str, Place]
    seats: Seats
    vary: Mapping[str, tuple[Any, ...]]
    frequency: Frequency
    crossfade_hz: tuple[float, float]
    programme: Programme | None
    source: Path
    files: tuple[Path, ...]
    content_hash: str
    _data: Mapping[str, Any]

    def varied(self) -> list[tuple[dict[str, Any], StudyDefinition]]:
        """Every combination of varied values, the last key changing fastest, with the study it makes.

        The studies vary nothing themselves. Without `vary`, one empty combination and the study itself.
        """
        if not self.vary:
            return [({}, self)]
        return [(combination, self._with(combination)) for combination in varying.combinations(self.vary)]

    def _with(self, combination: Mapping[str, Any]) -> StudyDefinition:
        data = varying.applied(self._data, combination)
        del data["vary"]
        model = StudyModel.model_validate(data)
        return dataclasses.replace(
            self, places={label: to_place(place) for label, place in model.places.items()}, seats=to_seats(model.seats),
            vary={}, content_hash=_hash(model, self.rooms, self.designs, self.systems), _data=data,
        )

    @property
    def assumptions(self) -> dict[str, tuple[str, ...]]:
        """What sketched drivers take for granted, and what of measured ones was filled or assumed, per design."""
        return {
            label: tuple(dict.fromkeys(text for one in self._all(label) for text in one.assumptions))
            for label in self.designs
        }

    @property
    def measured_notes(self) -> frozenset[str]:
        """Those of the assumptions that say what of measured drivers was measured, filled or assumed."""
        return frozenset(text for label in self.designs for one in self._all(label) for text in one.measured_notes)

    def _all(self, label: str) -> tuple[LoudspeakerDefinition, ...]:
        """Every loudspeaker of a design."""
        return (self.designs[label], *(self.systems[label].definitions if label in self.systems else ()))

    @property
    def inputs(self) -> dict[str, Any]:
        """A record of what went in, for a result's metadata: no place on disk, no time."""
        return {
            "study": {"file": self.source.name, "content_hash": self.content_hash},
            "rooms": {label: _record(room) for label, room in self.rooms.items()},
            "designs": {label: _record(design) for label, design in self.designs.items()},
            **({"beside": {label: [_record(one) for one in found.definitions] for label, found in self.systems.items()}}
               if self.systems else {}),
        }


def _record(definition: RoomDefinition | LoudspeakerDefinition) -> dict[str, str]:
    return {"name": definition.name, "file": definition.source.name, "content_hash": definition.content_hash}


def define(document: Document, reader: Reader) -> StudyDefinition | None:
    """The study in a document, with its rooms and loudspeakers; problems go to the reader."""
    model, problems = judged(StudyModel, document)
    of_vary, vary = varying.judged(document)
    before = len(reader.problems)
    reader.problems += [*problems, *of_vary, *_between_keys(document)]
    rooms, designs = _rooms(document, reader), _designs(document, reader)
    beside = systems(document, reader, designs)
    reader.problems += _programme(document, designs, beside)
    reader.problems += _missing_settings(document, rooms)
    reader.problems += _unserved(document, rooms)
    reader.problems += _too_many(document) or _misfits(document, rooms, designs, beside, vary)
    if model is None or len(reader.problems) > before:
        return None
    parts = (*rooms.values(), *designs.values(), *beside.values())
    files = (document.path, *(file for part in parts for file in part.files))
    return StudyDefinition(
        title=model.study, rooms=rooms, designs=designs, systems=beside, settings=tuple(model.settings),
        places={label: to_place(place) for label, place in model.places.items()}, seats=to_seats(model.seats),
        vary={key: _alike(values) for key, values in vary.items()},
        frequency=Frequency(**model.frequency.model_dump()), crossfade_hz=model.crossfade_hz,
        programme=to_programme(model.programme), source=document.path, files=tuple(dict.fromkeys(files)),
        content_hash=_hash(model, rooms, designs, beside), _data=document.data,
    )


def _hash(
    model: StudyModel, rooms: Mapping[str, RoomDefinition], designs: Mapping[str, LoudspeakerDefinition],
    beside: Mapping[str, SystemDefinition],
) -> str:
    parts = {
        "rooms": [[label, room.content_hash] for label, room in rooms.items()],
        "designs": [[label, design.content_hash] for label, design in designs.items()],
        "vary": [[key, *_alike(values)] for key, values in (model.vary or {}).items()],
    }
    if beside:
        said = model.model_dump(mode="json", include={"designs"})["designs"]
        parts["beside"] = [
            [label, *(one.content_hash for one in found.definitions), _without_files(said[label])]
            for label, found in beside.items()
        ]
    return content_hash(model, parts, {"rooms", "designs", "vary"})


def _without_files(said: Any) -> Any:
    """What a design says, but for the names of files."""
    if not isinstance(said, dict):
        return said
    return {key: _without_files(value) for key, value in said.items() if key != "loudspeaker"}


def _alike(values: list[Any]) -> tuple[Any, ...]:
    """Numbers as floats, so that 1 and 1.0 are the same."""
    return tuple(float(value) if isinstance(value, int) else value for value in values)


def _rooms(document: Document, reader: Reader) -> dict[str, RoomDefinition]:
    found = {}
    for label, text in mapping_at(document.data, "rooms").items():
        if not isinstance(text, str) or text != text.strip() or not text or "\\" in text:
            continue
        room = None
        if not is_path(text):
            try:
                path = shipped(text)
                changes = reader.below(document, ("rooms", label))
                room = reader.read(path, f"rooms/{path.name}", "room", changes=changes)
            except InvalidValue as error:
                reader.problems.append(document.problem(("rooms", label), error.rule, value=text, cure=error.cure))
        elif text.lower().endswith(YAML_SUFFIXES):
            room = reader.refer(document, ("rooms", label), text, "room")
        if room is not None:
            found[label] = room
    return found


def _designs(document: Document, reader: Reader) -> dict[str, LoudspeakerDefinition]:
    found = {}
    for label, design in mapping_at(document.data, "designs").items():
        text = mapping_at(design).get("loudspeaker")
        if isinstance(text, str) and text.lower().endswith(YAML_SUFFIXES) and "\\" not in text:
            loudspeaker = reader.refer(document, ("designs", label, "loudspeaker"), text, "loudspeaker")
            if loudspeaker is not None:
                found[label] = loudspeaker
    return found


def _missing_settings(document: Document, rooms: Mapping[str, RoomDefinition]) -> Iterator[Problem]:
    given = document.data.get("settings")
    wanted = list(enumerate(given)) if isinstance(given, list) else [(None, ORDINARY)] if given is None else []
    for k, setting in wanted:
        for label, room in rooms.items():
            if isinstance(setting, str) and setting not in room.settings:
                where = ("settings",) if k is None else ("settings", k)
                yield document.problem(where, f"room {label} has no such setting", value=setting,
                                       cure="it has " + ", ".join(room.settings))


def _unserved(document: Document, rooms: Mapping[str, RoomDefinition]) -> Iterator[Problem]:
    """What the engines can only do in boxes."""
    other = [label for label, room in rooms.items() if not room.is_box]
    if not other:
        return
    for label, place in mapping_at(document.data, "places").items():
        for key in mapping_at(place, "near"):
            rule = f"is followed in box rooms only; room {other[0]} is none"
            yield document.problem(("places", label, "near", key), rule,
                                   cure="draw it as one of the room's obstacles, or leave it out")


def _between_keys(document: Document) -> Iterator[Problem]:
    data = document.data
    low = number_at(data, "frequency", "low_hz") or StudyModel.model_fields["frequency"].default.low_hz
    high = number_at(data, "frequency", "high_hz")
    if high is not None and 100 <= high < 2 * low:       # below 100 it breaks its own rule
        yield document.problem(("frequency", "high_hz"), f"must be at least twice low_hz ({low:g} Hz)",
                               value=data["frequency"]["high_hz"])


def _programme(
    document: Document, designs: Mapping[str, LoudspeakerDefinition], beside: Mapping[str, SystemDefinition]
) -> Iterator[Problem]:
    """Loud by one measure, and by one that the designs know."""
    data = mapping_at(document.data, "programme")
    if not data:
        return
    given = [key for key in ("level_db", "drive_v") if key in data]
    if len(given) != 1:
        yield document.problem(("programme",), "needs either level_db or drive_v",
                               cure="keep one of the two" if given else "add level_db: 75")
    if "drive_v" in data:
        for label, design in designs.items():
            if design.drive_v is None:
                yield document.problem(("programme", "drive_v"), f"design {label} has relative levels",
                                       value=data["drive_v"],
                                       cure="give level_db instead, or sensitivity_db to its drivers")
    channels = {name for label, design in designs.items() for name in (
        beside[label].system.channels(design.loudspeaker()) if label in beside else design.loudspeaker().channels)}
    for name in mapping_at(data, "channels_db") if designs else ():
        if name not in channels:
            yield document.problem(("programme", "channels_db", name), "is no channel of any design",
                                   cure=f"channels are {', '.join(sorted(channels))}")
    low, high = (number_at(data, key) for key in ("low_hz", "high_hz"))
    if (low or 20.0) * 2 > (high or 20000.0):
        yield document.problem(("programme", "low_hz"), "must be at most half of high_hz", value=data.get("low_hz"))


def _too_many(document: Document) -> list[Problem]:
    data = document.data
    counts = [len(mapping_at(data, key)) for key in ("rooms", "designs", "places")]
    counts += [len(list_at(data, "settings")) or 1]
    counts += [len(list_at(data, "vary", key)) or 1 for key in mapping_at(data, "vary")]
    if math.prod(counts) <= CASES:
        return []
    return [document.problem(("vary",) if "vary" in data else (), f"makes {math.prod(counts)} cases; at most {CASES}",
                             cure="vary fewer values at once, or split the study")]


def _misfits(
    document: Document, rooms: Mapping[str, RoomDefinition], designs: Mapping[str, LoudspeakerDefinition],
    beside: Mapping[str, SystemDefinition], vary: Mapping[str, Any],
) -> list[Problem]:
    from .scenes import misfits

    return list(misfits(
        document,
        {label: room.as_usual() for label, room in rooms.items()},
        {label: design.loudspeaker() for label, design in designs.items()},
        vary,
        {label: found.system for label, found in beside.items()},
    ))
