"""Rooms: rules of what is adjustable and of settings, and what comes of them."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from typing import TYPE_CHECKING, Any

from ..errors import InvalidValue, Problem
from .fields import near
from .judging import list_at, mapping_at, number_at
from .yaml_lines import Document

if TYPE_CHECKING:
    from ..room.adjustable import Adjustable
    from ..room.geometry import Geometry
    from ..room.materials import Material
    from .room import AdjustableModel


def setting_rules(document: Document) -> Iterator[Problem]:
    """Limits, names and areas, on whatever of them is there."""
    data = document.data
    names: dict[str, int] = {}
    limits: dict[str, tuple[float, float] | None] = {}
    for k, one in enumerate(list_at(data, "adjustable")):
        yield from _adjustable(document, k, mapping_at(one))
        name = _name(mapping_at(one))
        if name is None:
            continue
        if name in names:
            yield document.problem(("adjustable", k, "name"), f"is the same as of adjustable[{names[name]}]",
                                   value=name, cure="give each a name of its own")
        names.setdefault(name, k)
        area = [number_at(one, "area_m2", i) for i in range(2)]
        limits[name] = None if None in area else (area[0], area[1])
    for setting, said in mapping_at(data, "settings").items():
        where = ("settings", setting)
        given = mapping_at(said).get("area_m2")
        for name, area in (given.items() if isinstance(given, Mapping) else ()):
            if name not in names:
                cure = near(name, list(names)) if names else "list it under adjustable"
                yield document.problem((*where, "area_m2", name), "is nothing that is adjustable", cure=cure)
            elif (limit := limits[name]) and isinstance(area, (int, float)) and not limit[0] <= area <= limit[1]:
                yield document.problem((*where, "area_m2", name), f"must be {limit[0]:g} to {limit[1]:g} m²",
                                       value=area, cure=f"those are its limits in adjustable[{names[name]}]")
        if mapping_at(said).get("decay_s") is not None and not (set(names) - set(given or ())):
            yield document.problem((*where, "decay_s"), "cannot be met where nothing is adjustable",
                                   cure="list panels or curtains under adjustable" if not names
                                   else "area_m2 fixes all there is")


def _name(said: Mapping[str, Any]) -> str | None:
    name = said.get("name", said.get("absorber"))
    return name if isinstance(name, str) else None


def _adjustable(document: Document, k: int, said: Mapping[str, Any]) -> Iterator[Problem]:
    where = ("adjustable", k)
    if "area_m2" in said and "coverage" in said:
        yield document.problem((*where, "coverage"), "does not go with area_m2", cure="keep one of the two")
    if said.get("spread") is True and "from_m" in said:
        yield document.problem((*where, "spread"), "does not go with from_m", cure="keep one of the two")
    if ("from_m" in said) != ("to_m" in said):
        missing = "to_m" if "from_m" in said else "from_m"
        yield document.problem((*where, missing), "is missing", cure="the opposite corner of its rectangle")
    if not {"area_m2", "coverage", "from_m", "to_m"} & set(said):
        yield document.problem((*where, "area_m2"), "is missing", cure="say [least, most], or give from_m and to_m")
    for key in ("area_m2", "coverage"):
        low, high = (number_at(said, key, i) for i in range(2))
        if low is None or high is None:
            continue
        if low > high:
            yield document.problem((*where, key), "must rise from least to most", value=said[key],
                                   cure=f"write [{high:g}, {low:g}]")
        usual = number_at(said, "usual_m2")
        if key == "area_m2" and usual is not None and not low <= usual <= high:
            yield document.problem((*where, "usual_m2"), f"must be within area_m2, {low:g} to {high:g} m²", value=usual)


def adjustable_of(
    said: AdjustableModel, geometry: Geometry, material: Callable[[str], Material]
) -> Adjustable:
    """What comes of an entry of `adjustable`."""
    from ..room.adjustable import Adjustable

    face = geometry.face(said.surface)
    if said.area_m2 is not None:
        least, most = said.area_m2
    elif said.coverage is not None:
        least, most = (round(share * face.exposed_m2, 2) for share in said.coverage)
    else:
        (a, b), (c, d) = said.from_m, said.to_m
        least, most = 0.0, round(abs((c - a) * (d - b)), 2)
    return Adjustable(
        name=said.name or said.absorber, material=material(said.absorber), face=said.surface, least_m2=least,
        most_m2=most, spread=said.spread, usual_m2=least if said.usual_m2 is None else said.usual_m2,
        from_m=said.from_m, to_m=said.to_m,
    )


def misplaced_adjustables(
    document: Document, geometry: Geometry, patches: list[Any], adjustables: list[Adjustable]
) -> Iterator[Problem]:
    """Adjustables that do not fit where they are to be."""
    from ..room.adjustable import regions
    from ..room.furnishing import Patch
    from ..room.room import furnishing_problems
    from .room_rules import misplaced

    outside = False
    for k, one in enumerate(adjustables):
        if one.usual_m2 > one.most_m2 + 1e-9 or one.usual_m2 < one.least_m2 - 1e-9:
            yield document.problem(("adjustable", k, "usual_m2"),
                                   f"must be {one.least_m2:g} to {one.most_m2:.4g} m²", value=one.usual_m2)
        if one.from_m is None or one.to_m is None:
            continue
        try:
            patch = Patch(face=one.face, material=one.material, from_m=one.from_m, to_m=one.to_m)
        except InvalidValue as error:
            outside = True
            yield document.problem(("adjustable", k, "to_m"), error.rule, value=list_at(document.data, "adjustable", k,
                                                                                        "to_m"))
            continue
        for error in furnishing_problems(geometry, [patch], []):
            outside = True
            yield document.problem(("adjustable", k), error.rule, value=error.value, cure=error.cure)
    if outside:
        return
    for found in regions(geometry, patches, adjustables):
        if isinstance(found, InvalidValue):
            yield misplaced(document, found, len(patches))
