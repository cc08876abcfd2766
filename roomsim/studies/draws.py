"""How well a prediction is known: a study's cases with inputs drawn within their uncertainty.

Drawn are the absorption of every finish and all furniture, within the reproducibility of ISO 12999-2
(room/reproducibility.py); where the loudspeaker stands, within a placement tolerance; and the level of measured drivers
within the uncertainty that their chamber's correction left. Everything depends on the number of the draw and the seed
alone: all designs, places and settings of one draw meet the same finishes and the same slips of the hand.
"""

from __future__ import annotations

import atexit
import hashlib
import os
import shutil
import tempfile
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from ..analysis.comparing import DRAW
from ..analysis.intervals import draws_for, prediction_interval
from ..analysis.seats import band_level_db, channel_sum_db, seat_average_db
from ..errors import InvalidValue
from ..loudspeaker.channels import Loudspeaker
from ..loudspeaker.measured import MeasuredDirectivity
from ..placing import Place
from ..room.reproducibility import drawn_room
from ..room.room import Room
from .plan import Case, Plan, make_plan
from .run import Progress, predict_plan
from .store import CaseStore

if TYPE_CHECKING:
    from xarray import DataArray, Dataset

    from ..definitions import StudyDefinition

PLACEMENT_M = 0.02
"""Standard deviation of the gap, of the position along the wall and of the height (an assumption of this project)."""
PRECISION_DB = 0.5
"""Standard error of the ends of the 90 % band of third-octave levels, from which the number of draws follows."""
PILOT, MOST = 8, 64
"""Draws that the number is estimated from, and the most."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Inputs:
    """What is drawn.

    Attributes
    ----------
    absorption : finishes and furniture within the reproducibility of ISO 12999-2
    placement_m : standard deviation of gap, position along the wall and height; 0 to leave them
    levels : measured levels within the uncertainty that they carry
    seed : of all draws
    """

    absorption: bool = True
    placement_m: float = PLACEMENT_M
    levels: bool = True
    seed: int = 0

    def __post_init__(self) -> None:
        if not 0 <= self.placement_m <= 0.5:
            raise InvalidValue("placement_m", self.placement_m, "must be 0 to 0.5 m")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Uncertainty:
    """A study with its inputs drawn.

    Attributes
    ----------
    result : as `predict` gives, with one more dimension, `draw`; `difference_curves` and `judge` take it
    bands : level_db and decay_s with their `_low_`, `_high_` and `_sd_` counterparts (level_low_db, …) over design,
        room, setting, place and band; levels are seat-averaged third octaves, channels summed in power
    draws : how many
    precision_db : standard error of the ends of the band that these draws reach, rms over bands and cases
    confidence : of the band: so likely lies a room built and measured once more inside
    inputs : what was drawn
    """

    result: Dataset
    bands: Dataset
    draws: int
    precision_db: float
    confidence: float
    inputs: Inputs


def uncertainty(
    study: StudyDefinition,
    *,
    draws: int | None = None,
    precision_db: float = PRECISION_DB,
    confidence: float = 0.9,
    inputs: Inputs | None = None,
    progress: Progress | None = None,
    jobs: int | None = None,
    store: CaseStore | str | os.PathLike[str] | None = None,
) -> Uncertainty:
    """Predict a study again and again with its inputs drawn within their uncertainty.

    Parameters
    ----------
    study : its vary keys are not used
    draws : how many, even; without it as many as `precision_db` takes, from PILOT draws, at most MOST
    precision_db : wanted standard error of the ends of the band of third-octave levels
    confidence : of the bands, 0.5 to 0.99
    inputs : what is drawn; everything by default
    progress, jobs, store : as for `predict`

    Raises
    ------
    InvalidValue : draws that are odd or fewer than 4, values out of range

    Notes
    -----
    Bands are Student's prediction intervals of the level in decibels and of the logarithm of the decay time. Draws come
    in opposite pairs, so their mean hardly moves and their spread has half as many degrees of freedom as draws.

    Examples
    --------
    >>> quick = {"rooms.small": None, "rooms.large": None, "designs.narrow": None, "settings": ["ordinary"],
    ...          "seats.count": 3, "frequency.per_octave": 3}
    >>> study = roomsim.load(roomsim.write_demo("roomsim-demo"), changes=quick)
    >>> roomsim.uncertainty(study, draws=4).draws
    4
    """
    inputs = inputs or Inputs()
    if draws is not None and (draws < 4 or draws % 2):
        raise InvalidValue("draws", draws, "must be even and 4 or more")
    if not 0.5 <= confidence <= 0.99:
        raise InvalidValue("confidence", confidence, "must be 0.5 to 0.99")
    if not 0.02 <= precision_db <= 10:
        raise InvalidValue("precision_db", precision_db, "must be 0.02 to 10 dB")
    still = make_plan(replace(study, vary={}))
    first = PILOT if draws is None else draws
    if store is None:                  # so that more draws compute only what is new
        store = tempfile.mkdtemp(prefix="roomsim-")
        atexit.register(shutil.rmtree, store, ignore_errors=True)
    result = predict_plan(drawn_plan(still, first, inputs), study, progress=progress, jobs=jobs, store=store)
    if draws is None:
        wanted = draws_for(_spread(_thirds(result)), precision_db, confidence, least=PILOT, most=MOST)
        if wanted > first:
            plan = drawn_plan(still, wanted, inputs)
            result = predict_plan(plan, study, progress=progress, jobs=jobs, store=store)
            first = wanted
    thirds = _thirds(result)
    bands = _bands(thirds, result["decay_s"], confidence)
    from ..analysis.intervals import end_error

    return Uncertainty(
        result=result, bands=bands, draws=first, confidence=confidence, inputs=inputs,
        precision_db=end_error(_spread(thirds), first, confidence),
    )


def drawn_plan(still: Plan, draws: int, inputs: Inputs) -> Plan:
    """A plan with one more dimension, `draw`.

    Raises
    ------
    InvalidValue : a drawn place that does not fit into its room
    """
    cases: list[Case] = []
    rooms: dict[tuple[int, int], Room] = {}
    speakers: dict[tuple[int, int], Loudspeaker] = {}
    for draw in range(draws):
        for case in still.cases:
            key = id(case.room), draw
            if key not in rooms:
                rooms[key] = drawn_room(case.room, draw, inputs.seed) if inputs.absorption else case.room
            heard = id(case.loudspeaker), draw
            if heard not in speakers:
                speakers[heard] = drawn_loudspeaker(case.loudspeaker, draw, inputs.seed) if inputs.levels \
                    else case.loudspeaker
            cases.append(_placed(
                replace(case, labels=(*case.labels, (DRAW, draw)), room=rooms[key], loudspeaker=speakers[heard]),
                draw, inputs,
            ))
    return Plan(title=still.title, coordinates={**still.coordinates, DRAW: tuple(range(draws))}, cases=tuple(cases))


def deviate(name: str, draw: int, seed: int, count: int = 1) -> np.ndarray:
    """Standard normal numbers of one named thing, shape (count,); draws 2k and 2k + 1 are opposite."""
    text = f"{seed} {draw // 2} {name}".encode("utf-8", "surrogatepass")
    words = np.frombuffer(hashlib.sha256(text).digest(), "<u4").astype(np.uint64).tolist()
    return np.random.default_rng(words).standard_normal(count) * (1 - 2 * (draw % 2))


def drawn_loudspeaker(speaker: Loudspeaker, draw: int, seed: int = 0) -> Loudspeaker:
    """A design whose measured levels deviate within the uncertainty they carry, each measurement as a whole."""
    channels = {}
    changed = False
    for name, drivers in speaker.channels.items():
        made = []
        for driver in drivers:
            data = driver.directivity
            if isinstance(data, MeasuredDirectivity) and data.level_uncertainty_db is not None:
                by_db = float(deviate(f"level of {data.name}", draw, seed)[0]) * data.level_uncertainty_db
                driver = replace(driver, directivity=replace(data, values=data.values * 10 ** (by_db / 20)))
                changed = True
            made.append(driver)
        channels[name] = tuple(made)
    return replace(speaker, channels=channels) if changed else speaker


def _placed(case: Case, draw: int, inputs: Inputs) -> Case:
    """The loudspeaker a little elsewhere, inside the room; the zone stays where it is."""
    if not inputs.placement_m:
        return case
    slip = deviate(f"place {dict(case.labels)['place']}", draw, inputs.seed, 3) * inputs.placement_m
    face = case.room.geometry.face(case.place.wall)
    wall = float(np.linalg.norm(face.corners_m[1] - face.corners_m[0]))
    out = 0.0 if case.loudspeaker.mounting == "on-wall" else max(slip[0], -case.place.gap_m)
    place: Place = replace(
        case.place, gap_m=case.place.gap_m + out, height_m=case.place.height_m + slip[2],
        across_fraction=float(np.clip(case.place.across_fraction + slip[1] / wall, 0, 1)),
    )
    along = (place.across_fraction - case.place.across_fraction) * wall
    moved = replace(case, place=place, seats=replace(
        case.seats, distance_m=case.seats.distance_m - out, aside_m=case.seats.aside_m - along))
    try:
        moved.scene()
    except InvalidValue:           # no room for the slip: as close as it stands now
        return case
    return moved


def _thirds(result: Dataset) -> DataArray:
    return band_level_db(seat_average_db(channel_sum_db(result["level_db"])), 3)


def _spread(thirds: DataArray) -> float:
    """Standard deviation over the draws, rms over bands and cases [dB]."""
    return float(np.sqrt(float(thirds.var(DRAW, ddof=1).mean())))


def _bands(thirds: DataArray, decay: DataArray, confidence: float) -> Dataset:
    import xarray as xr

    variables = {}
    for name, unit, array, log in (("level", "db", thirds, False), ("decay", "s", decay, True)):
        values = array.transpose(..., DRAW, "band").values
        dims = [d for d in array.dims if d not in (DRAW, "band")]
        axis = "band" if name == "level" else "octave"
        middle, low, high, spread = prediction_interval(np.log(values) if log else values, confidence)
        if log:
            spread = np.exp(middle) * spread
            middle, low, high = np.exp(middle), np.exp(low), np.exp(high)
        for part, content in (("", middle), ("_low", low), ("_high", high), ("_sd", spread)):
            variables[f"{name}{part}_{unit}"] = ((*dims, axis), content, {"units": "dB" if unit == "db" else "s"})
    coords: dict[str, Any] = {d: thirds[d].values for d in thirds.dims if d not in (DRAW, "band")}
    coords["band"] = ("band", thirds["band"].values, {"units": "Hz"})
    coords["octave"] = ("octave", decay["band"].values, {"units": "Hz"})
    return xr.Dataset(variables, coords=coords)


