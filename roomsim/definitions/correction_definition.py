"""Chamber corrections: what comes of the schema, and of a stored one."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ..errors import RoomsimError
from ..loudspeaker.chamber import ChamberCorrection, ResponsePair, chamber_correction
from .data_files import hashed, placed, shown_path
from .judging import content_hash, judged, mapping_at
from .measurement import CorrectionModel
from .references import YAML_SUFFIXES
from .yaml_lines import Document, Path_

if TYPE_CHECKING:
    from .reading import Reader

PLACES = ("free", "chamber")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CorrectionDefinition:
    """A chamber's correction as its file says it.

    Attributes
    ----------
    name : of the chamber
    pairs : what it is made of, none where it was stored
    correction : itself
    source : the file
    files : all files that were read for it
    content_hash : of what they say
    """

    name: str
    pairs: tuple[ResponsePair, ...]
    correction: ChamberCorrection
    source: Path
    files: tuple[Path, ...]
    content_hash: str


def define(document: Document, reader: Reader) -> CorrectionDefinition | None:
    """The correction of the pairs in a document; problems go to the reader."""
    model, problems = judged(CorrectionModel, document)
    before = len(reader.problems)
    reader.problems += problems
    read: dict[tuple[str, str], tuple[Path, str, Any]] = {}
    for label, pair in mapping_at(document.data, "pairs").items():
        for place in PLACES:
            text = mapping_at(pair).get(place)
            if isinstance(text, str) and text and "\\" not in text:
                found = _response(reader, document, ("pairs", label, place), text)
                if found is not None:
                    read[label, place] = found
    if model is None or len(reader.problems) > before:
        return None
    pairs = tuple(
        ResponsePair(label=label, free_hz=read[label, "free"][2][0], free_db=read[label, "free"][2][1],
                     chamber_hz=read[label, "chamber"][2][0], chamber_db=read[label, "chamber"][2][1])
        for label in model.pairs
    )
    try:
        correction = chamber_correction(
            pairs, name=model.correction, cut_off_hz=model.cut_off_hz, blend_octaves=model.blend_octaves,
            align_hz=model.align_hz,
        )
    except RoomsimError as error:
        keys: dict[str, Path_] = {"pairs": ("pairs",), "align_hz": ("align_hz",)}
        keys |= {f"{label} {place}": ("pairs", label, place) for label in model.pairs for place in PLACES}
        reader.problems += placed(error, document, keys, {}, ("pairs",))
        return None
    digests = {f"{label} {place}": digest for (label, place), (_, digest, _) in read.items()}
    return CorrectionDefinition(
        name=model.correction, pairs=pairs, correction=correction, source=document.path,
        files=(document.path, *dict.fromkeys(path for path, *_ in read.values())),
        content_hash=content_hash(model, digests, {"pairs"}),
    )


def correction_at(reader: Reader, document: Document, where: Path_, text: str) -> CorrectionDefinition | None:
    """The correction in a file that a document names, .txt (stored) or .yaml (pairs); problems are collected."""
    if Path(text).suffix.lower() in YAML_SUFFIXES:
        return reader.refer(document, where, text, "correction")
    path = shown_path(reader, document, where, text)
    if path is None:
        return None
    try:
        return stored_correction(path)
    except RoomsimError as error:
        reader.problems += placed(error, document, {}, {}, where)
        return None


def stored_correction(path: Path) -> CorrectionDefinition:
    """The correction in a text file that roomsim wrote.

    Raises
    ------
    RoomsimError : with file, key, rule and cure
    """
    from ..files.correction_text import read_correction
    from .references import file_hash

    correction = read_correction(path)
    return CorrectionDefinition(
        name=correction.name, pairs=(), correction=correction, source=path, files=(path,), content_hash=file_hash(path)
    )


def _response(reader: Reader, document: Document, where: Path_, text: str) -> tuple[Path, str, Any] | None:
    from ..files.response_text import read_response_text

    path = shown_path(reader, document, where, text)
    if path is None:
        return None
    try:
        frequency_hz, level_db, _ = read_response_text(path)
    except RoomsimError as error:
        reader.problems += placed(error, document, {}, {}, where)
        return None
    return path, hashed(reader, document, where, text, path), (frequency_hz, level_db)
