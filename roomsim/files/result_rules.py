"""What a stored result must hold before anything is drawn or counted from it."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Iterator, Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from ..conventions import RESULT_DIMENSIONS
from ..errors import Problem, shown

if TYPE_CHECKING:
    from xarray import Dataset

_SEATS = ("channel", "listener", "frequency")
_LEVELS = {f"{part}level_db": _SEATS for part in ("", "direct_", "early_", "scattered_", "late_")}
_PRESSURES = dict.fromkeys(("pressure_real", "pressure_imag"), _SEATS)
_BANDS = dict.fromkeys(("decay_s", "decay_spread_s", "decay_method"), ("band",))
_RATIOS = dict.fromkeys(("early_decay_s", "c50_db", "c80_db", "d50", "centre_time_s"), ("listener", "band"))
_CASE = {**_LEVELS, **_PRESSURES, **_BANDS, **_RATIOS, "wave_weight": ("frequency",), "trusted_from_hz": (),
         "reference_db": ()}
"""Variable -> its dimensions after those of the cases."""
_ROOM = {**dict.fromkeys(("length_m", "width_m", "height_m", "volume_m3", "floor_m2"), ("room",)),
         **dict.fromkeys(("transition_hz", "decay_mid_s"), ("room", "setting"))}
_NEEDED = ("level_db", "direct_level_db", "early_level_db", "late_level_db", "decay_s", "decay_method",
           "trusted_from_hz", *_ROOM)

RANGES = {
    **dict.fromkeys(_LEVELS, (-math.inf, 400.0)), **dict.fromkeys(_PRESSURES, (-1e9, 1e9)),
    **dict.fromkeys(("decay_s", "early_decay_s", "centre_time_s", "decay_mid_s"), (0.0, 1e4)),
    "decay_spread_s": (0.0, 1e4), "d50": (0.0, 1.0), "wave_weight": (0.0, 1.0),
    **dict.fromkeys(("c50_db", "c80_db", "reference_db"), (-1000.0, 1000.0)),
    **dict.fromkeys(("trusted_from_hz", "transition_hz"), (0.0, 1e6)),
    **dict.fromkeys(("length_m", "width_m", "height_m"), (0.0, 1e3)), "volume_m3": (0.0, 1e9), "floor_m2": (0.0, 1e6),
}
"""Least and largest number that can be; NaN stands for what a design or a band does not have, -inf for no sound."""

_ROUNDING = 1e-6
"""Of a share that is 1: single precision leaves 6e-8."""


def result_problems(result: Dataset, *, values_to: int) -> list[Problem]:
    """What keeps a dataset from being a result of roomsim; empty where it is one.

    Parameters
    ----------
    values_to : look at the numbers themselves of arrays up to this many bytes
    """
    if "level_db" not in result or "design" not in result.dims:
        return [Problem(key="", rule="holds no result of roomsim", cure="name the result.nc of an output folder")]
    dims = tuple(map(str, result["level_db"].dims))
    if dims[:4] != RESULT_DIMENSIONS or dims[-3:] != _SEATS or "band" in dims:
        return [Problem(key="level_db", value=shown(dims), rule="has other dimensions than a result")]
    leading = dims[:-3]
    wanted = {name: leading + tail for name, tail in _CASE.items()} | _ROOM
    problems = [Problem(key=name, rule="is missing") for name in _NEEDED if name not in result.data_vars]
    for name, its_dims in wanted.items():
        if name in result.data_vars and tuple(map(str, result[name].dims)) != its_dims:
            problems.append(Problem(key=name, value=shown(result[name].dims), rule=f"must have {shown(its_dims)}"))
    problems += list(_coordinates(result, (*dims, *(("band",) if "band" in result.dims else ()))))
    if not problems:
        problems += [problem for name in wanted if name in result.data_vars
                     for problem in _numbers(result, name, values_to)]
    return problems or list(_metadata_problems(result))


def _coordinates(result: Dataset, dims: tuple[str, ...]) -> Iterator[Problem]:
    for dim in dims:
        if not result.sizes[dim]:
            yield Problem(key=dim, rule="is empty")
        elif dim not in result.coords:
            yield Problem(key=dim, rule="has no labels")
        elif dim in ("frequency", "band"):
            f = result[dim].values
            if f.dtype.kind not in "fiu" or not (np.all(np.isfinite(f)) and f[0] > 0 and np.all(np.diff(f) > 0)):
                yield Problem(key=dim, rule="must be frequencies above 0, rising")
        else:
            labels = result[dim].values
            known = labels.dtype.kind in "iufU" or all(isinstance(one, (str, int, float)) for one in labels)
            if not known or len({str(one) for one in labels}) < len(labels):
                yield Problem(key=dim, rule="must have a label each, text or number, none twice")


def _numbers(result: Dataset, name: str, values_to: int) -> Iterator[Problem]:
    array = result[name]
    if name == "decay_method":
        if array.dtype.kind not in "OU" or not all(isinstance(one, str) for one in array.values.ravel()):
            yield Problem(key=name, rule="must be text")
        return
    if array.dtype.kind not in "fiu":
        yield Problem(key=name, rule="must be numbers")
        return
    if array.nbytes > values_to or name not in RANGES:
        return
    values = np.asarray(array.values, float)
    low, high = RANGES[name]
    wrong = (values < low - _ROUNDING) | (values > high + _ROUNDING)
    if wrong.any():
        yield Problem(key=name, value=float(values[wrong][0]), rule=f"must be {low:g} to {high:g}")
    if name == "level_db" and np.isnan(values).all():
        yield Problem(key=name, rule="holds no number")


def _metadata_problems(result: Dataset) -> Iterator[Problem]:
    text = result.attrs.get("metadata", "{}")
    if not isinstance(result.attrs.get("title", ""), str):
        yield Problem(key="title", rule="must be text")
    if not isinstance(result["level_db"].attrs.get("reference", ""), str):
        yield Problem(key="level_db.reference", rule="must be text")
    try:
        found = json.loads(text)
    except (ValueError, TypeError, RecursionError):
        yield Problem(key="metadata", rule="is no JSON text")
        return
    if not isinstance(found, dict):
        yield Problem(key="metadata", rule="must be a JSON object")
        return
    for key in ("inputs", "versions"):
        if not isinstance(found.get(key, {}), dict):
            yield Problem(key=f"metadata {key}", rule="must be an object")
    for key, rule in _LISTS.items():
        rows = found.get(key, [])
        if not isinstance(rows, list):
            yield Problem(key=f"metadata {key}", rule="must be a list")
            continue
        wrong = next((k for k, row in enumerate(rows) if not (isinstance(row, dict) and rule(row))), None)
        if wrong is not None:
            yield Problem(key=f"metadata {key}[{wrong}]", value=shown(rows[wrong]), rule="is no such entry")
    if (cases := found.get("modes")) and isinstance(cases, list):
        labels = [json.dumps([case.get(str(dim)) for dim in result["level_db"].dims[:-3]])
                  for case in cases if isinstance(case, dict)]
        if len(set(labels)) < len(labels):
            yield Problem(key="metadata modes", rule="must list each case once")


def _number(value: Any) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool) and abs(value) < 1e300 and value == value


def _maybe(value: Any) -> bool:
    return value is None or _number(value)


def _texts(value: Any) -> bool:
    return isinstance(value, list) and all(isinstance(one, str) for one in value)


def _maybes(value: Any, count: int) -> bool:
    return isinstance(value, list) and len(value) == count and all(map(_maybe, value))


def _note(row: Mapping[str, Any]) -> bool:
    return (isinstance(row.get("code"), str) and isinstance(row.get("text"), str)
            and _maybe(row.get("low_hz")) and _maybe(row.get("high_hz")))


def _reflection(row: Mapping[str, Any]) -> bool:
    listener = row.get("listener")
    return (isinstance(row.get("channel"), str) and isinstance(listener, int) and not isinstance(listener, bool)
            and listener >= 0 and _texts(row.get("faces"))
            and all(_number(row.get(key)) for key in ("delay_ms", "level_db", "high_level_db", "azimuth_deg",
                                                      "elevation_deg")))


def _modes(case: Mapping[str, Any]) -> bool:
    channels, drivers, modes = (case.get(key) for key in ("channels", "drivers", "modes"))
    if not (_texts(channels) and _texts(drivers) and isinstance(modes, list) and isinstance(case.get("design"), str)
            and len(set(channels)) == len(channels)):
        return False
    if not all(isinstance(mode, dict) and _mode(mode, len(channels), len(drivers)) for mode in modes):
        return False
    return len({(*mode["indices"], mode["frequency_hz"]) for mode in modes}) == len(modes)


def _mode(mode: Mapping[str, Any], channels: int, drivers: int) -> bool:
    indices = mode.get("indices")
    return (_number(mode.get("frequency_hz")) and mode["frequency_hz"] > 0 and isinstance(mode.get("kind"), str)
            and isinstance(indices, list) and len(indices) in (1, 3)
            and all(isinstance(n, int) and not isinstance(n, bool) and 0 <= n < 1000 for n in indices)
            and all(_maybe(mode.get(key)) for key in ("decay_s", "share_db", "seats_db"))
            and all(_maybes(mode.get(key), channels) for key in ("level_db", "channel_db"))
            and _maybes(mode.get("driver_db"), drivers)
            and (mode.get("decay_s") is None or math.isfinite(mode["decay_s"])))


_LISTS: dict[str, Callable[[Mapping[str, Any]], bool]] = {
    "notes": _note, "reflections": _reflection, "modes": _modes,
}
