"""The result of a study as labelled arrays."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict
from importlib.metadata import PackageNotFoundError, version
from typing import TYPE_CHECKING, Any

import numpy as np

from .case import CaseResult
from .decay import RATIOS
from .plan import Plan

if TYPE_CHECKING:
    import xarray

    from ..definitions import StudyDefinition

LONG_NAMES = {
    "level_db": "level at the seat",
    "direct_level_db": "level of the direct sound",
    "early_level_db": "level of the early reflections",
    "scattered_level_db": "level of scattered sound before the hand-over, part of the early level",
    "late_level_db": "level of the late sound",
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
    "length_m": "length of the room", "width_m": "width of the room", "height_m": "height of the room",
    "volume_m3": "volume", "floor_m2": "floor area",
}
_TRAILING = {
    "wave_weight": ("frequency",),
    "decay_s": ("band",), "decay_spread_s": ("band",),
    **dict.fromkeys(RATIOS, ("listener", "band")),
}
_RECORDED_PACKAGES = ("numpy", "scipy", "numba")


def assemble(plan: Plan, results: Sequence[CaseResult], study: StudyDefinition) -> xarray.Dataset:
    """Put the cases together.

    Parameters
    ----------
    plan : the cases and their coordinates
    results : one per case, in the plan's order
    study : for the record of inputs

    Returns
    -------
    Dataset with dimensions (design, room, setting, place, vary keys…, channel, listener, frequency | band);
    channels that a design does not have are NaN
    """
    import xarray as xr

    leading = tuple(plan.coordinates)
    shape = tuple(len(labels) for labels in plan.coordinates.values())
    channels = tuple(dict.fromkeys(channel for result in results for channel in result.channels))
    seats = max(case.seats.count for case in plan.cases)
    frequency = plan.cases[0].frequency_hz
    coords: dict[str, Any] = {
        **{dim: list(labels) for dim, labels in plan.coordinates.items()},
        "channel": list(channels),
        "listener": np.arange(1, seats + 1),
        "frequency": ("frequency", frequency, {"units": "Hz", "long_name": "frequency"}),
        "band": ("band", results[0].band_hz, {"units": "Hz", "long_name": "octave midband"}),
    }
    sizes = {"channel": len(channels), "listener": seats, "frequency": frequency.size,
             "band": results[0].band_hz.size}
    arrays: dict[str, np.ndarray] = {}
    dims: dict[str, tuple[str, ...]] = {}
    for name in results[0].arrays:
        trailing = _TRAILING.get(name, ("channel", "listener", "frequency"))
        dims[name] = leading + trailing
        arrays[name] = np.full(shape + tuple(sizes[dim] for dim in trailing), np.nan)
    numbers = ("trusted_from_hz", "reference_db")
    for name in numbers:
        dims[name], arrays[name] = leading, np.full(shape, np.nan)
    dims["decay_method"] = (*leading, "band")
    arrays["decay_method"] = np.full((*shape, sizes["band"]), "", dtype=object)
    for name in ("transition_hz", "decay_mid_s"):
        dims[name], arrays[name] = ("room", "setting"), np.full((shape[1], shape[2]), np.nan)

    position = {dim: {label: k for k, label in enumerate(labels)} for dim, labels in plan.coordinates.items()}
    for result in results:
        at = tuple(position[dim][label] for dim, label in result.labels)
        channel_index = [channels.index(channel) for channel in result.channels]
        for name, values in result.arrays.items():
            if "listener" in _TRAILING.get(name, ()):
                arrays[name][at][: values.shape[0]] = values
            elif name in _TRAILING:
                arrays[name][at] = values
            else:
                arrays[name][at][channel_index, : values.shape[1]] = values
        for name in numbers:
            arrays[name][at] = getattr(result, name)
        arrays["decay_method"][at] = result.decay_method
        for name in ("transition_hz", "decay_mid_s"):
            arrays[name][at[1], at[2]] = getattr(result, name)

    for name, values in _room_sizes(plan, study).items():
        dims[name], arrays[name] = ("room",), values
    dataset = xr.Dataset({name: (dims[name], arrays[name]) for name in arrays}, coords=coords)
    dataset.attrs = {"title": plan.title, "metadata": json.dumps(_metadata(plan, results, study), ensure_ascii=False)}
    calibrated = all(result.calibrated for result in results)
    for name, variable in dataset.data_vars.items():
        variable.attrs["long_name"] = LONG_NAMES[str(name)]
        if (unit := _unit(str(name))) is not None:
            variable.attrs["units"] = unit
        if str(name).endswith("level_db"):
            variable.attrs["reference"] = (
                "re 20 µPa" if calibrated else "re the design's mean free-field level at 1 m"
            )
    return dataset


def _unit(name: str) -> str | None:
    if name.startswith("pressure_"):
        return "Pa"
    for ending, unit in (("_db", "dB"), ("_hz", "Hz"), ("_s", "s"), ("_m", "m"), ("_m2", "m²"), ("_m3", "m³")):
        if name.endswith(ending):
            return unit
    return None


def _room_sizes(plan: Plan, study: StudyDefinition) -> dict[str, np.ndarray]:
    geometries = [study.rooms[label].room(study.settings[0]).geometry for label in plan.coordinates["room"]]
    return {
        "length_m": np.array([g.size_m[0] for g in geometries]),
        "width_m": np.array([g.size_m[1] for g in geometries]),
        "height_m": np.array([g.size_m[2] for g in geometries]),
        "volume_m3": np.array([g.volume_m3 for g in geometries]),
        "floor_m2": np.array([g.floor_m2 for g in geometries]),
    }


def _metadata(plan: Plan, results: Sequence[CaseResult], study: StudyDefinition) -> dict[str, Any]:
    """Everything a reader needs to trust or repeat the result; no timestamps."""
    notes: dict[tuple, list[int]] = {}
    reflections = []
    for index, result in enumerate(results):
        for note in result.notes:
            notes.setdefault((note.code, note.text, note.low_hz, note.high_hz), []).append(index)
        labels = dict(result.labels)
        reflections.extend(
            {**labels, **asdict(reflection), "channel": result.channels[reflection.channel]}
            for reflection in result.reflections
        )
    return {
        "notes": [
            {"code": code, "text": text, "low_hz": low, "high_hz": high,
             "cases": [dict(results[k].labels) for k in where]}
            for (code, text, low, high), where in notes.items()
        ],
        "reflections": reflections,
        "inputs": study.inputs,
        "versions": _versions(),
    }


def _versions() -> dict[str, str]:
    from .. import __version__

    found = {"roomsim": __version__}
    for name in _RECORDED_PACKAGES:
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            continue
    return found
