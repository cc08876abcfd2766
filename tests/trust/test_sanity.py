"""Numbers that cannot be never leave as a result, and what is not to be trusted says so everywhere."""

from __future__ import annotations

import io
import json
from collections.abc import Callable
from dataclasses import replace
from functools import partial
from pathlib import Path

import numpy as np
import pytest
from one_bar import write_one_bar

import roomsim
from roomsim.cli import main
from roomsim.engines.hybrid import Options
from roomsim.errors import Fault
from roomsim.files.netcdf import read_netcdf
from roomsim.files.result_rules import result_problems
from roomsim.report.write import notes
from roomsim.response import Response
from roomsim.studies import case, plan
from roomsim.studies.case_checks import MOST_ABOVE_DIFFUSE_DB, late_excess_db


@pytest.fixture
def study(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    path = write_one_bar(tmp_path, "{low_hz: 100, high_hz: 2000, per_octave: 3}")
    monkeypatch.setattr(plan, "Options", partial(Options, rays=500))      # quick: no number is judged here
    return path


def spoilt(**changes: Callable[[np.ndarray], np.ndarray]) -> Callable[[Response], Response]:
    return lambda response: replace(response, **{key: make(getattr(response, key)) for key, make in changes.items()})


def first(value: complex) -> Callable[[np.ndarray], np.ndarray]:
    def change(array: np.ndarray) -> np.ndarray:
        out = array.copy()
        out.flat[0] = value
        return out
    return change


IMPOSSIBLE = {
    "early sound came out NaN": spoilt(early=first(np.nan)),
    "direct sound came out NaN or infinite": spoilt(direct=first(np.inf)),
    "late energy came out NaN or infinite": spoilt(late=first(np.inf)),
    "negative late energy": spoilt(late=first(-1e-30)),
    "negative scattered energy": spoilt(scattered=first(-1e-30)),
    "negative energy over time": spoilt(energy=first(-1e-30)),
    "a crossfade outside 0 to 1": spoilt(wave_weight=first(1.0001)),
    "above what the loudspeaker's power can sustain": spoilt(late=lambda late: late * 1e4),
}


@pytest.mark.parametrize("says", IMPOSSIBLE)
def test_impossible_numbers_are_a_fault_and_leave_nothing(
    study: Path, says: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture
) -> None:
    usual = case.simulate
    monkeypatch.setattr(case, "simulate", lambda *given, **how: IMPOSSIBLE[says](usual(*given, **how)))
    assert main(["predict", str(study), "--jobs", "1"]) == 1
    told = capsys.readouterr()
    assert says in told.err and "fault of roomsim" in told.err and "Traceback" not in told.err and not told.out
    assert sorted(path.name for path in study.parent.iterdir()) == ["bar.yaml", "room.yaml", "study.yaml"]
    with pytest.raises(Fault):
        roomsim.predict(roomsim.load(study), jobs=1)


def test_real_cases_stay_far_below_the_bound(study: Path) -> None:
    one = plan.make_plan(roomsim.load(study)).cases[0]
    excess = late_excess_db(one, case.simulate(one.scene(), one.frequency_hz, one.options))
    assert excess.shape == (2, 3)
    # a room without furniture or scattering rings longer than the formula, so +6 dB at most; the first 80 ms are
    # missing, which a decay of 0.4 s or more makes 12 dB at most
    assert np.all((excess > -15) & (excess < 8)) and excess.max() < MOST_ABOVE_DIFFUSE_DB - 20


@pytest.mark.parametrize(("name", "value"), [("d50", 1.2), ("decay_s", -0.1), ("decay_s", np.inf), ("level_db", np.inf),
                                             ("wave_weight", -0.5), ("volume_m3", -3.0)])
def test_a_result_with_such_numbers_is_none(study: Path, tmp_path: Path, name: str, value: float) -> None:
    result = roomsim.predict(roomsim.load(study), jobs=1)
    assert result_problems(result, values_to=10**9) == []
    array = result[name].copy(deep=True)
    array.values.flat[0] = value
    problems = result_problems(result.assign({name: array}), values_to=10**9)
    assert [problem.key for problem in problems] == [name] and "must be" in problems[0].rule


def test_what_is_not_to_be_trusted_reaches_table_plot_and_json(
    study: Path, capsys: pytest.CaptureFixture, tmp_path: Path
) -> None:
    from roomsim.report.response_plot import response_figure

    assert main(["predict", str(study), "--jobs", "1", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    stored = read_netcdf(tmp_path / "study-results" / "result.nc")
    assert main(["predict", str(study), "--jobs", "1"]) == 0                  # the same cases again, as a table
    printed = " ".join(capsys.readouterr().out.split())
    codes = {note["code"] for note in json.loads(stored.attrs["metadata"])["notes"]}
    assert codes and codes == {note["code"] for note in told["notes"]}
    for line in notes(stored):
        assert " ".join(line.split()) in printed
    limit = stored["trusted_from_hz"] * 0 + 300.0                    # as data with a lower limit of 300 Hz set it
    raised = stored.assign(trusted_from_hz=limit)
    figure = response_figure(raised, "flat", {"setting": "ordinary", "place": "wall"}, (-20.0, 20.0))
    figure.savefig(io.BytesIO())
    words = [text.get_text() for axes in figure.axes for text in axes.texts]
    assert any("not yet trustworthy below 300 Hz" in text for text in words)
