"""A chamber's correction as a text file: a few stated values, then frequency, correction and spread."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from ..errors import DefinitionError, InvalidValue, Problem
from ..loudspeaker.chamber import ChamberCorrection
from .problems import with_file
from .response_text import read_response_text, response_text, write_text

_HEAD = "# chamber correction"
_STATED = ("name", "count", "cut_off_hz", "blend_octaves")


def write_correction(path: Path, correction: ChamberCorrection) -> None:
    """Store a correction, whole or not at all."""
    name = " ".join(correction.name.split())
    stated = {"name": name, "count": correction.count, "cut_off_hz": f"{correction.cut_off_hz:.17g}",
              "blend_octaves": f"{correction.blend_octaves:.17g}"}
    lines = [f"{_HEAD}: level to subtract from a measurement in this chamber, and its spread over the loudspeakers"]
    lines += [f"# {key}: {value}" for key, value in stated.items()]
    lines.append("# frequency_hz\tmean_db\tspread_db")
    rows = np.column_stack([correction.frequency_hz, correction.mean_db, correction.spread_db])
    lines += ["\t".join(f"{value:.17g}" for value in row) for row in rows]
    write_text(Path(path), "\n".join(lines) + "\n")


def read_correction(path: Path) -> ChamberCorrection:
    """Read what `write_correction` stored.

    Raises
    ------
    DefinitionError : with file, key, rule and cure
    """
    path = Path(path)
    f, mean, spread = read_response_text(path)
    stated: dict[str, str] = {}
    for line in response_text(path).splitlines():
        key, mark, value = line.lstrip("# ").partition(":")
        if line.startswith("#") and mark and key.strip() in _STATED:
            stated[key.strip()] = value.strip()
    missing = [key for key in _STATED if key not in stated]
    problems = [Problem(key=key, file=str(path), rule="is not stated", cure=f"# {key}: …") for key in missing]
    if spread is None:
        problems.append(Problem(key="spread_db", file=str(path), rule="is missing: three columns are needed"))
    if problems:
        raise DefinitionError(problems)
    try:
        return ChamberCorrection(
            name=stated["name"], frequency_hz=f, mean_db=mean, spread_db=spread, count=_number(stated, "count", int),
            cut_off_hz=_number(stated, "cut_off_hz", float), blend_octaves=_number(stated, "blend_octaves", float),
        )
    except InvalidValue as error:
        raise with_file(error, str(path)) from error


def _number(stated: dict[str, str], key: str, kind: type) -> float:
    try:
        return kind(stated[key])
    except ValueError as error:
        raise InvalidValue(key, stated[key], "must be a number") from error
