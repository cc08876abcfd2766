"""Bands from drawn inputs hold what they promise; draws follow from the precision that is asked for."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from roomsim.analysis.intervals import draws_for, end_error, prediction_interval
from roomsim.bands import OCTAVES_HZ
from roomsim.room.geometry import box
from roomsim.room.materials import catalogue
from roomsim.room.reproducibility import drawn_room
from roomsim.room.room import Room
from roomsim.room.statistics import eyring_kuttruff_s


def test_a_ninety_percent_band_holds_one_more_normal_value_in_about_ninety_percent():
    rng = np.random.default_rng(5)
    held = []
    for draws in (8, 16, 40):
        half = rng.normal(1.0, 2.0, (3000, draws // 2, 1)) - 1.0
        values = 1.0 + np.stack([half, -half], axis=2).reshape(3000, draws, 1)
        _, low, high, _ = prediction_interval(values, 0.9)
        more = rng.normal(1.0, 2.0, (3000, 1))
        held.append(np.mean((low <= more) & (more <= high)))
    assert all(0.85 < h < 0.95 for h in held), held          # ±0.5 % standard error


def test_the_band_of_a_decay_time_holds_other_laboratories_rooms():
    # Decay time by Eyring's formula of a room with drawn finishes: not normal, not linear in what is drawn.
    known = catalogue()
    finishes = {"front": "window", "back": "wooden door", "left": "plaster on brick", "right": "wood panelling",
                "floor": "heavy carpet on underlay", "ceiling": "plasterboard on studs"}
    room = Room(name="made", geometry=box(5.0, 4.0, 2.5), materials={f: known[n] for f, n in finishes.items()})

    def decay(draw: int, seed: int) -> np.ndarray:
        return np.log(eyring_kuttruff_s(drawn_room(room, draw, seed), OCTAVES_HZ))

    held = []
    for seed in range(25):
        _, low, high, _ = prediction_interval(np.array([decay(k, seed) for k in range(12)]), 0.9)
        others = np.array([decay(0, 1000 + 40 * seed + k) for k in range(8)])
        held.append(((low <= others) & (others <= high)).mean())
    # 25 bands by 8 rooms by 8 octaves, correlated: about ±2 % standard error
    assert 0.85 < np.mean(held) < 0.95, np.mean(held)


def test_the_number_of_draws_follows_from_the_precision():
    # standard error of a band's end from n draws in pairs, n/2 degrees of freedom: simulated against the formula
    rng = np.random.default_rng(6)
    half = rng.normal(0, 1.5, (20000, 16, 1))
    values = np.stack([half, -half], axis=2).reshape(20000, 32, 1)
    _, low, _, spread = prediction_interval(values, 0.9)
    ends = stats.norm.ppf(0.95) * spread
    assert float(ends.std()) == pytest.approx(end_error(1.5, 32, 0.9), rel=0.03)      # large-sample formula, 16 degrees
    assert low.shape == (20000, 1)
    n = draws_for(1.5, 0.3, 0.9, least=4, most=1000)
    assert n % 2 == 0 and end_error(1.5, n, 0.9) <= 0.3 < end_error(1.5, n - 2, 0.9)
    assert draws_for(1e-6, 0.5, 0.9) == 8 and draws_for(50.0, 0.1, 0.9) == 64
