"""What an AES69 file holds, by the names of sofar, read in a process of its own."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..errors import InvalidValue
from ..limits import limits
from .foreign import Contents, Variable, read_foreign

_KEPT_AS_ARRAYS = ("Data_IR", "Data_Real", "Data_Imag")
"""Data stay arrays even of one number; of all else one number stands for itself."""


def read_sofa_content(path: Path) -> SimpleNamespace:
    """Attributes (GLOBAL_…), variables and their attributes (Variable_Attribute) of an AES69 file.

    Numbers that the file marks as missing are NaN.

    Raises
    ------
    InvalidValue : not there, damaged, too large, or another kind of netCDF file
    """
    contents = read_foreign(Path(path), limits().sofa_bytes, "sofa_bytes")
    kind = contents.attributes.get("Conventions")
    if not isinstance(kind, str) or kind != "SOFA":
        raise InvalidValue("Conventions", kind, "must be SOFA: this is another kind of netCDF file")
    return SimpleNamespace(**_fields(contents))


def _fields(contents: Contents) -> dict[str, Any]:
    found = {f"GLOBAL_{name}": value for name, value in contents.attributes.items()}
    for name, variable in contents.variables.items():
        key = name.replace(".", "_")
        found[key] = _value(key, variable)
        found |= {f"{key}_{one}": value for one, value in variable.attributes.items() if one != "_Encoding"}
    return found


def _value(key: str, variable: Variable) -> Any:
    values = variable.values
    if values.dtype.kind == "O":
        values = np.atleast_1d(values.astype("U"))
    elif values.dtype.kind == "S":
        values = _joined(values)
    else:
        values = _numbers(key, variable)
    if values.size == 1 and values.ndim and key not in _KEPT_AS_ARRAYS:
        return values[0]
    return values


def _joined(characters: NDArray) -> NDArray:
    """Texts along the last axis."""
    characters = np.atleast_1d(characters)
    shape = characters.shape[:-1]
    rows = np.ascontiguousarray(characters).reshape(-1, characters.shape[-1])
    texts = [row.tobytes().split(b"\0")[0].decode("utf-8", "replace") for row in rows]
    return np.atleast_1d(np.array(texts, dtype="U").reshape(shape))


def _numbers(key: str, variable: Variable) -> NDArray:
    values, said = variable.values, variable.attributes
    missing = [said[name] for name in ("_FillValue", "missing_value") if name in said]
    packing = [said[name] for name in ("scale_factor", "add_offset") if name in said]
    if not missing and not packing:
        return values
    try:
        out = np.array(values, float)
        for one in missing:
            out[np.isin(values, np.asarray(one))] = np.nan
        return out * float(said.get("scale_factor", 1.0)) + float(said.get("add_offset", 0.0))
    except (TypeError, ValueError) as error:
        raise InvalidValue(key, None, "has a fill value or scale that is no number") from error
