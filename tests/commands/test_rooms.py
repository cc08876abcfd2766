"""`roomsim rooms`: what it prints, writes and refuses."""

from __future__ import annotations

import csv
import json
import re
from pathlib import Path

import pytest

from roomsim.cli import main
from roomsim.definitions import check, shipped_rooms
from roomsim.room.furniture import furniture_catalogue
from roomsim.room.materials import catalogue

GOOD = Path(__file__).parents[1] / "definitions" / "good"


@pytest.fixture
def survey(tmp_path: Path) -> Path:
    text = (shipped_rooms()["typical"].parent / "survey.csv").read_text("utf-8")
    path = tmp_path / "homes.csv"
    path.write_text(text, "utf-8")
    return path


def said(capsys) -> str:
    out, err = capsys.readouterr()
    assert err == ""
    return out


def test_shipped_rooms_are_listed_smallest_first(capsys):
    assert main(["rooms"]) == 0
    text = said(capsys)
    assert text.index("small") < text.index("typical") < text.index("large")
    assert main(["rooms", "--json"]) == 0
    rows = json.loads(said(capsys))["rooms"]
    assert [row["name"] for row in rows] == ["small", "typical", "large"]
    assert all(0.3 < row["decay_mid_s"] < 0.7 for row in rows)


def test_a_survey_is_shown_and_its_rooms_are_written(survey, tmp_path, capsys):
    assert main(["rooms", str(survey), "--percentile", "25,50,75", "--by", "volume"]) == 0
    text = said(capsys)
    assert "240 homes" in text and "35.1" in text and "34.2 to 36.2" in text and "--out FOLDER" in text
    assert main(["rooms", str(survey), "--percentile", "25,50,75", "--out", str(tmp_path / "made"), "--json"]) == 0
    data = json.loads(said(capsys))
    assert [row["percentile"] for row in data["rooms"]] == ["25", "50", "75"]
    files = {path.name for path in (tmp_path / "made").iterdir()}
    assert files == {"room-25.yaml", "room-50.yaml", "room-75.yaml", "survey.png", "percentiles.csv", "contents.txt"}
    assert set(data["files"]) == files - {"contents.txt"}
    assert check(sorted((tmp_path / "made").glob("*.yaml"))) == []
    with (tmp_path / "made" / "percentiles.csv").open(encoding="utf-8", newline="") as lines:
        table = list(csv.DictReader(lines))
    assert float(table[1]["size"]) == data["rooms"][1]["size"]


def test_room_files_outlive_later_runs_and_edits_are_kept(survey, tmp_path, capsys):
    made = tmp_path / "made"
    assert main(["rooms", str(survey), "--percentile", "25", "--out", str(made)]) == 0
    assert main(["rooms", str(survey), "--percentile", "75", "--out", str(made)]) == 0
    assert {"room-25.yaml", "room-75.yaml"} <= {path.name for path in made.iterdir()}
    capsys.readouterr()
    edited = (made / "room-25.yaml").read_text("utf-8") + "# mine\n"
    (made / "room-25.yaml").write_text(edited, "utf-8")
    before = {path.name: path.read_bytes() for path in made.iterdir()}
    assert main(["rooms", str(survey), "--percentile", "25,50", "--out", str(made)]) == 2
    assert re.search(r"room-25\.yaml: is there and differs from what would be written", capsys.readouterr().err)
    assert {path.name: path.read_bytes() for path in made.iterdir()} == before


def test_the_same_survey_gives_the_same_files(survey, tmp_path, capsys):
    for folder in ("a", "b"):
        assert main(["rooms", str(survey), "--by", "floor", "--out", str(tmp_path / folder)]) == 0
    for file in (tmp_path / "a").iterdir():
        assert file.read_bytes() == (tmp_path / "b" / file.name).read_bytes(), file.name


def test_named_rooms_with_furnishing_of_their_own(survey, tmp_path, capsys):
    assert main(["rooms", str(survey), "--percentile", "10,90", "--names", "flat,house", "--like", "small", "--like",
                 "large", "--out", str(tmp_path / "made")]) == 0
    said(capsys)
    assert "two-seat sofa" in (tmp_path / "made" / "flat.yaml").read_text("utf-8")
    assert "small dining table" in (tmp_path / "made" / "house.yaml").read_text("utf-8")


def test_implausible_rows_are_listed_with_their_lines(survey, capsys):
    survey.write_text(survey.read_text("utf-8") + "odd,4,5,25,,\n", "utf-8")
    assert main(["rooms", str(survey)]) == 0
    text = said(capsys)
    assert "241 homes" in text and "line 242: height_m = 25 is not within" in text
    assert main(["rooms", str(survey), "--leave-out-implausible"]) == 0
    text = said(capsys)
    assert "240 homes" in text and "left out:" in text and "line 242" in text


def test_a_room_is_shown_with_every_formula_and_the_advice(tmp_path, capsys):
    assert main(["rooms", "typical", "--out", str(tmp_path / "drawn")]) == 0
    text = said(capsys)
    for word in ("Sabine", "Eyring", "Millington-Sette", "Fitzroy", "Arau-Puchades", "* Eyring-Kuttruff", "42.0 m³",
                 "three-seat sofa", "4.57 × 3.65 × 2.52", "believe", "Assumed:", "survey.csv, 240 homes"):
        assert word in text, word
    assert {path.name for path in (tmp_path / "drawn").iterdir()} == {
        "drawing.png", "decay-formulas.png", "decay-formulas.csv", "contents.txt"}
    assert main(["rooms", "typical", "--json"]) == 0
    data = json.loads(said(capsys))
    assert data["volume_m3"] == pytest.approx(4.57 * 3.65 * 2.52) and data["believed"] == "Eyring-Kuttruff"
    assert len(data["decay"]) == 6 and len(data["decay"][0]["decay_s"]) == 8
    assert sum(part["area_m2"] for part in data["surfaces"]) == pytest.approx(data["surface_m2"])


def test_a_plan_says_what_serves_it(tmp_path, capsys):
    assert main(["rooms", str(GOOD / "alcove.yaml"), "--out", str(tmp_path / "drawn")]) == 0
    text = said(capsys)
    assert "a plan of 6 corners" in text
    assert (tmp_path / "drawn" / "drawing.png").stat().st_size > 10_000


def test_settings(capsys):
    assert main(["rooms", str(GOOD / "room.yaml"), "--setting", "bright"]) == 0
    capsys.readouterr()
    assert main(["rooms", str(GOOD / "room.yaml"), "--setting", "dead"]) == 2
    assert "it has bright, ordinary" in capsys.readouterr().err


def test_finishes_are_listed_with_model_and_residual_and_plotted(tmp_path, capsys):
    assert main(["rooms", "--materials", "--out", str(tmp_path / "finishes")]) == 0
    text = said(capsys)
    for name in catalogue():
        assert name in text
    assert "(0.36)" in text and "mass_kg_m2" in text and "off by" in text
    names = {path.name for path in (tmp_path / "finishes").iterdir()}
    assert {"finishes.csv", *(f"finishes-{kind}.png" for kind in ("hard", "panel", "porous", "curtain"))} <= names
    assert main(["rooms", "--materials", "--json"]) == 0
    rows = json.loads(said(capsys))["finishes"]
    assert len(rows) == len(catalogue()) and all(row["source"] for row in rows)


def test_finishes_of_a_users_own_are_listed_too(tmp_path, capsys):
    (tmp_path / "ours.yaml").write_text(
        "materials: ours\nfinishes:\n  trap: {membrane: {mass_kg_m2: 5, depth_m: 0.1}, source: a test}\n"
        "  felt: {kind: porous, absorption: {400: 0.3, 500: 0.4, 630: 0.5}, source: a test}\n", "utf-8")
    assert main(["rooms", str(tmp_path / "ours.yaml"), "--out", str(tmp_path / "out")]) == 0
    text = said(capsys)
    assert "trap" in text and "depth_m 0.1" in text and "felt" in text
    assert {"finishes-panel.png", "finishes-porous.png"} <= {path.name for path in (tmp_path / "out").iterdir()}


def test_furniture_is_listed(capsys):
    assert main(["rooms", "--furniture"]) == 0
    text = said(capsys)
    assert all(name in text for name in furniture_catalogue()) and "occupied" in text
    assert main(["rooms", "--furniture", "--json"]) == 0
    assert len(json.loads(said(capsys))["furniture"]) == len(furniture_catalogue())


@pytest.mark.parametrize(("arguments", "message"), [
    (["typical", "--percentile", "25"], "--percentile = '25': goes with a survey"),
    (["typical", "--like", "small"], "--like"),
    (["typical", "--materials"], "lists the catalogue and takes no file"),
    (["--materials", "--furniture"], "does not go with --materials"),
    (["--out", "x"], "has nothing to write here"),
    (["--setting", "bright"], "--setting = 'bright': goes with a room"),
    (["palace"], "is no shipped room and no .yaml or .csv file; shipped are"),
    (["none.yaml"], "none.yaml: there is no such file"),
    (["none.csv"], "none.csv: cannot be read"),
    (["SURVEY", "--percentile", "a"], "percentile = 'a': must be numbers above 0 and below 100"),
    (["SURVEY", "--by", "height"], "by = 'height': must be volume or floor"),
    (["SURVEY", "--units", "cm"], "units = 'cm': must be m or ft"),
    (["SURVEY", "--names", "a,b,c"], "goes with --out"),
    (["SURVEY", "--names", "a", "--out", "x"], "must be one per percentile (3)"),
    (["SURVEY", "--setting", "bright"], "goes with a room"),
])
def test_slips_are_said_in_a_line(arguments, message, survey, tmp_path, capsys, monkeypatch):
    monkeypatch.chdir(tmp_path)
    wanted = [str(survey) if word == "SURVEY" else word for word in arguments]
    assert main(["rooms", *wanted]) == 2
    out, err = capsys.readouterr()
    assert out == "" and message in err and len(err.splitlines()) == 1
    assert main(["rooms", *wanted, "--json"]) == 2
    assert json.loads(capsys.readouterr().out)["problems"]
    assert [path.name for path in tmp_path.iterdir()] == ["homes.csv"]


def test_hostile_names_reach_neither_terminal_nor_folder(tmp_path, capsys):
    head = "width_m,length_m,height_m\n"
    bad = tmp_path / "a\x1b[31m.csv"
    bad.write_text(head + "4,5,2.5\n" * 8, "utf-8")
    out_folder = str(tmp_path / "out")
    assert main(["rooms", str(bad), "--percentile", "50", "--names", "../../up", "--out", out_folder]) == 0
    assert check((tmp_path / "out").glob("*.yaml")) == []
    out, err = capsys.readouterr()
    assert "\x1b" not in out + err
    assert not (tmp_path.parent / "up.yaml").exists()


def test_what_a_setting_takes_is_shown(tmp_path, capsys):
    # areas that the file says: no solver, so what is listed is what was asked for
    (tmp_path / "room.yaml").write_text(
        "room: Flat\nwidth_m: 4\nlength_m: 5\nheight_m: 2.5\nsurfaces: {floor: parquet on concrete, ceiling: "
        "plasterboard on studs, front: plaster on brick, back: plaster on brick, left: plaster on brick, right: "
        "plaster on brick}\nadjustable:\n  - {name: panels, absorber: wool panel, surface: ceiling, area_m2: [0, 8], "
        "spread: true}\nsettings:\n  ordinary: {}\n  dead: {area_m2: {panels: 6}}\n", "utf-8")
    times = {}
    ceilings = {"ordinary": "plasterboard on studs", "dead": "plasterboard on studs with 30% wool panel"}
    for setting, finish in ceilings.items():
        assert main(["rooms", str(tmp_path / "room.yaml"), "--setting", setting, "--json"]) == 0
        data = json.loads(said(capsys))
        times[setting] = data["decay"][0]["decay_s"]
        assert {part["finish"] for part in data["surfaces"] if part["surface"] == "ceiling"} == {finish}
    assert all(times["dead"][band] < times["ordinary"][band] for band in ("250", "500", "1k", "2k", "4k"))
    assert main(["rooms", str(tmp_path / "room.yaml"), "--setting", "dead"]) == 0
    text = said(capsys)
    assert "panels (wool panel): 6.00 m² on ceiling, +6.00 m²; spread evenly" in text
    assert "fire rules" in text and "structure and fixings" in text          # the usual cautions
