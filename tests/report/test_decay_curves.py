"""The plots of a decay analysis draw what was read, and say what was not."""

from __future__ import annotations

import numpy as np
import pytest

from roomsim.analysis.impulse_response import analyse_impulse_response, spatial_mean
from roomsim.constants import DECAY_CONSTANT
from roomsim.report.decay_curves import decay_curves_figure, energy_time_figure, parameters_figure
from roomsim.report.style import save

RATE = 24000


def responses(count=3, decay_s=0.5, noise_db=50):
    rng = np.random.default_rng(1)
    n = RATE
    envelope = np.exp(-DECAY_CONSTANT / 2 * np.arange(n) / RATE / decay_s)
    return rng.standard_normal((count, n)) * envelope + 10 ** (-noise_db / 20) * rng.standard_normal((count, n))


def words(figure):
    panels = [t.get_text() for axes in figure.axes for t in axes.texts]
    return " ".join([*panels, *(t.get_text() for t in figure.texts)])


@pytest.mark.parametrize("bands", ["octave", "third-octave", "broadband"])
def test_every_band_gets_a_panel_with_its_lines(bands, tmp_path):
    analysis = analyse_impulse_response(responses(), RATE, bands=bands, low_hz=125, high_hz=4000)
    figure = decay_curves_figure(analysis, "seat 2", response=1)
    assert len(figure.axes) == analysis.band_hz.size
    for band, axes in enumerate(figure.axes):
        lines = [line for line in axes.lines if len(line.get_xdata()) == 2]
        given = np.isfinite([analysis[name][1, band] for name in ("t20_s", "t30_s")]).sum()
        assert len(lines) == 2 * given                       # thin over all, bold over the range read
        for line in lines:
            (t0, t1), (y0, y1) = line.get_xdata(), line.get_ydata()
            read = -60 * (t1 - t0) / (y1 - y0)
            assert any(read == pytest.approx(analysis[name][1, band]) for name in ("t20_s", "t30_s"))
    assert "Decay, seat 2" in words(figure)
    save(figure, tmp_path / "curves.png")
    assert (tmp_path / "curves.png").stat().st_size > 5000


def test_missing_values_are_said_not_drawn():
    analysis = analyse_impulse_response(responses(1, noise_db=20), RATE, low_hz=1000, high_hz=1000)
    figure = decay_curves_figure(analysis)
    assert "T20 –" in words(figure) and "usable decay range" in words(figure)
    noise = np.random.default_rng(2).standard_normal(RATE)
    figure = decay_curves_figure(analyse_impulse_response(noise, RATE, low_hz=1000, high_hz=1000))
    assert "no decay" in words(figure) or "usable decay range" in words(figure)


def test_parameters_show_mean_spread_and_gaps():
    analysis = analyse_impulse_response(responses(3, noise_db=42), RATE, low_hz=250, high_hz=4000)
    mean = spatial_mean(analysis)
    figure = parameters_figure(analysis, mean, "Three seats")
    assert len(figure.axes) == 4
    drawn = [line for line in figure.axes[1].lines if len(line.get_xdata()) == analysis.band_hz.size]
    assert any(np.allclose(line.get_ydata(), mean.mean["c80_db"]) for line in drawn)
    assert "T30: usable decay range too small" in words(figure) and "3 positions" in words(figure)
    lone = parameters_figure(analyse_impulse_response(responses(1), RATE), spatial_mean(
        analyse_impulse_response(responses(1), RATE)))
    assert "1 position" in words(lone)


def test_energy_over_time_starts_at_the_direct_sound():
    x = np.concatenate([np.zeros((2, 2400)), responses(2)], axis=1)
    figure = energy_time_figure(x, RATE, ["first", "second"])
    early, whole = figure.axes
    t, y = early.lines[0].get_data()
    assert y[t < -0.5].max() < -50 and y[(t >= 0) & (t < 5)].max() > -15
    assert len(whole.lines) == 2 and "first" in words(figure)
