"""Mutation testing of the physics: one small change to the code at a time, and whether a test notices.

`python tests/trust/mutation.py --seed 1 --count 300` draws mutants from engines, analysis and loudspeaker, every
module in turn, and adds a line per mutant to tests/evidence/mutation.jsonl; those that stand there already are not run
again. `--kernels --count 60` does the same for the compiled loops, without compilation.

First every test runs once under a tracer, which notes the lines that it reaches (kept in the folder of --reached). A
mutant meets the tests that reach its line, the quickest first, in a process forked from one that has everything
imported and collected but nothing computed. A mutant that outlives all of them within --each seconds survived.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import subprocess
import sys
import time
from collections import Counter
from pathlib import Path
from typing import Any

import hypothesis
import pytest

ROOT = Path(__file__).resolve().parents[2]
EVIDENCE = ROOT / "tests" / "evidence" / "mutation.jsonl"
PACKAGES = ("engines", "analysis", "loudspeaker")
SUITES = ("tests/loudspeaker", "tests/analysis", "tests/engines", "tests/settings", "tests/files",
          "tests/trust/test_same_answer.py")
KERNEL_SUITES = tuple(f"tests/engines/test_{name}.py" for name in (
    "kernel_parts", "kernel_rays", "kernels", "fresnel", "roots", "visible_paths", "plate_weights"))
KERNELS = ("engines/decay_kernels.py", "engines/fresnel_kernels.py", "engines/kernels.py", "engines/patch_kernels.py",
           "engines/ray_kernels.py", "engines/tree_kernels.py", "engines/wave_kernels.py")
"""Modules whose functions are compiled."""


class Plugin:
    """Keeps what pytest collected and runs none of it in the ordinary way."""

    items: list[pytest.Item]

    def pytest_runtestloop(self, session: pytest.Session) -> bool:
        self.items = list(session.items)
        self.work(self.items)
        return True


def run_item(item: pytest.Item, following: pytest.Item | None) -> bool:
    """Whether a test passes, or does not apply."""
    from _pytest.runner import runtestprotocol

    return not any(report.failed for report in runtestprotocol(item, nextitem=following, log=False))


def forked(work: Any, seconds: float) -> int | None:
    """Exit code of a function in a process of its own; None if it took too long."""
    child = os.fork()
    if child == 0:
        code = 9
        try:
            os.setpgid(0, 0)
            empty = os.open(os.devnull, os.O_RDWR)
            os.dup2(empty, 1)
            os.dup2(empty, 2)
            code = work()
        finally:
            os._exit(code)
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        pid, status = os.waitpid(child, os.WNOHANG)
        if pid:
            return os.waitstatus_to_exitcode(status)
        time.sleep(0.01)
    os.killpg(child, 9)
    os.waitpid(child, 0)
    return None


def trace(items: list[pytest.Item], file: Path, most_s: float) -> int:
    """Run the tests of one file and note per test its time, whether it passed, and the lines it reached.

    What a fixture of the whole file reaches counts for every test of the file.
    """
    reached: set[tuple[str, int]] = set()
    start = f"{ROOT}/roomsim/"
    wanted = tuple(f"{start}{package}/" for package in PACKAGES)

    def lines(frame: Any, event: str, _: Any) -> Any:
        if event == "line":
            reached.add((frame.f_code.co_filename, frame.f_lineno))
        return lines

    def calls(frame: Any, event: str, _: Any) -> Any:
        return lines if frame.f_code.co_filename.startswith(wanted) else None

    told: dict[str, Any] = {}
    began = time.monotonic()
    for k, item in enumerate(items):
        if time.monotonic() - began > most_s:
            break
        reached.clear()
        before = time.monotonic()
        sys.settrace(calls)
        try:
            passed = run_item(item, items[k + 1] if k + 1 < len(items) else None)
        finally:
            sys.settrace(None)
        where: dict[str, list[int]] = {}
        for name, line in sorted(reached):
            where.setdefault(name.removeprefix(start), []).append(line)
        told[item.nodeid] = {"seconds": round(time.monotonic() - before, 3), "passed": passed, "lines": where}
        file.write_text(json.dumps(told), "utf-8")
    return 0


def reached_by(items: list[pytest.Item], folder: Path, most_s: float) -> dict[str, Any]:
    """What every test reaches; from the folder, or found now."""
    folder.mkdir(parents=True, exist_ok=True)
    by_file: dict[str, list[pytest.Item]] = {}
    for item in items:
        by_file.setdefault(item.nodeid.split("::")[0], []).append(item)
    out: dict[str, Any] = {}
    for name, some in by_file.items():
        kept = folder / f"{name.replace('/', '-')}.json"
        if not kept.exists():
            forked(lambda some=some, kept=kept: trace(some, kept, most_s), most_s + 60)
            if not kept.exists():
                kept.write_text("{}", "utf-8")
            print(f"{name}: {len(json.loads(kept.read_text('utf-8')))} of {len(some)} tests traced", flush=True)
        out.update(json.loads(kept.read_text("utf-8")))
    return out


def tests_of(module: str, line: int, last: int, items: list[pytest.Item], reached: dict[str, Any],
             each_s: float) -> list[pytest.Item]:
    """Tests that reach one of these lines, quickest first; of lines that run at import, the module's test files."""
    known = [item for item in items if reached.get(item.nodeid, {}).get("passed")]

    def touching(lines: set[int] | None) -> list[pytest.Item]:
        return [item for item in known if module in reached[item.nodeid]["lines"]
                and (lines is None or lines & set(reached[item.nodeid]["lines"][module]))]

    chosen = touching(set(range(line, last + 1)))
    chosen.sort(key=lambda item: reached[item.nodeid]["seconds"])
    if not chosen:
        files = {item.nodeid.split("::")[0] for item in touching(None)}
        own = f"test_{Path(module).stem}.py"
        chosen = [item for item in known if item.nodeid.split("::")[0] in files]
        chosen.sort(key=lambda item: (own not in item.nodeid, reached[item.nodeid]["seconds"]))
    out, total = [], 0.0
    for item in chosen:
        total += reached[item.nodeid]["seconds"]
        if out and total > each_s:
            break
        out.append(item)
    return out


def drawn(modules: list[str], count: int, seed: int) -> list[Any]:
    """A sample, every module in turn."""
    from mutants import mutants

    dice = random.Random(seed)
    decks = []
    for module in modules:
        deck = list(mutants(module, (ROOT / "roomsim" / module).read_text("utf-8")))
        dice.shuffle(deck)
        decks.append(deck)
    sample: list[Any] = []
    while len(sample) < count and any(decks):
        sample += [deck.pop() for deck in decks if deck]
    return sample[:count]


def try_mutant(mutant: Any, items: list[pytest.Item]) -> int:
    """In the forked process: put the change in and run the tests. 0 survived, 1 noticed, 3 no change at all."""
    from mutants import mutated, put_in

    source = (ROOT / "roomsim" / mutant.module).read_text("utf-8")
    try:
        if not put_in("roomsim." + mutant.module.removesuffix(".py").replace("/", "."), mutated(source, mutant)):
            return 3
    except Exception:
        return 1                                         # the module cannot even be imported
    for k, item in enumerate(items):
        if not run_item(item, items[k + 1] if k + 1 < len(items) else None):
            return 1
    return 0


OUTCOMES = {0: "survived", 3: "not put in", None: "killed late"}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--count", type=int, default=300)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--seconds", type=float, default=1e9, help="stop after so long")
    parser.add_argument("--each", type=float, default=60.0, help="seconds of tests that a mutant meets at most")
    parser.add_argument("--reached", type=Path, default=ROOT / ".reached")
    parser.add_argument("--again", action="store_true", help="try survivors again, and only them")
    parser.add_argument("--kernels", action="store_true")
    parser.add_argument("--suites", nargs="*", help="folders and files of tests instead of the usual ones")
    parser.add_argument("--packages", nargs="*", default=PACKAGES, help="only this part of the sample")
    asked = parser.parse_args()
    if asked.kernels:
        os.environ["NUMBA_DISABLE_JIT"] = "1"
    os.chdir(ROOT)
    sys.path.insert(0, str(ROOT))
    hypothesis.settings.register_profile("calm", deadline=None, derandomize=True, database=None)
    hypothesis.settings.load_profile("calm")
    every = [f"{package}/{file.name}" for package in PACKAGES
             for file in sorted((ROOT / "roomsim" / package).glob("*.py")) if file.name != "__init__.py"]
    modules = [module for module in every if (module in KERNELS) == asked.kernels]
    suites = [path for path in asked.suites or (KERNEL_SUITES if asked.kernels else SUITES) if Path(path).exists()]

    def work(items: list[pytest.Item]) -> None:
        import importlib

        for module in modules:
            importlib.import_module("roomsim." + module.removesuffix(".py").replace("/", "."))
        reached = reached_by(items, asked.reached, 4 * asked.each)
        tree = subprocess.run(["git", "rev-parse", "--short=12", "HEAD:roomsim"], capture_output=True, text=True).stdout
        lines = EVIDENCE.read_text("utf-8").splitlines() if EVIDENCE.exists() else []
        done = {(one["module"], one["line"], one["node"], one["change"]): one["outcome"]
                for one in map(json.loads, lines)}
        end, counts = time.monotonic() + asked.seconds, Counter()
        for mutant in drawn(modules, asked.count, asked.seed):
            before = done.get((mutant.module, mutant.line, mutant.node, mutant.what))
            if mutant.module.split("/")[0] not in asked.packages:
                continue
            if time.monotonic() > end or (before != "survived" if asked.again else before is not None):
                continue
            chosen = tests_of(mutant.module, mutant.line, mutant.last, items, reached, asked.each)
            usual = sum(reached[item.nodeid]["seconds"] for item in chosen)
            began = time.monotonic()
            code = forked(lambda m=mutant, c=chosen: try_mutant(m, c), 10 * usual + 60) if chosen else 4
            outcome = "not reached" if code == 4 else OUTCOMES.get(code, "killed")
            counts[outcome] += 1
            told = {"module": mutant.module, "line": mutant.line, "node": mutant.node, "change": mutant.what,
                    "outcome": outcome, "tests": len(chosen), "seconds": round(time.monotonic() - began, 1),
                    "seed": asked.seed, "tree": tree.strip()}
            print(json.dumps(told), flush=True)
            with EVIDENCE.open("a", encoding="utf-8") as file:
                file.write(json.dumps(told) + "\n")
        print(dict(counts))

    plugin = Plugin()
    plugin.work = work
    pytest.main(["-q", "-s", "-m", "not heavy", "-p", "no:cacheprovider", *suites], plugins=[plugin])


if __name__ == "__main__":
    main()
