"""`roomsim check --against`: rooms, studies and results beside recommendations for listening rooms."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from made_studies import write_study

import roomsim
from roomsim.cli import main
from roomsim.files.netcdf import write_netcdf

ROOM = """\
room: Listening room
width_m: 5.6
length_m: 7.5
height_m: 3.0
surfaces: {front: F, back: F, left: F, right: F, floor: F, ceiling: F}
finishes: {F: {kind: porous, absorption: {125: 0.5, 250: 0.5, 500: 0.5, 1000: 0.5, 2000: 0.5, 4000: 0.5},
               scattering: 0.5, source: assumption}}
settings: {soft: {}, hard: {}}
"""


@pytest.fixture(scope="module")
def room(tmp_path_factory) -> Path:
    path = tmp_path_factory.mktemp("held") / "room.yaml"
    path.write_text(ROOM, "utf-8")
    return path


@pytest.fixture(scope="module")
def study(tmp_path_factory) -> Path:
    return write_study(tmp_path_factory.mktemp("held"))


def held(capsys, *arguments: str) -> list[dict]:
    assert main(["check", *arguments, "--json"]) == 0
    return json.loads(capsys.readouterr().out)["held"]


def items(one: dict) -> dict[str, dict]:
    return {item["key"]: item for item in one["items"]}


def test_a_room_is_held_item_by_item(room, capsys):
    (one,) = held(capsys, str(room), "--against", "bs1116", "--setting", "hard")
    assert one["labels"] == {"room": "Listening room", "setting": "hard"} and one["source"] == "itu-bs1116-3"
    found = items(one)
    assert found["floor_two"]["status"] == "met" and found["floor_two"]["value"] == pytest.approx(42)
    assert found["length_to_height"]["status"] == "met"
    assert found["early_reflections"]["status"] == "not known" and "study" in found["early_reflections"]["note"]
    assert found["background_noise"]["status"] == "not known"
    assert one["met"] + one["missed"] + one["not_known"] == len(one["items"])
    # Eyring for this box (126 m³, 162.6 m², α 0.5) gives 0.18 s; the predicted mean stands near it, and is missed
    # by what lies beyond the mask about 0.25·(1.26)^(1/3) = 0.270 s
    mean = found["decay_mean"]
    assert mean["value"] == pytest.approx(0.19, abs=0.04)
    assert mean["missed_by"] == pytest.approx(mean["value"] - 0.220, abs=1e-3)


def test_the_table_says_what_is_missed_by_how_much_and_how_it_is_known(room, capsys):
    assert main(["check", str(room), "--against", "all"]) == 0
    text = capsys.readouterr().out
    for said in ("beside ITU-R BS.1116-3", "beside EBU Tech 3276", "beside IEC 60268-13", "missed by", "not known",
                 "from memory", "Look a limit up"):
        assert said in text
    assert "+46.0 m³" not in text and "+38.0 m³" in text                  # 126 m³ where IEC has 80 m³ ± 10 %


def test_a_shipped_room_by_its_name(capsys):
    (one,) = held(capsys, "small", "--against", "iec60268")
    assert items(one)["volume"]["missed_by"] < -40


def test_a_study_is_predicted_and_its_cases_are_kept(study, capsys):
    first = held(capsys, str(study), "--against", "bs1116")
    room, case = first
    assert items(room)["floor_two"]["unit"] == "m²" and "early_reflections" not in items(room)
    assert case["labels"]["design"] == "bar"
    level = items(case)["early_reflections"]
    result = roomsim.predict(roomsim.load(study))
    rows = [row for row in roomsim.reflections(result) if row["delay_ms"] <= 15]
    assert level["value"] == pytest.approx(max(row["level_1_to_8_khz_db"] for row in rows), abs=0.01)
    assert level["status"] == ("missed" if level["value"] > -10 else "met")
    assert list(study.parent.glob("*-results.cases/*.case")) and not (study.parent / "study-results").exists()
    assert held(capsys, str(study), "--against", "bs1116") == first


def test_the_response_is_that_of_the_middle_seat(study, tmp_path, capsys):
    """The stored levels, read again by hand: third octaves re their mean from 250 Hz to 2 kHz."""
    result = roomsim.predict(roomsim.load(study))
    write_netcdf(result, tmp_path / "result.nc")
    case = held(capsys, str(tmp_path), "--against", "bs1116")[1]
    item = items(case)["response_low"]
    third = roomsim.band_level_db(result["level_db"].isel(design=0, room=0, setting=0, place=0, listener=0), 3)
    band = third["band"].values
    level = third.values - third.values[:, (band > 243) & (band < 2060)].mean(axis=1, keepdims=True)
    inside = np.abs(level[:, (band > 48.5) & (band < 2060)])
    assert abs(item["value"]) == pytest.approx(inside.max(), abs=0.01)
    assert item["missed_by"] == pytest.approx(np.sign(item["value"]) * (inside.max() - 3), abs=0.01)


def test_where_the_loudspeaker_stands_is_read_from_the_study(study, capsys):
    case = held(capsys, str(study), "--against", "bs1116")[1]
    found = items(case)
    assert found["loudspeaker_wall"]["missed_by"] < -0.5 and found["loudspeaker_height"]["value"] > 0


@pytest.mark.parametrize(("arguments", "said"), [
    (["--against", "bs1115"], "known are bs1116, ebu3276, iec60268 and all"),
    (["--setting", "soft"], "goes with --against"),
    (["--against", "all", "--setting", "wet"], "soft, hard"),
])
def test_mistakes_are_told(room, capsys, arguments, said):
    assert main(["check", str(room), *arguments]) == 2
    assert said in capsys.readouterr().err


def test_other_files_are_refused(study, capsys):
    assert main(["check", str(study.parent / "bar.yaml"), "--against", "all"]) == 2
    assert "is no room, no study and no result" in capsys.readouterr().err
    assert main(["check", str(study), "--against", "all", "--setting", "x"]) == 2
    assert "goes with a room" in capsys.readouterr().err
