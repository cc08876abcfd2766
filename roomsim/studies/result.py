"""The result of a study as labelled arrays."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

import numpy as np

from ..analysis.weighting import WEIGHTINGS
from ..errors import Fault
from ..files.netcdf import LARGE_BYTES
from ..files.result_rules import result_problems
from .case_notes import design_notes
from .fingerprint import source_hash, versions
from .layout import Get, Layout, filled, on_demand, present
from .plan import Plan
from .programme import SUMS, Heard, programme_note
from .record import record as recorded
from .settings import setting_arrays, target_notes

if TYPE_CHECKING:
    import xarray

    from ..definitions import StudyDefinition

LONG_NAMES = {
    "level_db": "level at the seat",
    "direct_level_db": "level of the direct sound",
    "early_level_db": "level of the early reflections",
    "scattered_level_db": "level of scattered sound before the hand-over, part of the early level",
    "late_level_db": "level of the late sound",
    "power_level_db": "free-field level at 1 m, mean over all directions: the sound power of a channel by itself",
    "modulation_index": "modulation transfer index of the octave (IEC 60268-16)",
    "late_noise_db": "standard error of late levels at one seat from the rays",
    "pressure_real": "coherent pressure, real part",
    "pressure_imag": "coherent pressure, imaginary part",
    "wave_weight": "weight of the exact field",
    "decay_s": "decay time",
    "decay_spread_s": "standard deviation of the decay time over the seats",
    "early_decay_s": "early decay time EDT",
    "c50_db": "clarity C50", "c80_db": "clarity C80", "d50": "definition D50", "centre_time_s": "centre time Ts",
    "decay_method": "how the decay time was found",
    "trusted_from_hz": "lowest frequency at which the prediction can be trusted",
    "reference_db": "level that 0 dB stands for, re 20 µPa",
    "transition_hz": "transition (Schroeder) frequency",
    "decay_mid_s": "decay time at mid frequencies (500 Hz and 1 kHz octaves)",
    "decay_uncertainty": "relative uncertainty of the decay time from the absorption data (coverage factor 2)",
    "decay_mid_uncertainty": "the same of the mid-band decay time",
    "length_m": "length of the room", "width_m": "width of the room", "height_m": "height of the room",
    "volume_m3": "volume", "floor_m2": "floor area",
}
_PROGRAMME_NAMES = {
    "programme_level_db": "level of the programme at the seat, each channel alone, re 20 µPa",
    "programme_sum_db": "level of the programme at the seat, all channels, re 20 µPa",
    "programme_drive_db": "drive of a channel of 0 dB, re the drive that the design's data stand for",
    "headroom_db": "headroom of the driver with the least",
}
_NUMBERS = ("trusted_from_hz", "reference_db")
_OF_A_ROOM = ("transition_hz", "decay_mid_s")
_WIDE = 7
"""Arrays over channel, listener and frequency, for the estimate of a result's size."""

MOST_REFLECTIONS = 20_000
"""Reflections that the metadata list; a larger study has fewer of each case, the strongest."""
MOST_MODES = 20_000
"""Modes that the metadata list, as many of each case; a larger study has fewer of each, the strongest."""
MOST_NOTED = 50
"""Cases that are listed with a note that does not concern them all."""


def result_bytes(plan: Plan) -> int:
    """About how large the arrays of a study are."""
    seats = max(case.seats.count for case in plan.cases)
    return 4 * _WIDE * len(plan.cases) * len(plan.channels) * seats * plan.cases[0].frequency_hz.size


def assemble(
    plan: Plan, keys: Sequence[str], get: Get, study: StudyDefinition, *, in_memory: bool = True
) -> xarray.Dataset:
    """Put the cases together.

    Parameters
    ----------
    plan : the cases and their coordinates
    keys : of each case, in the plan's order
    get : finished cases by key
    study : for the record of inputs
    in_memory : else arrays over listeners are read from the finished cases as they are asked for

    Returns
    -------
    Dataset with dimensions (design, room, setting, place, vary keys…, channel, listener, frequency | band);
    channels that a design does not have are NaN

    Raises
    ------
    OutputError : a finished case has vanished
    Fault : numbers that cannot be
    """
    import xarray as xr

    layout = Layout.of(plan, present(get, keys[0]))
    heard = None
    if study.programme is not None:
        heard = Heard(layout, study.programme, {name: design.drive_v for name, design in study.designs.items()})
    found, metadata = _small(layout, plan, keys, get, heard)
    found |= (filled if in_memory else on_demand)(layout, keys, get)
    found |= {name: xr.Variable(("room",), values) for name, values in _room_sizes(plan, study).items()}
    of_settings, metadata["settings"] = setting_arrays(study)
    found |= {name: xr.Variable(dims, values) for name, (dims, values) in of_settings.items()}
    coords: dict[str, Any] = {
        **{dim: list(labels) for dim, labels in plan.coordinates.items()},
        "channel": list(plan.channels),
        "listener": np.arange(1, layout.sizes["listener"] + 1),
        "frequency": ("frequency", plan.cases[0].frequency_hz, {"units": "Hz", "long_name": "frequency"}),
        "band": ("band", layout.band_hz, {"units": "Hz", "long_name": "octave midband"}),
    }
    if heard is not None:
        coords |= {"weighting": list(WEIGHTINGS), "sum": list(SUMS)}
        found |= heard.variables()
        metadata["programme"] = heard.metadata()
        metadata["notes"].append(programme_note(study.programme, len(plan.cases)))
    ordered = [*layout.dtypes, *(name for name in found if name not in layout.dtypes)]
    dataset = xr.Dataset({name: found[name] for name in ordered}, coords=coords)
    metadata["notes"] += target_notes(metadata["settings"])
    metadata["notes"] += design_notes(study.assumptions, len(plan.cases), study.measured_notes)
    record = {**metadata, **recorded(plan), "inputs": study.inputs, "versions": versions(), "source": source_hash()}
    dataset.attrs = {"title": plan.title, "metadata": json.dumps(record, ensure_ascii=False)}
    calibrated = all(case.loudspeaker.calibrated for case in plan.cases)
    for name, variable in dataset.data_vars.items():
        variable.attrs["long_name"] = (LONG_NAMES | _PROGRAMME_NAMES)[str(name)]
        if (unit := _unit(str(name))) is not None:
            variable.attrs["units"] = unit
        if str(name).endswith("level_db") and not str(name).startswith("programme"):
            variable.attrs["reference"] = (
                "re 20 µPa" if calibrated else "re the design's mean free-field level at 1 m"
            )
    for problem in result_problems(dataset, values_to=LARGE_BYTES):
        raise Fault(f"{problem}; this is a fault of roomsim, and nothing was written")
    return dataset


def _unit(name: str) -> str | None:
    if name.startswith("pressure_"):
        return "Pa"
    for ending, unit in (("_db", "dB"), ("_hz", "Hz"), ("_s", "s"), ("_m", "m"), ("_m2", "m²"), ("_m3", "m³")):
        if name.endswith(ending):
            return unit
    return None


def _small(
    layout: Layout, plan: Plan, keys: Sequence[str], get: Get, heard: Heard | None
) -> tuple[dict[str, xarray.Variable], dict[str, Any]]:
    """Variables that do not grow with the seats, and what the cases add to the metadata: one walk over them all."""
    import xarray as xr

    names = [name for name in layout.dtypes if name not in layout.large]
    arrays = {name: np.full(layout.shape_of(name), np.nan, layout.dtypes[name]) for name in names}
    dims = {name: layout.leading + layout.trailing(name) for name in names}
    arrays |= {name: np.full(layout.shape, np.nan) for name in _NUMBERS}
    dims |= dict.fromkeys(_NUMBERS, layout.leading)
    arrays["decay_method"] = np.full((*layout.shape, layout.sizes["band"]), "", dtype=object)
    dims["decay_method"] = (*layout.leading, "band")
    of_a_room = {name: np.full(layout.shape, np.nan) for name in _OF_A_ROOM}
    said = _Said(plan)
    for k, key in enumerate(keys):
        result, place = present(get, key), layout.places[k]
        for name in names:
            arrays[name][place] = layout.block(name, k, result.arrays[name])
        for name in _NUMBERS:
            arrays[name][place] = getattr(result, name)
        for name in _OF_A_ROOM:
            of_a_room[name][place] = getattr(result, name)
        arrays["decay_method"][place] = result.decay_method
        said.add(k, result)
        if heard is not None:
            heard.add(k, plan.cases[k], result)
    found = {name: xr.Variable(dims[name], array) for name, array in arrays.items()}
    others = tuple(k for k in range(len(layout.shape)) if k not in (1, 2))
    for name, array in of_a_room.items():          # what differs by design and place is averaged
        found[name] = xr.Variable(("room", "setting"), array.mean(axis=others))
    return found, said.metadata()


class _Said:
    """Notes and reflections of all cases, bounded however many cases there are."""

    def __init__(self, plan: Plan) -> None:
        self._plan = plan
        self._notes: dict[tuple, tuple[list[int], int]] = {}
        self._reflections: list[dict[str, Any]] = []
        self._each = max(MOST_REFLECTIONS // (len(plan.cases) * len(plan.channels)), 1)
        self._modes: list[dict[str, Any]] = []
        self._receivers: list[dict[str, Any]] = []
        self._modes_each = max(MOST_MODES // len(plan.cases), 1)

    def add(self, case: int, result: Any) -> None:
        for note in result.notes:
            key = (note.code, note.text, note.low_hz, note.high_hz)
            where, count = self._notes.get(key, ([], 0))
            if count < MOST_NOTED:
                where.append(case)
            self._notes[key] = where, count + 1
        labels = dict(self._plan.cases[case].labels)
        self._modes.append({**labels, **result.modes, "modes": result.modes["modes"][: self._modes_each]})
        self._receivers += [{**labels, **row} for row in result.receiver]
        listed: dict[tuple[int, int], int] = {}
        for one in result.reflections:              # strongest first
            if (nth := listed.get((one.channel, one.listener), 0)) < self._each:
                listed[one.channel, one.listener] = nth + 1
                self._reflections.append({**labels, **asdict(one), "channel": result.channels[one.channel]})

    def metadata(self) -> dict[str, Any]:
        """Everything a reader needs to trust or repeat the result; no timestamps."""
        cases = self._plan.cases
        notes = [
            {"code": code, "text": text, "low_hz": low, "high_hz": high, "count": count,
             "cases": "all" if count == len(cases) else [dict(cases[k].labels) for k in where]}
            for (code, text, low, high), (where, count) in self._notes.items()
        ]
        return {
            "notes": notes, "reflections": self._reflections, "reflections_per_channel": self._each,
            "modes": self._modes, "modes_per_case": self._modes_each,
            **({"receivers": self._receivers} if self._receivers else {}),
        }


def _room_sizes(plan: Plan, study: StudyDefinition) -> dict[str, np.ndarray]:
    geometries = [study.rooms[label].geometry() for label in plan.coordinates["room"]]
    return {
        "length_m": np.array([g.size_m[0] for g in geometries]),
        "width_m": np.array([g.size_m[1] for g in geometries]),
        "height_m": np.array([g.size_m[2] for g in geometries]),
        "volume_m3": np.array([g.volume_m3 for g in geometries]),
        "floor_m2": np.array([g.floor_m2 for g in geometries]),
    }
