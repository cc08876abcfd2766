"""Judging a result: nothing against itself, known changes found, the statistics against their definitions."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

import roomsim
from roomsim.analysis.pairing import holm, over_rooms
from roomsim.errors import InvalidValue


def twin(result, change_db=0.0):
    """The first design twice, the second time with levels changed."""
    import xarray as xr

    one = result.isel(design=[0])
    other = one.assign_coords(design=["other"]).copy(deep=True)
    for name in ("level_db", "direct_level_db", "early_level_db", "late_level_db"):
        other[name] = other[name] + change_db
    return xr.concat([one.assign_coords(design=["one"]), other], "design", data_vars="minimal")


def test_a_design_against_itself_differs_by_exactly_nothing(made_result):
    judged = roomsim.judge(twin(made_result(per_octave=24)))
    for difference in judged.differences:
        assert difference.here.value == 0 and difference.here.low == 0 and difference.here.high == 0
        assert set(difference.rooms.values()) == {0.0}
        assert difference.verdict == "none" and not difference.real and difference.better is None
        assert "no real difference" in difference.words
    assert {standing.rank for standing in judged.ranking} == {1}


def test_a_known_tilt_is_found_in_every_room(made_result):
    result = made_result(per_octave=24)
    tilt = 0.5 * np.log2(result["frequency"] / 1000)          # dB: +0.5 per octave, by construction
    judged = roomsim.judge(twin(result, tilt))
    slope = next(d for d in judged.differences if d.measure == "slope_db_per_octave")
    # 0.01: within a twelfth of an octave the tilt weighs energies, it does not only shift the band
    assert slope.rooms == pytest.approx(dict.fromkeys(slope.rooms, -0.5), abs=0.01)
    assert slope.verdict == "general"


def test_a_gain_changes_no_measure_of_shape(made_result):
    judged = roomsim.judge(twin(made_result(per_octave=24), 6.0))
    assert max(abs(d.here.value) for d in judged.differences) < 1e-6     # rounding of single precision


def test_the_same_seed_gives_the_same_judgement(made_result):
    result = made_result(per_octave=12)
    one, same, other = (roomsim.judge(result, seed=seed).differences for seed in (1, 1, 2))
    assert one == same and one != other


def test_refuses_an_impossible_confidence_and_a_target_that_does_not_rise(made_result):
    with pytest.raises(InvalidValue, match="confidence"):
        roomsim.judge(made_result(per_octave=6), confidence=1.0)
    with pytest.raises(InvalidValue, match="do not rise"):
        roomsim.Target(name="x", frequency_hz=(100.0, 50.0), level_db=(0.0, 0.0))


def test_holm_by_hand():
    # four probabilities: 0.01 × 4, 0.02 × 3, 0.03 × 2 held up by the one before, 0.9; Holm's rule worked by hand
    assert holm([0.03, 0.01, 0.9, 0.02, np.nan])[:4] == pytest.approx([0.06, 0.04, 0.9, 0.06])
    assert np.isnan(holm([0.1, np.nan])[1])


def test_rooms_like_these_is_the_paired_t_test():
    rng = np.random.default_rng(3)
    values = rng.normal(0.4, 1.0, 7)
    found, peer = over_rooms(values, 0.9), stats.ttest_1samp(values, 0.0)
    assert found.p == pytest.approx(peer.pvalue, rel=1e-9)
    assert (found.low, found.high) == pytest.approx(tuple(peer.confidence_interval(0.9)), rel=1e-9)
