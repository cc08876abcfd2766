"""`roomsim speaker`: what it prints, draws, converts, corrects and refuses."""

from __future__ import annotations

import csv
import json
import shutil
from pathlib import Path

import numpy as np
import pytest

from roomsim.cli import main
from roomsim.definitions import load
from roomsim.files.correction_text import read_correction
from roomsim.files.sofa import read_directivity

GOOD = Path(__file__).parents[1] / "definitions" / "good"


@pytest.fixture
def job(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    folder = tmp_path / "job"
    shutil.copytree(GOOD, folder)
    monkeypatch.chdir(folder)
    return folder


def said(capsys) -> str:
    out, err = capsys.readouterr()
    assert err == ""
    return out


def run(capsys, *arguments: str) -> dict:
    assert main(["speaker", *arguments, "--json"]) == 0
    return json.loads(said(capsys))


def test_a_design_is_shown_channel_by_channel(job: Path, capsys):
    assert main(["speaker", "bar.yaml", "--out", "shown"]) == 0
    text = said(capsys)
    for word in ("Two-way bar sketch", "Channel left", "Channel right", "index", "width horiz.", "16k", "own mean",
                 "cap of radius 0.026 m", "8 files in shown"):
        assert word in text, word
    assert {path.name for path in Path("shown").iterdir()} == {
        *(f"{kind}-{channel}.png" for kind in ("curves", "directivity", "power") for channel in ("left", "right")),
        "table.csv", "curves.csv", "contents.txt"}
    data = run(capsys, "bar.yaml", "--channel", "left")
    (channel,) = data["channels"]
    assert channel["channel"] == "left" and len(channel["bands"]) == 9 and channel["load"] is None
    assert data["measurements"] == [] and data["drive_v"] is None and data["folder"] is None


def test_curves_and_table_of_the_files_agree_with_what_is_printed(job: Path, capsys):
    data = run(capsys, "orbits.yaml", "--out", "shown")
    with Path("shown/table.csv").open(encoding="utf-8", newline="") as lines:
        table = list(csv.DictReader(lines))
    assert [float(row["on_axis_db"]) for row in table] == [row["on_axis_db"] for row in data["channels"][0]["bands"]]
    with Path("shown/curves.csv").open(encoding="utf-8", newline="") as lines:
        curves = list(csv.DictReader(lines))
    near = min(curves, key=lambda row: abs(float(row["frequency_hz"]) - 800))
    # the file polar/h+000.txt says 84 dB at 2 m and 800 Hz: 90.02 at 1 m; flat there, so 0.05 dB for 1/24 octave
    assert float(near["on_axis_db"]) == pytest.approx(84 + 20 * np.log10(2), abs=0.05)
    drawn = {"curves.png", "directivity.png", "power.png", "measured.png"}
    assert set(data["files"]) == drawn | {"table.csv", "curves.csv"}


def test_a_measurement_says_what_it_is_worth(job: Path, capsys):
    assert main(["speaker", "orbits.yaml"]) == 0
    text = said(capsys)
    for word in ("re 20 µPa for 2.83 V", "14", "386", "45.0", "100 to 12500 Hz", "3810 Hz", "63 *",
                 "outside the trusted range", "orbits blended", "minimum phase", "left out and interpolated"):
        assert word in text, word
    (one,) = run(capsys, "orbits.yaml")["measurements"]
    assert (one["directions"], one["filled"], one["coverage"], one["phase"]) == (14, 386, "orbits", False)
    assert one["filled_share"] == 1.0 and one["distance_removed_hz"] is None and one["uncertainty_db"] is None
    assert 0 < one["leave_out_db"]["1k"] < 3


def test_the_measured_sphere_of_the_open_data(shared_data: Path, tmp_path: Path, capsys):
    """SOURCES.md: index about 4.4 dB at 1 kHz and 10.6 at 2 kHz at the third octaves; nothing measured below 63 Hz."""
    file = str(shared_data / "two-way-pa-loudspeaker.sofa")
    data = run(capsys, file, "--out", str(tmp_path / "out"))
    with (tmp_path / "out" / "curves.csv").open(encoding="utf-8", newline="") as lines:
        rows = list(csv.DictReader(lines))
    for frequency, index in ((1000, 4.4), (1995, 10.6)):
        near = min(rows, key=lambda row: abs(float(row["frequency_hz"]) - frequency))
        assert float(near["directivity_index_db"]) == pytest.approx(index, abs=0.1)
    assert data["measurements"][0]["low_hz"] == 63 == data["channels"][0]["low_hz"]
    assert any("below 63 Hz there is no trustworthy measurement" in line for line in data["assumed"])


def test_what_a_channel_can_play(job: Path, capsys):
    """2 pistons of 10 W and 84 dB at 1 W: 84 + 10 + 6.02 dB where both are in phase and power decides."""
    limits = "{piston: {radius_m: 0.026}, limits: {excursion_m: 0.1, power_w: 10, watt_level_db: 84}}"
    text = Path("bar.yaml").read_text("utf-8").replace("{piston: {radius_m: 0.026}}", limits)
    text = text.replace("    - {driver: tweeter, at_m: [0, -0.42, 0], filter: {highpass_hz: 2500}}\n",
                        "    - {driver: woofer, at_m: [0, -0.42, 0], filter: {lowpass_hz: 2500}}\n")
    Path("bar.yaml").write_text(text, "utf-8")
    data = run(capsys, "bar.yaml", "--channel", "left", "--level", "90")
    (channel,) = data["channels"]
    bands = {round(row["band_hz"]): row for row in channel["bands"]}
    assert bands[251]["maximum_level_db"] == pytest.approx(84 + 10 + 6.02, abs=0.05)     # on the axis both in phase
    assert bands[251]["limited_by"] == "woofer power"
    assert channel["load"]["level_db"] == 90 and len(channel["load"]["drivers"]) == 2
    assert main(["speaker", "bar.yaml", "--channel", "left", "--level", "140", "--out", "shown"]) == 0
    text = said(capsys)
    assert "it cannot play that loud" in text and "hurt ears and destroy drivers" in text
    assert "maximum.png" in {path.name for path in Path("shown").iterdir()}


# convert and correct ---------------------------------------------------------------------------------------


def test_a_text_set_becomes_aes69_and_reads_the_same(job: Path, capsys):
    """Round trip: every measured value, drive, distance, radius; filled directions are filled again, not written."""
    data = run(capsys, "orbits.yaml", "--convert", "box.sofa")
    assert data["converted"] == "box.sofa"
    before, after = load("orbits.yaml").as_measured, read_directivity(Path("box.sofa"))
    measured = ~before.filled
    np.testing.assert_allclose(after.values[~after.filled], before.values[measured], rtol=1e-9)
    np.testing.assert_allclose(after.directions[~after.filled], before.directions[measured], atol=1e-9)
    assert (after.drive_v, after.distance_m, after.radius_m, after.coverage) == (2.83, 2.0, 0.15, "orbits")
    one, other = data["channels"][0]["bands"], run(capsys, "box.sofa")["channels"][0]["bands"]
    assert [row["on_axis_db"] for row in other] == pytest.approx([row["on_axis_db"] for row in one], abs=1e-6)
    assert [row["directivity_index_db"] for row in other] == pytest.approx(
        [row["directivity_index_db"] for row in one], abs=1e-6)


def test_a_correction_is_shown_stored_and_applied(job: Path, capsys):
    assert main(["speaker", "chamber.yaml", "--out", "shown", "--convert", "chamber.txt"]) == 0
    text = said(capsys)
    for word in ("North chamber", "2 loudspeakers", "whole below 80 Hz, gone above 160 Hz", "+5.6", "uncertainty"):
        assert word in text, word
    assert {path.name for path in Path("shown").iterdir()} == {"correction.png", "correction.csv", "contents.txt"}
    stored, fresh = read_correction(Path("chamber.txt")), load("chamber.yaml").correction
    np.testing.assert_array_equal(stored.mean_db, fresh.mean_db)
    assert run(capsys, "chamber.txt")["mean_db"] == pytest.approx(list(fresh.mean_db))
    plain = load("orbits.yaml").as_measured
    for name in ("chamber.txt", "chamber.yaml"):
        data = run(capsys, "orbits.yaml", "--correct", name, "--convert", f"{name}.sofa")
        corrected = read_directivity(Path(f"{name}.sofa"))
        gain = np.abs(corrected.values[:14] / plain.values[:14])
        np.testing.assert_allclose(-20 * np.log10(gain[0]), fresh.correction_db(plain.frequency_hz), atol=1e-9)
        np.testing.assert_allclose(corrected.level_uncertainty_db, fresh.uncertainty_db(plain.frequency_hz))
        assert data["measurements"][0]["uncertainty_db"]["125"] > 0.1
        assert any("corrected for the chamber North chamber" in line for line in data["assumed"])
    assert main(["speaker", "chamber.txt.sofa", "--correct", "chamber.txt"]) == 2
    assert "the data were corrected before" in capsys.readouterr().err


def test_the_same_file_gives_the_same_files(job: Path, capsys):
    for folder in ("a", "b"):
        assert main(["speaker", "orbits.yaml", "--out", folder]) == 0
    for file in Path("a").iterdir():
        assert file.read_bytes() == (Path("b") / file.name).read_bytes(), file.name


# slips ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("arguments", "message"), [
    (["none.yaml"], "none.yaml: there is no such file"),
    (["none.sofa"], "none.sofa file: does not exist"),
    (["none.txt"], "none.txt: does not exist"),
    (["room.yaml"], "'room.yaml': is a room file; a loudspeaker, measurement or correction is wanted here"),
    (["bar.yaml", "--channel", "middle"], "--channel = 'middle': is no channel of it; it has left, right"),
    (["orbits.yaml", "--channel", "left"], "--channel = 'left': is no channel of it"),
    (["bar.yaml", "--level", "96"], "--level = 96.0: needs limits of a driver of channel left"),
    (["chamber.yaml", "--level", "96"], "--level = 96.0: goes with a loudspeaker"),
    (["bar.yaml", "--correct", "chamber.yaml"], "--correct = 'chamber.yaml': goes with a measurement"),
    (["orbits.yaml", "--correct", "orbits.yaml"], "--correct = 'orbits.yaml': is no correction"),
    (["bar.yaml", "--convert", "x.sofa"], "--convert = 'x.sofa': goes with a measurement or a correction"),
    (["orbits.yaml", "--convert", "x.txt"], "--convert = 'x.txt': must end in .sofa"),
    (["chamber.yaml", "--convert", "x.sofa"], "--convert = 'x.sofa': must end in .txt"),
    (["orbits.yaml", "--convert", "room.yaml"], "must end in .sofa"),
    (["chamber.yaml", "--convert", "polar/h+000.txt"], "is there already; move it, or name another file"),
    (["orbits.yaml", "--convert", "no/such/folder/x.sofa"], "x.sofa: cannot be written"),
])
def test_slips_are_said_in_a_line(arguments: list[str], message: str, job: Path, capsys):
    before = sorted(job.rglob("*"))
    assert main(["speaker", *arguments]) == 2
    out, err = capsys.readouterr()
    assert out == "" and message in err and len(err.splitlines()) == 1, err
    assert main(["speaker", *arguments, "--json"]) == 2
    assert json.loads(capsys.readouterr().out)["problems"]
    assert sorted(job.rglob("*")) == before


def test_hostile_names_reach_neither_terminal_nor_folder(job: Path, capsys):
    text = Path("bar.yaml").read_text("utf-8").replace("  left:", "  '../../up':").replace("  right:", "  'CON':")
    Path("bar.yaml").write_text(text.replace("Two-way bar sketch", "'=1+1 $x$'"), "utf-8")
    assert main(["speaker", "bar.yaml", "--out", "shown"]) == 0
    out, err = capsys.readouterr()
    assert "\x1b" not in out + err
    names = {path.name for path in Path("shown").iterdir()}
    assert {"curves-up.png", "curves-_CON.png"} <= names and not (job.parent / "up.png").exists()
