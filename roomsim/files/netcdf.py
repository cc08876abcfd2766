"""A result in and out of one netCDF file."""

from __future__ import annotations

import itertools
import os
import shutil
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from ..errors import DefinitionError, InvalidValue, Problem, shown
from ..limits import limits
from .foreign import Contents, TooLarge, probe_foreign, read_foreign
from .output import OutputError, writing
from .problems import with_file
from .result_rules import result_problems

if TYPE_CHECKING:
    from xarray import DataArray, Dataset

LARGE_BYTES = 64_000_000
"""Arrays are written, and files above this size read, piece by piece."""

_FEW_BYTES = 1_000_000


def write_netcdf(result: Dataset, path: str | os.PathLike[str]) -> None:
    """Write a result; arrays are compressed, labels are text, nothing is rounded and no date is added.

    Arrays over listeners are written case by case, so that a result need not fit into memory.

    Raises
    ------
    OutputError : the file cannot be written
    """
    with writing(path):
        try:
            _write(result, Path(path))
        except (OSError, RuntimeError) as error:     # what the library says of a full disk differs by version
            if Path(path).parent.is_dir() and shutil.disk_usage(Path(path).parent).free < _FEW_BYTES:
                raise OutputError(f"cannot write {os.fspath(path)}: No space left on device") from error
            if isinstance(error, RuntimeError):
                raise OutputError(f"cannot write {os.fspath(path)}: {error}") from error
            raise


def _write(result: Dataset, path: Path) -> None:
    import netCDF4

    large = [str(name) for name, array in result.data_vars.items()
             if array.dtype.kind == "f" and "listener" in array.dims]
    tidy = result.drop_vars(large)
    for name in tidy.variables:
        variable = tidy[name]
        if variable.dtype.kind in "OUS":
            tidy[name] = variable.copy(data=_as_text(variable.values))
    # without an entry of its own xarray gives floats a fill value, which coordinates do not need
    tidy.to_netcdf(path, engine="netcdf4", format="NETCDF4", encoding={name: {} for name in tidy.variables})
    with netCDF4.Dataset(path, "a") as file:
        for name in large:
            _write_large(file, name, result[name])


def _write_large(file: Any, name: str, array: DataArray) -> None:
    """One array, compressed in pieces of one case each."""
    for dim, size in array.sizes.items():
        if dim not in file.dimensions:
            file.createDimension(dim, size)
    leading = _leading(array)
    inner = array.shape[leading:]
    written = file.createVariable(
        name, array.dtype, array.dims, zlib=True, complevel=1, shuffle=True, fill_value=np.nan,
        chunksizes=(1,) * leading + inner if array.size else None,
    )
    written.setncatts({key: value for key, value in array.attrs.items() if key != "_FillValue"})
    for index in pieces(array, leading):
        written[index] = array[index].values


def _leading(array: DataArray) -> int:
    """How many dimensions stand before those of a single case."""
    return min(array.dims.index(dim) for dim in ("channel", "listener") if dim in array.dims)


def pieces(array: DataArray, leading: int) -> Iterator[tuple[int, ...]]:
    """Indices that walk an array in pieces of at most LARGE_BYTES, or of one case each where it has to."""
    sizes = array.shape[:leading]
    one = array.dtype.itemsize * int(np.prod(array.shape[leading:], dtype=np.int64))
    depth = leading
    while depth and one * sizes[depth - 1] <= LARGE_BYTES:
        one *= sizes[depth - 1]
        depth -= 1
    yield from itertools.product(*map(range, sizes[:depth]))


def read_netcdf(path: str | os.PathLike[str]) -> Dataset:
    """Read a result that `write_netcdf` wrote; one whose arrays take more than 64 MB is read as it is asked for.

    The file is first opened in a process of its own, since a damaged one can crash the library that reads it.

    Raises
    ------
    DefinitionError : no such file, damaged, too large, or no result in it

    Examples
    --------
    >>> files = roomsim.report(quick_result(), "out")
    >>> roomsim.open_result("out/result.nc").level_db.attrs["units"]
    'dB'
    """
    path = Path(path)
    if not path.is_file():
        raise DefinitionError([Problem(key="", file=str(path), rule="no such file")])
    try:
        try:
            result = _decoded(read_foreign(path, LARGE_BYTES, "result_bytes", kind="netCDF"))
        except TooLarge:
            result = _on_demand(path)
    except InvalidValue as error:
        raise with_file(error, str(path)) from error
    if problems := result_problems(result, values_to=LARGE_BYTES):
        result.close()
        raise DefinitionError([replace(problem, file=str(path)) for problem in problems])
    return result


def _decoded(contents: Contents) -> Dataset:
    """The dataset as xarray makes it of a file's variables."""
    import xarray as xr

    try:
        raw = {name: xr.Variable(one.dims, one.values, one.attributes) for name, one in contents.variables.items()}
        return xr.decode_cf(xr.Dataset(raw, attrs=contents.attributes), decode_times=False).load()
    except Exception as error:          # whatever attributes of a foreign file lead xarray to
        raise InvalidValue("file", None, f"cannot be read as netCDF ({shown(error, 120)})") from error


def _on_demand(path: Path) -> Dataset:
    """A large result, its arrays read as they are asked for, once another process has walked through it."""
    import xarray as xr

    probe_foreign(path, limits().result_bytes, "result_bytes")
    try:
        return xr.open_dataset(path.resolve(), engine="netcdf4", decode_times=False)
    except (OSError, ValueError, RuntimeError) as error:
        raise InvalidValue("file", None, f"cannot be read as netCDF ({shown(error, 120)})") from error


def _as_text(values: np.ndarray) -> np.ndarray:
    return np.array([str(v) for v in values.ravel()], dtype=object).reshape(values.shape)
