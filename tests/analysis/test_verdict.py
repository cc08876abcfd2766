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


def test_means_leave_out_what_is_not_known():
    from roomsim.analysis.measures import _of
    from roomsim.analysis.verdict import _mean_known

    nan = np.nan
    found = _mean_known(np.array([[1.0, nan, 3.0], [nan, nan, nan], [5.0, nan, nan]]))
    np.testing.assert_array_equal(found, [2.0, nan, 5.0])
    np.testing.assert_allclose(_of(np.arange(24.0).reshape(2, 3, 4)), [[1.5, 5.5, 9.5], [13.5, 17.5, 21.5]])
    assert _of(np.empty((2, 3, 0))).shape == (2, 3) and np.isnan(_of(np.empty((2, 3, 0)))).all()


def test_bands_fill_the_range_of_the_result_and_no_more(made_result):
    """Twelfths of an octave, base ten, to within the 3 % by which limits may be nominal."""
    from roomsim.analysis.seat_bands import seat_bands

    result = made_result(per_octave=6)
    result = result.isel(frequency=slice(5, -8))
    f = result["frequency"].values
    for low, high in ((20.0, 20000.0), (100.0, 1000.0)):
        band = seat_bands(result, low, high).band_hz
        low, high = max(low, f[0]), min(high, f[-1])
        step = 10 ** (0.3 / 12)
        np.testing.assert_allclose(np.diff(np.log10(band)), 0.3 / 12, rtol=1e-9)
        assert band[0] / step <= low * 0.97 < band[0] and band[-1] < high * 1.03 <= band[-1] * step


def test_numbers_and_sentences_of_a_difference():
    from roomsim.analysis.measures import MEASURES
    from roomsim.analysis.pairing import Estimate
    from roomsim.analysis.words import difference_words, number

    measures = {one.key: one for one in MEASURES} if not isinstance(MEASURES, dict) else MEASURES
    slope, bass = measures["slope_db_per_octave"], measures["bass_extension_hz"]
    assert number(slope, -1.26) == "−1.3 dB/octave" and number(slope, 0.24, True) == "+0.2 dB/octave"
    rough = measures["narrow_band_deviation_db"]
    assert number(rough, 0.26) == "0.3 dB" and number(rough, 0.26, True) == "+0.3 dB"
    assert number(bass, 47.6) == "48 Hz" and number(bass, 2.4, True) == "+2 Hz"

    def words(value: float, low: float, high: float, verdict: str, rooms: int = 3) -> str:
        here = Estimate(value=value, low=low, high=high, p=0.01)
        return difference_words(slope, "a", "b", here, verdict, "a", rooms, 0.9)

    nan = float("nan")
    assert words(nan, nan, nan, "not shown").endswith("cannot be compared")
    assert "+0.5 dB/octave; one seat does not show" in words(0.5, nan, nan, "not shown")
    assert "+0.5 dB/octave (90 %: +0.2 to +0.8 dB/octave), real in these rooms" in words(0.5, 0.2, 0.8, "real")
    assert "not shown for others; a is better" in words(0.5, 0.2, 0.8, "real")
    alone = words(0.5, 0.2, 0.8, "real", rooms=1)
    assert "real in this room; a is better" in alone


@pytest.mark.parametrize(("frequency", "fine"), [((0.5, 100.0), True), ((0.0, 100.0), False), ((-5.0, 100.0), False),
                                                 ((20.0, 20.0), False), ((20.0, np.inf), False)])
def test_frequencies_of_a_target(frequency, fine):
    if fine:
        assert roomsim.Target(name="x", frequency_hz=frequency, level_db=(0.0, 6.0)).at(frequency).tolist() == [0, 6]
    else:
        with pytest.raises(InvalidValue, match="do not rise"):
            roomsim.Target(name="x", frequency_hz=frequency, level_db=(0.0, 6.0))
