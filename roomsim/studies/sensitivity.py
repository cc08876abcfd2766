"""How much the response at the seats changes when the loudspeaker moves, and when the listening zone does.

Common practice, no source: with an average over 15 or so positions, moving the zone inside the good area changes
little, moving the loudspeaker changes a lot, and half a metre is about the difference between two really good
loudspeakers. In exact boxes that holds above about 300 Hz; below it the modes decide. So both ranges are given.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from ..analysis.seats import band_level_db, channel_sum_db, seat_average_db
from ..bands import analysis_grid_hz
from ..engines.hybrid import Options
from ..errors import InvalidValue
from ..placing import Place, Seats
from ..room.plates import Near, Recess
from .plan import Case, Plan, make_plan
from .run import Progress, predict_plan
from .store import CaseStore

if TYPE_CHECKING:
    from xarray import DataArray

    from ..definitions import StudyDefinition

RANGES_HZ = {"31 to 250 Hz": (31.0, 250.0), "315 to 630 Hz": (315.0, 630.0)}
"""Third octaves below and above where the modes decide; the upper range ends where the exact field does."""
STEP_M = 0.5
PER_OCTAVE = 24
RAYS = 5000
"""Per channel. Few will do: all moves share them, and below 630 Hz the seat average rests on sound with phase."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Move:
    """One displacement.

    Attributes
    ----------
    kind : key of KINDS
    by_m : how far, signed; 0 for those that have no distance
    """

    kind: str
    by_m: float = 0.0

    @property
    def label(self) -> str:
        """Its label in results."""
        return f"{self.kind} {self.by_m:+g} m" if self.by_m else self.kind


KINDS: dict[str, tuple[str, str]] = {
    "out": ("loudspeaker", "away from the wall"),
    "along": ("loudspeaker", "along the wall"),
    "height": ("loudspeaker", "up and down"),
    "corner": ("loudspeaker", "into the nearer corner"),
    "cabinet": ("loudspeaker", "into an open cabinet"),
    "back": ("zone", "back and forth"),
    "across": ("zone", "to the sides"),
}
"""Kind of move -> what moves, and how it is called."""

HERE = "here"
STEPS_M: dict[str, tuple[float, ...]] = {
    "out": (0.1, 0.25, 0.5, 0.75, 1.0), "along": (-1.0, -0.5, -0.25, 0.25, 0.5, 1.0),
    "height": (-0.5, -0.25, 0.25, 0.5), "corner": (0.0,), "cabinet": (0.0,),
    "back": (-0.5, -0.25, 0.25, 0.5, 0.75), "across": (-0.5, -0.25, 0.25, 0.5),
}
"""The grid: from where the loudspeaker and the zone are."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sensitivity:
    """What moves, and by how much.

    Attributes
    ----------
    moves : every displacement
    change_db : root mean square over third octaves and channels of the change of the seat average, each channel by
        itself, DataArray over (design, room, setting, place, move, range); NaN where a move does not fit
    designs_db : the same between each design and the first, levels matched, over (design, room, setting, place,
        range); what half a metre is compared with
    left_out : why moves do not fit, one line each
    """

    moves: tuple[Move, ...]
    change_db: DataArray
    designs_db: DataArray
    left_out: tuple[str, ...]

    def at_step(self, kind: str, step_m: float = STEP_M) -> DataArray:
        """Change for a kind of move by `step_m` to either side, mean of those that fit; `move` goes."""
        labels = [m.label for m in self.moves if m.kind == kind and (not m.by_m or abs(abs(m.by_m) - step_m) < 1e-9)]
        return self.change_db.sel(move=labels).mean("move")

    def summary(self, step_m: float = STEP_M) -> list[dict[str, Any]]:
        """A line per kind and range: mean over designs, settings, places and rooms, and each room's own mean."""
        rows = []
        for kind, (what, way) in KINDS.items():
            if not any(move.kind == kind for move in self.moves):
                continue
            change = self.at_step(kind, step_m)
            rooms = change.mean([d for d in change.dims if d not in ("room", "range")])
            for name in rooms["range"].values:
                each = rooms.sel(range=name)
                rows.append({
                    "moves": what, "how": way, "kind": kind, "range": str(name),
                    "step_m": step_m if kind not in ("corner", "cabinet") else None,
                    "change_db": _number(each.mean("room")),
                    **{f"{room}_db": _number(each.sel(room=room)) for room in each["room"].values},
                })
        return rows


def _number(value: Any) -> float | None:
    return float(value) if np.isfinite(float(value)) else None


def grid_of_moves(steps_m: dict[str, Sequence[float]] | None = None) -> tuple[Move, ...]:
    """Every displacement of a grid.

    Raises
    ------
    InvalidValue : an unknown kind, no step, a step that is no number
    """
    steps = STEPS_M if steps_m is None else steps_m
    found = []
    for kind, values in steps.items():
        if kind not in KINDS:
            raise InvalidValue("moves", kind, f"must be one of {', '.join(KINDS)}")
        for value in values:
            if not np.isfinite(value) or abs(value) > 20 or (value == 0 and kind not in ("corner", "cabinet")):
                raise InvalidValue(f"moves.{kind}", value, "must be a distance in metres other than 0")
            found.append(Move(kind=kind, by_m=float(value)))
    if not found:
        raise InvalidValue("moves", "", "names no move")
    return tuple(found)


def sensitivity(
    study: StudyDefinition,
    *,
    steps_m: dict[str, Sequence[float]] | None = None,
    per_octave: int = PER_OCTAVE,
    progress: Progress | None = None,
    jobs: int | None = None,
    store: CaseStore | str | os.PathLike[str] | None = None,
) -> Sensitivity:
    """Move the loudspeaker and the listening zone of every case of a study, each by itself.

    Parameters
    ----------
    study : its vary keys are not used; its frequencies give way to 27 to 750 Hz
    steps_m : kind of move -> distances [m], such as {"out": [0.25, 0.5]}; STEPS_M by default
    per_octave : frequencies per octave
    progress, jobs, store : as for `predict`

    Raises
    ------
    InvalidValue : steps that name nothing; a study none of whose moves fit
    DefinitionError : as `predict`

    Notes
    -----
    When the loudspeaker moves, the zone stays where it is in the room; when the zone moves, the loudspeaker stays.
    Levels are compared as they are, without matching, since nothing but the place changes. Plates of a cabinet act on
    images only, so "cabinet" says nothing below the crossfade.

    Examples
    --------
    >>> quick = {"rooms.small": None, "rooms.large": None, "designs.narrow": None, "settings": ["ordinary"],
    ...          "seats.count": 3, "frequency.per_octave": 3}
    >>> study = roomsim.load(roomsim.write_demo("roomsim-demo"), changes=quick)
    >>> roomsim.sensitivity(study, steps_m={"out": [0.2]}, per_octave=3).moves[0].kind
    'out'
    """
    moves = grid_of_moves(steps_m)
    plan, left_out = moved_plan(study, moves, analysis_grid_hz(27.0, 750.0, per_octave))
    result = predict_plan(plan, study, progress=progress, jobs=jobs, store=store)
    thirds = seat_average_db(result["level_db"])
    base = thirds.sel(move=HERE)
    bands = band_level_db(thirds, 3, 30.0, 640.0)
    change = _rms(bands.drop_sel(move=HERE) - bands.sel(move=HERE), ("channel",))
    power = band_level_db(channel_sum_db(base), 3, 30.0, 640.0)
    against = power - power.isel(design=0)
    against = against - against.mean("band")
    return Sensitivity(
        moves=moves, change_db=_without_plates(change), designs_db=_rms(against, ()), left_out=left_out
    )


def moved_plan(
    study: StudyDefinition, moves: Sequence[Move], frequency_hz: NDArray[np.float64]
) -> tuple[Plan, tuple[str, ...]]:
    """The cases of a study with every move, those that fit; and why the others do not."""
    still = make_plan(replace(study, vary={}))
    cases, left_out = [], []
    for case in still.cases:
        options: Options = replace(case.options, rays=RAYS)
        case = replace(case, frequency_hz=frequency_hz, options=options)
        cases.append(_labelled(case, HERE))
        for move in moves:
            try:
                moved = _labelled(_moved(case, move), move.label)
                moved.scene()
            except InvalidValue as error:
                left_out.append(f"{case.title}, {move.label}: {error.rule}")
                continue
            cases.append(moved)
    if len(cases) == len(still.cases):
        raise InvalidValue("moves", "", "none fits into the rooms; the first: " + left_out[0])
    coordinates = {**still.coordinates, "move": (HERE, *(move.label for move in moves))}
    return Plan(title=f"{still.title}: moved", coordinates=coordinates, cases=tuple(cases)), tuple(left_out)


def _labelled(case: Case, move: str) -> Case:
    return replace(case, labels=(*case.labels, ("move", move)))


def _moved(case: Case, move: Move) -> Case:
    return _MOVERS[move.kind](case, move.by_m)


def _out(case: Case, by_m: float) -> Case:
    if case.loudspeaker.mounting == "on-wall":
        raise InvalidValue("gap_m", by_m, "a loudspeaker on the wall stays there")
    gap = case.place.gap_m + by_m
    if gap < 0:
        raise InvalidValue("gap_m", gap, "must be 0 or more")
    return _put(case, replace(case.place, gap_m=gap), distance_m=case.seats.distance_m - by_m)


def _along(case: Case, by_m: float) -> Case:
    fraction = case.place.across_fraction + by_m / _wall_m(case)
    if not 0 <= fraction <= 1:
        raise InvalidValue("across_fraction", fraction, "leaves the wall")
    return _put(case, replace(case.place, across_fraction=fraction), aside_m=case.seats.aside_m - by_m)


def _height(case: Case, by_m: float) -> Case:
    return _put(case, replace(case.place, height_m=case.place.height_m + by_m))


def _corner(case: Case, by_m: float) -> Case:
    """As far from the side wall as from the wall behind it, at the nearer end of the wall."""
    wall = _wall_m(case)
    end = (case.place.gap_m + case.loudspeaker.width_m / 2) / wall
    fraction = end if case.place.across_fraction <= 0.5 else 1 - end
    return _along(case, (fraction - case.place.across_fraction) * wall)


def _cabinet(case: Case, by_m: float) -> Case:
    """An open compartment with 5 cm of air around the loudspeaker, its front edges 5 cm before the baffle."""
    if case.place.near != Near():
        raise InvalidValue("near", "", "has near plates already")
    speaker = case.loudspeaker
    recess = Recess(width_m=speaker.width_m + 0.1, height_m=speaker.height_m + 0.1,
                    depth_m=case.place.gap_m + speaker.depth_m + 0.05)
    return _put(case, replace(case.place, near=Near(recess=recess)))


def _back(case: Case, by_m: float) -> Case:
    return _put(case, case.place, distance_m=case.seats.distance_m + by_m)


def _across(case: Case, by_m: float) -> Case:
    return _put(case, case.place, aside_m=case.seats.aside_m + by_m)


_MOVERS: dict[str, Callable[[Case, float], Case]] = {
    "out": _out, "along": _along, "height": _height, "corner": _corner, "cabinet": _cabinet, "back": _back,
    "across": _across,
}


def _put(case: Case, place: Place, **seats: float) -> Case:
    moved: Seats = replace(case.seats, **seats)
    if moved.distance_m < 0.3:
        raise InvalidValue("distance_m", moved.distance_m, "the seats would be at the loudspeaker")
    return replace(case, place=place, seats=moved)


def _wall_m(case: Case) -> float:
    face = case.room.geometry.face(case.place.wall)
    return float(np.linalg.norm(face.corners_m[1] - face.corners_m[0]))


def _rms(difference: DataArray, over: tuple[str, ...]) -> DataArray:
    """Root mean square over the bands of each range, and over `over`."""
    import xarray as xr

    parts = []
    for low, high in RANGES_HZ.values():
        inside = (difference["band"] > low * 0.97) & (difference["band"] < high * 1.03)
        parts.append(np.sqrt((difference.sel(band=inside) ** 2).mean(("band", *over))))
    out = xr.concat(parts, "range").assign_coords(range=list(RANGES_HZ)).transpose(..., "range")
    out.attrs = {"units": "dB", "long_name": "change of the seat average"}
    return out


def _without_plates(change: DataArray) -> DataArray:
    """The exact field knows no plates: no number is better than 0 there."""
    low = next(iter(RANGES_HZ))
    blind = (change["move"] == "cabinet") & (change["range"] == low)
    return change.where(~blind)
