"""Designs of several loudspeakers: what comes of the keys beside `loudspeaker`."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from ..errors import Problem
from ..placing import Place
from ..systems import ALIGNMENTS, CENTRE, LAYOUTS, LFE, Companion, Receiver, System
from .judging import list_at, mapping_at, part
from .loudspeaker_definition import LoudspeakerDefinition
from .references import YAML_SUFFIXES
from .study import CompanionModel, DesignModel, SubwooferModel
from .yaml_lines import Document, Path_

if TYPE_CHECKING:
    from .reading import Reader

SUBWOOFER = "subwoofer"
BESIDE = ("layout", "beside", "subwoofer")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SystemDefinition:
    """What a design has beside its first loudspeaker.

    Attributes
    ----------
    system : in the words of the engines
    definitions : the loudspeaker files of the companions, each once
    """

    system: System
    definitions: tuple[LoudspeakerDefinition, ...]

    @property
    def files(self) -> tuple[Path, ...]:
        """All files that were read for it."""
        return tuple(file for one in self.definitions for file in one.files)


def systems(
    document: Document, reader: Reader, designs: Mapping[str, LoudspeakerDefinition]
) -> dict[str, SystemDefinition]:
    """Those designs of a study that are systems; problems go to the reader."""
    found = {}
    for label, first in designs.items():
        said = part(DesignModel, mapping_at(document.data, "designs", label))
        if any(key in mapping_at(document.data, "designs", label) for key in BESIDE):
            made = _system(document, reader, label, said, first)
            if made is not None:
                found[label] = made
    return found


def _system(
    document: Document, reader: Reader, label: str, said: DesignModel | None, first: LoudspeakerDefinition
) -> SystemDefinition | None:
    where: Path_ = ("designs", label)
    before = len(reader.problems)
    files: dict[Path_, LoudspeakerDefinition] = {}
    for inner in (*(("beside", name) for name in mapping_at(document.data, *where, "beside")), ("subwoofer",)):
        text = mapping_at(document.data, *where, *inner).get("loudspeaker")
        if isinstance(text, str) and text.lower().endswith(YAML_SUFFIXES) and "\\" not in text:
            read = reader.refer(document, (*where, *inner, "loudspeaker"), text, "loudspeaker")
            if read is not None:
                files[inner] = read
    reader.problems += _wrong(document, where, first, files)
    if said is None or len(reader.problems) > before:
        return None
    companions = [
        Companion(label=name, loudspeaker=first.loudspeaker(), azimuth_deg=azimuth, elevation_deg=elevation)
        for name, (azimuth, elevation) in LAYOUTS.get(said.layout or "", {}).items()
    ]
    companions += [_beside(name, one, files["beside", name]) for name, one in (said.beside or {}).items()]
    if said.subwoofer is not None:
        companions.append(_bass(said.subwoofer, files["subwoofer",]))
    receiver = Receiver(
        subwoofer=SUBWOOFER if said.subwoofer else None, align=tuple(said.align), lfe=bool(said.layout),
        **({"crossover_hz": said.subwoofer.crossover_hz} if said.subwoofer else {}),
    )
    return SystemDefinition(
        system=System(companions=tuple(companions), receiver=receiver, label=CENTRE if said.layout else ""),
        definitions=tuple(dict.fromkeys(files.values())),
    )


def _beside(name: str, said: CompanionModel, definition: LoudspeakerDefinition) -> Companion:
    return Companion(label=name, loudspeaker=definition.loudspeaker(), azimuth_deg=said.azimuth_deg,
                     elevation_deg=said.elevation_deg, distance_m=said.distance_m)


def _bass(said: SubwooferModel, definition: LoudspeakerDefinition) -> Companion:
    place = Place(wall=said.wall, across_fraction=said.across_fraction, gap_m=said.gap_m, height_m=said.height_m)
    return Companion(label=SUBWOOFER, loudspeaker=definition.loudspeaker(), place=place)


def _wrong(
    document: Document, where: Path_, first: LoudspeakerDefinition, files: Mapping[Path_, LoudspeakerDefinition]
) -> Iterator[Problem]:
    """Rules between the keys of a system."""
    data = mapping_at(document.data, *where)
    layout = data.get("layout")
    for inner, one in files.items():
        text = mapping_at(data, *inner)["loudspeaker"]
        here = (*where, *inner, "loudspeaker")
        if inner == ("subwoofer",) and len(one.loudspeaker().channels) > 1:
            yield document.problem(here, "must have one channel", value=text,
                                   cure=f"it has {', '.join(one.loudspeaker().channels)}")
        if inner != ("subwoofer",) and one.loudspeaker().mounting == "on-wall":
            yield document.problem(here, "is mounted on a wall, but stands in the room here", value=text,
                                   cure="take one with mounting: free")
        aligned = "level" in (list_at(data, "align") if "align" in data else ALIGNMENTS)
        if not aligned and one.loudspeaker().calibrated != first.loudspeaker().calibrated:
            yield document.problem(here, "one of the loudspeakers has relative levels, another absolute ones",
                                   value=text, cure="add level to align, or give all a sensitivity_db")
    taken = {*(LAYOUTS.get(str(layout), ())), CENTRE, LFE, SUBWOOFER, *first.loudspeaker().channels}
    for name in mapping_at(data, "beside"):
        if name in taken:
            yield document.problem((*where, "beside", name), "is the name of another channel of this design")
    if str(layout) not in LAYOUTS:
        return
    if len(first.loudspeaker().channels) > 1:
        yield document.problem((*where, "layout"), "needs a loudspeaker with one channel", value=layout,
                               cure=f"it has {', '.join(first.loudspeaker().channels)}")
    if first.loudspeaker().mounting == "on-wall":
        yield document.problem((*where, "layout"), "needs a loudspeaker that stands free", value=layout,
                               cure="take one with mounting: free")
    if "subwoofer" not in data:
        yield document.problem((*where, "layout"), "has a channel of low-frequency effects", value=layout,
                               cure="name the subwoofer: {loudspeaker: …, height_m: …} that plays it")
