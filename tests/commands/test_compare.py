"""`roomsim compare`: what it prints and writes is what the library says."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import numpy as np
import pytest

import roomsim
from roomsim.cli import main
from roomsim.files.netcdf import write_netcdf


@pytest.fixture
def result(made_result, tmp_path: Path) -> Path:
    data = made_result(per_octave=24, high_hz=16000)
    power = 1 + 9 * (abs(np.log2(data["frequency"] / 1000)) < 1 / 12)               # a peak of 10 dB at 1 kHz
    data["power_level_db"] = 10 * np.log10(power.expand_dims(
        {"design": 2, "room": 3, "setting": 1, "place": 1, "channel": 2})).astype(float)
    write_netcdf(data, tmp_path / "result.nc")
    return tmp_path / "result.nc"


def test_prints_and_writes(result: Path, tmp_path: Path, capsys):
    assert main(["compare", str(result), "--out", str(tmp_path / "out"), "--explain"]) == 0
    text = capsys.readouterr().out
    assert "deviation from the target" in text and "Source: " in text and "Narrow peaks of the loudspeakers" in text
    assert {p.name for p in (tmp_path / "out").iterdir()} == {
        "contents.txt", "measures.csv", "ranking.csv", "differences.csv", "peaks.csv", "curves.csv",
        "difference-wide-less-narrow.png"}
    rows = list(csv.DictReader((tmp_path / "out" / "measures.csv").open(encoding="utf-8")))
    judged = roomsim.judge(roomsim.open_result(result))
    at = judged.measures["slope_db_per_octave"].sel(design="wide", room="large").item()
    row = next(row for row in rows if (row["design"], row["room"]) == ("wide", "large"))
    assert float(row["slope_db_per_octave"]) == pytest.approx(at, abs=1e-4)
    peaks = list(csv.DictReader((tmp_path / "out" / "peaks.csv").open(encoding="utf-8")))
    own = [row for row in peaks if row["owner"] == "loudspeaker"]
    assert {row["design"] for row in own} == {"narrow", "wide"}
    assert all(0.93 < float(row["frequency_hz"]) / 1000 < 1.07 for row in own)


def test_json_and_target(result: Path, tmp_path: Path, capsys):
    target = tmp_path / "target.txt"
    target.write_text("# ours\n20, 3\n200 0\n20000 -6\n", "utf-8")
    assert main(["compare", str(result.parent), "--target", str(target), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["target"] == "target.txt" and len(told["measures"]) == 6
    assert {d["verdict"] for d in told["differences"]} <= {"none", "not shown", "too small", "real", "general"}


@pytest.mark.parametrize(("arguments", "said"), [
    (["--against", "broad"], "must be one of narrow, wide"), (["--confidence", "2"], "must be 0.5 to 0.999"),
])
def test_mistakes(arguments, said, result: Path, capsys):
    assert main(["compare", str(result), *arguments]) == 2
    assert said in capsys.readouterr().err


def test_a_spoilt_target_names_the_line(result: Path, tmp_path: Path, capsys):
    target = tmp_path / "target.txt"
    target.write_text("20 3\n200 loud\n", "utf-8")
    assert main(["compare", str(result), "--target", str(target)]) == 2
    assert "target.txt:2" in capsys.readouterr().err
