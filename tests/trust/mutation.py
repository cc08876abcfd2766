"""Mutation testing of the physics: one small change to the code at a time, and whether a test notices.

`python tests/trust/mutation.py --seed 1 --count 300` draws mutants from the modules of PLAN, runs for each the tests
that PLAN names, and adds a line per mutant to tests/evidence/mutation.jsonl. Modules of compiled loops (KERNELS) run
without compilation, in a run of their own: `--kernels --count 60`.

Each mutant runs in a process forked from one that has the libraries loaded and nothing of roomsim; the changed module
exists only in memory there.
"""

from __future__ import annotations

import argparse
import ast
import copy
import importlib.abc
import importlib.util
import io
import json
import os
import random
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import redirect_stderr, redirect_stdout
from dataclasses import dataclass
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
EVIDENCE = ROOT / "tests" / "evidence" / "mutation.jsonl"

L, A, E = "tests/loudspeaker/", "tests/analysis/", "tests/engines/"
PLAN: dict[str, list[str]] = {
    "analysis/balance.py": [A + "test_balance.py"],
    "analysis/blocks.py": [A + "test_blocks.py"],
    "analysis/decay.py": [A + "test_decay.py"],
    "analysis/decay_notes.py": [A + "test_decay_notes.py"],
    "analysis/energy_filters.py": [A + "test_decay.py"],
    "analysis/fluctuation.py": [A + "test_fluctuation.py"],
    "analysis/impulse_response.py": [A + "test_decay.py"],
    "analysis/noise_floor.py": [A + "test_decay.py"],
    "analysis/pairing.py": [A + "test_verdict.py"],
    "analysis/measures.py": [A + "test_verdict.py"],
    "analysis/verdict.py": [A + "test_verdict.py"],
    "analysis/seats.py": [A + "test_seats.py", A + "test_blocks.py"],
    "analysis/tonality.py": [A + "test_tonality.py"],
    "loudspeaker/boxes.py": [L + "test_drivers.py", L + "test_output.py"],
    "loudspeaker/chamber.py": [L + "test_chamber.py"],
    "loudspeaker/channels.py": [L + "test_channels.py"],
    "loudspeaker/coverage.py": [L + "test_measured.py"],
    "loudspeaker/curves.py": [L + "test_curves.py"],
    "loudspeaker/delay.py": [L + "test_measured.py"],
    "loudspeaker/drivers.py": [L + "test_drivers.py"],
    "loudspeaker/filters.py": [L + "test_filters.py"],
    "loudspeaker/harmonic_fit.py": [L + "test_measured.py"],
    "loudspeaker/impulse.py": ["tests/files/test_response_set.py"],
    "loudspeaker/mounting.py": [L + "test_channels.py", L + "test_torus.py"],
    "loudspeaker/nearfield.py": [L + "test_nearfield.py"],
    "loudspeaker/output.py": [L + "test_output.py"],
    "loudspeaker/overview.py": [L + "test_overview.py"],
    "loudspeaker/torus.py": [L + "test_torus.py"],
    "engines/causal.py": [E + "test_synthesis.py"],
    "engines/fresnel.py": [E + "test_fresnel.py", E + "test_plate_weights.py"],
    "engines/lattice.py": [E + "test_image_agreement.py"],
    "engines/modes.py": [E + "test_modes.py"],
    "engines/multipoles.py": [E + "test_wave.py"],
    "engines/nodes.py": [E + "test_kernels.py"],
    "engines/patterns.py": [E + "test_images.py"],
    "engines/roots.py": [E + "test_roots.py"],
    "engines/wave.py": [E + "test_wave.py"],
}
KERNELS: dict[str, list[str]] = {
    "engines/fresnel_kernels.py": [E + "test_fresnel.py"],
    "engines/wave_kernels.py": [E + "test_roots.py"],
    "engines/kernels.py": [E + "test_kernels.py"],
}
"""Modules of roomsim and the test files that must notice a change in them, those that fail soonest first."""

OPERATORS: dict[type, tuple[type, ...]] = {
    ast.Add: (ast.Sub,), ast.Sub: (ast.Add,), ast.Mult: (ast.Div,), ast.Div: (ast.Mult,), ast.Pow: (ast.Mult,),
    ast.FloorDiv: (ast.Mult,), ast.Mod: (ast.Mult,), ast.MatMult: (ast.Mult,), ast.Lt: (ast.LtE, ast.Gt),
    ast.LtE: (ast.Lt, ast.GtE), ast.Gt: (ast.GtE, ast.Lt), ast.GtE: (ast.Gt, ast.LtE), ast.Eq: (ast.NotEq,),
    ast.NotEq: (ast.Eq,), ast.And: (ast.Or,), ast.Or: (ast.And,), ast.USub: (ast.UAdd,), ast.Is: (ast.IsNot,),
    ast.IsNot: (ast.Is,), ast.In: (ast.NotIn,), ast.NotIn: (ast.In,), ast.BitAnd: (ast.BitOr,),
    ast.BitOr: (ast.BitAnd,),
}


@dataclass(frozen=True, kw_only=True)
class Mutant:
    """One change: the number of the node in the walk of the module, what to put there, and how it reads."""

    module: str
    node: int
    instead: Any
    line: int
    what: str


def left_out(tree: ast.AST) -> set[int]:
    """Nodes whose change is no change of the physics: annotations, decorators, messages, imports for type checkers."""
    out: set[int] = set()

    def skip(node: ast.AST | None) -> None:
        if node is not None:
            out.update(id(inner) for inner in ast.walk(node))

    for node in ast.walk(tree):
        if isinstance(node, (ast.AnnAssign, ast.arg)):
            skip(node.annotation)
        elif isinstance(node, (ast.FunctionDef, ast.ClassDef)):
            for decorator in node.decorator_list:
                skip(decorator)
            if isinstance(node, ast.FunctionDef):
                skip(node.returns)
        elif isinstance(node, (ast.Raise, ast.JoinedStr, ast.Import, ast.ImportFrom)) or (
                isinstance(node, ast.If) and "TYPE_CHECKING" in ast.unparse(node.test)):
            skip(node)
        elif (isinstance(node, ast.Assign) and isinstance(node.value, ast.BinOp)
              and isinstance(node.value.op, ast.BitOr)):
            skip(node)             # a union of types
    return out


def mutants(module: str, source: str) -> Iterator[Mutant]:
    """Every mutant of a module."""
    tree = ast.parse(source)
    skipped = left_out(tree)
    for number, node in enumerate(ast.walk(tree)):
        if id(node) in skipped:
            continue
        line = getattr(node, "lineno", 0)
        if isinstance(node, (ast.BinOp, ast.BoolOp, ast.UnaryOp, ast.AugAssign)):
            for new in OPERATORS.get(type(node.op), ()):
                yield Mutant(module=module, node=number, instead=new, line=line,
                             what=f"{type(node.op).__name__} -> {new.__name__}")
            if isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.Not):
                yield Mutant(module=module, node=number, instead="operand", line=line, what="not x -> x")
        elif isinstance(node, ast.Compare):
            for new in OPERATORS.get(type(node.ops[0]), ()):
                yield Mutant(module=module, node=number, instead=new, line=line,
                             what=f"{type(node.ops[0]).__name__} -> {new.__name__}")
        elif isinstance(node, ast.Constant) and isinstance(node.value, bool):
            yield Mutant(module=module, node=number, instead=not node.value, line=line,
                         what=f"{node.value} -> {not node.value}")
        elif isinstance(node, ast.Constant) and isinstance(node.value, (int, float)):
            value = node.value + 1 if isinstance(node.value, int) else node.value * 1.5 or 0.5
            yield Mutant(module=module, node=number, instead=value, line=line, what=f"{node.value!r} -> {value!r}")


def mutated(source: str, mutant: Mutant) -> ast.Module:
    """The module's tree with the change in it."""
    tree = ast.parse(source)
    nodes = list(ast.walk(tree))
    node = nodes[mutant.node]
    if isinstance(node, ast.Compare):
        node.ops[0] = mutant.instead()
    elif isinstance(node, ast.Constant):
        node.value = mutant.instead
    elif mutant.instead == "operand":
        replaced = copy.copy(node.operand)
        for holder in nodes:
            for name, value in ast.iter_fields(holder):
                if value is node:
                    setattr(holder, name, replaced)
                elif isinstance(value, list):
                    setattr(holder, name, [replaced if one is node else one for one in value])
    else:
        node.op = mutant.instead()
    return ast.fix_missing_locations(tree)


class Finder(importlib.abc.MetaPathFinder, importlib.abc.Loader):
    """Finds one module in memory."""

    def __init__(self, name: str, path: Path, tree: ast.Module) -> None:
        self.name, self.path, self.tree = name, path, tree

    def find_spec(self, fullname: str, path: Any, target: Any = None) -> Any:
        if fullname != self.name:
            return None
        return importlib.util.spec_from_file_location(fullname, self.path, loader=self)

    def create_module(self, spec: Any) -> None:
        return None

    def exec_module(self, module: Any) -> None:
        exec(compile(self.tree, str(self.path), "exec"), module.__dict__)


def run_tests(tests: list[str]) -> int:
    import pytest

    with redirect_stdout(io.StringIO()), redirect_stderr(io.StringIO()):
        return int(pytest.main(["-x", "-q", "-m", "not heavy", "-p", "no:cacheprovider", *tests]))


def attempt(tests: list[str], mutant: Mutant | None, source: str, seconds: float) -> tuple[str, float]:
    """Whether the tests notice: killed, killed late (too slow), survived; and how long it took."""
    began = time.monotonic()
    child = os.fork()
    if child == 0:
        code = 9
        try:
            os.setpgid(0, 0)
            if mutant is not None:
                name = "roomsim." + mutant.module.removesuffix(".py").replace("/", ".")
                sys.meta_path.insert(0, Finder(name, ROOT / "roomsim" / mutant.module, mutated(source, mutant)))
            code = run_tests(tests)
        finally:
            os._exit(code)
    while True:
        pid, status = os.waitpid(child, os.WNOHANG)
        took = time.monotonic() - began
        if pid:
            return ("survived" if os.waitstatus_to_exitcode(status) == 0 else "killed"), took
        if took > seconds:
            os.killpg(child, 9)
            os.waitpid(child, 0)
            return "killed late", took
        time.sleep(0.02)


def drawn(plan: dict[str, list[str]], count: int, seed: int) -> list[tuple[Mutant, str]]:
    """A sample, every module in turn so that each has about as many."""
    dice = random.Random(seed)
    decks = {}
    for module in plan:
        source = (ROOT / "roomsim" / module).read_text("utf-8")
        deck = [(one, source) for one in mutants(module, source)]
        dice.shuffle(deck)
        decks[module] = deck
    sample: list[tuple[Mutant, str]] = []
    while len(sample) < count and any(decks.values()):
        sample += [deck.pop() for deck in decks.values() if deck]
    return sample[:count]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--count", type=int, default=300)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--seconds", type=float, default=1e9, help="stop after so long")
    parser.add_argument("--start", type=int, default=0, help="leave out so many of the sample")
    parser.add_argument("--kernels", action="store_true")
    asked = parser.parse_args()
    if asked.kernels:
        os.environ["NUMBA_DISABLE_JIT"] = "1"
    plan = KERNELS if asked.kernels else PLAN
    os.chdir(ROOT)
    sys.path.insert(0, str(ROOT))
    import hypothesis
    import netCDF4  # noqa: F401
    import numba  # noqa: F401
    import pandas  # noqa: F401
    import pytest  # noqa: F401
    import scipy.optimize
    import scipy.signal  # noqa: F401
    import shapely  # noqa: F401
    import xarray  # noqa: F401

    hypothesis.settings.register_profile("calm", deadline=None, derandomize=True, database=None)
    hypothesis.settings.load_profile("calm")
    commit = subprocess.run(["git", "describe", "--always", "--dirty"], capture_output=True, text=True).stdout.strip()
    end = time.monotonic() + asked.seconds
    usual: dict[str, float] = {}
    counts: Counter = Counter()
    for mutant, source in drawn(plan, asked.count, asked.seed)[asked.start :]:
        if time.monotonic() > end:
            break
        tests = plan[mutant.module]
        key = " ".join(tests)
        if key not in usual:
            outcome, usual[key] = attempt(tests, None, source, 600)
            if outcome != "survived":
                print(f"{key}: fails without any change", flush=True)
                usual[key] = -1.0
        if usual[key] < 0:
            continue
        outcome, took = attempt(tests, mutant, source, 3 * usual[key] + 20)
        counts[outcome] += 1
        told = {"module": mutant.module, "line": mutant.line, "change": mutant.what, "outcome": outcome,
                "seconds": round(took, 1), "seed": asked.seed, "commit": commit}
        print(json.dumps(told), flush=True)
        with EVIDENCE.open("a", encoding="utf-8") as file:
            file.write(json.dumps(told) + "\n")
    print(dict(counts))


if __name__ == "__main__":
    main()
