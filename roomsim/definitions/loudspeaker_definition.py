"""Loudspeakers: what comes of the schema."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from ..errors import InvalidValue, RoomsimError
from ..loudspeaker.channels import MOUNTINGS, Loudspeaker, PlacedDriver
from ..loudspeaker.filters import Filter, Section
from .judging import content_hash, judged, mapping_at
from .loudspeaker import DriverModel, FilterModel, LoudspeakerModel
from .loudspeaker_rules import between_keys
from .references import file_hash
from .yaml_lines import Document, Path_

if TYPE_CHECKING:
    from ..loudspeaker.directivity import Directivity
    from .reading import Reader


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LoudspeakerDefinition:
    """A design as its file says it.

    Attributes
    ----------
    name : label for people
    source : the file
    files : all files that were read for it
    content_hash : of what the file says and of the measured data it names
    assumptions : sentences on what sketched drivers take for granted
    """

    name: str
    source: Path
    files: tuple[Path, ...]
    content_hash: str
    assumptions: tuple[str, ...]
    _loudspeaker: Loudspeaker

    def loudspeaker(self) -> Loudspeaker:
        """The design itself."""
        return self._loudspeaker


def define(document: Document, reader: Reader) -> LoudspeakerDefinition | None:
    """The loudspeaker in a document; problems go to the reader."""
    model, problems = judged(LoudspeakerModel, document)
    problems += between_keys(document)
    before = len(reader.problems)
    reader.problems += problems
    measured = _measured(document, reader)
    if model is None or len(reader.problems) > before:
        return None
    try:
        loudspeaker, assumptions = _built(model, {name: data for name, (data, *_) in measured.items()})
    except InvalidValue as error:
        reader.problems.append(document.problem((error.key,), error.rule, value=error.value, cure=error.cure))
        return None
    return LoudspeakerDefinition(
        name=model.loudspeaker, source=document.path,
        files=(document.path, *dict.fromkeys(path for _, path, _ in measured.values())),
        content_hash=content_hash(
            model.model_copy(update={"drivers": {
                name: driver.model_copy(update={"measured": measured[name][2]} if name in measured else {})
                for name, driver in model.drivers.items()
            }}), {},
        ),
        assumptions=assumptions, _loudspeaker=loudspeaker,
    )


def _measured(document: Document, reader: Reader) -> dict[str, tuple[Directivity, Path, str]]:
    """Measured drivers: name -> data, file, hash of the file."""
    from ..files.sofa import read_directivity

    found: dict[str, tuple[Directivity, Path, str]] = {}
    for name, driver in mapping_at(document.data, "drivers").items():
        where: Path_ = ("drivers", name, "measured")
        file = mapping_at(driver).get("measured")
        if not isinstance(file, str) or not file.lower().endswith(".sofa") or "\\" in file:
            continue
        path = reader.locate(document, where, file)
        if path is None:
            continue
        try:
            data = read_directivity(path, name)
            found[name] = (data, path, file_hash(path))
        except RoomsimError as error:
            for what, cure in _told(error):
                reader.problems.append(document.problem(where, what, value=file, cure=cure))
            continue
        half, mounting = data.half_space, document.data.get("mounting")
        if mounting in MOUNTINGS and half != (mounting == "on-wall"):
            sphere, fits = ("half", "on-wall") if half else ("full", "free")
            reader.problems.append(document.problem(
                where, f"holds a {sphere} sphere, but the loudspeaker's mounting is {mounting}", value=file,
                cure=f"a {sphere} sphere goes with mounting: {fits}",
            ))
    return found


def _told(error: RoomsimError) -> list[tuple[str, str]]:
    """Rule and cure of every problem of a data file."""
    problems = getattr(error, "problems", (error,) if isinstance(error, InvalidValue) else ())
    told = [(f"{problem.key}: {problem.rule}" if problem.key else problem.rule, problem.cure) for problem in problems]
    return told or [(str(error), "")]


def _built(model: LoudspeakerModel, measured: dict[str, Directivity]) -> tuple[Loudspeaker, tuple[str, ...]]:
    directivity = {
        name: measured[name] if name in measured else _sketched(name, driver, model)
        for name, driver in model.drivers.items()
    }
    used = dict.fromkeys(placed.driver for drivers in model.channels.values() for placed in drivers)
    told = (
        sentence for name in used
        for sentence in (getattr(directivity[name], "assumption", ""), *getattr(directivity[name], "notes", ()))
    )
    loudspeaker = Loudspeaker(
        name=model.loudspeaker,
        width_m=model.cabinet_m.width, height_m=model.cabinet_m.height, depth_m=model.cabinet_m.depth,
        mounting=model.mounting,
        channels={
            channel: tuple(
                PlacedDriver(
                    name=placed.driver, directivity=directivity[placed.driver], position_m=_fixed(placed.at_m),
                    azimuth_deg=placed.aim.azimuth_deg, elevation_deg=placed.aim.elevation_deg,
                    filter=_filter(placed.filter),
                )
                for placed in drivers
            )
            for channel, drivers in model.channels.items()
        },
    )
    return loudspeaker, tuple(dict.fromkeys(sentence for sentence in told if sentence))


def _sketched(name: str, driver: DriverModel, model: LoudspeakerModel) -> Directivity:
    from ..loudspeaker import boxes

    bare = _bare(name, driver, model)
    if driver.closed_box:
        return boxes.Boxed(driver=bare, box=boxes.ClosedBox(**driver.closed_box.model_dump()))
    if driver.vented_box:
        return boxes.Boxed(driver=bare, box=boxes.VentedBox(**driver.vented_box.model_dump()))
    return bare


def _bare(name: str, driver: DriverModel, model: LoudspeakerModel) -> Directivity:
    from ..loudspeaker import drivers

    if driver.piston:
        cabinet = model.cabinet_m
        return drivers.sketch_piston(
            driver.piston.radius_m, mounting=model.mounting, name=name,
            width_m=cabinet.width, height_m=cabinet.height, depth_m=cabinet.depth,
        )
    kinds = {
        "rectangle": drivers.RectangularPiston, "cap": drivers.Cap, "dipole": drivers.Dipole, "line": drivers.Line,
        "omni": drivers.Omni,
    }
    kind = next(kind for kind in kinds if getattr(driver, kind) is not None)
    return kinds[kind](name=name, **getattr(driver, kind).model_dump())


def _filter(said: FilterModel) -> Filter:
    plain = said.model_dump(exclude={"polarity", "equaliser"})
    sections = tuple(Section(**section.model_dump()) for section in said.equaliser)
    return Filter(invert=said.polarity == "inverted", equaliser=sections, **plain)


def _fixed(position_m: tuple[float, float, float]) -> NDArray[np.float64]:
    position = np.array(position_m)
    position.setflags(write=False)
    return position
