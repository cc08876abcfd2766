"""From a survey of homes to target rooms and their files."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ..errors import DefinitionError, InvalidValue, Problem, nearest
from ..room.sizes import Survey, TargetRoom, parse_percentiles, target_rooms

if TYPE_CHECKING:
    from ..definitions import MaterialsDefinition, RoomDefinition

DEFAULT_LIKE = "typical"
"""The shipped room whose furnishing a target room gets where no other is named."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SurveyRooms:
    """A survey and its target rooms.

    Attributes
    ----------
    survey : the homes that count
    implausible : (line of the file, why) of homes that no living room is like
    left_out : whether those were left out
    by : "volume" or "floor"
    targets : a room per percentile
    """

    survey: Survey
    implausible: tuple[tuple[int, str], ...]
    left_out: bool
    by: str
    targets: tuple[TargetRoom, ...]

    @property
    def source(self) -> str:
        """The survey's name, and whether something was left out."""
        gone = f" less {len(self.implausible)} implausible rows" if self.left_out and self.implausible else ""
        return f"{self.survey.source}{gone}"

    def rows(self) -> list[dict[str, Any]]:
        """One plain row per target room."""
        return [
            {
                "percentile": target.label, "rank": round(target.percentile, 2), "by": target.by,
                "size": round(target.size, 3), "low": round(target.low, 3), "high": round(target.high, 3),
                "width_m": target.width_m, "length_m": target.length_m, "height_m": target.height_m,
                "neighbours": target.neighbours, "decay_s": target.decay_s, "measured": target.measured,
            }
            for target in self.targets
        ]


def survey_rooms(
    path: Path, *, percentiles: str = "quartiles", by: str = "volume", units: str | None = None,
    leave_out_implausible: bool = False,
) -> SurveyRooms:
    """Read a survey and find the room at each percentile.

    Parameters
    ----------
    path : CSV file, see `roomsim.files.survey_csv.read_survey`
    percentiles : "25,50,75", "mean,75", or the name of a set
    by : volume or floor
    units : m or ft, for columns that do not say
    leave_out_implausible : leave out homes that no living room is like; they are listed either way

    Raises
    ------
    DefinitionError : everything wrong with the file, or units that make no sense
    InvalidValue : wrong percentiles or measure, too few homes
    """
    from ..files.survey_csv import read_survey

    survey = read_survey(path, units)
    survey.measure(by)
    if unit := survey.other_unit():
        raise DefinitionError([Problem(
            file=survey.source, key="", rule=f"{len(survey.implausible())} of {len(survey)} homes are no living rooms",
            cure=f"the sides look like {unit}; say so in the columns' names (_m, _ft), or with --units")])
    found = survey.implausible()
    if leave_out_implausible:
        survey = survey.without([row for row, _ in found])
    targets = target_rooms(survey, parse_percentiles(percentiles, survey, by), by)
    return SurveyRooms(survey=survey, implausible=tuple((row + 2, why) for row, why in found),
                       left_out=leave_out_implausible, by=by, targets=targets)


def target_files(
    rooms: SurveyRooms, names: Sequence[str] = (), like: Sequence[str] = (DEFAULT_LIKE,)
) -> dict[str, str]:
    """File name -> text of a room file per target room.

    Parameters
    ----------
    names : what the rooms are called, one per percentile; none for room-25, room-50, …
    like : shipped rooms or room files with the furnishing, one for all or one per percentile

    Raises
    ------
    InvalidValue : another number of names or rooms than of percentiles, a name twice
    DefinitionError : a room to be like that has problems
    """
    from ..definitions.target_room import target_room_text
    from ..files.output import safe_name

    count = len(rooms.targets)
    if names and len(names) != count:
        raise InvalidValue("names", ",".join(names), f"must be one per percentile ({count})")
    if len(like) not in (1, count):
        raise InvalidValue("like", ", ".join(like), f"must be one room for all, or one per percentile ({count})")
    templates = [load_room(name) for name in like]
    templates = templates * count if len(templates) == 1 else templates
    called = list(names) or [f"room-{target.label}" for target in rooms.targets]
    files = [f"{safe_name(name)}.yaml" for name in called]
    if len({name.casefold() for name in files}) < count:
        raise InvalidValue("names", ",".join(called), "must differ from each other")
    parts = zip(files, rooms.targets, templates, names or [""] * count, strict=True)
    return {
        file: target_room_text(target, rooms.source, len(rooms.survey), template, name)
        for file, target, template, name in parts
    }


def load_room(name: str) -> RoomDefinition:
    """A shipped room by its name, or a room file.

    Raises
    ------
    DefinitionError : problems of the file
    InvalidValue : no such shipped room
    """
    found = load_any(name)
    if not hasattr(found, "room"):
        raise InvalidValue("like", name, "is a file of materials, but a room is wanted here")
    return found


def load_any(name: str) -> RoomDefinition | MaterialsDefinition:
    """A shipped room by its name, a room file or a materials file.

    Raises
    ------
    DefinitionError : problems of the file, or a file of another kind
    InvalidValue : no such shipped room
    """
    from ..definitions import load, shipped_rooms
    from ..definitions.references import YAML_SUFFIXES

    if not name.lower().endswith(YAML_SUFFIXES):
        known = shipped_rooms()
        if name not in known:
            raise InvalidValue("room", name, "is no shipped room and no .yaml or .csv file",
                               "shipped are " + ", ".join(nearest(name, list(known), 9)))
        return load(known[name], "room")
    found = load(name)
    if not (hasattr(found, "room") or hasattr(found, "finishes")):
        kind = type(found).__name__.removesuffix("Definition").lower()
        rule = f"is a {kind} file, but a room, materials or survey file is wanted here"
        raise DefinitionError([Problem(file=name, key="", rule=rule)])
    return found
