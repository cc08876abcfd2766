"""Results in and out of netCDF, as a library that knows nothing of roomsim reads them."""

from __future__ import annotations

from pathlib import Path

import netCDF4
import numpy as np
import pytest
import xarray as xr

from roomsim.errors import DefinitionError
from roomsim.files.netcdf import read_netcdf, write_netcdf
from roomsim.files.output import OutputError


def test_everything_comes_back(made_result, tmp_path: Path) -> None:
    result = made_result(per_octave=3, seats=2, vary={"place.gap_m": [0.03, 0.3]}, designs=("narrow", "größer $x$"))
    write_netcdf(result, tmp_path / "r.nc")
    back = read_netcdf(tmp_path / "r.nc")
    xr.testing.assert_identical(back, result.assign_coords(back.coords))
    for name in result.dims:
        assert [str(x) for x in back[name].values] == [str(x) for x in result[name].values]
    assert back.attrs == result.attrs


def test_labels_of_mixed_kind_become_text(made_result, tmp_path: Path) -> None:
    result = made_result(per_octave=3, seats=2, vary={"place.wall": ["front", "left"]})
    result = result.assign_coords({"place.wall": np.array(["front", 3], dtype=object)})
    write_netcdf(result, tmp_path / "r.nc")
    assert list(read_netcdf(tmp_path / "r.nc")["place.wall"].values) == ["front", "3"]


def test_another_library_reads_it(made_result, tmp_path: Path) -> None:
    result = made_result(per_octave=3, seats=2)
    write_netcdf(result, tmp_path / "r.nc")
    with netCDF4.Dataset(tmp_path / "r.nc") as file:
        level = file["level_db"]
        assert level.dimensions == ("design", "room", "setting", "place", "channel", "listener", "frequency")
        assert level.units == "dB" and "1 m" in level.reference
        np.testing.assert_array_equal(np.asarray(level[:]), result["level_db"].values)   # nothing is rounded
        assert file["frequency"].units == "Hz" and list(file["design"][:]) == ["narrow", "wide"]


def test_the_same_result_gives_the_same_bytes(made_result, tmp_path: Path) -> None:
    for name in ("a.nc", "b.nc"):
        write_netcdf(made_result(per_octave=3, seats=2), tmp_path / name)
    assert (tmp_path / "a.nc").read_bytes() == (tmp_path / "b.nc").read_bytes()


def test_what_is_no_result_is_refused(tmp_path: Path) -> None:
    with pytest.raises(DefinitionError, match="no such file"):
        read_netcdf(tmp_path / "missing.nc")
    (tmp_path / "text.nc").write_text("hello")
    with pytest.raises(DefinitionError, match="no netCDF file"):
        read_netcdf(tmp_path / "text.nc")
    xr.Dataset({"x": ("y", [1.0])}).to_netcdf(tmp_path / "other.nc")
    with pytest.raises(DefinitionError, match="no result of roomsim"):
        read_netcdf(tmp_path / "other.nc")


def test_a_place_that_cannot_be_written_is_a_plain_error(made_result, tmp_path: Path) -> None:
    with pytest.raises(OutputError, match="cannot write"):
        write_netcdf(made_result(per_octave=3, seats=2), tmp_path / "no" / "r.nc")
