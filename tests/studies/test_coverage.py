"""Do intervals hold the truth in a predicted room? Seats drawn from many, the truth being all of them."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import roomsim
from roomsim.analysis.comparing import difference_curves
from roomsim.analysis.seat_bands import PARTS, SeatBands, seat_bands
from roomsim.demo import write_demo

EVIDENCE = Path(__file__).resolve().parents[1] / "evidence"
SEATS, TAKEN, REPEATS = 240, 15, 400


@pytest.mark.heavy
def test_difference_curves_in_a_predicted_room(tmp_path: Path):
    study = roomsim.load(write_demo(tmp_path))
    study = replace(study, rooms={"typical": study.rooms["typical"]}, seats=replace(study.seats, count=SEATS),
                    frequency=(28.0, 9000.0, 24))
    result = roomsim.predict(study, jobs=2)
    every = seat_bands(result)
    small = result[["late_noise_db"]]
    truth = difference_curves(small, "wide", "narrow", bands=every).curves["difference_db"].values

    def held(seats: np.ndarray, seed: int) -> np.ndarray:
        some = SeatBands(dims=every.dims, labels=every.labels, band_hz=every.band_hz,
                         **{name: getattr(every, name)[..., seats, :] for name in PARTS})
        found = difference_curves(small, "wide", "narrow", bands=some, draws=200, seed=seed).curves
        return (found["low_db"].values <= truth) & (truth <= found["high_db"].values)

    rng = np.random.default_rng(0)
    random = np.mean([held(rng.choice(SEATS, TAKEN, replace=False), k) for k in range(REPEATS)])
    runs = np.mean([held(np.arange(TAKEN * k, TAKEN * (k + 1)), k) for k in range(SEATS // TAKEN)])
    EVIDENCE.mkdir(exist_ok=True)
    lines = (
        "90 % intervals of the difference of two bars, third octaves 31 Hz to 8 kHz, demo's typical room.",
        f"The truth is the mean over {SEATS} seats of the zone.",
        f"{TAKEN} seats taken at random, {REPEATS} times (seed 0): {random:.1%}.",
        f"{TAKEN} consecutive members of the seats' low-discrepancy sequence, as studies take them: {runs:.1%}:",
        "evenly spread seats know their zone better than random ones, and the interval does not use it.",
    )
    (EVIDENCE / "coverage.txt").write_text("\n".join(lines) + "\n", "utf-8")
    assert 0.85 < random < 0.95
    assert runs >= 0.9                              # never too narrow for the seats that studies take
