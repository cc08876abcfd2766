"""Ctrl-C at any moment, as a terminal sends it: to all processes of the run at once."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from made_studies import STUDY, write_study

import roomsim
from roomsim.studies.run import PROCESS_FROM

HOME = os.pathsep.join([str(Path(roomsim.__file__).parents[1]), os.environ.get("PYTHONPATH", "")])
GAPS = [round(0.05 + 0.01 * k, 3) for k in range(2 * PROCESS_FROM)]
SMALL = STUDY.replace("per_octave: 12", "per_octave: 6").replace("count: 3", "count: 2")
SEED = 8
READY = "import roomsim.__main__ as m, sys; print('in', flush=True); sys.exit(m.main())"
SAID = ("interrupted; nothing was begun", "nothing half-written was left",
        "cases are finished and kept: the same command goes on from there")


def workers(process: int) -> Iterator[int]:
    for task in Path(f"/proc/{process}/task").iterdir():
        for child in (task / "children").read_text().split():
            if b"popen_loky" in Path(f"/proc/{child}/cmdline").read_bytes():
                yield int(child)


@pytest.mark.skipif(not Path("/proc/self/task").exists(), reason="finds the worker processes in /proc")
def test_ctrl_c_while_a_pool_starts(tmp_path: Path) -> None:
    """Twice in the first half second, then as soon as there are workers, which still load their modules.

    Without the shelter about every second of these brings tracebacks of workers.
    """
    path = write_study(tmp_path, study=SMALL + f"vary: {{place.gap_m: {GAPS}}}\n")
    before = sorted(p.name for p in tmp_path.iterdir())
    dice = random.Random(SEED)
    delays = [(False, 0.5 * dice.random()) for _ in range(2)] + [(True, 0.6 * dice.random()) for _ in range(4)]
    for pool, delay_s in delays:
        one = subprocess.Popen(
            [sys.executable, "-c", READY, "predict", str(path), "--jobs", "2"], start_new_session=True, text=True,
            stdout=subprocess.PIPE, stderr=subprocess.PIPE,
            env={**os.environ, "PYTHONPATH": HOME, "OMP_NUM_THREADS": "1"})
        assert one.stdout is not None and one.stdout.readline() == "in\n"       # Python itself has started
        found: list[int] = []
        while pool and not found:
            found = list(workers(one.pid))
            assert one.poll() is None
            time.sleep(0.005)
        time.sleep(delay_s)
        os.killpg(one.pid, signal.SIGINT)
        said = one.communicate(timeout=120)[1].splitlines()
        # Where code that a library makes from text was cut off, Python ends by the signal itself, as shells expect.
        assert one.returncode in (130, -signal.SIGINT), said
        assert said[-1].endswith(SAID), said
        told = said[:-1]                           # how many cases there are, and how long they take
        assert told in ([], told[:1], told[:2]) and all("case" in line or "They take" in line for line in told), said
        assert not [number for number in found if Path(f"/proc/{number}").exists() and _lives(number)]
        left = sorted(p.name for p in tmp_path.iterdir() if p.name != "study-results.cases")
        assert left == before                                                   # no output folder, no part of one


def _lives(process: int) -> bool:
    try:
        return Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False
