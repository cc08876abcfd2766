"""Rooms that are no box through a whole study: predicted and reported."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import numpy as np
import pytest

import roomsim
from roomsim.report.cases import variants
from roomsim.report.mode_plot import mode_figure
from roomsim.report.modes import mode_rows

GOOD = Path(__file__).resolve().parents[1] / "definitions" / "good"

STUDY = """study: A bar in rooms that are no box
rooms: {alcove: alcove.yaml, attic: attic.yaml}
designs: {sketch: {loudspeaker: bar.yaml}}
places:
  wall: {wall: front, across_fraction: 0.45, gap_m: 0.05, height_m: 0.75}
seats: {distance_m: 2.2, ear_height_m: 1.1, count: 3, spread_m: {depth: 0.4, across: 0.6, height: 0.2}}
frequency: {low_hz: 125, high_hz: 2000, per_octave: 3}
"""


@pytest.fixture(scope="module")
def result(tmp_path_factory):
    folder = tmp_path_factory.mktemp("plans")
    shutil.copytree(GOOD, folder, dirs_exist_ok=True)
    (folder / "study.yaml").write_text(STUDY, "utf-8")
    return roomsim.predict(roomsim.load(folder / "study.yaml"), jobs=1)


def test_everything_is_there_and_finite(result):
    for name in ("level_db", "direct_level_db", "early_level_db", "late_level_db", "decay_s"):
        assert np.all(np.isfinite(result[name].values)), name
    # over the plan to 400 Hz; in three dimensions less: many small parts leave the attic a fade of 111 to 222 Hz
    for room, low_hz, high_hz in (("alcove", 200, 400), ("attic", 111, 222)):
        weight = result["wave_weight"].sel(room=room).values.reshape(-1, result.frequency.size)[0]
        f = result.frequency.values
        assert np.all(weight[f < 0.99 * low_hz] == 1) and np.all(weight[f > 1.01 * high_hz] == 0)
        assert np.all((weight > 0) == (f < high_hz))


def test_notes_and_reflections_name_what_is_there(result):
    said = json.loads(result.attrs["metadata"])
    codes = {note["code"] for note in said["notes"]}
    assert {"wave-engine", "crossfade", "rays", "obstacles", "opening"} <= codes
    assert {"slope", "ceiling", "floor"} <= {face for one in said["reflections"] for face in one["faces"]}


def test_their_modes_are_listed_and_drawn(result, tmp_path):
    """A table for both, by number; the octaves whose modes are all known decay as they do."""
    rows = mode_rows(result)
    for room in ("alcove", "attic"):
        modes = [row for row in rows if row["room"] == room]
        assert len(modes) > 30 and all(10 < row["frequency_hz"] <= 200 and row["decay_s"] > 0 for row in modes)
        assert {row["kind"] for row in modes} <= {"level", "upright", "mixed"} and modes[0]["n_length"] is None
        figure = mode_figure(result, room, next(variants(result)))
        figure.savefig(tmp_path / f"{room}.png")
        assert (tmp_path / f"{room}.png").stat().st_size > 20_000
    assert any(row["kind"] == "upright" for row in rows if row["room"] == "alcove")
    assert np.all(np.isfinite(result["decay_s"].values))


def test_the_report_draws_them(result, tmp_path):
    roomsim.report(result, tmp_path / "out")
    assert (tmp_path / "out" / "overview.png").stat().st_size > 10_000
