"""Data files that definitions name: read, and their problems told as problems of the file that names them."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from ..errors import InvalidValue, Problem, RoomsimError, shown
from .references import file_hash
from .yaml_lines import Document, Path_

if TYPE_CHECKING:
    from ..loudspeaker.filters import Fir
    from .reading import Reader


def shown_path(reader: Reader, document: Document, where: Path_, text: str) -> Path | None:
    """The existing file that a document names, by the path that messages show; None where there is none.

    The problem is then collected.
    """
    from .reading import beside

    located = reader.locate(document, where, text)
    if located is None:
        return None
    shown = Path(beside(document, text))
    return shown if shown.resolve() == located else located


def hashed(reader: Reader, document: Document, where: Path_, text: str, path: Path) -> str:
    """SHA-256 of a data file, "" where it cannot be read (the problem is collected)."""
    try:
        return file_hash(path)
    except InvalidValue as error:
        reader.problems.append(document.problem(where, error.rule, value=text, cure=error.cure))
        return ""


def joined_hash(*digests: str) -> str:
    """One hash of several."""
    return hashlib.sha256(" ".join(digests).encode()).hexdigest()


def told(error: RoomsimError) -> list[tuple[str, str]]:
    """Rule and cure of every problem of one data file."""
    found = [
        (f"{problem.key}: {problem.rule}" if problem.key else problem.rule, problem.cure) for problem in of(error)
    ]
    return found or [(str(error), "")]


def of(error: RoomsimError) -> Sequence[Problem]:
    """The problems of an error."""
    if isinstance(error, InvalidValue):
        return [Problem(key=error.key, value=error.value, rule=error.rule, cure=error.cure)]
    return getattr(error, "problems", None) or [Problem(key="", rule=str(error))]


def placed(
    error: RoomsimError, document: Document, keys: Mapping[str, Path_], labels: Mapping[str, Path_], default: Path_
) -> list[Problem]:
    """Problems of a set of files: those of one file stay with it, the others get the line of the index.

    Parameters
    ----------
    keys : key of a problem -> where that stands in the document
    labels : file -> the entry that names it; orbits that do not meet are a problem of the later entry
    default : for what is of none of them
    """
    out = []
    for problem in of(error):
        if problem.file and problem.file != document.file:
            out.append(problem)
        elif problem.key in keys or not problem.key:
            where = keys.get(problem.key, default)
            out.append(document.problem(where, problem.rule, value=problem.value, cure=problem.cure))
        elif problem.key in ("direction", "orbits"):
            quoted = [place for label, place in labels.items() if label in problem.rule]
            rule = f"{problem.key} {problem.rule}"
            out.append(document.problem(quoted[-1] if quoted else default, rule, cure=problem.cure))
        else:
            what = problem.key + (f" = {shown(problem.value)}" if problem.value is not None else "")
            out.append(document.problem(default, f"{what}: {problem.rule}", cure=problem.cure))
    return out


def fir_at(reader: Reader, document: Document, where: Path_, text: str) -> tuple[Fir, Path, str] | None:
    """Taps of a WAV file, the file and its hash; None where there is a problem (it is collected)."""
    from ..files.wav import read_wav
    from ..loudspeaker.filters import Fir

    path = shown_path(reader, document, where, text)
    if path is None:
        return None
    try:
        wave = read_wav(path)
        if len(wave.samples) != 1:
            raise InvalidValue("", None, f"has {len(wave.samples)} channels; one is needed", "split it")
        return Fir(taps=wave.samples[0], sample_rate_hz=wave.rate_hz), path, file_hash(path)
    except RoomsimError as error:
        for rule, cure in told(error):
            reader.problems.append(document.problem(where, rule, value=text, cure=cure))
        return None
