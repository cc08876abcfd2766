"""Started by test_kills.py: predicts a small study again and again and is killed each time, then to the end.

Each life is a fork of this process, which has everything loaded, so that a kill costs no start.
"""

from __future__ import annotations

import contextlib
import functools
import io
import json
import os
import random
import signal
import sys
import time
from pathlib import Path

from roomsim.cli import main
from roomsim.engines.hybrid import Options
from roomsim.report import write
from roomsim.studies import plan, store


def life(study: Path, out: Path, writing: float | None = None) -> int:
    """One run in a process of its own; its number.

    With `writing` it kills itself: after that share of all the calls that the code of roomsim makes and takes while
    it writes the output of a study whose cases are finished.
    """
    child = os.fork()
    if child == 0:
        if writing is not None:
            real = write.fill

            def fill(*arguments: object) -> None:
                sys.setprofile(_Countdown(int(writing * CALLS)))
                real(*arguments)

            write.fill = fill
        with contextlib.redirect_stdout(io.StringIO()):
            code = main(["predict", str(study), "--out", str(out), "--jobs", "1"])
        os._exit(code)
    return child


CALLS = 1


class _Countdown:
    """A profile function that ends its process at the nth call it is told of."""

    def __init__(self, left: int) -> None:
        self.left = left

    def __call__(self, frame: object, event: str, argument: object) -> None:
        self.left -= 1
        if self.left == 0:
            os.kill(os.getpid(), signal.SIGKILL)


def calls_of_writing(study: Path, out: Path) -> int:
    """How many calls it takes to write the output of finished cases."""
    count = _Countdown(0)
    real = write.fill

    def fill(*arguments: object) -> None:
        sys.setprofile(count)
        real(*arguments)

    write.fill = fill
    with contextlib.redirect_stdout(io.StringIO()):
        main(["predict", str(study), "--out", str(out), "--jobs", "1"])
    sys.setprofile(None)
    write.fill = real
    return -count.left


def finished(folder: Path) -> int:
    return len(list(folder.glob("*.case")))


def outputs(folder: Path) -> dict[str, bytes]:
    return {p.name: p.read_bytes() for p in sorted(folder.iterdir()) if p.is_file()} if folder.exists() else {}


def wait_for(child: int) -> int:
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])


def kill_somewhere(child: int, cases: Path, after: int, delay_s: float) -> None:
    """Kill a run some time after its nth case from now is kept."""
    start = finished(cases)
    while finished(cases) < start + after:
        if os.waitpid(child, os.WNOHANG)[0]:
            raise SystemExit("a run ended before it was killed")
        time.sleep(0.0005)
    time.sleep(delay_s)
    os.kill(child, signal.SIGKILL)


def go(folder: Path, seed: int, kills: int) -> dict:
    plan.Options = functools.partial(Options, rays=64)            # quick cases: the rays are not what is tested,
    write.MOST_FIGURES = 1                                        # nor are the figures
    old, new = folder / "old.yaml", folder / "study.yaml"
    calm, out = folder / "calm", folder / "results"
    cases = store.store_folder(out)
    total = int(sys.argv[4])
    with contextlib.redirect_stdout(io.StringIO()):
        assert main(["predict", str(old), "--out", str(out), "--jobs", "1"]) == 0        # loads and compiles everything
    began = time.perf_counter()
    assert wait_for(life(new, calm)) == 0
    case_s = (time.perf_counter() - began) / total
    global CALLS
    CALLS = calls_of_writing(new, calm)
    earlier = outputs(out)
    dice = random.Random(seed)
    told = []
    for k in range(kills):
        if k < kills - 2:
            child = life(new, out)
            kill_somewhere(child, cases, dice.randint(0, 1), dice.random() * case_s)
        else:                                                         # all cases done: while the output is written
            child = life(new, out, dice.random())
        code = wait_for(child)
        told.append({"code": code, "cases": finished(cases), "intact": outputs(out) in (earlier, outputs(calm))})
    last = wait_for(life(new, out))
    return {
        "lives": told, "last": last, "same": outputs(out) == outputs(calm), "files": sorted(outputs(calm)),
        "calls": CALLS,
        "left": sorted(p.name for p in folder.iterdir()), "inside": sorted(p.name for p in out.iterdir()),
    }


if __name__ == "__main__":
    print(json.dumps(go(Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3]))))
