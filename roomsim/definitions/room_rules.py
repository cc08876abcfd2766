"""Rooms: rules that take more than one key."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from typing import Any

import numpy as np

from ..conventions import BOX_FACES
from ..errors import InvalidValue, Problem
from ..room.furniture import furniture_catalogue
from ..room.geometry import SIZE_LIMITS_M
from ..room.outline import corner_problems, wall_problems
from .fields import near
from .judging import at, list_at, mapping_at, number_at
from .room import FACE_MATERIAL, RoomModel
from .yaml_lines import Document, Path_

OWN = ("absorption_m2", "volume_m3", "scattering", "source", "size_m")
"""Keys of furniture that is not in the catalogue."""


def between_keys(document: Document) -> Iterator[Problem]:
    """Rules of shape, faces and furniture, on whatever of it is there."""
    yield from _shape(document)
    faces = face_names(document)
    if faces is not None:
        yield from _surfaces(document, faces)
        for k, patch in enumerate(list_at(document.data, "patches")):
            said = mapping_at(patch).get("surface")
            if isinstance(said, str) and said == said.strip() != "" and said not in faces:
                yield document.problem(("patches", k, "surface"), "is no face of this room", value=said,
                                       cure=near(said, faces))
    for k, item in enumerate(list_at(document.data, "furniture")):
        yield from _furniture(document, ("furniture", k), mapping_at(item))


def is_plan(data: Mapping[str, Any]) -> bool:
    """Whether a room is drawn as a floor plan."""
    return "plan_m" in data or "walls" in data


def face_names(document: Document) -> list[str] | None:
    """The faces of a room, None where something is wrong with the names of its walls."""
    if not is_plan(document.data):
        return list(BOX_FACES)
    walls = list_at(document.data, "walls")
    corners = list_at(document.data, "plan_m")
    if not walls or not all(isinstance(name, str) for name in walls) or wall_problems(walls, len(corners)):
        return None
    return [*walls, "floor", "ceiling"]


def _shape(document: Document) -> Iterator[Problem]:
    data = document.data
    if not is_plan(data):
        for key in ("width_m", "length_m"):
            if key not in data:
                yield document.problem((key,), "is missing", cure=RoomModel.model_fields[key].description or "")
        return
    for key in ("width_m", "length_m"):
        if key in data:
            yield document.problem((key,), "does not go with plan_m, which says the size", cure="keep one of the two")
    for key in ("plan_m", "walls"):
        if key not in data:
            yield document.problem((key,), "is missing", cure=RoomModel.model_fields[key].description or "")
    corners = _corners(document)
    walls = list_at(data, "walls")
    if corners is not None and walls and all(isinstance(name, str) for name in walls):
        for corner, rule in wall_problems(walls, len(corners)):
            yield document.problem(("walls", *_index(corner)), rule)
    if corners is None:
        return
    found = corner_problems(corners)
    for corner, rule in found:
        told = f"corner {corner}: {rule}" if corner else rule
        yield document.problem(("plan_m", *_index(corner)), told,
                               value=list_at(data, "plan_m")[corner - 1] if corner else None)
    if not found:
        extent = np.ptp(corners, axis=0)
        for name, key, side in zip(("x", "y"), ("length_m", "width_m"), extent, strict=True):
            low, high = SIZE_LIMITS_M[key]
            if not low <= side <= high:
                yield document.problem(("plan_m",), f"reaches {side:g} m along {name}; must be {low:g} to {high:g} m")


def _index(corner: int) -> Path_:
    return (corner - 1,) if corner else ()


def _corners(document: Document) -> np.ndarray | None:
    """The corners, where every one of them is two possible numbers."""
    said = list_at(document.data, "plan_m")
    corners = [[number_at(said, k, axis) for axis in range(2)] for k in range(len(said))]
    sizes = [len(list_at(said, k)) for k in range(len(said))]
    numbers = [value for corner in corners for value in corner]
    if not said or set(sizes) != {2} or not all(value is not None and abs(value) <= 50 for value in numbers):
        return None
    return np.array(corners, float)


def _surfaces(document: Document, faces: list[str]) -> Iterator[Problem]:
    said = at(document.data, "surfaces")
    if not isinstance(said, Mapping) or not said:
        return
    for face in faces:
        if face not in said:
            yield document.problem(("surfaces", face), "is missing", cure=FACE_MATERIAL)
    for key, value in said.items():
        if key not in faces:
            yield document.problem(("surfaces", key), "is no face of this room",
                                   value=value if isinstance(value, str) else None, cure=near(key, faces))


def unknown_materials(document: Document, known: Collection[str]) -> Iterator[Problem]:
    """Materials that surfaces and patches name and that there are none of."""
    wanted: list[tuple[Path_, Any]] = [
        (("surfaces", face), said) for face, said in mapping_at(document.data, "surfaces").items()
    ]
    wanted += [(("patches", k, "material"), mapping_at(patch).get("material"))
               for k, patch in enumerate(list_at(document.data, "patches"))]
    for where, said in wanted:
        if isinstance(said, str) and said == said.strip() != "" and said not in known:
            yield document.problem(where, "unknown material", value=said, cure=near(said, list(known), 5))


def _furniture(document: Document, where: Path_, said: Mapping[str, Any]) -> Iterator[Problem]:
    name, catalogue = said.get("item"), furniture_catalogue()
    if not isinstance(name, str) or name != name.strip() or not name:
        return
    own = [key for key in OWN if key in said]
    if name in catalogue:
        for key in own:
            yield document.problem((*where, key), f"does not go with {name}, an item of the catalogue",
                                   cure="take it out, or give your own item another name")
        if said.get("occupied") is True and not catalogue[name].occupied_m2:
            yield document.problem((*where, "occupied"), f"nobody sits on a {name}", value=True, cure="take it out")
    elif not own:
        yield document.problem((*where, "item"), "is not in the catalogue of furniture", value=name,
                               cure=f"{near(name, list(catalogue), 5)}; an item of your own needs volume_m3")
    else:
        if "volume_m3" not in said:
            yield document.problem((*where, "volume_m3"), "is missing",
                                   cure=f"{name} is not in the catalogue; say what it fills, in m³")
        if said.get("occupied") is True:
            yield document.problem((*where, "occupied"), "does not go with an item of your own", value=True,
                                   cure="give absorption_m2 as it is with people on it")
    count = number_at(said, "count")
    if "at_m" in said and count is not None and count > 1:
        yield document.problem((*where, "at_m"), f"is one place for {count:g} items",
                               cure="give each an entry of its own")
    if "azimuth_deg" in said and "at_m" not in said:
        yield document.problem((*where, "azimuth_deg"), "says nothing without at_m", cure="add at_m, or take it out")
    if "at_m" in said and own and name not in catalogue and "size_m" not in said:
        yield document.problem((*where, "at_m"), "says nothing without size_m", cure="add size_m, or take it out")


def misplaced(document: Document, error: InvalidValue) -> Problem:
    """The problem of a patch or an item whose place in the room is wrong."""
    where: list[str | int] = []
    for part in error.key.replace("[", ".").replace("]", "").split("."):
        where.append(int(part) if part.isdigit() else part)
    return document.problem(tuple(where), error.rule, value=error.value, cure=error.cure)
