"""Runs that are killed outright leave the earlier results as they were, and go on where they stopped."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

from made_studies import STUDY, write_study

import roomsim

SEED, KILLS, CASES = 20, 10, 24
HOME = os.pathsep.join([str(Path(roomsim.__file__).parents[1]), os.environ.get("PYTHONPATH", "")])

SMALL = STUDY.replace("per_octave: 12", "per_octave: 6").replace("count: 3", "count: 2")


def test_ten_kills_change_nothing(tmp_path: Path) -> None:
    gaps = [round(0.05 + 0.01 * k, 3) for k in range(CASES)]
    write_study(tmp_path, study=SMALL + f"vary: {{place.gap_m: {gaps}}}\n")
    (tmp_path / "old.yaml").write_text(SMALL + "vary: {place.gap_m: [0.5, 0.6]}\n", "utf-8")
    script = Path(__file__).with_name("killed_runs.py")
    ran = subprocess.run(
        [sys.executable, str(script), str(tmp_path), str(SEED), str(KILLS), str(CASES)],
        capture_output=True, text=True, timeout=600, env={**os.environ, "PYTHONPATH": HOME, "OMP_NUM_THREADS": "1"},
    )
    assert ran.returncode == 0, ran.stderr
    told = json.loads(ran.stdout)
    lives = told["lives"]
    assert len(lives) == KILLS and all(one["code"] == -9 for one in lives)          # SIGKILL, every time
    assert all(one["intact"] for one in lives)              # the earlier result, or all of the new, byte for byte
    between = [one["cases"] for one in lives if 2 < one["cases"] < CASES + 2]       # 2 are the earlier study's
    assert len(between) >= 5, lives
    assert [one["cases"] for one in lives] == sorted(one["cases"] for one in lives)  # nothing lost
    assert told["last"] == 0 and told["same"] and "result.nc" in told["files"]
    # Nothing is left behind but the two results and their stores.
    assert told["left"] == ["bar.yaml", "calm", "calm.cases", "old.yaml", "results", "results.cases", "room.yaml",
                            "study.yaml"]
    assert told["inside"] == told["files"]
