"""Inputs that vanish or may not be read, and finished cases that are damaged.

Kills, full disks and locks of studies are in tests/studies.
"""

from __future__ import annotations

import json
import os
import random
import shutil
import tempfile
import zipfile
from collections.abc import Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path

import numpy as np
import pytest
import xarray as xr
from fuzz_targets import _whole
from one_bar import GOOD, write_one_bar

import roomsim
from roomsim.cli import main
from roomsim.engines.hybrid import Options
from roomsim.errors import DefinitionError
from roomsim.files.correction_text import read_correction
from roomsim.files.netcdf import read_netcdf, write_netcdf
from roomsim.files.response_text import read_response_text
from roomsim.files.room_responses import read_room_responses
from roomsim.files.sofa import read_directivity
from roomsim.files.survey_csv import read_survey
from roomsim.files.wav import read_wav
from roomsim.studies import plan
from roomsim.studies.store import CaseStore

READERS = {"x.yaml": roomsim.load, "x.txt": read_response_text, "x.wav": read_wav, "x.sofa": read_directivity,
           "y.sofa": read_room_responses, "x.csv": read_survey, "x.nc": read_netcdf, "c.txt": read_correction}


@pytest.fixture
def job(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    write_one_bar(tmp_path, "{low_hz: 1000, high_hz: 2000, per_octave: 3}")
    monkeypatch.setattr(plan, "Options", partial(Options, rays=200))      # quick: no number is judged here
    return tmp_path


@contextmanager
def nobody() -> Iterator[None]:
    """Without the rights of an administrator, whose reading no permission stops."""
    root = os.geteuid() == 0
    if root:
        os.seteuid(65534)
    try:
        yield
    finally:
        if root:
            os.seteuid(0)


@pytest.mark.parametrize("name", READERS)
def test_files_that_vanished_or_may_not_be_read(name: str) -> None:
    folder = Path(tempfile.mkdtemp())
    try:
        folder.chmod(0o755)
        with pytest.raises(DefinitionError, match=name):
            READERS[name](folder / name)
        (folder / name).write_bytes(_whole("sofa"))
        (folder / name).chmod(0)
        with pytest.raises(DefinitionError, match=r"[Pp]ermission denied") as caught, nobody():
            READERS[name](folder / name)
        assert all(name in problem.file for problem in caught.value.problems)
        (folder / name).unlink()
        (folder / name).mkdir()
        with pytest.raises(DefinitionError, match=name):
            READERS[name](folder / name)
    finally:
        shutil.rmtree(folder)


def test_inputs_that_vanish_while_a_study_runs(job: Path) -> None:
    """What is loaded needs its files no more; the next run says what is missing, and the result stays."""
    study = roomsim.load(job / "study.yaml")
    (job / "room.yaml").unlink()
    assert np.isfinite(roomsim.predict(study, jobs=1)["level_db"]).all()
    shutil.copy(GOOD / "room.yaml", job)
    (job / "study-results").mkdir()
    write_netcdf(roomsim.predict(study, jobs=1), job / "study-results" / "result.nc")
    before = (job / "study-results" / "result.nc").read_bytes()
    (job / "room.yaml").unlink()
    assert main(["predict", str(job / "study.yaml"), "--jobs", "1"]) == 2
    assert main(["check", str(job / "study-results")]) == 2
    assert (job / "study-results" / "result.nc").read_bytes() == before


def damaged(path: Path, dice: random.Random) -> list[bytes]:
    """A finished case cut short, spoilt, emptied, exchanged, or of another making."""
    whole = path.read_bytes()
    out = [b"", whole[:1], whole[: len(whole) // 2], whole[:-1], b"x" * 500, whole + b"more", json.dumps({}).encode()]
    for _ in range(150):
        some = bytearray(whole)
        for _ in range(dice.choice((1, 1, 3, 30))):
            some[dice.randrange(len(some))] = dice.randrange(256)
        out.append(bytes(some))
    return out


def test_damaged_cases_are_computed_again(job: Path) -> None:
    study, store = roomsim.load(job / "study.yaml"), job / "store"
    first = roomsim.predict(study, jobs=1, store=store)
    path = next(store.glob("*.case"))
    whole, key = path.read_bytes(), path.stem
    dice = random.Random(5)
    with CaseStore(store) as kept:
        good = kept.get(key)
        assert good is not None
        for content in damaged(path, dice):
            path.write_bytes(content)
            found = kept.get(key)
            assert found is None or all(np.array_equal(found.arrays[name], values, equal_nan=True)
                                        for name, values in good.arrays.items())
            path.write_bytes(whole)
    for content in (b"", whole[: len(whole) // 2]):
        path.write_bytes(content)
        (store / f"{key}.case.partial").write_bytes(whole[:100])            # a run was killed while it wrote
        xr.testing.assert_identical(roomsim.predict(study, jobs=1, store=store), first)
        assert path.read_bytes() == whole and not list(store.glob("*.partial"))


@pytest.mark.parametrize("record", ["[]", "{}", "7", "null", '{"channels": 3}', "{", '{"reflections": [{}]}'])
def test_cases_whose_record_is_another(job: Path, record: str) -> None:
    """The archive itself is whole, with right checksums; what it says is not what a case says."""
    study, store = roomsim.load(job / "study.yaml"), job / "store"
    roomsim.predict(study, jobs=1, store=store)
    path = next(store.glob("*.case"))
    with np.load(path, allow_pickle=False) as file:
        arrays = {name: file[name] for name in file.files}
    said = json.loads(arrays["record.json"].tobytes())
    if record.startswith("{\""):
        record = json.dumps({**said, **json.loads(record)})
    arrays["record.json"] = np.frombuffer(record.encode(), np.uint8)
    with path.open("wb") as out:
        np.savez(out, **arrays)
    with CaseStore(store) as kept:
        assert kept.get(path.stem) is None


def test_a_case_cannot_run_code(job: Path, tmp_path: Path) -> None:
    """A pickled object in the archive is not unpacked."""
    class Bad:
        def __reduce__(self) -> tuple:
            return os.mkdir, (str(tmp_path / "ran"),)

    store = job / "store"
    store.mkdir()
    np.savez(tmp_path / "bad.npz", x=np.array([Bad()], dtype=object))
    assert not (tmp_path / "ran").exists() and zipfile.is_zipfile(tmp_path / "bad.npz")
    shutil.copy(tmp_path / "bad.npz", store / "0.case")
    with CaseStore(store) as kept:
        assert kept.get("0") is None
    assert not (tmp_path / "ran").exists()


@pytest.mark.parametrize(("where", "says"), [
    ("room.yaml/results", "cannot write"), ("room.yaml", "is a file; name a folder"), ("/proc/results", "cannot write"),
])
def test_output_that_cannot_be(job: Path, where: str, says: str, capsys: pytest.CaptureFixture) -> None:
    """Through a file, onto a file, and into a file system that makes no folders: root is stopped there too."""
    before = {path.name: path.read_bytes() for path in job.iterdir()}
    assert main(["predict", str(job / "study.yaml"), "--jobs", "1", "--out", str(job / where)]) == 2
    told = capsys.readouterr()
    assert says in told.err and "Traceback" not in told.err and where.split("/")[-1] in told.err.replace("\n", "")
    assert {path.name: path.read_bytes() for path in job.iterdir()} == before
