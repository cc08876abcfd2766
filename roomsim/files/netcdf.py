"""A result in and out of one netCDF file."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from ..errors import DefinitionError, Problem, shown
from .output import OutputError, writing

if TYPE_CHECKING:
    from xarray import Dataset

_COMPRESSION = {"zlib": True, "complevel": 1, "shuffle": True}


def write_netcdf(result: Dataset, path: str | os.PathLike[str]) -> None:
    """Write a result; arrays are compressed, labels are text, nothing is rounded and no date is added.

    Raises
    ------
    OutputError : the file cannot be written
    """
    tidy = result.copy()
    for name in tidy.variables:
        variable = tidy[name]
        if variable.dtype.kind in "OUS":
            tidy[name] = variable.copy(data=_as_text(variable.values))
    # without an entry of its own xarray gives floats a fill value, which coordinates do not need
    encoding: dict[Any, dict[str, Any]] = {
        name: dict(_COMPRESSION) if tidy[name].dtype.kind == "f" and tidy[name].ndim else {} for name in tidy.variables
    }
    with writing(path):
        try:
            tidy.to_netcdf(path, engine="netcdf4", format="NETCDF4", encoding=encoding)
        except RuntimeError as error:   # the HDF5 library says so when a disk is full
            raise OutputError(f"cannot write {os.fspath(path)}: {error}") from error


def read_netcdf(path: str | os.PathLike[str]) -> Dataset:
    """Read a result that `write_netcdf` wrote, whole and into memory.

    Raises
    ------
    DefinitionError : no such file, or no result in it
    """
    import xarray as xr

    def problem(rule: str, cure: str = "") -> DefinitionError:
        return DefinitionError([Problem(key="", file=str(path), rule=rule, cure=cure)])

    if not Path(path).is_file():
        raise problem("no such file")
    try:
        with xr.open_dataset(path, engine="netcdf4") as opened:
            result = opened.load()
    except (OSError, ValueError, RuntimeError) as error:
        raise problem(f"cannot be read as netCDF ({shown(error, 120)})") from error
    if "level_db" not in result or "design" not in result.dims:
        raise problem("holds no result of roomsim", "name the result.nc of an output folder")
    return result


def _as_text(values: np.ndarray) -> np.ndarray:
    return np.array([str(v) for v in values.ravel()], dtype=object).reshape(values.shape)
