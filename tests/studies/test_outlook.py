"""What a study says before it starts: how many cases, how many of them are finished, about how long."""

from __future__ import annotations

import functools
from dataclasses import replace
from pathlib import Path

import pytest
from made_studies import STUDY, write_study

import roomsim
from roomsim.cli import main
from roomsim.engines.hybrid import Options
from roomsim.report import write
from roomsim.studies import plan, run
from roomsim.studies.outlook import Outlook, case_seconds, duration, machine_speed, outlook
from roomsim.studies.plan import make_plan

SMALL = STUDY.replace("8000, per_octave: 12", "2000, per_octave: 3").replace("count: 3", "count: 2")
VARIED = SMALL + "vary: {place.gap_m: [0.05, 0.1, 0.2]}\n"


@pytest.fixture(autouse=True)
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """Few rays and no files: they are not what is tested."""
    monkeypatch.setattr(plan, "Options", functools.partial(Options, rays=64))
    monkeypatch.setattr(write, "fill", lambda *_: [])


def test_it_counts_what_is_left_before_anything_runs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = write_study(tmp_path, study=VARIED)
    ran, told = [], []
    real = run.run_case

    def counted(case: plan.Case, **how: int) -> object:
        ran.append(case.title)
        return real(case, **how)

    monkeypatch.setattr(run, "run_case", counted)

    def before(what: Outlook) -> None:
        told.append((what.total, what.finished, what.left, len(ran)))

    def again() -> None:
        roomsim.predict(roomsim.load(path), before=before, jobs=1, store=tmp_path / "kept")

    again()
    again()
    path.write_text(VARIED.replace("0.2]", "0.2, 0.3, 0.4]"))
    again()
    assert told == [(3, 0, 3, 0), (3, 3, 0, 3), (5, 3, 2, 3)]                  # each time before the first case
    assert len(ran) == 5


def test_cases_that_are_alike_are_computed_and_counted_once(tmp_path: Path) -> None:
    study = SMALL.replace("{bar: {loudspeaker: bar.yaml}}", "{a: {loudspeaker: bar.yaml}, b: {loudspeaker: bar.yaml}}")
    told: list[Outlook] = []
    roomsim.predict(roomsim.load(write_study(tmp_path, study=study)), before=told.append, jobs=1)
    assert [(what.total, what.finished, what.left) for what in told] == [(2, 0, 1)]


def test_the_command_says_it_first(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = write_study(tmp_path, study=VARIED)
    monkey = ["predict", str(path), "--jobs", "1", "--json"]
    main(monkey)
    said = capsys.readouterr().err.splitlines()
    assert said[0] == "3 cases: 3 place.gap_m"
    assert said[1].startswith("They take ") and said[1].endswith("(an estimate: half to twice that)")
    path.write_text(VARIED.replace("0.2]", "0.2, 0.3]"))
    main(monkey)
    said = capsys.readouterr().err.splitlines()
    assert said[0] == "4 cases: 4 place.gap_m"
    assert said[1].startswith("3 of 4 cases are finished and kept; the last takes ")
    main(monkey)
    assert capsys.readouterr().err.splitlines()[1] == "Every case is finished and kept: nothing is computed again"


def test_more_work_is_expected_to_take_longer(tmp_path: Path) -> None:
    """The model's own arithmetic; that it meets the clock is in tests/benchmarks/bench_study.py."""
    case = make_plan(roomsim.load(write_study(tmp_path, study=SMALL))).cases[0]
    one = case_seconds(case)
    seats = case_seconds(replace(case, seats=replace(case.seats, count=20)))
    assert 0 < one < seats
    alone, pair = (outlook([case] * 40, 40, 0, n).seconds for n in (1, 2))
    assert alone > pair > 0.4 * alone
    assert outlook([case], 1, 0, None).seconds is None
    assert machine_speed() > 0


@pytest.mark.parametrize(("seconds", "words"), [
    (3, "a few seconds"), (14, "about 10 s"), (61, "about 60 s"), (100, "about 2 min"), (3000, "about 50 min"),
    (9000, "about 2.5 h"), (72000, "about 20 h"),
])
def test_times_are_said_no_more_exactly_than_they_are_known(seconds: float, words: str) -> None:
    assert duration(seconds) == words


@pytest.mark.parametrize(("what", "words"), [
    ({"total": 1, "finished": 0, "left": 1, "workers": 1, "seconds": 20}, "It takes about 20 s (an"),
    ({"total": 9, "finished": 0, "left": 9, "workers": 2, "seconds": 600}, "They take about 10 min on 2 cores (an"),
    ({"total": 9, "finished": 4, "left": 5, "workers": 0, "seconds": None},
     "4 of 9 cases are finished and kept; the other 5 take as long as the cluster needs"),
    ({"total": 2, "finished": 0, "left": 2, "workers": 1, "seconds": 20, "compiling": True},
     "They take about 20 s, compiling once on this machine a minute more (an"),
])
def test_words(what: dict, words: str) -> None:
    assert Outlook(**what).words.startswith(words)
