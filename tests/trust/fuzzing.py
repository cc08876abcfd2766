"""Hostile and half-right input for every reader, and what each reader may answer.

A reader may accept an input (then its numbers are looked at, and where the input was made from known numbers, held
against those) or refuse it with an error of roomsim's own that names the file. Everything else is a fault: another
error, more than HANG_S seconds, more than MEMORY_BYTES of memory.

Long runs: `python tests/trust/fuzzing.py text --count 100000 --seed 1` adds a line to tests/evidence/fuzzing.jsonl.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import resource
import shutil
import signal
import subprocess
import sys
import tempfile
import time
import traceback
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

HERE = Path(__file__).resolve().parent
EVIDENCE = HERE.parent / "evidence" / "fuzzing.jsonl"
HANG_S = 20
"""A reader that takes longer hangs; one that got less than a quarter of it from a busy machine has ten times that. The
slowest input takes 0.5 s."""
LIMITS = "open_s=1"
"""Of the readers: a damaged AES69 or netCDF file can keep the library that reads it busy for ever."""
MEMORY_BYTES = 4 * 2**30
"""More than any input of these sizes may ask for, on top of what the process has."""


@dataclass(frozen=True, kw_only=True)
class Input:
    """One input: its bytes, whether it was made by changing parts and not bytes, the numbers it stands for if known."""

    content: bytes
    structured: bool
    truth: Any = None


@dataclass(frozen=True, kw_only=True)
class Target:
    """A reader: how to make inputs, how to read one and look at what came out (AssertionError: a wrong number)."""

    file: str
    prepare: Callable[[Path], None]
    make: Callable[[random.Random], Input]
    read: Callable[[Path, Any], None]
    finish: Callable[[], None] = lambda: None


@dataclass(kw_only=True)
class Tally:
    """Outcomes of a run."""

    counts: Counter = field(default_factory=Counter)
    faults: Counter = field(default_factory=Counter)
    rules: Counter = field(default_factory=Counter)
    kept: list[bytes] = field(default_factory=list)

    def add(self, one: Input, outcome: str, told: str = "") -> None:
        self.counts["inputs"] += 1
        self.counts[outcome] += 1
        if one.structured:
            self.counts["structured"] += 1
            self.counts[f"structured {outcome}"] += 1
        if outcome == "fault":
            self.faults[told] += 1
            if self.faults[told] == 1:
                self.kept.append(one.content)
        elif told:
            self.rules[told] += 1


class Hang(Exception):
    """A reader takes too long."""


def attempt(target: Target, one: Input, path: Path) -> tuple[str, str]:
    """Outcome of one input, and the rule or the fault."""
    from roomsim.errors import DefinitionError, InvalidValue, RoomsimError

    path.write_bytes(one.content)

    began, used = time.monotonic(), time.process_time()

    def late(number: int, frame: object) -> None:
        starved = time.process_time() - used < HANG_S / 4 and time.monotonic() - began < 10 * HANG_S
        if not starved:
            raise Hang
        signal.alarm(HANG_S)                             # a busy machine gave the process no time to work

    before = signal.signal(signal.SIGALRM, late)
    signal.alarm(HANG_S)
    try:
        target.read(path, one.truth)
        return "accepted", ""
    except DefinitionError as error:
        text = str(error)
        named = all(problem.file for problem in error.problems) and bool(error.problems)
        if not named or any("\n" in str(problem) for problem in error.problems):
            return "fault", f"a refusal without a file: {text[:80]}"
        rule = error.problems[0].rule
        return "refused", " ".join(word for word in rule.split() if not any(c.isdigit() for c in word))[:60]
    except (InvalidValue, RoomsimError) as error:
        return "fault", f"an error without a file: {error!s:.80}"
    except BaseException as error:
        if isinstance(error, KeyboardInterrupt):
            raise
        frames = traceback.extract_tb(error.__traceback__)
        ours = [frame for frame in frames if "roomsim" in frame.filename] or frames
        return "fault", f"{type(error).__name__} at {Path(ours[-1].filename).name}:{ours[-1].lineno}: {error!s:.80}"
    finally:
        signal.alarm(0)
        signal.signal(signal.SIGALRM, before)


def run(name: str, count: int, seed: int, seconds: float = 1e9) -> Tally:
    """Try so many inputs at a reader, or as many as the time allows."""
    from fuzz_targets import TARGETS

    target, dice, tally = TARGETS[name], random.Random(f"{name} {seed}"), Tally()
    end = time.monotonic() + seconds
    soft, hard = resource.getrlimit(resource.RLIMIT_AS)
    with tempfile.TemporaryDirectory(prefix="fuzz-") as folder:
        target.prepare(Path(folder))
        path = Path(folder) / target.file
        used = int(Path("/proc/self/statm").read_text().split()[0]) * resource.getpagesize()
        resource.setrlimit(resource.RLIMIT_AS, (used + MEMORY_BYTES, hard))
        usual = os.environ.get("ROOMSIM_LIMITS")
        os.environ["ROOMSIM_LIMITS"] = LIMITS
        try:
            while tally.counts["inputs"] < count and time.monotonic() < end:
                one = target.make(dice)
                tally.add(one, *attempt(target, one, path))
        finally:
            resource.setrlimit(resource.RLIMIT_AS, (soft, hard))
            os.environ.pop("ROOMSIM_LIMITS")
            if usual is not None:
                os.environ["ROOMSIM_LIMITS"] = usual
            target.finish()
    return tally


def summary(tally: Tally) -> dict[str, Any]:
    """A tally for the record."""
    counts = tally.counts
    share = counts["structured accepted"] / max(counts["structured"], 1)
    return {**counts, "structured accepted share": round(share, 3), "faults": dict(tally.faults),
            "refusals by rule": dict(tally.rules.most_common(25))}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("target")
    parser.add_argument("--count", type=int, default=100_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--seconds", type=float, default=1e9)
    parser.add_argument("--keep", type=Path, help="folder for one input of each fault")
    asked = parser.parse_args()
    sys.path.insert(0, str(HERE))
    sys.path.insert(0, str(HERE.parent))
    commit = subprocess.run(["git", "describe", "--always", "--dirty"], cwd=HERE, capture_output=True, text=True).stdout
    tree = subprocess.run(["git", "rev-parse", "--short=12", "HEAD:roomsim"], cwd=HERE.parents[1], capture_output=True,
                          text=True).stdout
    began, cpu = time.monotonic(), time.process_time()
    tally = run(asked.target, asked.count, asked.seed, asked.seconds)
    told = {"reader": asked.target, "seed": asked.seed, "commit": commit.strip(), "tree": tree.strip(),
            **summary(tally),
            "seconds": round(time.monotonic() - began), "cpu_s": round(time.process_time() - cpu)}
    print(json.dumps(told, indent=1))
    if asked.keep:
        shutil.rmtree(asked.keep, ignore_errors=True)
        asked.keep.mkdir(parents=True)
        for k, content in enumerate(tally.kept):
            (asked.keep / f"{k}-{asked.target}").write_bytes(content)
    with EVIDENCE.open("a", encoding="utf-8") as file:
        file.write(json.dumps(told) + "\n")


if __name__ == "__main__":
    main()
