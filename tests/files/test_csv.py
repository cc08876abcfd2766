"""Flat tables: nothing a spreadsheet would execute, everything a script can read back."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest
import xarray as xr

from roomsim.files.output import OutputError
from roomsim.files.table_csv import read_rows, safe_cell, write_flat, write_rows

# what spreadsheets take for a formula: OWASP, "CSV Injection" (from memory)
FORMULAS = ["=1+1", "+1", "-1+cmd|' /C calc'!A0", "@SUM(1)", "\t=1", "\r=1", "\n=1", "|x", "  =1", "\u00a0=1",
            "＝1", "＋1"]


@pytest.mark.parametrize("text", FORMULAS)
def test_formulas_become_text(text: str) -> None:
    assert safe_cell(text) == f"'{text}"


@pytest.mark.parametrize("value", [-1.5, 3, np.float64(-2.0), "plain", "2 m", "a=b", "é", ""])
def test_numbers_and_plain_text_stay(value: object) -> None:
    assert safe_cell(value) == value


@pytest.mark.parametrize("value", [None, float("nan"), float("inf"), np.nan])
def test_what_is_no_number_is_an_empty_cell(value: object) -> None:
    assert safe_cell(value) == ""


def test_rows_come_back(tmp_path: Path) -> None:
    rows = [{"room": 'a "quoted", one', "x": -1.25}, {"room": "=cmd()", "x": None}, {"room": "two\nlines", "x": 3}]
    write_rows(rows, tmp_path / "t.csv")
    assert read_rows(tmp_path / "t.csv") == [
        {"room": 'a "quoted", one', "x": "-1.25"}, {"room": "'=cmd()", "x": ""}, {"room": "two\nlines", "x": "3"},
    ]


def test_flat_file_holds_every_value(made_result, tmp_path: Path) -> None:
    result = made_result(per_octave=3, seats=2, designs=("=narrow", "wi,de"), vary={"place.gap_m": [0.03, 0.3]})
    write_flat(result, tmp_path / "r.csv")
    rows = read_rows(tmp_path / "r.csv")
    assert len(rows) == result["level_db"].size
    assert list(rows[0])[:6] == ["design", "room", "setting", "place", "place.gap_m", "channel"]
    assert {row["design"] for row in rows} == {"'=narrow", "wi,de"}
    levels = np.array([float(row["level_db"]) for row in rows]).reshape(result["level_db"].shape)
    assert np.abs(levels - result["level_db"].values).max() <= 0.0005 + 1e-9      # three decimals
    f = np.array([float(row["frequency"]) for row in rows[: result.sizes["frequency"]]])
    np.testing.assert_allclose(f, result["frequency"], rtol=5e-6)                 # six digits
    assert float(rows[-1]["place.gap_m"]) == 0.3


def test_channels_that_a_design_lacks_are_left_out(made_result, tmp_path: Path) -> None:
    result = made_result(per_octave=3, seats=2)
    for name in ("level_db", "direct_level_db", "early_level_db", "late_level_db"):
        result[name] = result[name].where((result.design != "wide") | (result.channel != "right"))
    write_flat(result, tmp_path / "r.csv")
    rows = read_rows(tmp_path / "r.csv")
    assert len(rows) == result["level_db"].size * 3 // 4
    assert not any(row["design"] == "wide" and row["channel"] == "right" for row in rows)


def test_it_is_a_csv_file_as_the_standard_says(made_result, tmp_path: Path) -> None:
    """RFC 4180: lines end in CR LF, every line has the same number of cells."""
    result = made_result(per_octave=3, seats=2, rooms={'odd ",\n room': (4.0, 3.0, 2.5)})
    write_flat(result, tmp_path / "r.csv")
    data = (tmp_path / "r.csv").read_bytes()
    assert data.endswith(b"\r\n")
    with (tmp_path / "r.csv").open(newline="", encoding="utf-8") as file:
        assert {len(line) for line in csv.reader(file, strict=True)} == {11}


def test_a_place_that_cannot_be_written_is_a_plain_error(tmp_path: Path) -> None:
    with pytest.raises(OutputError, match="cannot write"):
        write_rows([{"a": 1}], tmp_path / "no" / "t.csv")
    result = xr.Dataset({"level_db": ("frequency", [1.0])}, coords={"frequency": [100.0]})
    with pytest.raises(OutputError, match="cannot write"):
        write_flat(result, tmp_path / "no" / "t.csv")
