"""Impulse responses, minimum phase and Bode's relation against closed forms."""

from __future__ import annotations

import numpy as np
import pytest

from roomsim import spectra
from roomsim.errors import InvalidValue

RATE = 48000.0


def test_lengths_are_long_enough_even_and_smooth():
    for seconds in (0.01, 0.3333, 1.0, 2.7):
        n = spectra.fast_length(RATE, seconds)
        assert n >= seconds * RATE and n % 2 == 0 and n < 1.07 * seconds * RATE + 4
        for factor in (2, 3, 5):
            while n % factor == 0:
                n //= factor
        assert n == 1
    with pytest.raises(InvalidValue):
        spectra.fast_length(RATE, 0)


def test_energy_of_the_samples_is_the_mean_square_of_the_spectrum():
    x = np.random.default_rng(0).standard_normal(4096)
    spectrum = np.fft.rfft(x)
    assert spectra.impulse_response(spectrum) == pytest.approx(x)
    whole = np.abs(np.fft.fft(x)) ** 2
    assert (x**2).sum() == pytest.approx(whole.mean())
    assert spectra.linear_grid_hz(RATE, 4096)[[0, -1]] == pytest.approx([0, RATE / 2])


def test_minimum_phase_of_a_causal_filter_is_itself():
    # (1 - 0.9/z)(1 + 0.5/z): both zeros inside the unit circle. Its mirror (zeros outside) has the same magnitude.
    h = np.convolve([1, -0.9], [1, 0.5])
    for one in (h, h[::-1]):
        magnitude = np.abs(np.fft.rfft(one, 4096))
        found = spectra.impulse_response(spectra.minimum_phase(magnitude))
        assert found[:3] == pytest.approx(h, abs=1e-9)
        assert np.abs(found[3:]).max() < 1e-9
    with pytest.raises(InvalidValue):
        spectra.minimum_phase(np.array([1.0, 0.0, 1.0]))


def test_bode_phase_of_a_first_order_lag():
    # |1 / (1 + jf)|, phase -arctan f, on a fine log grid.
    u = np.linspace(np.log(1e-7), np.log(1e7), 2401)
    f = np.exp(u)
    phase = spectra.bode_phase(u, -0.5 * np.log1p(f**2))
    inside = (f > 0.01) & (f < 100)
    assert phase[inside] == pytest.approx(-np.arctan(f[inside]), abs=1e-4)


def test_the_raised_cosine_fades_and_sums_to_one():
    x = np.linspace(-1, 2, 31)
    assert spectra.raised_cosine(x) + spectra.raised_cosine(1 - x) == pytest.approx(1)
    assert spectra.raised_cosine([-1, 0, 1, 2]) == pytest.approx([1, 1, 0, 0])
