"""Inputs drawn within their uncertainty: what is drawn, that designs share it, and what comes out."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import xarray as xr
from made_studies import STUDY, write_study

import roomsim
from roomsim.cli import main
from roomsim.errors import InvalidValue
from roomsim.loudspeaker.measured import MeasuredDirectivity
from roomsim.report.uncertainty import decay_rows, uncertainty_figure, uncertainty_lines, uncertainty_rows
from roomsim.sphere import fibonacci_grid
from roomsim.studies.draws import Inputs, deviate, drawn_loudspeaker, drawn_plan, uncertainty
from roomsim.studies.plan import make_plan

TWO = STUDY.replace("designs: {bar: {loudspeaker: bar.yaml}}",
                    "designs: {bar: {loudspeaker: bar.yaml}, twin: {loudspeaker: bar.yaml}}").replace(
                    "low_hz: 50, high_hz: 8000, per_octave: 12", "low_hz: 100, high_hz: 1000, per_octave: 6")


@pytest.fixture(scope="module")
def found(tmp_path_factory: pytest.TempPathFactory):
    study = roomsim.load(write_study(tmp_path_factory.mktemp("drawn"), study=TWO))
    return uncertainty(study, draws=4, jobs=2)


def test_designs_of_one_draw_meet_the_same_room_and_slip(found):
    level = found.result["level_db"]
    assert level.sizes["draw"] == 4
    np.testing.assert_array_equal(level.sel(design="bar").values, level.sel(design="twin").values)
    assert float(found.bands["level_sd_db"].min()) > 0.01           # and draws do differ
    curves = roomsim.difference_curves(found.result, "bar", "twin")
    assert not curves.curves["difference_db"].values.any() and not curves.curves["inputs_db"].values.any()
    assert all(d.verdict == "none" for d in roomsim.judge(found.result).differences if np.isfinite(d.here.value))


def test_bands_hold_their_own_mean_and_open_with_confidence(found):
    bands = found.bands
    assert np.all(bands["level_low_db"] < bands["level_db"]) and np.all(bands["level_db"] < bands["level_high_db"])
    assert np.all(bands["decay_low_s"] > 0) and np.all(bands["decay_high_s"] > bands["decay_s"])


def test_lines_and_rows_of_rooms_in_any_order(found):
    rooms = xr.concat([found.bands.assign_coords(room=[name]) for name in ("small", "typical", "large")], "room")
    several = replace(found, bands=rooms)
    lines = uncertainty_lines(several)
    assert [line.split()[0] for line in lines[1:7:2]] == ["small", "typical", "large"]
    assert len(uncertainty_rows(several)) == 3 * len(uncertainty_rows(found)) and len(decay_rows(several)) == 3 * 2 * 8
    assert uncertainty_figure(several).axes


def test_places_slip_by_the_tolerance_and_the_zone_stays(tmp_path: Path):
    plan = make_plan(roomsim.load(write_study(tmp_path)))
    drawn = drawn_plan(plan, 200, Inputs(absorption=False, placement_m=0.01))
    at = np.array([case.scene().loudspeakers[0].position_m for case in drawn.cases])
    still = plan.cases[0].scene()
    slip = at - still.loudspeakers[0].position_m
    # 100 independent slips in opposite pairs: standard error of the deviation 7 %; three of them
    np.testing.assert_allclose(slip.std(axis=0), 0.01, rtol=0.21)
    np.testing.assert_allclose(slip.mean(axis=0), 0, atol=1e-12)
    for case in drawn.cases[:6]:
        np.testing.assert_allclose(case.scene().listeners_m, still.listeners_m, atol=1e-12)


def test_levels_of_a_corrected_measurement_deviate_by_what_it_carries(tmp_path: Path):
    f = np.array([30.0, 60.0, 120.0, 1000.0])
    data = MeasuredDirectivity(
        name="box", frequency_hz=f, directions=fibonacci_grid(60), values=np.ones((60, 4), complex), radius_m=0.1,
        has_phase=True,
        level_uncertainty_db=np.array([1.0, 0.5, 0.0, 0.0]),
    )
    speaker = next(iter(roomsim.load(write_study(tmp_path)).designs.values())).loudspeaker()
    driver = speaker.channels["left"][0]
    speaker = replace(speaker, channels={"left": (replace(driver, directivity=data),)})
    drawn = [drawn_loudspeaker(speaker, k).channels["left"][0].directivity for k in range(400)]
    levels = 20 * np.log10(np.abs([one.values[0] for one in drawn]))
    # 200 independent deviates: 5 % standard error of the deviation; three of them
    np.testing.assert_allclose(levels.std(axis=0), [1.0, 0.5, 0, 0], rtol=0.15, atol=1e-12)
    np.testing.assert_allclose(levels[:, 0], 2 * levels[:, 1], atol=1e-9)        # one deviate for the whole curve


def test_draws_repeat_and_come_in_opposite_pairs():
    assert deviate("x", 4, 1)[0] == deviate("x", 4, 1)[0] == -deviate("x", 5, 1)[0]
    assert len({float(deviate("x", k, s)[0]) for k in (0, 2) for s in (0, 1)}) == 4


@pytest.mark.parametrize(("keywords", "said"), [
    ({"draws": 5}, "must be even"), ({"draws": 2}, "must be even and 4"), ({"confidence": 1.0}, "0.5 to 0.99"),
    ({"precision_db": 0.0}, "0.02 to 10"),
])
def test_refuses(keywords, said, tmp_path: Path):
    with pytest.raises(InvalidValue, match=said):
        uncertainty(roomsim.load(write_study(tmp_path)), **keywords)


def test_the_command(tmp_path: Path, capsys):
    study = write_study(tmp_path, study=TWO.replace(", twin: {loudspeaker: bar.yaml}", ""))
    assert main(["uncertainty", str(study), "--draws", "4", "--jobs", "2"]) == 0
    text = capsys.readouterr().out
    assert "ISO 12999-2" in text and "4 draws of" in text
    assert main(["uncertainty", str(study), "--draws", "4", "--json"]) == 0            # from the finished cases
    told = json.loads(capsys.readouterr().out)
    assert told["draws"] == 4 and {"bands.csv", "decay-bands.csv", "uncertainty.png", "result.nc"} == set(told["files"])
    assert main(["uncertainty", str(study), "--placement", "3"]) == 2
