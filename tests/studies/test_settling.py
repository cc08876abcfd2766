"""Settings of rooms are solved before the cases: told, kept, taken up again, and safe from damaged files."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from made_studies import STUDY, write_study

import roomsim
from roomsim.errors import DefinitionError
from roomsim.studies import settings as held
from roomsim.studies.settling import settle
from roomsim.studies.store import CaseStore

ADJUSTABLE = """\
adjustable:
  - {name: panels, absorber: wool panel, surface: back, spread: true, area_m2: [0, 9]}
settings: {live: {decay_s: 0.9}, usual: {}}
"""


def made(folder: Path, room: str = ADJUSTABLE) -> roomsim.definitions.StudyDefinition:
    path = write_study(folder, study=STUDY.replace("places:", "settings: [live, usual]\nplaces:"))
    with (folder / "room.yaml").open("a", encoding="utf-8") as file:
        file.write(room)
    return roomsim.load(path)


@pytest.fixture
def forgotten(monkeypatch):
    """As in a new process: nothing is held."""
    def forget() -> None:
        held._HELD.clear()

    forget()
    yield forget
    forget()


def test_each_setting_is_told_kept_and_taken_up_again(tmp_path, forgotten, monkeypatch):
    study, told = made(tmp_path), []
    with CaseStore(tmp_path / "kept") as store:
        settle(study, jobs=1, progress=lambda *one: told.append(one), store=store)
    assert told == [(1, 2, "one, live"), (2, 2, "one, usual")]
    first = {s: held.setting_state(study.rooms["one"], s).record() for s in study.settings}
    spread = held.absorption_spread(study.rooms["one"], "live")
    forgotten()

    def refuse(*_: object, **__: object) -> None:
        raise AssertionError("was solved or traced again")

    for name in ("solve", "room_decay", "decay_uncertainty"):
        monkeypatch.setattr(held, name, refuse)
    told.clear()
    with CaseStore(tmp_path / "kept") as store:
        settle(study, progress=lambda *one: told.append(one), store=store)
    assert told == [(2, 2, "")]
    assert {s: held.setting_state(study.rooms["one"], s).record() for s in study.settings} == first
    again = held.absorption_spread(study.rooms["one"], "live")
    assert np.array_equal(again[0], spread[0]) and again[1] == spread[1]


def test_an_interrupted_run_keeps_what_is_solved(tmp_path, forgotten):
    study = made(tmp_path)

    def stop(done: int, total: int, title: str) -> None:
        raise KeyboardInterrupt

    with CaseStore(tmp_path / "kept") as store:
        with pytest.raises(KeyboardInterrupt, match="1 of 2 settings are solved and kept"):
            settle(study, jobs=1, progress=stop, store=store)
        forgotten()
        told: list[tuple] = []
        settle(study, jobs=1, progress=lambda *one: told.append(one), store=store)
    assert told == [(1, 2, ""), (2, 2, "one, usual")]


def test_damaged_files_are_solved_again(tmp_path, forgotten):
    study = made(tmp_path)
    with CaseStore(tmp_path / "kept") as store:
        settle(study, jobs=1, store=store)
        whole = {path.name: path.read_text("utf-8") for path in (tmp_path / "kept").glob("*.setting")}
        for text in ("[]", next(iter(whole.values())).replace('{"areas_m2": [', '{"areas_m2": [400.')):
            for name in whole:
                (tmp_path / "kept" / name).write_text(text, "utf-8")
            forgotten()
            told: list[tuple] = []
            settle(study, jobs=1, progress=lambda *one, told=told: told.append(one), store=store)
            assert len(told) == 2
            assert {path.name: path.read_text("utf-8") for path in (tmp_path / "kept").glob("*.setting")} == whole


def test_what_cannot_be_met_is_told_before_any_case_runs(tmp_path, forgotten):
    study = made(tmp_path, ADJUSTABLE.replace("0.9", "0.05"))
    with pytest.raises(DefinitionError, match="cannot be met"), CaseStore(tmp_path / "kept") as store:
        settle(study, jobs=1, store=store)
    assert not list((tmp_path / "kept").glob("*.case"))
