"""Dotted keys that a study varies, and what they change."""

from __future__ import annotations

import copy
import itertools
from collections.abc import Iterator, Mapping
from typing import Any

from pydantic import ValidationError

from ..errors import Problem
from .fields import model_at, near, problems_of
from .judging import list_at, mapping_at
from .study import VARY_VALUES, NearModel, PlaceModel, SeatsModel, SpreadModel
from .yaml_lines import Document, Path_

PLACE_KEYS = tuple(key for key in PlaceModel.model_fields if key != "near")
NEAR_KEYS = tuple(
    f"near.{plate}.{key}" for plate in NearModel.model_fields for key in model_at(NearModel, (plate,)).model_fields
)
SEATS_KEYS = {
    **{key: ("seats", key) for key in SeatsModel.model_fields if key not in ("count", "spread_m")},
    **{f"spread_m.{key}": ("seats", "spread_m", key) for key in SpreadModel.model_fields},
}
"""The number of seats stays: it is a dimension of the result."""


def known_keys(data: Mapping[str, Any]) -> list[str]:
    """Every dotted key that this study could vary."""
    places = {label: _place_keys(data, label) for label in mapping_at(data, "places")}
    return [
        *(f"place.{key}" for key in dict.fromkeys(key for keys in places.values() for key in keys)),
        *(f"seats.{key}" for key in SEATS_KEYS),
        *(f"places.{label}.{key}" for label, keys in places.items() for key in keys),
    ]


def _place_keys(data: Mapping[str, Any], label: str) -> list[str]:
    """What can be varied of a place: its own keys, and those of the plates that it has."""
    plates = mapping_at(data, "places", label, "near")
    return [*PLACE_KEYS, *(key for key in NEAR_KEYS if plates.get(key.split(".")[1]) is not None)]


def targets(dotted_key: str, data: Mapping[str, Any]) -> list[Path_]:
    """Places in a study that a dotted key changes; empty for an unknown key."""
    group, _, key = dotted_key.partition(".")
    if group == "seats" and key in SEATS_KEYS:
        return [SEATS_KEYS[key]]
    found = []
    for label in mapping_at(data, "places") if group in ("place", "places") else ():
        own = key if group == "place" else key.removeprefix(f"{label}.")
        if (group == "place" or own != key) and own in _place_keys(data, label):
            found.append(("places", label, *own.split(".")))
    return found


def combinations(vary: Mapping[str, Any]) -> Iterator[dict[str, Any]]:
    """Every combination of values, the last key changing fastest; one empty one where nothing varies."""
    for values in itertools.product(*vary.values()):
        yield dict(zip(vary, values, strict=True))


def applied(data: Mapping[str, Any], combination: Mapping[str, Any]) -> dict[str, Any]:
    """A study's places and seats with one combination put in; the rest of `data` as it is."""
    changed = dict(data)
    for group in ("places", "seats"):
        if group in changed:
            changed[group] = copy.deepcopy(changed[group])
    for dotted_key, value in combination.items():
        for where in targets(dotted_key, data):
            _put(changed, where, value)
    return changed


def judged(document: Document) -> tuple[list[Problem], dict[str, list[Any]]]:
    """What is wrong with `vary`, and what is right: dotted key -> values.

    Wrong are unknown keys, keys that change the same thing, values that break the rule of what they change.
    """
    data = document.data
    problems: list[Problem] = []
    sound: dict[str, list[Any]] = {}
    owner: dict[Path_, str] = {}
    for key in mapping_at(data, "vary"):
        changes = targets(key, data)
        if not changes:
            if mapping_at(data, "places") or not key.startswith("place"):     # else missing places are reported
                problems.append(document.problem(("vary", key), "is nothing that can be varied",
                                                 cure=near(key, known_keys(data))))
            continue
        if taken := next((owner[where] for where in changes if where in owner), None):
            problems.append(document.problem(("vary", key), f"changes the same as {taken}", cure="keep one of the two"))
            continue
        owner |= dict.fromkeys(changes, key)
        values = list_at(data, "vary", key)[:VARY_VALUES]
        wrong = {k: _value_problems(document, ("vary", key, k), changes[0], value) for k, value in enumerate(values)}
        problems += [problem for k in wrong for problem in wrong[k]]
        if right := [value for k, value in enumerate(values) if not wrong[k]]:
            sound[key] = right
    return problems, sound


def _value_problems(document: Document, where: Path_, change: Path_, value: Any) -> list[Problem]:
    if isinstance(value, (dict, list)):
        return [document.problem(where, "must be one number or word")]
    model, inner = (PlaceModel, change[2:]) if change[0] == "places" else (SeatsModel, change[1:])
    data: dict[str, Any] = {}
    _put(data, inner, value)
    try:
        model.model_validate(data)
    except ValidationError as error:
        return [
            document.problem(where, problem.rule, value=value, cure=problem.cure)
            for problem in problems_of(error, model, document) if problem.rule != "is missing"
        ]
    return []


def _put(data: dict[str, Any], where: Path_, value: Any) -> None:
    for key in where[:-1]:
        if not isinstance(data.get(key), dict):
            data[key] = {}
        data = data[key]
    data[where[-1]] = value
