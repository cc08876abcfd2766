"""Rooms: the schema and what comes of it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from pydantic import Field

from ..conventions import BOX_FACES
from ..errors import InvalidValue, Problem
from ..room.geometry import SIZE_LIMITS_M
from .fields import Model, entries, maybe_empty, name, near, number, text
from .judging import content_hash, judged, mapping_at
from .references import YAML_SUFFIXES, file_path
from .yaml_lines import Document

if TYPE_CHECKING:
    from ..room.materials import Finish
    from ..room.room import Room
    from .materials import MaterialsDefinition
    from .reading import Reader

ORDINARY = "ordinary"
"""The setting of a room that names none: the room as written."""


class AirModel(Model):
    temperature_c: number(-20, 50, "°C") = Field(20.0, description="air temperature")
    humidity_percent: number(1, 100, "%") = Field(50.0, description="relative humidity")
    pressure_kpa: number(50, 120, "kPa") = Field(101.325, description="ambient pressure")


class SurfacesModel(Model):
    front: name() = Field(description="every face needs a material")
    back: name() = Field(description="every face needs a material")
    left: name() = Field(description="every face needs a material")
    right: name() = Field(description="every face needs a material")
    floor: name() = Field(description="every face needs a material")
    ceiling: name() = Field(description="every face needs a material")


class SettingModel(Model):
    """A named acoustic state of the room; for now only the room as written, `{}`."""


class RoomModel(Model):
    """A box room."""

    room: text() = Field(description="the room's name")
    width_m: number(*SIZE_LIMITS_M["width_m"], "m") = Field(description="width from the left to the right wall")
    length_m: number(*SIZE_LIMITS_M["length_m"], "m") = Field(description="length from the front to the back wall")
    height_m: number(*SIZE_LIMITS_M["height_m"], "m") = Field(description="height from the floor to the ceiling")
    air: AirModel = Field(AirModel(), description="state of the air")
    materials: file_path(*YAML_SUFFIXES) = Field(None, description="a file of finishes of your own, beside this one")
    surfaces: SurfacesModel = Field(description="the material of every face: " + ", ".join(BOX_FACES))
    settings: entries(maybe_empty(SettingModel), 20, "setting") = Field(
        {ORDINARY: SettingModel()}, description="named acoustic states of the same room"
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RoomDefinition:
    """A room as its file says it.

    Attributes
    ----------
    name : label for people
    settings : names of its acoustic states
    source : the file
    files : all files that were read for it
    content_hash : of what the file says, not of its comments or spelling
    """

    name: str
    settings: tuple[str, ...]
    source: Path
    files: tuple[Path, ...]
    content_hash: str
    _model: RoomModel
    _finishes: Mapping[str, Finish]

    def room(self, setting: str) -> Room:
        """The room in one acoustic state.

        Raises
        ------
        InvalidValue : no such setting
        """
        from ..air import Air
        from ..room.geometry import box
        from ..room.room import Room

        if setting not in self.settings:
            raise InvalidValue("setting", setting, f"room {self.name!r} has no such setting",
                               "it has " + ", ".join(self.settings))
        said = self._model
        return Room(
            name=said.room,
            geometry=box(said.length_m, said.width_m, said.height_m),
            materials={face: self._material(getattr(said.surfaces, face)) for face in BOX_FACES},
            air=Air(**said.air.model_dump()),
        )

    def _material(self, name: str) -> Finish:
        from ..room.materials import material

        return self._finishes[name] if name in self._finishes else material(name)


def define(document: Document, reader: Reader) -> RoomDefinition | None:
    """The room in a document; problems go to the reader."""
    model, problems = judged(RoomModel, document)
    before = len(reader.problems)
    reader.problems += problems
    own = _own_materials(document, reader)
    if own is not None or "materials" not in document.data:      # else every name may be one of the missing file
        reader.problems += _unknown_materials(document, {} if own is None else own.finishes)
    if model is None or len(reader.problems) > before:
        return None
    return RoomDefinition(
        name=model.room, settings=tuple(model.settings), source=document.path,
        files=(document.path, *(() if own is None else own.files)),
        content_hash=content_hash(model, {} if own is None else {"materials": own.content_hash}, {"materials"}),
        _model=model, _finishes={} if own is None else own.finishes,
    )


def _own_materials(document: Document, reader: Reader) -> MaterialsDefinition | None:
    text = document.data.get("materials")
    if not isinstance(text, str) or not text.lower().endswith(YAML_SUFFIXES) or "\\" in text:
        return None
    return reader.refer(document, ("materials",), text, "materials")


def _unknown_materials(document: Document, own: Mapping[str, Finish]) -> Iterator[Problem]:
    from ..room.materials import catalogue

    known = [*own, *catalogue()]
    for face, said in mapping_at(document.data, "surfaces").items():
        if face in BOX_FACES and isinstance(said, str) and said == said.strip() != "" and said not in known:
            yield document.problem(("surfaces", face), "unknown material", value=said, cure=near(said, known, 5))


__all__ = ["ORDINARY", "RoomDefinition", "RoomModel", "define"]
