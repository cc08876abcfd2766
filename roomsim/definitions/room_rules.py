"""Rooms: rules that take more than one key."""

from __future__ import annotations

import re
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
        for kind in ("patches", "openings", "adjustable"):
            for k, patch in enumerate(list_at(document.data, kind)):
                said = mapping_at(patch).get("surface")
                if isinstance(said, str) and said == said.strip() != "" and said not in faces:
                    yield document.problem((kind, k, "surface"), "is no face of this room", value=said,
                                           cure=near(said, faces))
    yield from _heights(document)
    for k, opening in enumerate(list_at(document.data, "openings")):
        if {"absorption", "absorption_m2"} <= mapping_at(opening).keys():
            yield document.problem(("openings", k, "absorption_m2"), "does not go with absorption",
                                   cure="keep one of the two")
    for k, item in enumerate(list_at(document.data, "furniture")):
        yield from _furniture(document, ("furniture", k), mapping_at(item))


def is_plan(data: Mapping[str, Any]) -> bool:
    """Whether a room is drawn as a floor plan."""
    return "plan_m" in data or "walls" in data


def face_names(document: Document) -> list[str] | None:
    """The faces of a room, None where something is wrong with the names of its walls."""
    parts = [name for name in mapping_at(document.data, "ceilings") if isinstance(name, str)]
    rest = [] if _all_parts(document) else ["ceiling"]
    if not is_plan(document.data):
        return [*BOX_FACES[:-1], *rest, *parts]
    walls = list_at(document.data, "walls")
    corners = list_at(document.data, "plan_m")
    if not walls or not all(isinstance(name, str) for name in walls) or wall_problems(walls, len(corners)):
        return None
    return [*walls, "floor", *rest, *parts]


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
    return _points(list_at(document.data, "plan_m"))


def _points(data: Any) -> np.ndarray | None:
    """A list of points, where every one of them is two possible numbers."""
    said = data if isinstance(data, list) else []
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


def _all_parts(document: Document) -> bool:
    """Whether the parts of the ceiling cover the plan, so that nothing is left of it."""
    outlines = [_points(at(document.data, "ceilings", name, "outline_m"))
                for name in mapping_at(document.data, "ceilings")]
    plan = _points(at(document.data, "plan_m"))
    length, width = (number_at(document.data, key) for key in ("length_m", "width_m"))
    if plan is None and length and width:
        plan = np.array([[0, 0], [length, 0], [length, width], [0, width]])
    if not outlines or plan is None or any(outline is None for outline in outlines):
        return False
    return abs(sum(map(_area, outlines)) - _area(plan)) < 1e-3


def _area(outline: np.ndarray) -> float:
    x, y = outline.T
    return abs(0.5 * float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y)))


def _heights(document: Document) -> Iterator[Problem]:
    """One way to say how high the ceiling is, as many heights as corners, names that are free."""
    data = document.data
    both = "height_m" in data and "corner_heights_m" in data
    if both:
        yield document.problem(("corner_heights_m",), "does not go with height_m", cure="keep one of the two")
    elif "height_m" not in data and "corner_heights_m" not in data:
        yield document.problem(("height_m",), "is missing", cure=RoomModel.model_fields["height_m"].description or "")
    if "corner_heights_m" in data and not is_plan(data):
        yield document.problem(("corner_heights_m",), "needs the corners of plan_m",
                               cure="draw the room with plan_m, or its ceiling with ceilings")
    walls = list_at(data, "walls") if is_plan(data) else list(BOX_FACES)
    for name, part in mapping_at(data, "ceilings").items():
        if name in walls or name in ("floor", "ceiling"):
            yield document.problem(("ceilings", name), "is the name of another face", cure="choose another")
        keys = [key for key in ("height_m", "corner_heights_m") if key in mapping_at(part)]
        if isinstance(part, Mapping) and len(keys) != 1:
            rule = "does not go with height_m" if keys else "is missing"
            yield document.problem(("ceilings", name, keys[-1] if keys else "height_m"), rule,
                                   cure="keep one of the two" if keys else "or corner_heights_m, where it slopes")
    for name in mapping_at(data, "obstacles"):
        if name in walls or name in ("floor", "ceiling") or name in mapping_at(data, "ceilings"):
            yield document.problem(("obstacles", name), "is the name of a face", cure="choose another")


def unknown_materials(document: Document, known: Collection[str]) -> Iterator[Problem]:
    """Materials that surfaces, patches and adjustables name and that there are none of."""
    wanted: list[tuple[Path_, Any]] = [
        (("surfaces", face), said) for face, said in mapping_at(document.data, "surfaces").items()
    ]
    wanted += [(("patches", k, "material"), mapping_at(patch).get("material"))
               for k, patch in enumerate(list_at(document.data, "patches"))]
    wanted += [(("obstacles", name, "material"), mapping_at(one).get("material"))
               for name, one in mapping_at(document.data, "obstacles").items()]
    wanted += [(("adjustable", k, "absorber"), mapping_at(one).get("absorber"))
               for k, one in enumerate(list_at(document.data, "adjustable"))]
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


def misplaced(document: Document, error: InvalidValue, patches: int) -> Problem:
    """The problem of a patch, an opening or an item whose place in the room is wrong.

    patches : how many there are; those that the geometry counts beyond are openings
    """
    def said(match: re.Match[str]) -> str:
        number = int(match[1])
        return f"patches[{number}]" if number < patches else f"openings[{number - patches}]"

    key, rule = (re.sub(r"patches\[(\d+)\]", said, text) for text in (error.key, error.rule))
    where: list[str | int] = []
    for part in key.replace("[", ".").replace("]", "").split("."):
        where.append(int(part) if part.isdigit() else part)
    return document.problem(tuple(where), rule, value=error.value, cure=error.cure)
