"""Finishes of a user's own: the schema and what comes of it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from pydantic import Field

from ..errors import InvalidValue, Problem
from ..room.fitting import KINDS
from ..room.materials import MATERIAL_KINDS, Finish, catalogue
from .fields import Model, band_hz, bands, choice, entries, items, near, number, text
from .judging import content_hash, judged, mapping_at
from .yaml_lines import Document

if TYPE_CHECKING:
    from .reading import Reader

FINISHES = 1000


class FinishModel(Model):
    """One finish: a table of absorption, and the kind of construction it was measured on."""

    kind: choice(*MATERIAL_KINDS) = Field(description=", ".join(MATERIAL_KINDS))
    absorption: bands(0, 1.5) = Field(
        description="random-incidence absorption by octave or third-octave midband, {125: 0.1, 250: 0.2, …}"
    )
    scattering: number(0, 1) = Field(0.1, description="scattering coefficient, the same in all bands")
    scattering_per_band: bands(0, 1) = Field(None, description="scattering coefficient in the bands of absorption")
    assumed_hz: items(number(20, 20000, "Hz"), 40, "midbands") = Field([], description="bands that are assumptions")
    construction: entries(number(0, 1e7), 10, "number") = Field(
        None, description="what is known of the build-up, by the kind's model"
    )
    source: text() = Field(description="where the numbers come from, or the word assumption")


class MaterialsModel(Model):
    """A list of finishes that room files can name."""

    materials: text() = Field(description="the name of the list")
    finishes: entries(FinishModel, FINISHES, "finish") = Field(description="name: {kind, absorption, source, …}")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MaterialsDefinition:
    """A list of finishes as its file says it.

    Attributes
    ----------
    name : label for people
    finishes : by name
    source : the file
    files : all files that were read for it
    content_hash : of what the file says
    """

    name: str
    finishes: Mapping[str, Finish]
    source: Path
    files: tuple[Path, ...]
    content_hash: str


def define(document: Document, reader: Reader) -> MaterialsDefinition | None:
    """The finishes in a document; problems go to the reader."""
    model, problems = judged(MaterialsModel, document)
    problems += _between_keys(document)
    reader.problems += problems
    if model is None or problems:
        return None
    finishes: dict[str, Finish] = {}
    for name, said in model.finishes.items():
        try:
            finishes[name] = _finish(name, said)
        except InvalidValue as error:
            where = ("finishes", name, "assumed_hz" if "assumed" in error.key else "absorption")
            problems.append(document.problem(where, error.rule, value=error.value, cure=error.cure))
    reader.problems += problems
    if problems:
        return None
    return MaterialsDefinition(
        name=model.materials, finishes=finishes, source=document.path, files=(document.path,),
        content_hash=content_hash(model, {}),
    )


def _finish(name: str, said: FinishModel) -> Finish:
    table = _rising(said.absorption)
    per_band = said.scattering_per_band
    return Finish.from_table(
        name=name, kind=said.kind, frequency_hz=list(table), absorption=list(table.values()),
        scattering=said.scattering if per_band is None else list(_rising(per_band).values()),
        source=said.source, assumed_hz=said.assumed_hz, construction=said.construction,
    )


def _rising(table: Mapping[str, float]) -> dict[float, float]:
    return dict(sorted((band_hz(name), value) for name, value in table.items()))


def _between_keys(document: Document) -> Iterator[Problem]:
    """Rules that take more than one key, on whatever of it is there."""
    shipped = catalogue()
    for name, said in mapping_at(document.data, "finishes").items():
        where = ("finishes", name)
        if name in shipped:
            yield document.problem(where, "is a name of the catalogue already", cure="give yours another name")
        absorption, scattering = mapping_at(said, "absorption"), mapping_at(said, "scattering_per_band")
        tables = [{_hz(key) for key in table} for table in (absorption, scattering)]
        if all(tables) and None not in tables[0] | tables[1] and tables[0] != tables[1]:
            yield document.problem((*where, "scattering_per_band"), "must have the bands of absorption")
        kind = mapping_at(said).get("kind")
        fitted = isinstance(kind, str) and kind in KINDS
        known = [parameter.name for parameter in KINDS[kind][1]] if fitted else []
        for key in mapping_at(said, "construction"):
            if kind in MATERIAL_KINDS and key not in known:
                cure = near(key, known) if known else "take it out"
                yield document.problem((*where, "construction", key), f"is nothing that kind {kind} knows", cure=cure)


def _hz(name: str) -> float | None:
    try:
        return band_hz(name)
    except ValueError:
        return None
