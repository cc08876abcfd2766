"""Flat tables for spreadsheets and scripts (RFC 4180, UTF-8, decimal point)."""

from __future__ import annotations

import csv
import io
import os
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from .output import writing

if TYPE_CHECKING:
    from xarray import DataArray, Dataset

_STARTS_A_FORMULA = "=+-@|\t\r\n＝＋－＠"
FLAT_COLUMNS = ("level_db", "direct_level_db", "early_level_db", "scattered_level_db", "late_level_db")


def safe_cell(value: Any) -> Any:
    """A cell that a spreadsheet shows and does not execute: such text gets a leading apostrophe.

    Numbers stay numbers, NaN becomes an empty cell.

    >>> safe_cell("=1+1"), safe_cell(-3.5), safe_cell("on the wall")
    ("'=1+1", -3.5, 'on the wall')
    """
    if value is None or (isinstance(value, (float, np.floating)) and not np.isfinite(value)):
        return ""
    if isinstance(value, (bool, int, float, np.number)):
        return value
    text = str(value).replace("\0", "")
    return f"'{text}" if text.strip(" \u00a0")[:1] in tuple(_STARTS_A_FORMULA) else text


def write_rows(rows: Sequence[Mapping[str, Any]], path: str | os.PathLike[str]) -> None:
    """Write dictionaries with the same keys, one a line, keys as the heading.

    Raises
    ------
    OutputError : the file cannot be written
    """
    with writing(path), open(path, "w", encoding="utf-8", newline="") as file:
        table = csv.writer(file)
        if rows:
            table.writerow([safe_cell(key) for key in rows[0]])
        table.writerows([safe_cell(value) for value in row.values()] for row in rows)


def write_flat(
    result: Dataset, path: str | os.PathLike[str], columns: Sequence[str] = FLAT_COLUMNS
) -> None:
    """Write arrays that share their dimensions: a line for every combination of labels.

    Labels first, then one column per array, to 0.001; lines whose arrays are all NaN are left out.

    Raises
    ------
    OutputError : the file cannot be written
    """
    columns = [name for name in columns if name in result]
    first = result[columns[0]]
    arrays = [result[name].transpose(*first.dims) for name in columns]
    heading = [safe_cell(str(d)) for d in first.dims] + [_column_name(array) for array in arrays]
    last = str(first.dims[-1])
    ends = [_number(x, 6) for x in result[last].values]
    outer = [[_quoted(label) for label in _labels(result, str(d))] for d in first.dims[:-1]]
    with writing(path), open(path, "w", encoding="utf-8", newline="") as file:
        csv.writer(file).writerow(heading)
        for index in np.ndindex(*first.shape[:-1]):
            values = np.stack([array.values[index] for array in arrays], axis=-1)
            start = ",".join(labels[k] for labels, k in zip(outer, index, strict=True))
            file.writelines(_lines(start, ends, values))


def _lines(start: str, ends: Sequence[str], values: np.ndarray) -> Iterable[str]:
    for end, row in zip(ends, values.tolist(), strict=True):
        cells = [f"{x:.3f}" if np.isfinite(x) else "" for x in row]
        if any(cells):
            yield f"{start},{end},{','.join(cells)}\r\n"


def _labels(result: Dataset, dim: str) -> list[Any]:
    return [x.item() if isinstance(x, np.generic) else x for x in result[dim].values]


def _column_name(array: DataArray) -> str:
    return str(array.name)


def _number(value: float, digits: int) -> str:
    return f"{float(value):.{digits}g}"


def _quoted(label: Any) -> str:
    """A label as csv would write it."""
    out = io.StringIO()
    csv.writer(out, lineterminator="").writerow([safe_cell(label)])
    return out.getvalue()


def read_rows(path: str | os.PathLike[str]) -> list[dict[str, str]]:
    """The lines of a table as dictionaries of text."""
    with Path(path).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))
