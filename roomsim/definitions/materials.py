"""Finishes of a user's own: the schema and what comes of it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pydantic import Field

from ..errors import InvalidValue, Problem
from ..room.absorbers import Absorber
from ..room.fitting import KINDS
from ..room.materials import MATERIAL_KINDS, Finish, catalogue
from ..room.openings import OPENING
from .absorbers import CONSTRUCTIONS, AbsorberModel, absorber
from .fields import Model, band_hz, bands, choice, entries, items, near, number, text
from .judging import content_hash, judged, mapping_at
from .yaml_lines import Document, Path_

if TYPE_CHECKING:
    from .reading import Reader

FINISHES = 1000
OF_TABLES = ("kind", "absorption", "scattering_per_band", "assumed_hz", "construction")
"""Keys that go with a table of absorption and not with an absorber's construction."""


class FinishModel(AbsorberModel):
    """One finish: a table of absorption and the kind of surface it was measured on, or an absorber's construction."""

    kind: choice(*MATERIAL_KINDS) = Field(None, description=", ".join(MATERIAL_KINDS))
    absorption: bands(0, 1.5) = Field(
        None, description="random-incidence absorption by octave or third-octave midband, {125: 0.1, 250: 0.2, …}"
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
    finishes: entries(FinishModel, FINISHES, "finish") = Field(
        description="name: {kind, absorption, source, …} or name: {porous: …, source}"
    )


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
    finishes: Mapping[str, Finish | Absorber]
    source: Path
    files: tuple[Path, ...]
    content_hash: str
    _said: Mapping[str, Any]


def define(document: Document, reader: Reader) -> MaterialsDefinition | None:
    """The finishes in a document; problems go to the reader."""
    model, problems = judged(MaterialsModel, document)
    problems += finish_rules(document)
    finishes = {} if model is None or problems else finishes_of(model.finishes, document, problems)
    reader.problems += problems
    if model is None or problems:
        return None
    return MaterialsDefinition(
        name=model.materials, finishes=finishes, source=document.path, files=(document.path,),
        content_hash=content_hash(model, {}), _said=document.data["finishes"],
    )


def finishes_of(
    said: Mapping[str, FinishModel], document: Document, problems: list[Problem]
) -> dict[str, Finish | Absorber]:
    """The finishes under the key `finishes` of a document; what is wrong with them goes to `problems`."""
    found: dict[str, Finish | Absorber] = {}
    for name, one in said.items():
        try:
            found[name] = _finish(name, one)
        except InvalidValue as error:
            where = ("finishes", name, "assumed_hz" if "assumed" in error.key else "absorption")
            problems.append(document.problem(where, error.rule, value=error.value, cure=error.cure))
    return found


def _finish(name: str, said: FinishModel) -> Finish | Absorber:
    for construction in CONSTRUCTIONS:
        if (built := getattr(said, construction)) is not None:
            return absorber(name, construction, built, scattering=said.scattering, source=said.source)
    table = _rising(said.absorption)
    per_band = said.scattering_per_band
    return Finish.from_table(
        name=name, kind=said.kind, frequency_hz=list(table), absorption=list(table.values()),
        scattering=said.scattering if per_band is None else list(_rising(per_band).values()),
        source=said.source, assumed_hz=said.assumed_hz, construction=said.construction,
    )


def _rising(table: Mapping[str, float]) -> dict[float, float]:
    return dict(sorted((band_hz(name), value) for name, value in table.items()))


def finish_rules(document: Document, taken: Mapping[str, Any] | None = None) -> Iterator[Problem]:
    """Rules of `finishes` that take more than one key, on whatever of it is there.

    taken : names that a materials file beside the room has already
    """
    for name, said in mapping_at(document.data, "finishes").items():
        where: Path_ = ("finishes", name)
        if name in catalogue() or name == OPENING:
            yield document.problem(where, "is a name of the catalogue already", cure="give yours another name")
        elif name in (taken or {}):
            yield document.problem(where, "is a name of the materials file already", cure="give yours another name")
        if not isinstance(said, Mapping):
            continue
        built = [key for key in said if key in CONSTRUCTIONS]
        if len(built) > 1:
            yield document.problem(where, f"has {' and '.join(built)}; one construction makes one finish")
        elif built:
            for key in (key for key in said if key in OF_TABLES):
                yield document.problem((*where, key), f"does not go with {built[0]}: the construction says it",
                                       cure="keep one of the two")
        else:
            yield from _table_rules(document, where, said)


def _table_rules(document: Document, where: Path_, said: Mapping[str, Any]) -> Iterator[Problem]:
    if not any(key in said for key in ("kind", "absorption")):
        yield document.problem(where, "must have kind and absorption, or one of " + ", ".join(CONSTRUCTIONS))
        return
    for key in ("kind", "absorption"):
        if key not in said:
            yield document.problem((*where, key), "is missing", cure=FinishModel.model_fields[key].description or "")
    absorption, scattering = mapping_at(said, "absorption"), mapping_at(said, "scattering_per_band")
    tables = [{_hz(key) for key in table} for table in (absorption, scattering)]
    if all(tables) and None not in tables[0] | tables[1] and tables[0] != tables[1]:
        yield document.problem((*where, "scattering_per_band"), "must have the bands of absorption")
    kind = said.get("kind")
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
