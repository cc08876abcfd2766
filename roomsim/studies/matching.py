"""Whether a stored result still stands for its inputs."""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ..errors import DefinitionError, Problem
from .fingerprint import source_hash, versions

RESULT = "result.nc"
SAME, CHANGED, GONE, NEW, UNKNOWN = "same", "changed", "gone", "new", "not recorded"


@dataclass(frozen=True, slots=True, kw_only=True)
class Compared:
    """One input or version of a result, beside what there is now.

    Attributes
    ----------
    what : "study", "room typical", "design wide", "numpy", …
    file : name of the file that it came from; "" for versions
    state : same, changed, gone, new or not recorded
    then, now : hash or version
    """

    what: str
    file: str
    state: str
    then: str
    now: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Match:
    """A result beside its study.

    Attributes
    ----------
    result, study : the files
    inputs : the study and every room and design
    versions : roomsim's own source, and the packages whose version may change the last bits
    """

    result: Path
    study: Path
    inputs: tuple[Compared, ...]
    versions: tuple[Compared, ...]

    @property
    def matches(self) -> bool:
        """Whether no input has changed: predicting again answers the same question."""
        return all(one.state == SAME for one in self.inputs)

    @property
    def same_program(self) -> bool:
        """Whether predicting again gives the same bits, on the same machine."""
        return all(one.state == SAME for one in self.versions)


def is_result(path: Path) -> bool:
    """Whether a path names a stored result: a netCDF file, or a folder with result.nc."""
    return path.suffix.lower() == ".nc" or (path.is_dir() and (path / RESULT).is_file())


def match_result(
    result: str | os.PathLike[str], study: str | os.PathLike[str] | None = None, *, allow_outside: bool = False
) -> Match:
    """Hold a stored result against its study as it is now, by the content of every file.

    Parameters
    ----------
    result : a result.nc, or the output folder it is in
    study : the study file; beside the output folder or in it, by the name that the result records, if not given
    allow_outside : let the study name files outside its own folder

    Raises
    ------
    DefinitionError : no result, no study, or a study with problems
    """
    from ..definitions import load
    from ..files.netcdf import read_netcdf

    path = Path(result)
    path = path / RESULT if path.is_dir() else path
    with read_netcdf(path) as stored:
        record = json.loads(stored.attrs.get("metadata", "{}"))
    inputs = record.get("inputs") or {}
    name = _text(inputs, "study", "file")
    if not name:
        raise DefinitionError([Problem(key="metadata", file=str(path), rule="does not say what it was made from",
                                       cure="predict again with this version of roomsim")])
    found = Path(study) if study is not None else _study(path, name)
    now = load(found, "study", allow_outside=allow_outside).inputs
    return Match(
        result=path, study=found,
        inputs=(_compared("study", inputs.get("study"), now["study"]),
                *_group("room", inputs.get("rooms"), now["rooms"]),
                *_group("design", inputs.get("designs"), now["designs"])),
        versions=(*(_version(what, record.get("versions") or {}, versions()) for what in versions()),
                  _version("source", record, {"source": source_hash()})),
    )


def _study(path: Path, name: str) -> Path:
    """The study beside or in the folder of a result."""
    folder = Path(os.path.abspath(path)).parent
    if Path(name).name == name:
        for place in (folder.parent / name, folder / name):
            if place.is_file():
                return place
    raise DefinitionError([Problem(key="", file=str(path), rule=f"its study {name} is not beside the result's folder",
                                   cure="name it: --study FILE")])


def _group(kind: str, then: Any, now: Mapping[str, Mapping[str, str]]) -> list[Compared]:
    then = then if isinstance(then, dict) else {}
    return [_compared(f"{kind} {label}", then.get(label), now.get(label)) for label in dict.fromkeys((*then, *now))]


def _compared(what: str, then: Any, now: Mapping[str, str] | None) -> Compared:
    before = str(then.get("content_hash", "")) if isinstance(then, dict) else ""
    after = "" if now is None else now["content_hash"]
    if now is None:
        state = GONE
    elif not before:
        state = NEW
    else:
        state = SAME if before == after else CHANGED
    file = now["file"] if now is not None else str(then.get("file", "")) if isinstance(then, dict) else ""
    return Compared(what=what, file=file, state=state, then=before, now=after)


def _version(what: str, then: Mapping[str, Any], now: Mapping[str, str]) -> Compared:
    before, after = str(then.get(what, "")), now[what]
    state = UNKNOWN if not before else SAME if before == after else CHANGED
    return Compared(what=what, file="", state=state, then=before, now=after)


def _text(data: Any, *keys: str) -> str:
    for key in keys:
        data = data.get(key) if isinstance(data, dict) else None
    return data if isinstance(data, str) else ""
