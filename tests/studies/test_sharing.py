"""What cases have in common is computed once, and their order changes nothing."""

from __future__ import annotations

import functools
import itertools
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path

import pytest
import xarray as xr
from made_studies import BAR, STUDY, write_study

import roomsim
from roomsim.engines import patterns, ray_walks, wave
from roomsim.engines.hybrid import Options
from roomsim.studies import plan
from roomsim.studies.case import CaseResult
from roomsim.studies.plan import Case

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
