"""Bands, smoothing and decibels."""

import numpy as np
import pytest

from roomsim import bands
from roomsim.errors import InvalidValue


def test_exact_midbands_are_base_ten():
    # IEC 61260-1:2014, table of exact base-ten midbands for thirds (from memory, high confidence).
    mids = bands.midbands_hz(3, 100, 1000)
    assert mids == pytest.approx([100, 125.89, 158.49, 199.53, 251.19, 316.23, 398.11, 501.19, 630.96, 794.33, 1000],
                                 abs=0.005)


def test_even_fractions_lie_between_the_steps_of_one_kilohertz():
    # IEC 61260-1:2014, equation 3: with even b the midbands are 1000·G^((2k+1)/2b).
    mids = bands.midbands_hz(6, 900, 1100)
    assert mids == pytest.approx([1000 * bands.OCTAVE ** (-1 / 12), 1000 * bands.OCTAVE ** (1 / 12)])


def test_nominal_names_are_the_trade_s():
    names = [bands.nominal(f) for f in bands.midbands_hz(3, 20, 20000)]
    # Preferred third-octave frequencies of ISO 266.
    assert " ".join(names) == (
        "20 25 31.5 40 50 63 80 100 125 160 200 250 315 400 500 630 800 1k 1.25k 1.6k 2k 2.5k 3.15k 4k 5k 6.3k 8k "
        "10k 12.5k 16k 20k"
    )


def test_octaves_and_grid_share_points():
    grid = bands.analysis_grid_hz()
    assert grid.size == 481
    for mid in bands.midbands_hz(3, 20, 20000):
        assert np.min(np.abs(grid / mid - 1)) < 1e-12


def test_band_means_of_a_constant_and_of_a_slope():
    f = bands.analysis_grid_hz()
    mids = bands.midbands_hz(3, 25, 16000)
    assert bands.band_means(np.full(f.size, 2.5), f, mids, 3) == pytest.approx(2.5, rel=1e-12)
    # Energy ∝ f: the mean over log frequency of a band is (f2 - f1) / ln(f2 / f1), closed form. The grid's
    # rectangle rule at 1/48 octave errs by (ln G / 48)² / 24 = 1e-5.
    edges = bands.band_edges_hz(mids, 3)
    exact = (edges[:, 1] - edges[:, 0]) / np.log(edges[:, 1] / edges[:, 0])
    assert bands.band_means(f, f, mids, 3) == pytest.approx(exact, rel=1e-4)


def test_bands_without_points_are_nan():
    assert np.isnan(bands.band_means(np.ones(3), np.array([100.0, 101, 102]), [1000.0], 3)).all()


def test_smoothing_keeps_constants_and_energy_of_a_line():
    f = bands.analysis_grid_hz()
    assert bands.smoothed(np.full((2, f.size), 3.0), f, 3) == pytest.approx(3.0)
    line = np.zeros(f.size)
    line[240] = 1.0
    # 48 cells an octave, a window of 16 cells: the line's energy is spread over 16 cells, height 1/16.
    smooth = bands.smoothed(line, f, 3)
    assert smooth.max() == pytest.approx(1 / 16, rel=1e-9)
    assert smooth.sum() == pytest.approx(1.0, rel=1e-9)


def test_decibels_there_and_back():
    assert bands.db([1.0, 0.0, 100.0]).tolist() == [0.0, -np.inf, 20.0]
    assert bands.from_db(bands.db(0.37)) == pytest.approx(0.37)


@pytest.mark.parametrize(("low", "high"), [(0, 100), (-5, 100), (200, 100)])
def test_impossible_ranges_are_refused(low, high):
    with pytest.raises(InvalidValue):
        bands.midbands_hz(3, low, high)
