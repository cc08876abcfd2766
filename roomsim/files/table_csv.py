"""Flat tables for spreadsheets and scripts (RFC 4180, UTF-8, decimal point)."""

from __future__ import annotations

import csv
import io
import os
from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, TextIO

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
    result: Dataset, path: str | os.PathLike[str], columns: Sequence[str] = FLAT_COLUMNS,
    change: Callable[[DataArray], DataArray] | None = None,
) -> None:
    """Write arrays that share their dimensions: a line for every combination of labels.

    Labels first, then one column per array, to 0.001; lines whose arrays are all NaN are left out.

    Parameters
    ----------
    result : arrays with the cases' dimensions before `channel`; read piece by piece
    path : the file
    columns : which arrays; those that `result` does not have are passed over
    change : makes of the arrays of some cases what is written, such as bands or averages

    Raises
    ------
    OutputError : the file cannot be written
    """
    columns = [name for name in columns if name in result]
    first = result[columns[0]]
    leading = tuple(str(d) for d in first.dims[: first.dims.index("channel") if "channel" in first.dims else -1])
    heading = None
    with writing(path), open(path, "w", encoding="utf-8", newline="") as file:
        for index in np.ndindex(*(result.sizes[d] for d in leading)):
            case = {d: slice(k, k + 1) for d, k in zip(leading, index, strict=True)}
            arrays = [result[name].transpose(*first.dims).isel(case).load() for name in columns]
            arrays = [array if change is None else change(array) for array in arrays]
            shown = arrays[0]
            if heading is None:
                heading = [safe_cell(str(d)) for d in shown.dims] + [str(name) for name in columns]
                csv.writer(file).writerow(heading)
                ends = [_number(x, 6) for x in shown[shown.dims[-1]].values]
            _write_case(file, shown, arrays, ends)


def _write_case(file: TextIO, shown: DataArray, arrays: Sequence[DataArray], ends: Sequence[str]) -> None:
    outer = [[_quoted(label) for label in _labels(shown, str(d))] for d in shown.dims[:-1]]
    for index in np.ndindex(*shown.shape[:-1]):
        values = np.stack([array.values[index] for array in arrays], axis=-1)
        start = ",".join(labels[k] for labels, k in zip(outer, index, strict=True))
        file.writelines(_lines(start, ends, values))


def _lines(start: str, ends: Sequence[str], values: np.ndarray) -> Iterable[str]:
    for end, row in zip(ends, values.tolist(), strict=True):
        cells = [f"{x:.3f}" if np.isfinite(x) else "" for x in row]
        if any(cells):
            yield f"{start},{end},{','.join(cells)}\r\n"


def _labels(result: DataArray, dim: str) -> list[Any]:
    return [x.item() if isinstance(x, np.generic) else x for x in result[dim].values]


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
