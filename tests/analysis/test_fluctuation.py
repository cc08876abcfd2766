"""Statistics of band levels in a random field: printed tables, and synthetic fields drawn here."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad

from roomsim.analysis.fluctuation import (
    band_variance,
    diffuse_variance,
    gamma_bias_db,
    gamma_spread_db,
    interference_variance,
    overlap,
)
from roomsim.bands import analysis_grid_hz

DECAY = 6 * np.log(10)


# recomputed values of Schroeder's bandwidth-time formula; source: Schroeder and Kuttruff 1962 by way of a
# table recomputed for this project
@pytest.mark.parametrize(
    ("product", "variance"), [(10, 0.44685), (20, 0.26779), (50, 0.12220), (100, 0.06442), (200, 0.03321)]
)
def test_bandwidth_time_table(product: float, variance: float) -> None:
    assert band_variance(product, 1.0) == pytest.approx(variance, abs=6e-6)     # the digits of the table


def test_narrow_and_wide_limits() -> None:
    assert band_variance(1e-6, 0.4) == pytest.approx(1.0, abs=1e-9)
    # wide bands: Lubman 1968, 1/(1 + BT/6.9), from memory; he is within 1 % there
    assert band_variance(1000, 1.0) == pytest.approx(1 / (1 + 1000 / 6.9), rel=0.01)


# N independent positions averaged: (10/ln 10)√ψ′(N) and its bias; from a recomputed table. N = 1 is the pure
# tone of Schroeder 1954 (5.57 dB, -2.51 dB)
@pytest.mark.parametrize(
    ("count", "spread", "bias"),
    [(1, 5.570, -2.507), (2, 3.488, -1.174), (3, 2.729, -0.764), (5, 2.043, -0.449), (8, 1.585, -0.277),
     (16, 1.103, -0.137), (20, 0.983, -0.109)],
)
def test_level_spread_of_averaged_positions(count: int, spread: float, bias: float) -> None:
    assert gamma_spread_db(1 / count) == pytest.approx(spread, abs=6e-4)
    assert gamma_bias_db(1 / count) == pytest.approx(bias, abs=6e-4)


@pytest.mark.parametrize(
    ("band", "decay", "gap"), [(23, 0.4, 0.08), (230, 0.4, 0.001), (5, 0.4, 0.08), (60, 1.2, 0.02)]
)
def test_overlap_is_the_integral_it_stands_for(band: float, decay: float, gap: float) -> None:
    a = DECAY / decay
    integral = quad(lambda u: a * np.exp(-a * u) * np.sinc(band * (gap + u)) ** 2, 0, 30 / a, limit=4000)[0]
    assert overlap(band, decay, gap) == pytest.approx(integral, rel=1e-4)   # quad's own error on sinc²


def test_overlap_without_a_gap_is_the_band_variance() -> None:
    band = np.array([1.0, 23.0, 230.0])
    np.testing.assert_allclose(overlap(band, 0.4, 0.0), band_variance(band, 0.4))
    np.testing.assert_allclose(overlap(band, 0.4, 1e-5), band_variance(band, 0.4), rtol=0.03)
    assert overlap(230.0, 0.4, 10.0) == pytest.approx(0, abs=1e-9)


def drawn_levels(
    rng: np.random.Generator, band: float, decay: float, start: float, direct: float, early: float, late: float,
    realisations: int, early_fields: int,
) -> tuple[float, float]:
    """Variance of the band mean-square over realisations of the late noise, and mean coherent energy.

    A field of its own in the time domain: an impulse, random early arrivals, and complex white noise under
    an exponential from `start` on; its spectrum is summed over a fine grid.
    """
    a = DECAY / decay
    rate = max(4 * band, 400)
    t = np.arange(start, start + decay, 1 / rate)
    f = np.linspace(0, band, max(64, int(band * (start + decay) * 3)))
    profile = np.exp(-a * (t - start))
    profile *= late / profile.sum()
    spectrum = np.exp(-2j * np.pi * np.outer(t, f))
    variances, energies = [], []
    for _ in range(early_fields):
        arrival = -np.log(1 - rng.random(60) * (1 - np.exp(-a * start))) / a
        gains = (rng.normal(size=60) + 1j * rng.normal(size=60)) * np.sqrt(early / 120)
        coherent = np.sqrt(direct) + gains @ np.exp(-2j * np.pi * np.outer(arrival, f))
        noise = (rng.normal(size=(realisations, t.size)) + 1j * rng.normal(size=(realisations, t.size))) / np.sqrt(2)
        total = np.mean(np.abs(coherent + (noise * np.sqrt(profile)) @ spectrum) ** 2, axis=1)
        variances.append(total.var(ddof=1))
        energies.append(np.mean(np.abs(coherent) ** 2))
    return float(np.mean(variances)), float(np.mean(energies))


@pytest.mark.parametrize(
    ("band", "decay", "start", "direct", "early", "late"),
    [(58, 0.4, 0.08, 0.3, 0.64, 0.06), (115, 0.4, 0.08, 0.2, 0.5, 0.3), (40, 0.6, 0.02, 0.5, 0.2, 0.3)],
)
def test_variance_against_a_drawn_field(
    band: float, decay: float, start: float, direct: float, early: float, late: float
) -> None:
    import xarray as xr

    rng = np.random.default_rng(5)
    found, coherent = drawn_levels(rng, band, decay, start, direct, early, late, 300, 24)
    expected = diffuse_variance(
        coherent_mean_square=xr.DataArray(coherent), late_mean_square=xr.DataArray(late),
        direct_share=xr.DataArray(direct / (direct + early)), bandwidth_hz=xr.DataArray(float(band)),
        decay_s=xr.DataArray(decay), late_from_s=start,
    )
    # the variance of 24 early fields scatters by about 8 % (their own spread / √24): three times that
    assert found == pytest.approx(float(expected), rel=0.25)


def test_one_frequency_is_exact() -> None:
    """var |c + n|² = E² + 2|c|²E for circular Gaussian n: a band far narrower than 1/T."""
    import xarray as xr

    rng = np.random.default_rng(1)
    noise = (rng.normal(size=400000) + 1j * rng.normal(size=400000)) / np.sqrt(2) * np.sqrt(0.4)
    drawn = np.var(np.abs(0.8 + noise) ** 2)
    one = {name: xr.DataArray(value) for name, value in {
        "coherent_mean_square": 0.64, "late_mean_square": 0.4, "direct_share": 1.0, "bandwidth_hz": 1e-4,
        "decay_s": 0.4}.items()}
    expected = float(diffuse_variance(**one))
    assert expected == pytest.approx(0.4**2 + 2 * 0.64 * 0.4, rel=1e-3)
    assert drawn == pytest.approx(expected, rel=0.01)      # 400,000 draws: 0.3 % standard error


@pytest.mark.parametrize("mid", [1000.0, 4000.0, 1000 * 10**0.9])
def test_what_a_coarse_grid_adds(mid: float) -> None:
    """Levels of third octaves over a fine and over the analysis grid, in fields of random arrivals drawn here."""
    rng = np.random.default_rng(3)
    grid = analysis_grid_hz()
    edges = mid * 10 ** np.array([-0.05, 0.05])
    coarse = grid[(grid > edges[0]) & (grid < edges[1])]
    fine = np.linspace(*edges, int(np.ptp(edges) * 0.08 * 6) + 50)
    a, span, count = DECAY / 0.4, 0.08, 200
    levels = np.empty((150, 2))
    for row in levels:
        arrival = -np.log(1 - rng.random(count) * (1 - np.exp(-a * span))) / a
        gains = rng.choice([-1, 1], count) / np.sqrt(count)      # the same energy every time
        for k, f in enumerate((fine, coarse)):
            row[k] = np.mean(np.abs(1 + gains @ np.exp(-2j * np.pi * np.outer(arrival, f))) ** 2)
    seen = (levels / levels.mean(axis=0)).std(axis=0)
    (true_cross, grid_cross), (true_own, grid_own) = interference_variance(grid, [mid], 3, [0.4])[..., 0]
    # direct and early are equally strong: (2·1·1·cross + 1·own) / 2²
    expected = np.sqrt([(2 * true_cross + true_own) / 4, (2 * grid_cross + grid_own) / 4])
    np.testing.assert_allclose(seen, expected, rtol=0.2)   # 150 draws: 6 % standard error; three times that
    assert grid_own >= true_own
