"""Slope and mean deviation of a curve."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from roomsim.analysis.tonality import fit_line
from roomsim.bands import midbands_hz
from roomsim.errors import InvalidValue

BANDS = midbands_hz(3, 25, 16000)
USED = midbands_hz(3, 100, 10000)


@given(st.floats(-6, 6), st.floats(-100, 100))
def test_a_straight_line_comes_back(slope: float, level: float) -> None:
    line = fit_line(level + slope * np.log2(BANDS / 1000), BANDS)
    assert line.slope_db_per_octave == pytest.approx(slope, abs=1e-9)
    assert line.level_1k_db == pytest.approx(level, abs=1e-9)
    assert line.mean_deviation_db == pytest.approx(0, abs=1e-9)


def test_only_the_stated_range_counts() -> None:
    level = np.where((BANDS < 95) | (BANDS > 10500), 500.0, 3.0)
    assert fit_line(level, BANDS).mean_deviation_db == pytest.approx(0, abs=1e-9)
    np.testing.assert_allclose(fit_line(level, BANDS).band_hz, USED)
    assert USED.size == 21                # 100 Hz to 10 kHz has 21 third octaves (IEC 61260-1)


def test_one_peak() -> None:
    """A 6 dB peak in the middle band leaves the slope alone and lifts the line by 6/21 (by hand)."""
    level = np.zeros(BANDS.size)
    level[np.argmin(np.abs(BANDS - 1000))] = 6.0
    line = fit_line(level, BANDS)
    assert line.slope_db_per_octave == pytest.approx(0, abs=1e-9)
    assert line.mean_deviation_db == pytest.approx((6 - 6 / 21 + 20 * 6 / 21) / 21)
    assert line.worst_hz == pytest.approx(1000) and line.worst_db == pytest.approx(6 - 6 / 21)


def test_against_scipy() -> None:
    from scipy.stats import linregress

    level = np.random.default_rng(0).normal(size=USED.size)
    theirs = linregress(np.log2(USED), level)
    ours = fit_line(level, USED)
    assert ours.slope_db_per_octave == pytest.approx(theirs.slope)
    rest = level - theirs.intercept - theirs.slope * np.log2(USED)
    assert ours.mean_deviation_db == pytest.approx(np.abs(rest).mean())


def test_bands_without_a_level_are_left_out_and_too_few_are_refused() -> None:
    level = np.log2(BANDS)
    level[::2] = np.nan
    assert fit_line(level, BANDS).slope_db_per_octave == pytest.approx(1)
    with pytest.raises(InvalidValue, match="fewer than three bands"):
        fit_line(np.full(BANDS.size, np.nan), BANDS)
