"""Files that would run code, read other files, hang, or ask for more memory than there is."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import time
from pathlib import Path

import netCDF4
import numpy as np
import pytest
from fuzz_targets import _whole, netcdf_bytes, sofa_base

import roomsim
from roomsim.definitions import check, load
from roomsim.errors import DefinitionError, InvalidValue
from roomsim.files import foreign
from roomsim.files.netcdf import read_netcdf
from roomsim.files.response_text import read_response_text
from roomsim.files.room_responses import read_room_responses
from roomsim.files.sofa import read_directivity
from roomsim.files.survey_csv import read_survey
from roomsim.files.table_csv import safe_cell
from roomsim.files.wav import read_wav
from roomsim.limits import VARIABLE, LimitError, Limits, limits

HERE = Path(__file__).parent
GOOD = HERE.parent / "definitions" / "good"


@pytest.fixture
def job(tmp_path: Path) -> Path:
    shutil.copytree(GOOD, tmp_path / "job")
    return tmp_path / "job"


def rules(path: Path) -> str:
    return "; ".join(str(problem) for problem in check([path]))


# Code and other files -------------------------------------------------------------------------------------------------

@pytest.mark.parametrize("value", ["!!python/object/apply:os.system ['touch ran']", "!!python/name:os.system",
                                   "!!binary aGk=", "!include /etc/passwd"])
def test_tags_are_never_obeyed(job: Path, value: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(job)
    (job / "x.yaml").write_text(f"room: {value}\n")
    assert "the tag" in rules(job / "x.yaml") and not (job / "ran").exists()


@pytest.mark.parametrize("path", ["../outside.yaml", "/etc/hostname.yaml", "sub/../../outside.yaml", "link.yaml"])
def test_paths_stay_inside_the_folder(job: Path, path: str) -> None:
    shutil.copy(job / "room.yaml", job.parent / "outside.yaml")
    (job / "link.yaml").symlink_to(job.parent / "outside.yaml")
    text = (job / "study.yaml").read_text().replace("flat: room.yaml", f"flat: {path}")
    (job / "study.yaml").write_text(text)
    assert "outside the folder" in rules(job / "study.yaml")
    if "etc" not in path:
        load(job / "study.yaml", allow_outside=True)


@pytest.mark.parametrize(("text", "says"), [("x" * 250 + "/" + "y" * 40 + ".yaml", "is no path|no such file"),
                                            ("dir.yaml", "is a folder"), ("fifo.yaml", "is no plain file"),
                                            ("loop.yaml", "is no path|no such file")])
def test_odd_paths(job: Path, text: str, says: str) -> None:
    (job / "dir.yaml").mkdir()
    os.mkfifo(job / "fifo.yaml")
    (job / "loop.yaml").symlink_to(job / "loop.yaml")
    (job / "study.yaml").write_text((job / "study.yaml").read_text().replace("flat: room.yaml", f"flat: {text}"))
    with pytest.raises(DefinitionError, match=says):
        load(job / "study.yaml")


def test_an_aes69_file_cannot_name_another_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """names-another-file.sofa keeps its N "externally" in secret.bin, as HDF5 allows."""
    monkeypatch.chdir(tmp_path)
    shutil.copy(HERE / "names-another-file.sofa", tmp_path)
    np.array([42.0, 43.0]).tofile(tmp_path / "secret.bin")
    with netCDF4.Dataset("names-another-file.sofa") as file:       # the library itself does read it
        assert list(file["N"][:]) == [42.0, 43.0]
    foreign.end_child()                                            # a new child has this folder as its own
    with pytest.raises(InvalidValue, match="damaged"):
        foreign.read_foreign(tmp_path / "names-another-file.sofa", 10**6, "sofa_bytes")
    with pytest.raises(InvalidValue, match="damaged"):
        foreign.probe_foreign(tmp_path / "names-another-file.sofa", 10**6, "result_bytes")


def test_a_name_like_an_address_is_only_a_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The netCDF library takes a path that starts like an address for one of a server."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "http:").mkdir()
    (tmp_path / "http:" / "x.nc").write_bytes(_whole("result"))
    assert read_netcdf("http:/x.nc").sizes["design"] == 1
    with pytest.raises(DefinitionError, match="no such file"):
        read_netcdf("http://127.0.0.1:9/x.nc")


def test_the_child_can_open_nothing(tmp_path: Path) -> None:
    """The limits of the process that reads foreign files, as the system shows them."""
    (tmp_path / "x.sofa").write_bytes(_whole("sofa"))
    foreign.read_foreign(tmp_path / "x.sofa", 10**6, "sofa_bytes")
    pid = foreign._child.process.pid
    shown = Path(f"/proc/{pid}/limits").read_text()
    files = next(line for line in shown.splitlines() if line.startswith("Max open files")).split()
    assert files[3:5] == ["0", "0"]
    memory = next(line for line in shown.splitlines() if line.startswith("Max address space")).split()
    assert int(memory[3]) < 8e9                                    # four times sofa_bytes, and itself
    opened = {os.readlink(f"/proc/{pid}/fd/{fd}") for fd in os.listdir(f"/proc/{pid}/fd")}
    assert all(name.startswith("pipe:") or name == "/dev/null" for name in opened)


@pytest.mark.parametrize(
    "label", ["=cmd|' /C calc'!A0", "+1", "-1+1", "@SUM(1)", "\t=1", " =1", "\u00a0=1", "＝1", "|x"])
def test_cells_are_text_for_a_spreadsheet(label: str) -> None:
    assert str(safe_cell(label)).startswith("'")


# Crashes and hangs ----------------------------------------------------------------------------------------------------

def test_a_child_that_dies_is_a_problem_of_the_file(tmp_path: Path) -> None:
    path = tmp_path / "x.sofa"
    path.write_bytes(_whole("sofa"))
    read_directivity(path)
    foreign._child.process.kill()                                  # as if the last file had crashed it
    foreign._child.process.wait()
    read_directivity(path)                                         # another takes its place
    before = foreign._running

    def dying():
        process = before()
        process.kill()
        process.wait()
        return process

    foreign._running = dying
    try:
        with pytest.raises(DefinitionError, match="it crashes the library"):
            read_directivity(path)
    finally:
        foreign._running = before
    read_directivity(path)


def test_a_file_that_takes_for_ever_is_given_up(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A stopped child answers as one that a damaged file keeps busy."""
    path = tmp_path / "x.sofa"
    path.write_bytes(_whole("sofa"))
    read_directivity(path)
    monkeypatch.setenv(VARIABLE, "open_s=1")
    os.kill(foreign._child.process.pid, 19)                        # SIGSTOP
    began = time.monotonic()
    with pytest.raises(DefinitionError, match="could not be opened within 1 s"):
        read_directivity(path)
    assert time.monotonic() - began < 60                           # and not for ever
    read_directivity(path)


def test_no_child_is_left_behind(tmp_path: Path) -> None:
    """The child ends with the process that started it, even one that is killed."""
    (tmp_path / "x.sofa").write_bytes(_whole("sofa"))
    code = ("import os, sys\nfrom pathlib import Path\nfrom roomsim.files import foreign\n"
            "foreign.read_foreign(Path(sys.argv[1]), 10**6, 'sofa_bytes')\n"
            "print(foreign._child.process.pid, flush=True)\nos.kill(os.getpid(), 9)")
    done = subprocess.run([sys.executable, "-c", code, str(tmp_path / "x.sofa")], capture_output=True, text=True)
    pid = int(done.stdout)
    for _ in range(200):
        try:
            if Path(f"/proc/{pid}/stat").read_text().split()[2] == "Z":
                break
        except FileNotFoundError:
            break
        time.sleep(0.05)
    else:
        pytest.fail("the child still runs")


# Sizes ----------------------------------------------------------------------------------------------------------------

def huge(path: Path, like: dict) -> None:
    """A file of a few kilobytes whose header declares 80 GB."""
    path.write_bytes(netcdf_bytes(like, never_written=100_000))


def test_a_header_that_declares_too_much(tmp_path: Path) -> None:
    huge(tmp_path / "x.sofa", sofa_base())
    told = "declares 80 GB of data; at most 1 GB are read; ROOMSIM_LIMITS=sofa_bytes"
    with pytest.raises(DefinitionError, match=told):
        read_directivity(tmp_path / "x.sofa")
    with pytest.raises(DefinitionError, match="declares 80 GB"):
        read_room_responses(tmp_path / "x.sofa")
    huge(tmp_path / "x.nc", sofa_base())
    with pytest.raises(DefinitionError, match="declares 80 GB of data in a file of"):
        read_netcdf(tmp_path / "x.nc")


def test_alias_bombs_deep_nesting_many_values(job: Path) -> None:
    bomb = "\n".join(["a0: &a0 [1,1,1,1,1,1,1,1,1]", *(f"a{k}: &a{k} [{', '.join([f'*a{k - 1}'] * 9)}]"
                                                         for k in range(1, 12))])
    (job / "bomb.yaml").write_text(f"room: x\n{bomb}\n")
    assert "more than 50000 values or 20 levels once aliases are written out" in rules(job / "bomb.yaml")
    (job / "deep.yaml").write_text("room: " + "[" * 200_000)
    assert "more than 20 levels" in rules(job / "deep.yaml")
    corners = ", ".join(f"[{k % 300}, {k // 300}]" for k in range(20_000))
    (job / "plan.yaml").write_text(f"room: x\nplan_m: [{corners}]\nheight_m: 2.5\n")
    assert "more than 50000 values" in rules(job / "plan.yaml")
    corners = ", ".join(f"[{k % 30}, {k // 30}]" for k in range(1000))
    (job / "plan.yaml").write_text(f"room: x\nplan_m: [{corners}]\nheight_m: 2.5\n")
    assert "must hold 1 to 200 corners" in rules(job / "plan.yaml")


def test_a_billion_seats_and_too_many_cases(job: Path) -> None:
    text = (job / "study.yaml").read_text()
    (job / "study.yaml").write_text(text.replace("count: 15", "count: 1000000000"))
    assert "1 to 500" in rules(job / "study.yaml")
    values = "[" + ", ".join(f"{0.02 + k / 1e4:.4f}" for k in range(190)) + "]"
    many = text.replace("[0.03, 0.1, 0.3]", values).replace("[2, 3]", values)
    (job / "study.yaml").write_text(many)
    assert "makes 144400 cases; at most 100000" in rules(job / "study.yaml")


def test_large_text_wav_and_survey_files(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(VARIABLE, "text_bytes=1000, wav_bytes=1000, survey_bytes=1000, survey_rows=3, sofa_bytes=1000")
    for name, read in (("x.txt", read_response_text), ("x.wav", read_wav), ("x.csv", read_survey),
                       ("x.sofa", read_directivity)):
        (tmp_path / name).write_bytes(b"1 2\n" * 1000)
        with pytest.raises(DefinitionError, match="larger than"):
            read(tmp_path / name)
    (tmp_path / "x.csv").write_text("width_m,length_m,height_m\n" + "3,4,2.5\n" * 4)
    with pytest.raises(DefinitionError, match="more than 3 rows"):
        read_survey(tmp_path / "x.csv")


def test_limits_can_be_raised_and_say_what_is_wrong(monkeypatch: pytest.MonkeyPatch, job: Path) -> None:
    monkeypatch.setenv(VARIABLE, " definition_values=60, sofa_bytes = 4e9 ,")
    assert limits() == Limits(definition_values=60, sofa_bytes=4_000_000_000)
    assert "more than 60 values" in rules(job / "furnished.yaml")
    monkeypatch.setenv(VARIABLE, "definition_values=60000")
    assert not rules(job / "furnished.yaml")
    for text, says in (("sets=3", "known: seats"), ("seats", "must be name=number"), ("seats=0", "above 0"),
                       ("seats=1.5", "whole number"), ("seats=inf", "must be name=number"), ("seats=nan", "must be")):
        monkeypatch.setenv(VARIABLE, text)
        with pytest.raises(LimitError, match=says):
            limits()


def test_limits_hold_on_the_command_line(job: Path) -> None:
    home = os.pathsep.join([str(Path(roomsim.__file__).parents[1]), os.environ.get("PYTHONPATH", "")])

    def run(text: str) -> subprocess.CompletedProcess:
        return subprocess.run([sys.executable, "-m", "roomsim.cli", "check", "study.yaml"], cwd=job, text=True,
                              capture_output=True, env={**os.environ, VARIABLE: text, "PYTHONPATH": home})

    assert run("seats=20").returncode == 0
    few = run("seats=10")
    assert few.returncode == 2 and "1 to 10" in few.stderr + few.stdout
    wrong = run("seat=10")
    assert wrong.returncode == 2 and "names no limit" in wrong.stderr and "Traceback" not in wrong.stderr
