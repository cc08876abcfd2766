"""Speech transmission index against closed forms."""

from __future__ import annotations

import numpy as np
import pytest

from roomsim.analysis.speech import (
    ALPHA,
    BETA,
    MODULATIONS_HZ,
    exponential_transfer,
    modulation_index,
    modulation_transfer,
    speech_index,
    with_noise,
)


def test_weights_and_frequencies_are_consistent():
    # an index of 1 in all octaves must give 1: Σα − Σβ = 1 [iec60268-16]; third-octave modulation frequencies
    assert sum(ALPHA) - sum(BETA) == pytest.approx(1.0, abs=1e-12)
    assert len(MODULATIONS_HZ) == 14
    np.testing.assert_allclose(np.diff(np.log10(MODULATIONS_HZ)), 0.1, atol=0.015)      # nominal values


@pytest.mark.parametrize("decay_s", [0.2, 0.5, 1.2])
def test_an_exponential_decay_has_its_closed_form(decay_s):
    step = 0.001
    time = (np.arange(int(3 * decay_s / step)) + 0.5) * step
    energy = np.exp(-6 * np.log(10) * time / decay_s)                 # 60 dB in decay_s
    # steps of 1 ms blur 12.5 Hz by (π F Δt)²/6 = 3e-4, decay cut at -180 dB
    np.testing.assert_allclose(modulation_transfer(energy, step), exponential_transfer(decay_s), atol=4e-4)


def test_two_equal_arrivals_comb():
    energy = np.zeros(200)
    energy[[0, 100]] = 1.0                                           # 0.1 s apart: m = |cos(π F 0.1)|
    np.testing.assert_allclose(
        modulation_transfer(energy, 0.001), np.abs(np.cos(np.pi * np.array(MODULATIONS_HZ) * 0.1)), atol=1e-12)


@pytest.mark.parametrize(("ratio_db", "sti"), [(-20, 0.0), (-15, 0.0), (0, 0.5), (3, 0.6), (15, 1.0), (30, 1.0)])
def test_stationary_noise_alone(ratio_db, sti):
    # m = 1/(1 + 10^(-SNR/10)) gives back the ratio itself: STI = (SNR + 15)/30, clipped
    index = modulation_index(with_noise(np.ones((7, 14)), np.full(7, ratio_db)))
    assert float(speech_index(index)) == pytest.approx(sti, abs=1e-6)


def test_longer_decay_is_less_clear():
    found = [float(speech_index(np.full(7, modulation_index(exponential_transfer(t))))) for t in (0.3, 0.6, 1.2, 2.4)]
    assert all(np.diff(found) < -0.05) and 0.6 < found[0] < 1
