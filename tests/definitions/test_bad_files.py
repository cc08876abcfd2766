"""Everything that can be wrong in a file, and the message that says so: bad_files.yaml is the table.

The table is read with PyYAML's own loader, so that the reader under test does not read its own examples. The
messages were written by hand or read and approved one by one; the rules are those of design and catalogue.
"""

from __future__ import annotations

import json
import os
import shutil
import socket
from pathlib import Path

import pytest
import yaml

from roomsim.definitions import check, load
from roomsim.errors import DefinitionError

HERE = Path(__file__).parent
GOOD = HERE / "good"
CASES = yaml.safe_load((HERE / "bad_files.yaml").read_text("utf-8"))

START = "start with `room:`, `loudspeaker:`, `study:`, `measurement:`, `correction:` or `materials:`"
KNOWN = "known: room, loudspeaker, study, materials, measurement, correction"


@pytest.fixture
def job(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder job/ with the good files, to be spoilt; it is the current one."""
    folder = tmp_path / "job"
    shutil.copytree(GOOD, folder)
    monkeypatch.chdir(folder)
    return folder


def test_the_table_is_large_enough_and_names_are_unique():
    assert len(CASES) >= 40
    assert len({case["name"] for case in CASES}) == len(CASES)
    assert all(case["says"] for case in CASES)
    assert {case["in"] for case in CASES} == {path.name for path in GOOD.glob("*.yaml")}


@pytest.mark.parametrize("case", CASES, ids=lambda case: case["name"])
def test_says(case: dict, job: Path):
    path = job / case.get("spoil", case["in"])
    text = path.read_text("utf-8")
    for old, new in case["change"]:
        assert text.count(old) >= 1, f"{old!r} is not in {path.name}"
        text = text.replace(old, new, 1)
    path.write_text(text, "utf-8")
    before = sorted(job.rglob("*"))

    problems = check([case["in"]])

    told = [str(problem) for problem in problems]
    wanted = [line if not line.endswith("…") else line[:-1] for line in case["says"]]
    assert len(told) == len(wanted), told
    for message, line, exact in zip(told, wanted, case["says"], strict=True):
        assert message.startswith(line) if exact.endswith("…") else message == line
    for problem in problems:
        assert problem.file and problem.rule
        json.dumps(problem.as_dict(), allow_nan=False)
        assert "\n" not in str(problem)
    with pytest.raises(DefinitionError) as caught:
        load(case["in"])
    assert [str(problem) for problem in caught.value.problems] == told
    assert sorted(job.rglob("*")) == before, "reading leaves nothing behind"


@pytest.mark.parametrize("name", sorted(path.name for path in GOOD.glob("*.yaml")))
def test_good_files_have_no_problems(name: str, job: Path):
    assert check([name]) == []


def test_all_files_at_once_each_problem_once(job: Path):
    for name, old, new in (
        ("room.yaml", "height_m: 2.5", "height_m: 25"),
        ("bar.yaml", "mounting: free", "mounting: off"),
        ("study.yaml", "count: 15", "count: many"),
    ):
        (job / name).write_text((job / name).read_text("utf-8").replace(old, new), "utf-8")
    told = [str(problem) for problem in check(["study.yaml", "room.yaml", "bar.yaml", "gone.yaml"])]
    assert told == [
        "study.yaml:9 seats.count = 'many': must be a whole number, 1 to 500",
        "room.yaml:4 height_m = 25: must be 1.5 to 15 m",
        "bar.yaml:3 mounting = 'off': must be one of free, on-wall",
        "gone.yaml: there is no such file; nearest: alcove.yaml, room.yaml, finishes.yaml",
    ]


@pytest.mark.parametrize(
    ("data", "says"),
    [
        (b"", f"x.yaml: the file is empty; {START}"),
        (b"# only a comment\n", f"x.yaml: the file is empty; {START}"),
        (b"---\n", f"x.yaml: the file is empty; {START}"),
        (b"{}\n", f"x.yaml:1: is no kind of file; the first key tells the kind; {KNOWN}"),
        (b"- a\n- b\n", f"x.yaml:1: must be `key: value` lines; {START}"),
        (b"room\n", f"x.yaml:1: must be `key: value` lines; {START}"),
        (b"{: 5}\n", "x.yaml:1: a key is missing before the colon"),
        (b": 5\n", "x.yaml:1: a key is missing before the colon"),
        (b"room: a\nsize: \xff\n", "x.yaml: is not UTF-8 text (line 2); save the file as UTF-8"),
        ("room: Wohnung Süd\n".encode("latin-1"), "x.yaml: is not UTF-8 text (line 1); save the file as UTF-8"),
        ("room: a\n".encode("utf-16"), "x.yaml: is not UTF-8 text (line 1); save the file as UTF-8"),
        (b"\x89HDF\r\n\x1a\n\0\0\0", "x.yaml: is no text file"),
        (b"room: a\n" + b"#" * 600_000, "x.yaml: is larger than 500 kB; is this a definition? "
         "ROOMSIM_LIMITS=definition_bytes=… allows more"),
        (b"[" * 10_000, "x.yaml:1: more than 20 levels inside each other"),
        (b"room: [" + b"1," * 60_000 + b"1]", "x.yaml:1: more than 50000 values in one file"),
    ],
    ids=lambda value: repr(value[:24]) if isinstance(value, bytes) else "",
)
def test_files_that_cannot_be_read(data: bytes, says: str, job: Path):
    (job / "x.yaml").write_bytes(data)
    assert [str(problem) for problem in check(["x.yaml"])] == [says]


def test_exploding_aliases_are_refused(job: Path):
    lines = ["room: a", "l0: &l0 [1, 1, 1, 1, 1, 1, 1, 1, 1, 1]"]
    lines += [f"l{k}: &l{k} [" + ", ".join([f"*l{k - 1}"] * 10) + "]" for k in range(1, 10)]
    (job / "x.yaml").write_text("\n".join(lines), "utf-8")
    (told,) = check(["x.yaml"])
    assert told.rule == "more than 50000 values or 20 levels once aliases are written out"


def test_what_is_no_plain_file(job: Path):
    (job / "folder.yaml").mkdir()
    os.mkfifo(job / "pipe.yaml")
    bound = socket.socket(socket.AF_UNIX)
    bound.bind("socket.yaml")
    bound.close()
    told = [str(problem) for problem in check(["folder.yaml", "pipe.yaml", "socket.yaml", "no/such/folder.yaml"])]
    assert told == [
        "folder.yaml: is a folder; name a file in it",
        "pipe.yaml: is no plain file",
        "socket.yaml: is no plain file",
        "no/such/folder.yaml: there is no such file",
    ]


def test_a_file_that_may_not_be_read(job: Path, monkeypatch: pytest.MonkeyPatch):
    def refuse(*_: object, **__: object):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "open", refuse)
    assert [str(problem) for problem in check(["room.yaml"])] == ["room.yaml: cannot be read (Permission denied)"]
