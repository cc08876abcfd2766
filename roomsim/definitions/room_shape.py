"""Rooms: the shape that a file describes, and what is wrong with its ceilings and obstacles."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np

from ..errors import InvalidValue, Problem
from .judging import at
from .yaml_lines import Document, Path_

if TYPE_CHECKING:
    from ..room.ceilings import CeilingPart
    from ..room.geometry import Geometry
    from ..room.obstacles import Obstacle
    from .room import CeilingModel, ObstacleModel, RoomModel


def geometry_of(said: RoomModel) -> Geometry:
    """The faces of a room whose shape has no problems."""
    from ..room.geometry import with_obstacles

    empty = _empty(said)
    obstacles = [_obstacle(name, one) for name, one in (said.obstacles or {}).items()]
    return with_obstacles(empty, obstacles) if obstacles else empty


def shape_problems(document: Document, said: RoomModel) -> Iterator[Problem]:
    """What is wrong with ceilings and obstacles, of a room whose keys and corners are right."""
    from ..room.ceilings import part_problems
    from ..room.geometry import obstacle_problems

    parts, wrong = [], False
    for name, one in (said.ceilings or {}).items():
        try:
            parts.append(_part(name, one))
        except InvalidValue as error:
            wrong = True
            yield _problem(document, f"ceilings.{name}.{error.key}", error)
    plan = _plan(said)
    for name, corner, rule in part_problems(plan, parts) if parts else ():
        wrong = True
        where: Path_ = ("ceilings", name, "outline_m", *((corner - 1,) if corner else ()))
        yield document.problem(where, rule, value=at(document.data, *where) if corner else None)
    if wrong:
        return
    try:
        empty = _empty(said)
    except InvalidValue as error:
        yield _problem(document, error.key, error)
        return
    obstacles = [_obstacle(name, one) for name, one in (said.obstacles or {}).items()]
    for name, key, value, rule, cure in obstacle_problems(empty, obstacles):
        where = ("obstacles", name, *((key,) if key else ()))
        yield document.problem(where, rule, value=value, cure=cure)


def _empty(said: RoomModel) -> Geometry:
    from ..room.geometry import box, plan_room

    if said.plan_m is None and not said.ceilings:
        return box(said.length_m, said.width_m, said.height_m)
    walls = said.walls if said.plan_m is not None else ["left", "back", "right", "front"]
    height = said.height_m if said.corner_heights_m is None else said.corner_heights_m
    parts = [_part(name, one) for name, one in (said.ceilings or {}).items()]
    return plan_room(_plan(said), walls, height, ceilings=parts, room_axes=said.plan_m is None)


def _plan(said: RoomModel) -> np.ndarray:
    if said.plan_m is not None:
        return np.array(said.plan_m, float)
    return np.array([[0, 0], [said.length_m, 0], [said.length_m, said.width_m], [0, said.width_m]], float)


def _part(name: str, said: CeilingModel) -> CeilingPart:
    from ..room.ceilings import ceiling_part

    return ceiling_part(name, said.outline_m, said.height_m if said.corner_heights_m is None else said.corner_heights_m)


def _obstacle(name: str, said: ObstacleModel) -> Obstacle:
    from ..room.obstacles import Obstacle

    size = (said.size_m.width, said.size_m.depth, said.size_m.height)
    x, y = map(float, said.at_m)
    return Obstacle(name=name, at_m=(x, y), size_m=size, azimuth_deg=said.azimuth_deg, base_m=said.base_m)


def _problem(document: Document, key: str, error: InvalidValue) -> Problem:
    """The problem at the key of the file that a key of the geometry stands for."""
    sloping = "corner_heights_m" in document.data
    key = key.replace("heights_m", "corner_heights_m")
    if key.startswith("height_m") and sloping:
        key = "corner_" + key.replace("height_m", "heights_m")
    name, match = None, re.match(r"ceilings\.(.*)\.(\w+)(\[\d+\])?$", key)
    if match:
        name, key = match[1], match[2] + (match[3] or "")
        own = at(document.data, "ceilings", name)
        if key == "height_m" and isinstance(own, dict) and "height_m" not in own:
            key = "corner_heights_m"
    where: list[str | int] = ["ceilings", name] if name is not None else []
    for part in key.replace("]", "").split("["):
        where.append(int(part) if part.isdigit() else part)
    return document.problem(tuple(where), error.rule, value=error.value, cure=error.cure)
