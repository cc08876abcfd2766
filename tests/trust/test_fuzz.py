"""A bounded run of fuzzing.py over every reader; the long runs' figures stand in tests/evidence/fuzzing.jsonl."""

import json
from pathlib import Path

import pytest
from fuzz_targets import TARGETS
from fuzzing import run, summary

COUNTS = {"text": 1000, "wav": 1000, "survey": 400, "room": 200, "loudspeaker": 200, "study": 100, "measurement": 120,
          "correction": 200, "materials": 250, "sofa": 120, "result": 60}
"""Inputs in the ordinary suite, about one second each."""

EVIDENCE = Path(__file__).resolve().parents[1] / "evidence" / "fuzzing.jsonl"


@pytest.mark.parametrize("name", TARGETS)
def test_every_input_is_read_or_refused(name: str) -> None:
    tally = run(name, COUNTS[name], seed=20)
    assert not tally.faults, summary(tally)
    counts = tally.counts
    assert counts["inputs"] == COUNTS[name] == counts["accepted"] + counts["refused"]
    # As asked for; the share itself is 0.4 to 0.8, so that 100 structured inputs do not fall below by chance.
    assert counts["structured accepted"] >= 0.3 * counts["structured"] > 0


@pytest.mark.heavy
@pytest.mark.parametrize("name", TARGETS)
def test_many_inputs_are_read_or_refused(name: str) -> None:
    assert not run(name, 100_000, seed=1).faults


def test_the_long_runs_are_on_record() -> None:
    """Every reader has a long run, and the latest of each found no fault."""
    runs = [json.loads(line) for line in EVIDENCE.read_text("utf-8").splitlines()]
    latest = {one["reader"]: one for one in runs}
    assert {*latest} == {*TARGETS}
    for one in latest.values():
        assert one["inputs"] == one["accepted"] + one["refused"] and not one["faults"], one["reader"]
        assert one["structured accepted share"] >= 0.3       # as asked for
