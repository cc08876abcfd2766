"""Loudspeakers: rules that take more than one key."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from ..errors import Problem
from ..loudspeaker.channels import MOUNTINGS
from .fields import near
from .judging import at, list_at, mapping_at, number_at
from .loudspeaker import BOXES, KINDS
from .measurement_rules import measured_rules
from .yaml_lines import Document, Path_

CONES = ("piston", "cap")
"""Drivers whose own radius is that of a moving cone."""

FRONT_MARGIN_M = 0.05
"""Reference points may lie this far in front of the baffle or outside the cabinet (horns, acoustic centres)."""


def between_keys(document: Document) -> Iterator[Problem]:
    """Rules that take more than one key, on whatever of it is there."""
    data = document.data
    drivers = mapping_at(data, "drivers")
    for name, driver in drivers.items():
        if isinstance(driver, dict):
            yield from _one_kind(document, name, driver)
    for channel, placed in mapping_at(data, "channels").items():
        for k in range(len(list_at(placed))):
            where: Path_ = ("channels", channel, k)
            wanted = mapping_at(data, *where).get("driver")
            if isinstance(wanted, str) and drivers and wanted == wanted.strip() != "" and wanted not in drivers:
                yield document.problem((*where, "driver"), "is none of the drivers", value=wanted,
                                       cure=near(wanted, list(drivers)))
            yield from _filter_rules(document, (*where, "filter"))
            yield from _off_the_cabinet(document, (*where, "at_m"))


def _one_kind(document: Document, name: str, driver: dict[str, Any]) -> Iterator[Problem]:
    where: Path_ = ("drivers", name)
    kinds, boxes = [key for key in driver if key in KINDS], [key for key in driver if key in BOXES]
    beside = [key for key in driver if key in (*BOXES, "sensitivity_db", "limits")]
    if len(kinds) > 1 or (not kinds and len(beside) == len(driver)):
        told = f"has {' and '.join(kinds)}; " if kinds else ""
        yield document.problem(where, f"{told}must have one of " + ", ".join(KINDS))
    if len(boxes) > 1:
        yield document.problem((*where, boxes[1]), f"is one box too many beside {boxes[0]}", cure="keep one of the two")
    if boxes and "measured" in kinds:
        yield document.problem((*where, boxes[0]), "does not go with measured data: they hold the box already",
                               cure="take it out")
    if "measured" in kinds:
        yield from measured_rules(document, (*where, "measured"))
        if "sensitivity_db" in driver:
            yield document.problem((*where, "sensitivity_db"), "goes with a sketched driver",
                                   cure="write it into the mapping behind measured: {file: …, sensitivity_db: …}")
    yield from _limit_rules(document, (*where, "limits"), kinds)
    mounting = document.data.get("mounting")
    for kind in kinds:
        fits = {"rectangle": "on-wall", "cap": "free", "dipole": "free"}.get(kind, mounting)
        if mounting in MOUNTINGS and mounting != fits:
            yield document.problem((*where, kind), f"goes with mounting: {fits} only",
                                   cure="for a driver in a cabinet write piston")
    radius, sphere = (number_at(driver, "cap", key) for key in ("radius_m", "sphere_radius_m"))
    if radius is not None and sphere is not None and radius >= sphere:
        yield document.problem((*where, "cap", "sphere_radius_m"), f"must exceed the cap's radius_m ({radius:g} m)",
                               value=sphere)


def _limit_rules(document: Document, where: Path_, kinds: list[str]) -> Iterator[Problem]:
    said = mapping_at(document.data, *where)
    if at(document.data, *where) == {}:
        yield document.problem(where, "must have excursion_m, or power_w and watt_level_db")
    for key, other in (("power_w", "watt_level_db"), ("watt_level_db", "power_w"), ("cone_radius_m", "excursion_m")):
        if key in said and other not in said:
            yield document.problem((*where, key), f"needs {other} beside it")
    if "excursion_m" in said and "cone_radius_m" not in said and not set(kinds) & set(CONES):
        yield document.problem((*where, "excursion_m"), "needs cone_radius_m beside it, the radius of what moves")


def _filter_rules(document: Document, where: Path_) -> Iterator[Problem]:
    said = mapping_at(document.data, *where)
    low, high = number_at(said, "highpass_hz"), number_at(said, "lowpass_hz")
    if low is not None and high is not None and low >= high:
        yield document.problem((*where, "highpass_hz"), f"must be below lowpass_hz ({high:g} Hz)",
                               value=said["highpass_hz"], cure="nothing would pass; are the two exchanged?")
    for side in ("lowpass", "highpass"):
        order, shape = number_at(said, f"{side}_order"), said.get(f"{side}_shape", "linkwitz-riley")
        if order is not None and order % 2 == 1 and shape == "linkwitz-riley":
            yield document.problem((*where, f"{side}_order"), "must be even for linkwitz-riley", value=int(order),
                                   cure=f"an odd order needs {side}_shape: butterworth")
        for key in (f"{side}_order", f"{side}_shape"):
            if key in said and f"{side}_hz" not in said:
                yield document.problem((*where, key), f"does nothing without {side}_hz", value=said[key])


def _off_the_cabinet(document: Document, where: Path_) -> Iterator[Problem]:
    position = [number_at(document.data, *where, k) for k in range(3)]
    sides = [number_at(document.data, "cabinet_m", key) for key in ("depth", "width", "height")]
    if None in position or None in sides or len(list_at(document.data, *where)) != 3:
        return
    (x, y, z), (depth, width, height) = position, sides
    outside = max(x, -depth - x, abs(y) - width / 2, abs(z) - height / 2)
    shown = document.data
    for key in where:
        shown = shown[key]
    if document.data.get("mounting") == "on-wall" and x < 0:
        yield document.problem((*where, 0), "must be 0 or more on a wall: the baffle is the wall", value=x)
    elif outside > FRONT_MARGIN_M + 1e-9 and max(map(abs, position)) <= 2.5:
        yield document.problem(
            where, f"is {outside:.2f} m outside the cabinet ({width:g} × {height:g} × {depth:g} m)", value=shown,
            cure="[x, y, z] count from the centre of the baffle: out of it, to its own left, up",
        )
