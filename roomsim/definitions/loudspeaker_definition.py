"""Loudspeakers: what comes of the schema."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ..errors import InvalidValue
from ..loudspeaker.channels import MOUNTINGS, Loudspeaker
from .data_files import fir_at
from .judging import content_hash, judged, list_at, mapping_at
from .loudspeaker import LoudspeakerModel
from .loudspeaker_parts import built
from .loudspeaker_rules import between_keys
from .measurement_definition import MeasurementDefinition, measured_at
from .yaml_lines import Document, Path_

if TYPE_CHECKING:
    from ..loudspeaker.filters import Fir
    from .reading import Reader


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LoudspeakerDefinition:
    """A design as its file says it.

    Attributes
    ----------
    name : label for people
    source : the file
    files : all files that were read for it
    content_hash : of what the file says and of the data it names
    assumptions : sentences on what sketched drivers take for granted, and what of measured ones was measured,
        filled or assumed
    measured_notes : those of them that are about measured drivers
    measurements : driver -> its measurement, for those that were measured
    drive_v : voltage before every driver's filter that levels are for, None where they are relative
    """

    name: str
    source: Path
    files: tuple[Path, ...]
    content_hash: str
    assumptions: tuple[str, ...]
    measured_notes: frozenset[str]
    measurements: Mapping[str, MeasurementDefinition]
    drive_v: float | None
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
    filters = _firs(document, reader)
    if model is None or len(reader.problems) > before:
        return None
    reader.problems += _levels(document, model, measured)
    if len(reader.problems) > before:
        return None
    try:
        loudspeaker, assumptions = built(
            model, {name: found.directivity for name, found in measured.items()},
            {place: fir for place, (fir, *_) in filters.items()},
        )
    except InvalidValue as error:
        reader.problems.append(document.problem((error.key,), error.rule, value=error.value, cure=error.cure))
        return None
    return LoudspeakerDefinition(
        name=model.loudspeaker, source=document.path,
        files=tuple(dict.fromkeys([
            document.path, *(path for found in measured.values() for path in found.files if path != document.path),
            *(path for _, path, _ in filters.values()),
        ])),
        content_hash=_hash(model, measured, {place: digest for place, (*_, digest) in filters.items()}),
        assumptions=assumptions, measurements=measured, _loudspeaker=loudspeaker,
        measured_notes=frozenset(f"{name}: {text}" for name, found in measured.items() for text in found.assumptions),
        drive_v=model.drive_v if loudspeaker.calibrated else None,
    )


def _hash(
    model: LoudspeakerModel, measured: Mapping[str, MeasurementDefinition], filters: Mapping[tuple[str, int], str]
) -> str:
    """Of what is said, with the content of data files instead of their names."""
    parts: dict[str, Any] = {f"measured {name}": found.content_hash for name, found in measured.items()}
    parts |= {f"fir {channel} {k}": digest for (channel, k), digest in filters.items()}
    named = {"drivers": {"__all__": {"measured"}}, "channels": {"__all__": {"__all__": {"filter": {"fir"}}}}}
    return content_hash(model, parts, named)


def _measured(document: Document, reader: Reader) -> dict[str, MeasurementDefinition]:
    """Measured drivers: name -> measurement, where mounting and sphere go together."""
    found: dict[str, MeasurementDefinition] = {}
    for name, driver in mapping_at(document.data, "drivers").items():
        if "measured" not in mapping_at(driver):
            continue
        where: Path_ = ("drivers", name, "measured")
        measurement = measured_at(reader, document, where, name)
        if measurement is None:
            continue
        found[name] = measurement
        half, mounting = measurement.directivity.half_space, document.data.get("mounting")
        if mounting in MOUNTINGS and half != (mounting == "on-wall"):
            sphere, fits = ("half", "on-wall") if half else ("full", "free")
            said = mapping_at(driver)["measured"]
            reader.problems.append(document.problem(
                where, f"holds a {sphere} sphere, but the loudspeaker's mounting is {mounting}",
                value=said if isinstance(said, str) else said.get("file"),
                cure=f"a {sphere} sphere goes with mounting: {fits}",
            ))
    return found


def _firs(document: Document, reader: Reader) -> dict[tuple[str, int], tuple[Fir, Path, str]]:
    """FIR filters: channel and position in it -> taps, file, hash."""
    found = {}
    for channel, placed in mapping_at(document.data, "channels").items():
        for k, driver in enumerate(list_at(placed)):
            text = mapping_at(driver, "filter").get("fir")
            if isinstance(text, str) and text.lower().endswith(".wav") and "\\" not in text:
                fir = fir_at(reader, document, ("channels", channel, k, "filter", "fir"), text)
                if fir is not None:
                    found[channel, k] = fir
    return found


def _levels(
    document: Document, model: LoudspeakerModel, measured: Mapping[str, MeasurementDefinition]
) -> list[Any]:
    """Drivers with relative levels beside drivers with absolute ones."""
    absolute = {
        name: measured[name].directivity.calibrated if name in measured else driver.sensitivity_db is not None
        for name, driver in model.drivers.items()
    }
    used = dict.fromkeys(placed.driver for drivers in model.channels.values() for placed in drivers)
    if len({absolute[name] for name in used}) < 2:
        return []
    known = next(name for name in used if absolute[name])
    return [
        document.problem(
            ("drivers", name), f"has relative levels, {known} has absolute ones: their balance is not known",
            cure="give drive_v or sensitivity_db with its measurement" if name in measured
            else "give its sensitivity_db (on axis at 1 m for 2.83 V)",
        )
        for name in used if not absolute[name]
    ]
