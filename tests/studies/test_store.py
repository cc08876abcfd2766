"""Finished cases are kept, found again, and computed again only where something changed."""

from __future__ import annotations

import functools
import os
import re
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import numpy as np
import pytest
import xarray as xr
from made_studies import BAR, ROOM, STUDY, write_study

import roomsim
from roomsim.cli import main
from roomsim.engines.hybrid import Options
from roomsim.errors import DefinitionError, InvalidValue, Problem
from roomsim.files.output import CONTENTS, OutputError, OutputFolder, recover
from roomsim.studies import case as cases
from roomsim.studies import plan, run
from roomsim.studies.fingerprint import Fingerprints
from roomsim.studies.plan import make_plan
from roomsim.studies.store import CaseStore, store_folder

SMALL = STUDY.replace("per_octave: 12", "per_octave: 6").replace("count: 3", "count: 2")
VARIED = SMALL + "vary: {place.gap_m: [0.05, 0.1, 0.2]}\n"
HOME = os.pathsep.join([str(Path(roomsim.__file__).parents[1]), os.environ.get("PYTHONPATH", "")])
QUICK = """import functools, sys
from roomsim.engines.hybrid import Options
from roomsim.studies import plan
plan.Options = functools.partial(Options, rays=64)
from roomsim.cli import main
sys.exit(main())"""


@pytest.fixture(autouse=True)
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """Few rays: they are not what is tested."""
    monkeypatch.setattr(plan, "Options", functools.partial(Options, rays=64))


@pytest.fixture
def ran(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Titles of the cases that were computed."""
    titles: list[str] = []

    def counted(case: plan.Case, **how: int) -> cases.CaseResult:
        titles.append(case.title)
        return cases.run_case(case, **how)

    monkeypatch.setattr(run, "run_case", counted)
    return titles


def predicted(folder: Path, **how) -> xr.Dataset:
    return roomsim.predict(roomsim.load(folder / "study.yaml"), store=folder / "kept", **({"jobs": 1} | how))


def identical(one: xr.Dataset, other: xr.Dataset) -> bool:
    xr.testing.assert_identical(one, other)
    return all(one[name].values.tobytes() == other[name].values.tobytes()
               for name in one.data_vars if one[name].dtype != object)


def test_a_kept_case_comes_back_bit_for_bit(tmp_path: Path) -> None:
    case = make_plan(roomsim.load(write_study(tmp_path, study=SMALL))).cases[0]
    result = cases.run_case(case)
    with CaseStore(tmp_path / "kept") as store:
        store.put("abc", result)
        back = store.get("abc")
        assert store.get("abd") is None and store.keys() == {"abc"}
    for name in result.arrays:
        assert back.arrays[name].dtype == result.arrays[name].dtype
        assert back.arrays[name].tobytes() == result.arrays[name].tobytes()
    for name in ("channels", "decay_method", "transition_hz", "decay_mid_s", "trusted_from_hz", "calibrated",
                 "reference_db", "reflections", "notes"):
        assert getattr(back, name) == getattr(result, name)
    assert back.reflections and back.notes and np.array_equal(back.band_hz, result.band_hz)


def test_a_second_run_computes_nothing_and_gives_the_same(tmp_path: Path, ran: list[str]) -> None:
    write_study(tmp_path, study=VARIED)
    first = predicted(tmp_path)
    assert len(ran) == 3
    told: list[tuple] = []
    assert identical(predicted(tmp_path, progress=lambda *step: told.append(step)), first)
    assert len(ran) == 3 and told == [(3, 3, "")]
    assert identical(roomsim.predict(roomsim.load(tmp_path / "study.yaml"), jobs=1), first)      # without a store too


@pytest.mark.parametrize(("change", "again"), [
    (lambda text: text.replace("[0.05, 0.1, 0.2]", "[0.05, 0.15, 0.2]"), ["0.15"]),
    (lambda text: text.replace("0.2]", "0.2, 0.3]"), ["0.3"]),
    (lambda text: text.replace("one:", "uno:").replace("wall:", "shelf:").replace("A small", "Another"), []),
    (lambda text: text.replace("[0.05, 0.1, 0.2]", "[0.2, 0.1, 0.05]"), []),                       # another order
    (lambda text: "# a comment\n" + text, []),
    (lambda text: text.replace("distance_m: 2.4", "distance_m: 2.3"), ["0.05", "0.1", "0.2"]),
    (lambda text: text.replace("low_hz: 50", "low_hz: 60"), ["0.05", "0.1", "0.2"]),
])
def test_a_change_computes_what_it_touches(tmp_path: Path, ran: list[str], change, again: list[str]) -> None:
    write_study(tmp_path, study=VARIED)
    predicted(tmp_path)
    ran.clear()
    text = (tmp_path / "study.yaml").read_text()
    assert change(text) != text
    (tmp_path / "study.yaml").write_text(change(text))
    predicted(tmp_path)
    assert [title.split(", ")[-1] for title in ran] == again


def test_a_changed_design_or_room_touches_its_own_cases(tmp_path: Path, ran: list[str]) -> None:
    study = SMALL.replace("{one: room.yaml}", "{one: room.yaml, two: other.yaml}").replace(
        "{bar: {loudspeaker: bar.yaml}}", "{bar: {loudspeaker: bar.yaml}, twin: {loudspeaker: twin.yaml}}")
    write_study(tmp_path, study=study)
    plain = ROOM.replace("{left}", "plaster on brick").replace("{right}", "plaster on brick")
    (tmp_path / "other.yaml").write_text(plain.replace("4.0", "4.4"))
    (tmp_path / "twin.yaml").write_text(BAR)
    predicted(tmp_path)
    assert len(ran) == 2                                      # the twin is the same design: nothing is computed twice
    ran.clear()
    (tmp_path / "twin.yaml").write_text(BAR.replace("highpass_hz: 2000", "highpass_hz: 2500"))
    predicted(tmp_path)
    assert sorted(ran) == ["twin, one, ordinary, wall", "twin, two, ordinary, wall"]
    ran.clear()
    (tmp_path / "other.yaml").write_text(plain.replace("4.0", "4.6"))
    predicted(tmp_path)
    assert sorted(ran) == ["bar, two, ordinary, wall", "twin, two, ordinary, wall"]


def test_another_version_or_seed_is_another_case(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    case = make_plan(roomsim.load(write_study(tmp_path, study=SMALL))).cases[0]
    first = Fingerprints().of_case(case)
    assert first == Fingerprints().of_case(make_plan(roomsim.load(tmp_path / "study.yaml")).cases[0])
    monkeypatch.setattr(plan, "Options", functools.partial(Options, rays=64, seed=2))
    seeded = Fingerprints().of_case(make_plan(roomsim.load(tmp_path / "study.yaml")).cases[0])
    monkeypatch.setattr("roomsim.studies.fingerprint.versions", lambda: {"roomsim": "other"})
    newer = Fingerprints().of_case(case)
    monkeypatch.setattr("roomsim.studies.fingerprint.source_hash", lambda: "other")
    assert len({first, seeded, newer, Fingerprints().of_case(case)}) == 4


def test_what_cannot_be_hashed_by_content_is_refused() -> None:
    with pytest.raises(TypeError, match="nothing that can be hashed"):
        Fingerprints().of(object())
    same = Fingerprints()
    assert same.of(np.array([1.0, 2.0])) != same.of(np.array([1.0, 2.0], np.float32))
    assert len({same.of(x) for x in (0, 0.0, False, "0", None, (0,), [0], ((0,),), {"0": 0}, -0.0)}) == 10


def test_a_damaged_case_is_computed_again(tmp_path: Path, ran: list[str]) -> None:
    write_study(tmp_path, study=VARIED)
    first = predicted(tmp_path)
    files = sorted((tmp_path / "kept").glob("*.case"))
    for file, damage in zip(files, (lambda b: b[: len(b) // 2], lambda b: b"", lambda b: b), strict=True):
        file.write_bytes(damage(file.read_bytes()))
    flipped = bytearray(files[2].read_bytes())
    flipped[len(flipped) // 2] ^= 1                              # one bit in the middle of an array
    files[2].write_bytes(flipped)
    ran.clear()
    assert identical(predicted(tmp_path), first)
    assert len(ran) == 3


def test_cases_of_earlier_inputs_go_and_leavings_of_killed_runs_too(tmp_path: Path) -> None:
    write_study(tmp_path, study=VARIED)
    predicted(tmp_path)
    before = {p.name for p in (tmp_path / "kept").glob("*.case")}
    (tmp_path / "kept" / "0000.case.partial").write_bytes(b"half")
    (tmp_path / "study.yaml").write_text(VARIED.replace("[0.05, 0.1, 0.2]", "[0.05, 0.4]"))
    predicted(tmp_path)
    after = {p.name for p in (tmp_path / "kept").iterdir()}
    settings = {name for name in after if name.endswith(".setting")}        # one room in one setting
    after -= settings
    assert len(settings) == 1
    assert after - before - {"about.txt", "in-use"} and len(after & before) == 1 and len(after) == 4


def test_a_large_result_is_read_on_demand_and_says_the_same(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    study = VARIED.replace("designs: {bar:", "designs: {one: {loudspeaker: mono.yaml}, bar:")
    write_study(tmp_path, study=study)
    (tmp_path / "mono.yaml").write_text(BAR.replace("left: [", "centre: [").split("  right")[0])
    whole = predicted(tmp_path)
    monkeypatch.setattr(run, "IN_MEMORY_BYTES", 0)
    lazy = predicted(tmp_path)
    assert not any(lazy[name].variable._in_memory for name in ("level_db", "c80_db"))
    assert identical(lazy.load(), whole)
    lazy = predicted(tmp_path)
    for pick in ({"design": "bar"}, {"place.gap_m": 0.1, "channel": "left"}, {"listener": [2, 1], "design": ["bar"]}):
        xr.testing.assert_identical(lazy.sel(pick).load(), whole.sel(pick))
    assert identical(roomsim.predict(roomsim.load(tmp_path / "study.yaml"), jobs=1).load(), whole)   # a temporary store
    for file in (tmp_path / "kept").glob("*.case"):
        file.unlink()
    with pytest.raises(OutputError, match="has vanished from the store"):
        lazy["level_db"].isel(design=0).load()


def test_two_runs_on_one_output_folder(tmp_path: Path, capsys) -> None:
    path = write_study(tmp_path, study=SMALL)
    with CaseStore(store_folder(tmp_path / "study-results")):
        assert main(["predict", str(path)]) == 2
    said = capsys.readouterr().err
    assert re.search(rf"another run \(process {os.getpid()}\) is writing .*study-results; wait for it, or name another",
                     said)
    assert not (tmp_path / "study-results").exists() and not store_folder(tmp_path / "study-results").exists()
    assert main(["predict", str(path), "--jobs", "1"]) == 0


def test_a_second_process_on_one_output_folder(tmp_path: Path) -> None:
    path = write_study(tmp_path, study=SMALL)
    holds = ("import sys; from roomsim.studies.store import CaseStore, store_folder\n"
             "with CaseStore(store_folder(sys.argv[1])): print('in', flush=True); sys.stdin.read()")
    folder = tmp_path / "study-results"
    with subprocess.Popen([sys.executable, "-c", holds, str(folder)], stdin=subprocess.PIPE, stdout=subprocess.PIPE,
                          text=True) as first:
        assert first.stdout.readline() == "in\n"
        second = subprocess.run([sys.executable, "-m", "roomsim", "predict", str(path)], capture_output=True, text=True)
        assert second.returncode == 2 and f"another run (process {first.pid}) is writing" in second.stderr
        assert "Traceback" not in second.stderr and not folder.exists()
        first.stdin.close()
    assert main(["predict", str(path), "--jobs", "1"]) == 0                # the first has left: the folder is free


def test_ctrl_c_says_what_is_kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys, ran: list[str]) -> None:
    path = write_study(tmp_path, study=VARIED)
    real = run.run_case

    def pressed(case: plan.Case, **how: int) -> cases.CaseResult:
        if case.title.endswith("0.2"):
            raise KeyboardInterrupt
        return real(case, **how)

    monkeypatch.setattr(run, "run_case", pressed)
    assert main(["predict", str(path), "--jobs", "1"]) == 130
    assert "interrupted; 2 of 3 cases are finished and kept: the same command goes on" in capsys.readouterr().err
    assert not (tmp_path / "study-results").exists()
    monkeypatch.setattr(run, "run_case", real)
    ran.clear()
    assert main(["predict", str(path), "--jobs", "1"]) == 0
    assert ran == ["bar, one, ordinary, wall, 0.2"]


def test_a_full_disk(tmp_path: Path, capsys, ran: list[str]) -> None:
    path = write_study(tmp_path, study=VARIED)
    disk = tmp_path / "disk"
    disk.mkdir()
    if subprocess.run(["mount", "-t", "tmpfs", "-o", "size=100k", "tmpfs", str(disk)], capture_output=True).returncode:
        pytest.skip("only root can mount the small disk that this test fills")
    try:
        out = ["predict", str(path), "--jobs", "1", "--out", str(disk / "out")]
        (disk / "out").mkdir()
        (disk / "out" / "result.nc").write_text("earlier")
        (disk / "out" / CONTENTS).write_text("result.nc\n")
        assert main(out) == 2
        assert re.search(r"cannot write .*: .*[Nn]o space left", capsys.readouterr().err)
        assert (disk / "out" / "result.nc").read_text() == "earlier"
        assert sorted(p.name for p in (disk / "out").iterdir()) == [CONTENTS, "result.nc"]
        subprocess.run(["mount", "-o", "remount,size=50M", str(disk)], check=True)
        assert main(out) == 0
        assert len(ran) <= 4                                # none twice but the one that found no room
        subprocess.run(["mount", "-o", "remount,ro", str(disk)], check=True)
        assert main(out) == 2
        assert "Read-only file system" in capsys.readouterr().err
        assert roomsim.open_result(disk / "out" / "result.nc").sizes["place.gap_m"] == 3
    finally:
        subprocess.run(["umount", "-l", str(disk)], check=True)


def test_a_disk_of_its_own_keeps_the_cases_inside(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    assert store_folder(tmp_path / "out") == tmp_path / "out.cases"
    monkeypatch.setattr(os.path, "ismount", lambda path: True)
    assert store_folder(tmp_path / "out") == tmp_path / "out" / "cases"


def test_a_worker_that_dies_and_the_rest_of_a_pool(tmp_path: Path) -> None:
    gaps = [round(0.05 + 0.01 * k, 3) for k in range(3 * run.PROCESS_FROM)]
    path = write_study(tmp_path, study=SMALL + f"vary: {{place.gap_m: {gaps}}}\n")
    command = [sys.executable, "-c", QUICK, "predict", str(path), "--jobs", "2"]
    environment = {**os.environ, "PYTHONPATH": HOME, "OMP_NUM_THREADS": "1"}
    kept = tmp_path / "study-results.cases"

    def begun(running: subprocess.Popen, count: int) -> None:
        while running.poll() is None and len(list(kept.glob("*.case"))) < count:
            time.sleep(0.005)

    one = subprocess.Popen(command, env=environment, stderr=subprocess.PIPE, text=True)
    begun(one, 2)
    workers = _children(one.pid)
    assert len(workers) >= 2
    os.kill(workers[-1], signal.SIGKILL)
    said = one.communicate(timeout=120)[1]
    assert one.returncode == 2 and "a worker process died" in said and "finished and kept" in said, said
    assert "Traceback" not in said
    number = len(list(kept.glob("*.case")))
    assert 2 <= number < len(gaps)
    # Ctrl-C in a terminal reaches the workers too.
    two = subprocess.Popen(command, env=environment, stderr=subprocess.PIPE, text=True, start_new_session=True)
    begun(two, number + 1)
    os.killpg(two.pid, signal.SIGINT)
    said = two.communicate(timeout=120)[1]
    assert two.returncode == 130 and "finished and kept: the same command goes on" in said, said
    assert "Traceback" not in said
    # A killed parent takes its workers with it.
    number = len(list(kept.glob("*.case")))
    three = subprocess.Popen(command, env=environment, stderr=subprocess.DEVNULL)
    assert number < len(gaps) - 2
    begun(three, number + 1)
    workers = _children(three.pid)
    three.kill()
    three.wait()
    deadline = time.monotonic() + 60
    while any(_alive(worker) for worker in workers):
        assert time.monotonic() < deadline, "workers outlive a killed parent"
        time.sleep(0.05)
    # What the workers of all three runs finished is what one process computes.
    study = roomsim.load(path)
    assert identical(roomsim.predict(study, jobs=1, store=kept), roomsim.predict(study, mapper=map))


def _children(process: int) -> list[int]:
    """All processes below one, by the kernel's table."""
    found, parents = [], {}
    for entry in Path("/proc").glob("[0-9]*"):
        try:
            parents[int(entry.name)] = int((entry / "stat").read_text().rpartition(")")[2].split()[1])
        except OSError:
            continue
    level = {process}
    while level := {child for child, parent in parents.items() if parent in level}:
        found += sorted(level)
    return found


def _alive(process: int) -> bool:
    try:
        return (Path("/proc") / str(process) / "stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False


def test_an_error_of_a_case_comes_out_of_a_worker_whole() -> None:
    import pickle

    for error in (InvalidValue("gap_m", 3, "must be less", "move it"), DefinitionError([Problem(key="a", rule="b")])):
        back = pickle.loads(pickle.dumps(error))
        assert type(back) is type(error) and str(back) == str(error) and back.__dict__ == error.__dict__


@pytest.mark.parametrize("moved", [0, 1, 2, 3])
def test_a_run_killed_while_files_move_gives_the_earlier_ones_back(tmp_path: Path, moved: int, monkeypatch) -> None:
    out = tmp_path / "out"
    for text in ("old", "new"):
        names = ("a", "b") if text == "old" else ("b", "c")
        with OutputFolder(out) as output:
            for name in names:
                output.path(name).write_text(text)
            if text == "new":
                break_off = OutputFolder._move
                monkeypatch.setattr(OutputFolder, "_move", lambda self: None)       # leaving does nothing now
                monkeypatch.setattr(OutputFolder, "_clean", lambda self: None)
                partial = output._partial
    del break_off
    # By hand, what _move does until it is killed: contents, old ones aside, some new ones in.
    (partial / CONTENTS).write_text("b\nc\n")
    aside = out / f"{partial.name}.before"
    aside.mkdir()
    for name in ("a", "b", CONTENTS):
        os.rename(out / name, aside / name)
    for name in ("b", "c", CONTENTS)[:moved]:
        os.rename(partial / name, out / name)
    recover(out)
    there = {p.name: p.read_text() for p in out.iterdir()}
    if moved == 3:
        assert there == {"b": "new", "c": "new", CONTENTS: "b\nc\n"}
    else:
        assert there == {"a": "old", "b": "old", CONTENTS: "a\nb\n"}


def test_the_lock_is_seen_between_threads_of_a_process_too(tmp_path: Path) -> None:
    said: list[str] = []

    def other() -> None:
        try:
            with CaseStore(tmp_path / "kept"):
                said.append("in")
        except OutputError as error:
            said.append(str(error))

    with CaseStore(tmp_path / "kept"):
        thread = threading.Thread(target=other)
        thread.start()
        thread.join()
    assert "another run" in said[0]


def test_numbers_that_cannot_be_are_a_fault_of_the_program(tmp_path: Path, monkeypatch, capsys) -> None:
    path = write_study(tmp_path, study=SMALL)
    real = cases.simulate

    def broken(*arguments: object, **how: int) -> object:
        response = real(*arguments, **how)
        response.late[0, 0, 0] = np.nan
        return response

    monkeypatch.setattr(cases, "simulate", broken)
    assert main(["predict", str(path), "--jobs", "1"]) == 1
    assert "late energy came out NaN or infinite; this is a fault of roomsim" in capsys.readouterr().err
    assert not (tmp_path / "study-results").exists()
