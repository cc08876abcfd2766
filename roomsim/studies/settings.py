"""Acoustic settings of rooms: solved where they want a decay time, each once in a process."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Iterable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from ..bands import OCTAVES_HZ, nominal
from ..errors import DefinitionError, Problem
from ..room.adjustable import placements
from ..room.room import Room
from ..room.statistics import room_transition_hz
from ..settings.decay import COVERAGE, DRAWS, MID_HZ, RoomDecay, decay_uncertainty, room_decay
from ..settings.solver import Solution, predicted, solve

if TYPE_CHECKING:
    from ..definitions import RoomDefinition, StudyDefinition

CHECK_RAYS, CHECK_SEED, CHECK_NOISE = 4000, 4711, 0.01
"""A solved setting is traced again with other random numbers, and with as many rays as it takes until every octave is
known to 1 % (standard error)."""

MOST_HELD = 512

CAUTION = ("Linings, curtains, foams and fibres must meet the fire rules for their place; fibrous absorbers are cut "
           "and hung with gloves, mask and goggles, and covered; what hangs on a wall or ceiling needs a structure and "
           "fixings that carry it. Local codes decide.")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Change:
    """How much of one adjustable a setting takes, and where.

    Attributes
    ----------
    name, finish, surface : as the room file calls them
    area_m2, usual_m2 : in this setting, and in one that does not say
    spread : in small pieces evenly over the surface
    places : rectangles in the face's own coordinates, (u0, v0, u1, v1) each
    """

    name: str
    finish: str
    surface: str
    area_m2: float
    usual_m2: float
    spread: bool
    places: tuple[tuple[float, float, float, float], ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SettingState:
    """One acoustic state of one room.

    Attributes
    ----------
    setting : its name
    room : the room in it
    changes : of everything adjustable
    solution : what the solver found, None where the setting says its areas
    decay : decay time per octave of the room by itself, traced with other random numbers than the solver's
    half_mid_s, double_mid_s : mid-band decay time with half and twice the scattering
    """

    setting: str
    room: Room
    changes: tuple[Change, ...]
    solution: Solution | None
    decay: RoomDecay
    half_mid_s: float
    double_mid_s: float

    @property
    def transition_hz(self) -> float:
        """Schroeder frequency of the room in this setting, with the statistical decay time of 500 Hz and 1 kHz."""
        return room_transition_hz(self.room)

    def record(self) -> dict[str, Any]:
        """The same as plain data for metadata and --json."""
        bands = [nominal(f) for f in self.decay.band_hz]
        found = self.solution
        said: dict[str, Any] = {
            "setting": self.setting,
            "changes": [{"name": one.name, "finish": one.finish, "surface": one.surface,
                         "area_m2": round(one.area_m2, 2), "usual_m2": round(one.usual_m2, 2),
                         "spread": one.spread,
                         "places_m": [[round(x, 3) for x in place] for place in one.places]} for one in self.changes],
            "decay_s": {b: _number(t) for b, t in zip(bands, self.decay.decay_s, strict=True)},
            "decay_mid_s": _number(self.decay.mid_s), "noise": _number(self.decay.mid_error),
            "decay_mid_half_scattering_s": _number(self.half_mid_s),
            "decay_mid_double_scattering_s": _number(self.double_mid_s),
            "rays": self.decay.rays, "seed": self.decay.seed, "transition_hz": round(self.transition_hz, 1),
            "target": None, "iterations": None, "below_transition": [],
        }
        if found is not None:
            banded = isinstance(found.target, Mapping)
            said["target"] = {nominal(f): t for f, t in found.target.items()} if banded else found.target
            wanted = np.array(list(found.target)) if banded else MID_HZ
            said["below_transition"] = [nominal(f) for f in wanted if f < self.transition_hz]
            said["predicted"] = [_number(t) for t in predicted(self.decay, found.target)]
            said |= {"iterations": found.iterations, "solver_rays": found.rays, "solver_noise": round(found.noise, 5),
                     "at_least": list(found.at_least), "at_most": list(found.at_most)}
        return said


def _number(value: float) -> float | None:
    return round(float(value), 5) if np.isfinite(value) else None


def room_in(definition: RoomDefinition, setting: str) -> Room:
    """The room in any of its settings, solved where it wants a decay time.

    Raises
    ------
    InvalidValue : no such setting
    DefinitionError : the decay time cannot be met; says how close it came and what limits it
    """
    return solved_setting(definition, setting)[0]


def setting_state(definition: RoomDefinition, setting: str) -> SettingState:
    """A setting with what it changes, and its decay traced anew.

    Raises
    ------
    InvalidValue, DefinitionError : as `room_in`
    """
    return _kept(("state", definition.content_hash, setting), partial(_state, definition, setting))


def absorption_spread(definition: RoomDefinition, setting: str) -> tuple[NDArray[np.float64], float]:
    """Relative band of the decay time per octave (8,) and at mid bands, from absorption's reproducibility.

    `COVERAGE` standard deviations of `DRAWS` draws.
    """
    def found() -> tuple[NDArray[np.float64], float]:
        per_band, mid = decay_uncertainty(room_in(definition, setting))
        return COVERAGE * per_band, COVERAGE * mid

    return _kept(("spread", definition.content_hash, setting), found)


def rooms_in(study: StudyDefinition, jobs: int | None = None) -> dict[tuple[str, str], Room]:
    """(room, setting) -> the room in it, several at once.

    Raises
    ------
    DefinitionError : every decay time that cannot be met
    """
    return each(study, room_in, jobs)


T = TypeVar("T")


def each(
    study: StudyDefinition, function: Callable[[RoomDefinition, str], T], jobs: int | None = None,
    told: Callable[[int, int, str], None] | None = None,
) -> dict[tuple[str, str], T]:
    """A function of every room in every setting of a study, on threads.

    Raises
    ------
    DefinitionError : with the problems of all of them
    """
    pairs = [(label, setting) for label in study.rooms for setting in study.settings]

    def one(pair: tuple[str, str]) -> T | DefinitionError:
        try:
            return function(study.rooms[pair[0]], pair[1])
        except DefinitionError as error:
            return error

    found: dict[tuple[str, str], T] = {}
    problems: list[Problem] = []
    for k, (pair, result) in enumerate(zip(pairs, _mapped(one, pairs, jobs), strict=True)):
        if isinstance(result, DefinitionError):
            problems += [p for p in result.problems if p not in problems]
        else:
            found[pair] = result
        if told:
            told(k + 1, len(pairs), ", ".join(pair))
    if problems:
        raise DefinitionError(problems)
    return found


def setting_arrays(
    study: StudyDefinition,
) -> tuple[dict[str, tuple[tuple[str, ...], NDArray[np.float64]]], list[dict[str, Any]]]:
    """What a result says of the settings of its rooms.

    Returns
    -------
    variable -> its dimensions and values; a record per room and setting for the metadata, with `room` and what
    `SettingState.record` says where the setting wants a decay time or changes something
    """
    shape = (len(study.rooms), len(study.settings))
    spreads = each(study, absorption_spread)
    per_band = np.array([spread[0] for spread in spreads.values()]).reshape(*shape, -1)
    mid = np.array([spread[1] for spread in spreads.values()]).reshape(shape)
    states = each(study, lambda definition, setting:
                  setting_state(definition, setting) if definition.adjustables() else None)
    records = [{"room": label, **state.record()} for (label, _), state in states.items() if state is not None]
    arrays = {
        "decay_uncertainty": (("room", "setting", "band"), per_band),
        "decay_mid_uncertainty": (("room", "setting"), mid),
    }
    return arrays, records


def target_notes(records: Sequence[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """What a reader must know of decay times that are wanted below the transition frequency, for the list notes."""
    notes = []
    for one in records:
        if one["below_transition"]:
            notes.append({
                "code": "target-below-transition", "low_hz": None, "high_hz": one["transition_hz"], "count": 1,
                "cases": [{"room": one["room"], "setting": one["setting"]}],
                "text": f"{one['room']}, {one['setting']}: {below_transition(one)}",
            })
    return notes


def below_transition(record: Mapping[str, Any]) -> str:
    """The same of one record, as a sentence."""
    return (f"the decay time that is wanted at {', '.join(record['below_transition'])} Hz lies below the transition "
            f"frequency ({record['transition_hz']:.0f} Hz), where modes decay one by one: the areas meet it for traced "
            "energy, which is not the whole story there; the decay times shown in those octaves come from the modes.")


def _mapped(function: Callable[[Any], T], items: list[Any], jobs: int | None) -> Iterable[T]:
    from joblib import cpu_count

    workers = min(jobs or cpu_count(), len(items))
    if workers <= 1:
        return map(function, items)
    pool = ThreadPoolExecutor(max_workers=workers)
    try:
        return list(pool.map(function, items))
    finally:
        pool.shutdown(cancel_futures=True)


def solved_setting(definition: RoomDefinition, setting: str) -> tuple[Room, Solution | None, tuple[float, ...]]:
    return _kept(("room", definition.content_hash, setting), partial(_solve, definition, setting))


def _solve(definition: RoomDefinition, setting: str) -> tuple[Room, Solution | None, tuple[float, ...]]:
    target = definition.target(setting)
    areas = tuple(definition.areas_m2(setting))
    if target is None:
        return definition.room_with(areas), None, areas
    found = solve(definition.room_with, definition.adjustables(), areas, definition.fixed(setting), target)
    if not found.met:
        limits = ", ".join((*found.at_least, *found.at_most))
        raise DefinitionError([definition.problem(
            ("settings", setting, "decay_s"), f"cannot be met: {found.described()}",
            value=target if not isinstance(target, Mapping) else {nominal(f): t for f, t in target.items()},
            cure=f"widen the limits of {limits}" if limits else "list other finishes under adjustable")])
    return definition.room_with(found.areas_m2), found, found.areas_m2


def _state(definition: RoomDefinition, setting: str) -> SettingState:
    room, found, areas = solved_setting(definition, setting)
    decay = room_decay(room, OCTAVES_HZ, rays=CHECK_RAYS, seed=CHECK_SEED, noise=CHECK_NOISE)
    other = [room_decay(room, MID_HZ, rays=CHECK_RAYS, seed=CHECK_SEED, scattering=factor).mid_s for factor in (0.5, 2)]
    return _described(definition, setting, (room, found, areas), decay, (other[0], other[1]))


def _described(definition: RoomDefinition, setting: str, solved: tuple[Room, Solution | None, tuple[float, ...]],
               decay: RoomDecay, scattering: tuple[float, float]) -> SettingState:
    (room, found, areas), adjustables = solved, definition.adjustables()
    return SettingState(
        setting=setting, room=room, solution=found, decay=decay, half_mid_s=scattering[0], double_mid_s=scattering[1],
        changes=tuple(
            Change(name=one.name, finish=one.material.name, surface=one.face, area_m2=area, usual_m2=one.usual_m2,
                   spread=one.spread, places=tuple(tuple(map(float, place)) for place in places))
            for one, area, places in zip(
                adjustables, areas, placements(definition.bare(), adjustables, areas), strict=True)
        ),
    )


def put_setting(
    definition: RoomDefinition, setting: str, areas: tuple[float, ...], found: Solution | None,
    decay: RoomDecay | None, scattering: tuple[float, float], spread: tuple[NDArray[np.float64], float],
) -> None:
    """Take up what an earlier process found."""
    solved = _kept(("room", definition.content_hash, setting), lambda: (definition.room_with(areas), found, areas))
    _kept(("spread", definition.content_hash, setting), lambda: spread)
    if decay is not None:
        _kept(("state", definition.content_hash, setting),
              lambda: _described(definition, setting, solved, decay, scattering))


def is_held(definition: RoomDefinition, setting: str) -> bool:
    """Whether everything about a setting is known in this process."""
    kinds = ("room", "spread", "state") if definition.adjustables() else ("room", "spread")
    with _LOCK:
        return all((kind, definition.content_hash, setting) in _HELD for kind in kinds)


_HELD: OrderedDict[tuple[str, str, str], Any] = OrderedDict()
_LOCK = threading.Lock()


def _kept(key: tuple[str, str, str], find: Callable[[], T]) -> T:
    """What was found before for the same content, or found now."""
    with _LOCK:
        if key in _HELD:
            _HELD.move_to_end(key)
            return _HELD[key]
    found = find()
    with _LOCK:
        found = _HELD.setdefault(key, found)         # another thread may have been quicker: all get the same object
        if len(_HELD) > MOST_HELD:
            _HELD.popitem(last=False)
    return found


__all__ = [
    "CAUTION",
    "COVERAGE",
    "DRAWS",
    "Change",
    "SettingState",
    "absorption_spread",
    "below_transition",
    "each",
    "is_held",
    "put_setting",
    "room_in",
    "rooms_in",
    "setting_state",
    "solved_setting",
]
