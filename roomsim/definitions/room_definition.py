"""Rooms: what comes of the schema."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ..errors import InvalidValue, Problem
from .decay_target import target_of
from .fields import band_hz
from .judging import content_hash, judged, list_at
from .materials import finish_rules, finishes_of
from .references import YAML_SUFFIXES
from .room import FurnitureModel, OpeningModel, PatchModel, RoomModel
from .room_rules import between_keys, misplaced, unknown_materials
from .room_shape import geometry_of, shape_problems
from .setting_rules import adjustable_of, misplaced_adjustables, setting_rules
from .yaml_lines import Document

if TYPE_CHECKING:
    from ..room.absorbers import Absorber
    from ..room.adjustable import Adjustable
    from ..room.furnishing import Furniture, Patch
    from ..room.geometry import Geometry
    from ..room.materials import Finish, Material
    from ..room.openings import Opening
    from ..room.room import Room
    from .materials import MaterialsDefinition
    from .reading import Reader


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
    _finishes: Mapping[str, Finish | Absorber]
    _said: Mapping[str, Any]
    _own: Mapping[str, Any]
    _document: Document

    def room(self, setting: str) -> Room:
        """The room in an acoustic state that the file says in full; `roomsim.studies.settings` knows them all.

        Raises
        ------
        InvalidValue : no such setting, or one that a solver must find first
        """
        if self.target(setting) is not None:
            raise InvalidValue("setting", setting, "wants a decay time; what it takes is not known without a solver",
                               "roomsim.studies.settings.room_in finds it")
        return self.room_with(self.areas_m2(setting))

    def target(self, setting: str) -> float | dict[float, float] | None:
        """The decay time that a setting wants: one for the mid bands, exact midband -> decay time, or None.

        Raises
        ------
        InvalidValue : no such setting
        """
        if setting not in self.settings:
            raise InvalidValue("setting", setting, f"room {self.name!r} has no such setting",
                               "it has " + ", ".join(self.settings))
        return target_of(self._model.settings[setting].decay_s)

    def adjustables(self) -> tuple[Adjustable, ...]:
        """What settings may change, in the order of the file."""
        geometry = self.geometry()
        return tuple(adjustable_of(one, geometry, self._material) for one in self._model.adjustable)

    def areas_m2(self, setting: str) -> list[float]:
        """How much there is of each adjustable, as far as a setting says, else as usual."""
        said = self._model.settings[setting].area_m2 or {}
        return [float(said.get(one.name, one.usual_m2)) for one in self.adjustables()]

    def fixed(self, setting: str) -> frozenset[str]:
        """Names of the adjustables whose area a setting says."""
        return frozenset(self._model.settings[setting].area_m2 or ())

    def problem(self, where: tuple[str | int, ...], rule: str, *, value: Any = None, cure: str = "") -> Problem:
        """A problem at a place of its file."""
        return self._document.problem(where, rule, value=value, cure=cure)

    def as_usual(self) -> Room:
        """The room with the usual area of everything adjustable."""
        return self.room_with([one.usual_m2 for one in self.adjustables()])

    def room_with(self, areas_m2: Sequence[float]) -> Room:
        """The room with so much of each adjustable."""
        from ..room.adjustable import with_areas

        bare = self.bare()
        return with_areas(bare, self.adjustables(), areas_m2) if self._model.adjustable else bare

    def _material(self, name: str) -> Material:
        return _material(name, self._finishes)

    def bare(self) -> Room:
        """The room without anything adjustable."""
        from ..air import Air
        from ..room.room import Room

        said = self._model
        return Room(
            name=said.room,
            geometry=self.geometry(),
            materials={face: _material(name, self._finishes) for face, name in _finish_names(said).items()},
            patches=tuple(_patch(patch, self._finishes) for patch in (*said.patches, *said.openings)),
            furniture=tuple(_furniture(item) for item in said.furniture),
            air=Air(**said.air.model_dump()),
        )

    def geometry(self) -> Geometry:
        """Its faces."""
        return geometry_of(self._model)

    @property
    def provenance(self) -> str:
        """Where its size and furnishing come from, in its own words, empty where it does not say."""
        return self._model.source or ""

    @property
    def is_box(self) -> bool:
        """Whether it is a box and nothing else."""
        return not (self.is_plan or self._model.ceilings or self._model.obstacles)

    @property
    def is_plan(self) -> bool:
        """Whether it is drawn as a floor plan."""
        return self._model.plan_m is not None

    @property
    def said(self) -> dict[str, Any]:
        """What the file says, with the finishes of a materials file under `finishes`, as plain data."""
        data = {key: value for key, value in self._said.items() if key != "materials"}
        named = {*_finish_names(self._model).values(), *(patch.material for patch in self._model.patches),
                 *(one.absorber for one in self._model.adjustable)}
        if own := {name: said for name, said in self._own.items() if name in named}:
            data["finishes"] = {**own, **data.get("finishes", {})}
        return data


def define(document: Document, reader: Reader) -> RoomDefinition | None:
    """The room in a document; problems go to the reader."""
    model, problems = judged(RoomModel, document)
    before = len(reader.problems)
    reader.problems += problems
    beside = _own_materials(document, reader)
    taken = {} if beside is None else beside.finishes
    reader.problems += between_keys(document)
    reader.problems += setting_rules(document)
    reader.problems += finish_rules(document, taken)
    if beside is not None or "materials" not in document.data:      # else every name may be one of the missing file
        reader.problems += unknown_materials(document, _known(document, taken))
    if model is None or len(reader.problems) > before:
        return None
    reader.problems += shape_problems(document, model)
    if len(reader.problems) > before:
        return None
    finishes = {**taken, **finishes_of(model.finishes or {}, document, reader.problems)}
    reader.problems += _misplaced(document, model, finishes)
    if len(reader.problems) > before:
        return None
    return RoomDefinition(
        name=model.room, settings=tuple(model.settings), source=document.path,
        files=(document.path, *(() if beside is None else beside.files)),
        content_hash=content_hash(model, {} if beside is None else {"materials": beside.content_hash}, {"materials"}),
        _model=model, _finishes=finishes, _said=document.data, _own={} if beside is None else beside._said,
        _document=document,
    )


def _own_materials(document: Document, reader: Reader) -> MaterialsDefinition | None:
    text = document.data.get("materials")
    if not isinstance(text, str) or not text.lower().endswith(YAML_SUFFIXES) or "\\" in text:
        return None
    return reader.refer(document, ("materials",), text, "materials")


def _known(document: Document, taken: Mapping[str, Any]) -> list[str]:
    from ..room.materials import catalogue
    from ..room.openings import OPENING

    own = document.data.get("finishes")
    return [*(own if isinstance(own, Mapping) else ()), *taken, OPENING, *catalogue()]


def _misplaced(document: Document, model: RoomModel, finishes: Mapping[str, Any]) -> Iterator[Problem]:
    """Patches and furniture that are not where they can be."""
    from ..room.room import furnishing_problems

    patches: list[Patch | None] = []
    places = [*(("patches", k) for k in range(len(model.patches))),
              *(("openings", k) for k in range(len(model.openings)))]
    for place, said in zip(places, (*model.patches, *model.openings), strict=True):
        try:
            patches.append(_patch(said, finishes))
        except InvalidValue as error:
            patches.append(None)
            where = (*place, error.key)
            yield document.problem(where, error.rule, value=list_at(document.data, *where), cure=error.cure)
    furniture: list[Furniture | None] = []
    for k, item in enumerate(model.furniture):
        try:
            furniture.append(_furniture(item))
        except InvalidValue as error:
            furniture.append(None)
            yield document.problem(("furniture", k, "absorption_m2"), error.rule, value=error.value, cure=error.cure)
    geometry = geometry_of(model)
    wrong = list(furnishing_problems(geometry, patches, furniture))
    yield from (misplaced(document, error, len(model.patches)) for error in wrong)
    if not wrong and None not in patches:
        adjustables = [adjustable_of(one, geometry, lambda name: _material(name, finishes)) for one in model.adjustable]
        yield from misplaced_adjustables(document, geometry, patches, adjustables)


def _material(name: str, finishes: Mapping[str, Finish | Absorber]) -> Material:
    from ..room.materials import material
    from ..room.openings import OPENING, Opening

    if name in finishes:
        return finishes[name]
    return Opening() if name == OPENING else material(name)


def _finish_names(said: RoomModel) -> dict[str, str]:
    """Surface -> finish, obstacles among them."""
    return {**said.surfaces, **{name: one.material for name, one in (said.obstacles or {}).items()}}


def _patch(said: PatchModel | OpeningModel, finishes: Mapping[str, Finish | Absorber]) -> Patch:
    from ..room.furnishing import Patch

    if isinstance(said, OpeningModel):
        return Patch(face=said.surface, material=_opening(said), from_m=said.from_m, to_m=said.to_m)
    return Patch(face=said.surface, material=_material(said.material, finishes), from_m=said.from_m, to_m=said.to_m)


def _opening(said: OpeningModel) -> Opening:
    from ..room.openings import opening_to

    sides = [abs(b - a) for a, b in zip(said.from_m, said.to_m, strict=True)]
    tables = {key: None if table is None else {band_hz(band): value for band, value in table.items()}
              for key, table in (("absorption", said.absorption), ("absorption_m2", said.absorption_m2))}
    return opening_to(said.space or "", area_m2=sides[0] * sides[1], **tables)


def _furniture(said: FurnitureModel) -> Furniture:
    from ..room.furniture import furniture, furniture_catalogue, own_furniture

    placed = {"position_m": said.at_m, "azimuth_deg": said.azimuth_deg}
    if said.item in furniture_catalogue():
        return furniture(said.item, said.count, occupied=said.occupied, **placed)
    table = said.absorption_m2
    size = said.size_m
    return own_furniture(
        name=said.item, count=said.count, volume_m3=said.volume_m3,
        absorption_m2=None if table is None else {band_hz(band): area for band, area in table.items()},
        scattering=0.5 if said.scattering is None else said.scattering, source=said.source or "room file",
        size_m=None if size is None else (size.width, size.depth, size.height), **placed,
    )
