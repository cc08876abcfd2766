"""What cases have in common is computed once, and their order changes nothing."""

from __future__ import annotations

import functools
import itertools
import tracemalloc
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path

import pytest
import xarray as xr
from made_studies import BAR, STUDY, write_study

import roomsim
from roomsim.engines import patterns, ray_walks, wave
from roomsim.engines.hybrid import Options
from roomsim.studies import plan, result, run
from roomsim.studies.case import CaseResult, run_case
from roomsim.studies.plan import Case, make_plan

SMALL = STUDY.replace("8000, per_octave: 12", "2000, per_octave: 3").replace("count: 3", "count: 2")
PISTON = BAR.replace("point: {omni: {}}", "point: {piston: {radius_m: RADIUS}}")


@pytest.fixture(autouse=True)
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """Few rays: they are not what is tested."""
    monkeypatch.setattr(plan, "Options", functools.partial(Options, rays=64))


@pytest.fixture
def counted(monkeypatch: pytest.MonkeyPatch) -> Counter[str]:
    """How often each piece of common work is done."""
    found: Counter[str] = Counter()

    def count(module: object, name: str) -> None:
        real = getattr(module, name)

        def run_it(*arguments: object, **named: object) -> object:
            found[name] += 1
            return real(*arguments, **named)

        monkeypatch.setattr(module, name, run_it)

    for module, name in ((wave, "prepare"), (ray_walks, "room_transfer"), (ray_walks, "listener_transfer"),
                         (patterns, "_common"), (patterns, "_table")):
        count(module, name)
    monkeypatch.setattr(wave._RECENT, "roots", None)
    monkeypatch.setattr(ray_walks._RECENT, "kept", None)
    patterns._MEMORY.clear()
    return found


def grid(folder: Path, rooms: int, designs: int, places: int) -> roomsim.definitions.StudyDefinition:
    """A study of so many rooms of one size, designs of one driver kind each, and places."""
    path = write_study(folder, study=SMALL)
    room = (folder / "room.yaml").read_text()
    for k in range(rooms):
        (folder / f"room{k}.yaml").write_text(room.replace("height_m: 2.5", f"height_m: {2.5 + 0.01 * k}"))
    for k in range(designs):
        (folder / f"bar{k}.yaml").write_text(PISTON.replace("RADIUS", f"{0.02 + 0.01 * k}"))
    some = {
        "{one: room.yaml}": ", ".join(f"r{k}: room{k}.yaml" for k in range(rooms)),
        "{bar: {loudspeaker: bar.yaml}}": ", ".join(f"d{k}: {{loudspeaker: bar{k}.yaml}}" for k in range(designs)),
        "{wall: {gap_m: 0.05, height_m: 0.8}}": ", ".join(
            f"p{k}: {{gap_m: {0.05 + 0.05 * k:g}, height_m: 0.8}}" for k in range(places)),
    }
    text = SMALL
    for old, new in some.items():
        assert old in text
        text = text.replace(old, f"{{{new}}}")
    path.write_text(text)
    return roomsim.load(path)


def test_common_work_is_done_once(tmp_path: Path, counted: Counter[str]) -> None:
    """Wave roots and transfers once per room, the seats' once per place in it, tables once per driver and room."""
    rooms, designs, places = 2, 3, 2
    roomsim.predict(grid(tmp_path, rooms, designs, places), jobs=1)
    assert counted["prepare"] == counted["room_transfer"] == rooms
    assert counted["listener_transfer"] == rooms * places                 # the seats move with the loudspeaker
    assert 0 < counted["_table"] <= designs * rooms                       # nodes follow a room's longest paths
    assert 0 < counted["_common"] <= designs * rooms


def test_finished_cases_are_not_held(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Forty cases more of 0.6 MB each: what a result holds grows by less than three of them, not by forty."""
    monkeypatch.setattr(run, "IN_MEMORY_BYTES", 0)
    for name in ("MOST_MODES", "MOST_REFLECTIONS"):                # else the lists grow until they reach these bounds
        monkeypatch.setattr(result, name, 50)
    text = SMALL.replace("2000, per_octave: 3", "8000, per_octave: 48").replace("count: 2", "count: 30")
    one: list[CaseResult] = []

    def alike(function: Callable[[Case], CaseResult], cases: Iterable[Case]) -> Iterator[CaseResult]:
        return (one[0] for _ in cases)

    def held(count: int, name: str) -> int:
        folder = tmp_path / name
        folder.mkdir()
        gaps = [round(0.05 + 0.01 * k, 3) for k in range(count)]
        study = roomsim.load(write_study(folder, study=text + f"vary: {{place.gap_m: {gaps}}}\n"))
        if not one:
            one.append(run_case(make_plan(study).cases[0]))
        tracemalloc.start()
        found = roomsim.predict(study, mapper=alike, store=folder / "kept")
        kept = tracemalloc.get_traced_memory()[0]
        tracemalloc.stop()
        assert found["level_db"].sizes["place.gap_m"] == count
        return kept

    held(4, "first")                                      # loads what is loaded late
    few, many = held(4, "few"), held(44, "many")
    size = sum(array.nbytes for array in one[0].arrays.values())
    assert size > 500_000
    assert many - few < 3 * size, (few, many, size)


def test_the_order_of_cases_changes_nothing(tmp_path: Path) -> None:
    """Any map may finish them in any order: backwards, and room by room against the plan's order."""
    study = grid(tmp_path, 1, 2, 2)
    plain = roomsim.predict(study, jobs=1)

    def backwards(function: Callable[[Case], CaseResult], cases: Iterable[Case]) -> Iterator[CaseResult]:
        some = list(cases)
        found = [function(case) for case in reversed(some)]
        return reversed(found)

    def jumping(function: Callable[[Case], CaseResult], cases: Iterable[Case]) -> Iterator[CaseResult]:
        some = list(cases)
        order = list(itertools.chain(range(0, len(some), 3), range(1, len(some), 3), range(2, len(some), 3)))
        found = {k: function(some[k]) for k in order}
        return (found[k] for k in range(len(some)))

    for mapper in (backwards, jumping):
        other = roomsim.predict(study, mapper=mapper)
        xr.testing.assert_identical(other, plain)
        for name in plain.data_vars:
            if plain[name].dtype != object:
                assert other[name].values.tobytes() == plain[name].values.tobytes(), name
