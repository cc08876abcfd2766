"""Reads a survey of rooms from a CSV file; units are declared, never guessed."""

from __future__ import annotations

import csv
import re
import warnings
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from ..errors import DefinitionError, Problem
from ..limits import limits
from ..room.sizes import Survey

if TYPE_CHECKING:
    import pandas as pd

METRES = {"m": 1.0, "ft": 0.3048}
"""Metres per unit (international foot, exact)."""

_SIDES = ("width", "length", "height")
_SHOWN_PROBLEMS = 20
_EXTRA = "\0"


def read_survey(path: Path, units: str | None = None) -> Survey:
    """A survey from a CSV file.

    Parameters
    ----------
    path : comma, semicolon or tab separated, UTF-8, a header line; columns `width`, `length`, `height`, each
        with its unit in its name (`width_m`, `height_ft`) or without if `units` is given; optional columns
        `decay_s` and `furnishing`; other columns are ignored
    units : "m" or "ft", for columns that do not say

    Raises
    ------
    DefinitionError : everything wrong with the file at once, each with its line
    """
    file = path.name
    if units is not None and units not in METRES:
        raise DefinitionError([Problem(key="units", value=units, rule=f"must be {' or '.join(METRES)}")])
    table = _table(path)
    columns, problems = _columns(file, list(table.columns), units)
    if problems:
        raise DefinitionError(problems)
    values: dict[str, np.ndarray] = {}
    for side, (column, unit) in columns.items():
        numbers, faults = _numbers(file, column, table[column])
        problems.extend(faults)
        values[f"{side}_m"] = numbers * METRES[unit]
        for row in np.flatnonzero(~(numbers > 0) & np.isfinite(numbers))[:_SHOWN_PROBLEMS]:
            problems.append(Problem(file=file, line=int(row) + 2, key=column, value=table[column].iloc[row],
                                    rule="must be above 0"))
    decay = np.full(len(table), np.nan)
    if "decay_s" in table.columns:
        known = table["decay_s"].str.strip().ne("")
        numbers, faults = _numbers(file, "decay_s", table["decay_s"].where(known, "nan"), allow_nan=True)
        problems.extend(faults)
        decay = numbers
    if problems:
        rest = len(problems) - _SHOWN_PROBLEMS
        shown = sorted(problems, key=lambda problem: problem.line or 0)[:_SHOWN_PROBLEMS]
        if rest > 0:
            shown.append(Problem(file=file, key="", rule=f"and {rest} problems more like these"))
        raise DefinitionError(shown)
    furnishing = table["furnishing"] if "furnishing" in table.columns else [""] * len(table)
    return Survey(source=file, decay_s=decay, furnishing=np.asarray(furnishing, dtype=str), **values)


def _table(path: Path) -> pd.DataFrame:
    import pandas as pd

    file = path.name
    try:
        if path.stat().st_size > limits().survey_bytes:
            raise DefinitionError([Problem(file=file, key="", rule=f"larger than {limits().survey_bytes / 1e6:g} MB",
                                           cure="ROOMSIM_LIMITS=survey_bytes=… allows more")])
        with path.open("rb") as stream:
            start = stream.read(65536)
    except OSError as error:
        raise DefinitionError([Problem(file=str(path), key="", rule=f"cannot be read: {error.strerror}")]) from None
    if not start.strip():
        raise DefinitionError([Problem(file=file, key="", rule="the file is empty")])
    if b"\x00" in start:
        raise DefinitionError([Problem(file=file, key="", rule="is no text file", cure="save it as CSV, UTF-8")])
    first_line = start.split(b"\n", 1)[0].decode("utf-8-sig", "replace").strip()
    separator = max(",;\t", key=first_line.count)
    try:
        names = [name.strip() for name in next(csv.reader([first_line], delimiter=separator))]
    except csv.Error as error:
        raise DefinitionError([Problem(file=file, line=1, key="", rule=f"is no line of CSV ({error})")]) from None
    if len(set(names)) < len(names):
        raise DefinitionError([Problem(file=file, line=1, key="", rule="a column name stands twice in the header")])
    most = limits().survey_rows
    too_many = "has more fields than the header"
    cure = "quote texts that hold the separator; write 4.2 rather than 4,2"
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", pd.errors.ParserWarning)   # extra fields are found below
            table = pd.read_csv(path, sep=separator, dtype=str, keep_default_na=False, encoding="utf-8-sig",
                                header=None, names=[*names, _EXTRA], skiprows=1, index_col=False,
                                skipinitialspace=True, nrows=most + 1, skip_blank_lines=False)
    except UnicodeDecodeError:
        raise DefinitionError([Problem(file=file, key="", rule="is not UTF-8", cure="save it as CSV, UTF-8")]) from None
    except pd.errors.EmptyDataError:
        raise DefinitionError([Problem(file=file, key="", rule="has a header and no rooms")]) from None
    except (pd.errors.ParserError, ValueError) as error:
        at = re.search(r"line (\d+)", str(error))
        line = int(at.group(1)) if at else None
        raise DefinitionError([Problem(file=file, line=line, key="", rule=too_many, cure=cure)]) from None
    table = table.fillna("")
    beyond = np.flatnonzero(table.pop(_EXTRA).ne(""))
    if beyond.size:
        raise DefinitionError([Problem(file=file, line=int(beyond[0]) + 2, key="", rule=too_many, cure=cure)])
    if not len(table):
        raise DefinitionError([Problem(file=file, key="", rule="has a header and no rooms")])
    if len(table) > most:
        raise DefinitionError([Problem(file=file, key="", rule=f"has more than {most} rows",
                                       cure="ROOMSIM_LIMITS=survey_rows=… allows more")])
    return table


def _columns(file: str, names: list[str], units: str | None) -> tuple[dict[str, tuple[str, str]], list[Problem]]:
    """The column and unit of each side."""
    found: dict[str, tuple[str, str]] = {}
    problems = []
    for side in _SIDES:
        matches = [(name, unit) for unit in METRES for name in names if name == f"{side}_{unit}"]
        if side in names and units is not None:
            matches.append((side, units))
        if len(matches) == 1:
            found[side] = matches[0]
        elif matches:
            problems.append(Problem(file=file, line=1, key=side, rule="stands in the header with two units"))
        elif side in names:
            problems.append(Problem(file=file, line=1, key=side, rule="has no unit",
                                    cure=f"call it {side}_m or {side}_ft, or give the units (--units)"))
        else:
            problems.append(Problem(file=file, line=1, key=f"{side}_m", rule="this column is missing",
                                    cure=f"the header has: {', '.join(names)[:200]}"))
    return found, problems


def _numbers(file: str, column: str, texts: pd.Series, allow_nan: bool = False) -> tuple[np.ndarray, list[Problem]]:
    """The column as numbers, and a problem per field that is none."""
    import pandas as pd

    numbers = pd.to_numeric(texts, errors="coerce").to_numpy(float)
    bad = ~np.isfinite(numbers)
    if allow_nan:
        bad &= ~texts.eq("nan").to_numpy()
    problems = []
    for row in np.flatnonzero(bad):
        text = str(texts.iloc[row]).strip()
        cure = ""
        if re.fullmatch(r"\d{1,3}(,\d{3})+(\.\d+)?", text):
            cure = "leave out the thousands separators"
        elif re.fullmatch(r"\d+,\d+", text):
            cure = f"write {text.replace(',', '.')}: decimals take a point"
        elif re.fullmatch(r"[\d.]+\s*(m|ft|cm|mm|')", text):
            cure = "the unit belongs into the column's name"
        problems.append(
            Problem(file=file, line=int(row) + 2, key=column, value=text, rule="must be a number", cure=cure))
        if len(problems) > 10_000:
            break
    return numbers, problems
