"""A programme in every case: level at the seats, sums over channels, headroom."""

from __future__ import annotations

import functools
import json
import math
from pathlib import Path

import numpy as np
import pytest
from made_studies import BAR, STUDY, write_study
from made_systems import draw_nothing, write_system

import roomsim
from roomsim.bands import from_db
from roomsim.cli import main
from roomsim.engines.hybrid import Options
from roomsim.errors import DefinitionError
from roomsim.studies import plan

QUICK = STUDY.replace("low_hz: 50, high_hz: 8000, per_octave: 12", "low_hz: 20, high_hz: 16000, per_octave: 12")
# 84 dB at 1 m for 2.83 V; a cone of 3 cm that moves 3 mm, 30 W, 84 dB for 1 W (8 ohms: the same as for 2.83 V).
LOUD = BAR.replace("{omni: {}}", "{omni: {}, sensitivity_db: 84, limits: {cone_radius_m: 0.03, excursion_m: 0.003, "
                                 "power_w: 30, watt_level_db: 84}}")


@pytest.fixture(autouse=True)
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """Few rays, no figures: they are not what is tested."""
    monkeypatch.setattr(plan, "Options", functools.partial(Options, rays=64))
    draw_nothing(monkeypatch)


def predicted(folder: Path, programme: str, bar: str = LOUD) -> tuple:
    path = write_study(folder, study=QUICK + f"programme: {{{programme}}}\n", bar=bar)
    result = roomsim.predict(roomsim.load(path), jobs=1, store=folder / "kept")
    return result, json.loads(result.attrs["metadata"])["programme"]["cases"][0]


def test_levels_by_hand(tmp_path: Path) -> None:
    """Pink noise by another way: third-octave band levels, weighted by the table of IEC 61672-1 and added."""
    result, row = predicted(tmp_path, "drive_v: 2.83, low_hz: 90, high_hz: 11000")
    f = result["frequency"].values
    square = from_db(result["level_db"].squeeze().values)                 # re 20 µPa for 2.83 V in a single sine
    # Nominal 100 Hz to 10 kHz of the same table as in tests/analysis/test_weighting.py, tenths of a decibel.
    table = [-191, -161, -134, -109, -86, -66, -48, -32, -19, -8, 0, 6, 10, 12, 13, 12, 10, 5, -1, -11, -25]
    mids = 10 ** (np.arange(20, 41) / 10)
    bands = np.stack([square[..., np.abs(np.log10(f / mid) + 1e-6) < 0.05].mean(axis=-1) for mid in mids], axis=-1) / 21
    for kind, gain in (("Z", np.ones(21)), ("A", from_db(np.array(table) / 10))):
        by_hand = 10 * np.log10((bands * gain).sum(axis=-1))
        found = result["programme_level_db"].squeeze().sel(weighting=kind).values
        # four steps of the grid in each band: the same sum, but that the table weighs a band as its middle
        assert np.abs(found - by_hand).max() < (1e-3 if kind == "Z" else 0.25)
    seats = result["programme_level_db"].squeeze().sel(weighting="C").values
    assert row["alone"]["left"]["C"] == pytest.approx(10 * math.log10(from_db(seats[0]).mean()), abs=0.006)
    power = result["programme_sum_db"].squeeze().sel(weighting="C", sum="power").values
    assert np.allclose(power, 10 * np.log10(from_db(seats).sum(axis=0)), atol=1e-4)          # single precision
    assert row["drive_db"] == pytest.approx(0, abs=0.005) and row["drive_v"] == pytest.approx(2.83, abs=0.001)


def test_a_level_and_the_drive_for_it_agree(tmp_path: Path) -> None:
    result, row = predicted(tmp_path, "level_db: 80, weighting: C, channels_db: {left: -3, right: -9}")
    assert row["power_sum"]["C"] == pytest.approx(80, abs=0.01)
    _, other = predicted(tmp_path, f"drive_v: {row['drive_v']}, channels_db: {{left: -3, right: -9}}")
    assert other["power_sum"] == pytest.approx(row["power_sum"], abs=0.02)       # the drive is printed with four digits
    assert other["loads"] == [
        {**load, "headroom_db": pytest.approx(load["headroom_db"], abs=0.11)} for load in row["loads"]]
    plain, _ = predicted(tmp_path, "level_db: 80, weighting: C")
    alone = [one["programme_level_db"].sel(weighting="A").squeeze().values - float(one["programme_drive_db"].squeeze())
             for one in (result, plain)]
    assert np.allclose(alone[0] - alone[1], [[-3], [-9]], atol=1e-3)             # single precision
    assert float(result["headroom_db"].squeeze()) == pytest.approx(
        min(load["headroom_db"] for load in row["loads"]), abs=0.051)


def test_headroom_by_hand(tmp_path: Path) -> None:
    """The right channel, high-passed at 2 kHz, is limited by power: P = U²·(share above 2 kHz), 1 W at 2.83 V."""
    _, row = predicted(tmp_path, "drive_v: 5.66")
    right = next(load for load in row["loads"] if load["channel"] == "right")
    f = np.geomspace(20, 20000, 20001)
    s = 1j * f / 2000
    share = np.mean(np.abs((s**2 / (s**2 + np.sqrt(2) * s + 1)) ** 2) ** 2)
    assert right["cause"] == "power"
    # the crossover at its edge on a grid of 24 per octave
    assert right["headroom_db"] == pytest.approx(10 * math.log10(30 / (4 * share)), abs=0.1)
    # The left one by its cone: a point of 84 dB at 1 m in free field moves ω²·S·x·ρ/4π, 12 dB above the mean.
    left = next(load for load in row["loads"] if load["channel"] == "left")
    sent = 20e-6 * 10 ** (84 / 20) * 2                                           # Pa m, twice the drive
    travel = np.sqrt(np.mean((4 * np.pi * sent / (1.204 * (2 * np.pi * f) ** 2 * np.pi * 0.03**2)) ** 2))
    assert left["cause"] == "excursion"
    # Travel goes as 1/f², so that the first of 24 steps per octave counts: whole instead of half, (1 + 4·ln 2/48),
    # 0.24 dB in the power, from 19.95 Hz, 0.04 dB; and 0.05 dB of rounding.
    assert left["headroom_db"] == pytest.approx(20 * math.log10(0.003 / (travel * 10 ** (12 / 20))), abs=0.35)


def test_a_subwoofer_takes_the_travel_from_a_bar(tmp_path: Path) -> None:
    designs = ("  bar: {loudspeaker: bar.yaml}\n"
               "  both: {loudspeaker: bar.yaml, subwoofer: {loudspeaker: sub.yaml, height_m: 0.2}}")
    path = write_system(tmp_path, designs, study=QUICK + "programme: {level_db: 80}\n")
    (tmp_path / "bar.yaml").write_text(LOUD)
    sub = (tmp_path / "sub.yaml").read_text()
    (tmp_path / "sub.yaml").write_text(sub.replace("{omni: {}}", "{omni: {}, sensitivity_db: 88, limits: {"
                                                   "cone_radius_m: 0.12, excursion_m: 0.01, power_w: 150, "
                                                   "watt_level_db: 88}}"))
    result = roomsim.predict(roomsim.load(path), jobs=1)
    cases = {case["design"]: case for case in json.loads(result.attrs["metadata"])["programme"]["cases"]}
    loads = {name: {load["channel"]: load for load in case["loads"]} for name, case in cases.items()}
    assert list(loads["both"]) == ["left", "right", "subwoofer"]
    # fourth order below 80 Hz against a travel that falls with f²: far more than 10 dB at 20 Hz
    assert loads["both"]["left"]["headroom_db"] > loads["bar"]["left"]["headroom_db"] + 10
    # By hand: what the subwoofer radiates is twice the pink noise below its crossover, at its gain.
    row = next(row for row in json.loads(result.attrs["metadata"])["receivers"] if row["channel"] == "subwoofer")
    f = np.geomspace(20, 20000, 20001)
    low = np.abs(1 / ((1j * f / 80) ** 2 + np.sqrt(2) * 1j * f / 80 + 1) ** 2)
    drive = 10 ** ((cases["both"]["drive_db"] + row["gain_db"]) / 20)
    sent = 20e-6 * 10 ** (88 / 20) * drive * low * math.sqrt(2)
    travel = np.sqrt(np.mean((4 * np.pi * sent / (1.204 * (2 * np.pi * f) ** 2 * np.pi * 0.12**2)) ** 2))
    heat = 2 * drive**2 * np.mean(low**2)
    by_hand = min(20 * math.log10(0.01 / (travel * 10 ** (12 / 20))), 10 * math.log10(150 / heat))
    assert loads["both"]["subwoofer"]["headroom_db"] == pytest.approx(by_hand, abs=0.35)      # as above


def test_it_is_shown_and_written(tmp_path: Path, capsys) -> None:
    path = write_study(tmp_path, study=QUICK + "programme: {level_db: 75}\n", bar=LOUD)
    assert main(["predict", str(path), "--jobs", "1"]) == 0
    said = capsys.readouterr().out
    assert "Level at the seats: pink noise, 20 to 20000 Hz, crest 12 dB; 75 dB(A) from all channels together:" in said
    assert "all, coherent sum" in said and "left/point: excursion" in said and "harms hearing" in said
    table = (tmp_path / "study-results" / "programme.csv").read_text().splitlines()
    assert len(table) == 1 + 4 and "headroom_db" in table[0]
    stored = roomsim.open_result(tmp_path / "study-results" / "result.nc")
    assert stored["programme_level_db"].dims[-3:] == ("channel", "weighting", "listener")
    assert stored["programme_sum_db"].attrs["units"] == "dB" and "reference" not in stored["programme_sum_db"].attrs
    before = [path.name for path in (tmp_path / "study-results.cases").glob("*.case")]
    path.write_text(path.read_text().replace("75", "85"))
    assert main(["predict", str(path), "--json"]) == 0                   # another level computes nothing anew
    rows = json.loads(capsys.readouterr().out)["programme"]
    assert rows[0]["played"] == "all, power sum" and rows[0]["level_dba"] == pytest.approx(85, abs=0.01)
    assert before == [path.name for path in (tmp_path / "study-results.cases").glob("*.case")]


@pytest.mark.parametrize(("programme", "says"), [
    ("weighting: A", "programme: needs either level_db or drive_v; add level_db: 75"),
    ("level_db: 75, drive_v: 2", "needs either level_db or drive_v; keep one of the two"),
    ("drive_v: 2", "design bar has relative levels; give level_db instead"),
    ("level_db: 75, channels_db: {middle: 0}", "is no channel of any design; channels are left, right"),
    ("level_db: 75, low_hz: 900, high_hz: 1000", "must be at most half of high_hz"),
    ("level_db: 200", "must be 0 to 130"),
    ("level_db: 75, weighting: B", "must be one of Z, A, C"),
])
def test_what_is_wrong_with_a_programme_is_told(tmp_path: Path, programme: str, says: str) -> None:
    path = write_study(tmp_path, study=QUICK + f"programme: {{{programme}}}\n")
    with pytest.raises(DefinitionError, match=says):
        roomsim.load(path)
