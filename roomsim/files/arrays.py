"""Named arrays and a record of plain values in one file, which appears whole or not at all."""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .output import writing

PARTIAL = ".partial"
"""Suffix of a file that is being written; a killed process may leave one behind."""

_RECORD = "record.json"


def write_arrays(path: str | os.PathLike[str], arrays: Mapping[str, NDArray], record: Mapping[str, Any]) -> None:
    """Write arrays of numbers or text and a record of JSON values; an earlier file of that name is replaced.

    Raises
    ------
    OutputError : the file cannot be written
    """
    if objects := [name for name, array in arrays.items() if array.dtype.hasobject]:
        raise TypeError(f"objects are not stored: {objects}")         # numpy would pickle them
    target = Path(path)
    partial = target.with_name(f"{target.name}{PARTIAL}")
    packed = np.frombuffer(json.dumps(record, ensure_ascii=False).encode(), np.uint8)
    with writing(target):
        try:
            with partial.open("wb") as file:
                np.savez(file, **{**arrays, _RECORD: packed})
            os.replace(partial, target)
        finally:
            with suppress(OSError):
                partial.unlink()


def read_arrays(path: str | os.PathLike[str]) -> tuple[dict[str, NDArray], dict[str, Any]] | None:
    """Arrays and record of a file, None where there is none or it is damaged (every part has a checksum)."""
    try:
        with np.load(path, allow_pickle=False) as file:
            arrays = {name: file[name] for name in file.files}
        return arrays, json.loads(arrays.pop(_RECORD).tobytes())
    except Exception:               # damaged archives raise whatever their reader meets
        return None
