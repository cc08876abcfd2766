"""Filters against scipy.signal (a general library) and against closed properties of their prototypes."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import signal

from roomsim.bands import db
from roomsim.errors import InvalidValue
from roomsim.loudspeaker.filters import Filter, Fir, Section

F = np.geomspace(10, 24000, 300)


def level(response):
    return db(np.abs(response) ** 2)


def test_the_empty_filter_does_nothing():
    assert Filter().response(F) == pytest.approx(np.ones(F.size))
    assert Filter() == Filter()


def test_gain_delay_and_polarity():
    out = Filter(gain_db=-6, delay_ms=0.5, invert=True).response(F)
    assert level(out) == pytest.approx(np.full(F.size, -6.0))
    # 0.5 ms is half a turn at 1 kHz; inverted, that is the original sign.
    assert Filter(delay_ms=0.5, invert=True).response([1000.0])[0] == pytest.approx(1)
    assert Filter(delay_ms=0.25).response([1000.0])[0] == pytest.approx(-1j)      # late: e^{-jωt}


@pytest.mark.parametrize("order", range(1, 9))
@pytest.mark.parametrize("side", ["lowpass", "highpass"])
def test_butterworth_against_scipy(order, side):
    b, a = signal.butter(order, 2 * np.pi * 800, btype=side, analog=True)
    expected = signal.freqs(b, a, 2 * np.pi * F)[1]
    ours = Filter(**{f"{side}_hz": 800, f"{side}_order": order, f"{side}_shape": "butterworth"}).response(F)
    # Coefficients of an eighth-order polynomial in rad/s span 30 decades: scipy's own rounding.
    assert ours == pytest.approx(expected, rel=1e-6, abs=1e-12)


@pytest.mark.parametrize("order", [2, 4, 6, 8])
@pytest.mark.parametrize("side", ["lowpass", "highpass"])
def test_linkwitz_riley_against_scipy(order, side):
    b, a = signal.butter(order // 2, 2 * np.pi * 2500, btype=side, analog=True)
    expected = signal.freqs(b, a, 2 * np.pi * F)[1] ** 2
    ours = Filter(**{f"{side}_hz": 2500, f"{side}_order": order}).response(F)
    assert ours == pytest.approx(expected, rel=1e-6, abs=1e-12)


@given(st.sampled_from([2, 4, 6, 8]), st.floats(50, 10000))
def test_linkwitz_riley_crossover_adds_to_an_all_pass(order, corner):
    """[linkwitz1976]: in phase everywhere, -6 dB each at the crossover; orders 2 and 6 with one side inverted."""
    low = Filter(lowpass_hz=corner, lowpass_order=order)
    high = Filter(highpass_hz=corner, highpass_order=order, invert=order in (2, 6))
    assert np.abs(low.response(F) + high.response(F)) == pytest.approx(np.ones(F.size), rel=1e-9)
    assert level(low.response([corner]))[0] == pytest.approx(-6.0206, abs=1e-4)


@given(st.integers(1, 8), st.floats(50, 10000))
def test_butterworth_crossover_adds_in_power(order, corner):
    keys = {"order": order, "shape": "butterworth"}
    low = Filter(lowpass_hz=corner, **{f"lowpass_{k}": v for k, v in keys.items()}).response(F)
    high = Filter(highpass_hz=corner, **{f"highpass_{k}": v for k, v in keys.items()}).response(F)
    assert np.abs(low) ** 2 + np.abs(high) ** 2 == pytest.approx(np.ones(F.size), rel=1e-9)


@given(st.floats(30, 15000), st.floats(-20, 20).filter(lambda g: abs(g) > 0.1), st.floats(0.3, 10))
def test_peak_section(centre, gain, q):
    section = Section(kind="peak", frequency_hz=centre, gain_db=gain, q=q)
    assert level(section.response([centre]))[0] == pytest.approx(gain, abs=1e-9)
    # Half of the gain in dB at the two edges of a bandwidth of centre/q, symmetric on a log axis.
    half = math.asinh(1 / (2 * q))
    edges = centre * np.exp([-half, half])
    assert edges[1] - edges[0] == pytest.approx(centre / q)
    assert level(section.response(edges)) == pytest.approx([gain / 2, gain / 2], abs=1e-9)
    assert abs(level(section.response([centre / 1e4, centre * 1e4]))).max() < 1e-3
    # Cut undoes boost.
    undo = Section(kind="peak", frequency_hz=centre, gain_db=-gain, q=q)
    assert section.response(F) * undo.response(F) == pytest.approx(np.ones(F.size), rel=1e-9)


@given(st.floats(30, 15000), st.floats(-20, 20), st.sampled_from(["low-shelf", "high-shelf"]))
def test_shelves(corner, gain, kind):
    section = Section(kind=kind, frequency_hz=corner, gain_db=gain)
    far = level(section.response([corner / 1e4, corner, corner * 1e4]))
    expected = [gain, gain / 2, 0] if kind == "low-shelf" else [0, gain / 2, gain]
    assert far == pytest.approx(expected, abs=1e-3)
    slope = np.diff(level(section.response(F)))
    rising = gain if kind == "high-shelf" else -gain
    assert (slope * np.sign(rising) > -1e-9).all(), "no overshoot at q = 0.71"


def test_sections_agree_with_their_digital_form_far_below_the_sample_rate():
    """The bilinear transform of the prototype by scipy, at 1 MHz: warping is then below 0.1 % at 10 kHz."""
    for kind, section in (("peak", Section(kind="peak", frequency_hz=900, gain_db=5, q=2)),
                          ("low-shelf", Section(kind="low-shelf", frequency_hz=900, gain_db=5))):
        a, w0 = 10 ** (5 / 40), 2 * np.pi * 900
        if kind == "peak":
            top, bottom = [1, a / 2 * w0, w0**2], [1, w0 / (a * 2), w0**2]
        else:
            m = math.sqrt(a) / section.q
            top, bottom = [a, a * m * w0, a * a * w0**2], [a, m * w0, w0**2]
        z = signal.freqz(*signal.bilinear(top, bottom, 1e6), worN=F, fs=1e6)[1]
        assert section.response(F) == pytest.approx(z, rel=2e-3)


def test_fir_against_scipy():
    taps = np.random.default_rng(3).normal(size=64)
    fir = Fir(taps=taps, sample_rate_hz=48000)
    f = F[F <= 24000]
    assert fir.response(f) == pytest.approx(signal.freqz(taps, worN=f, fs=48000)[1], rel=1e-9)
    assert fir.response([24001.0])[0] == 0, "a converter passes nothing above half its rate"
    assert Filter(fir=fir, gain_db=6).response(f) == pytest.approx(10**0.3 * fir.response(f))
    with pytest.raises(ValueError, match="read-only"):
        fir.taps[0] = 1


def test_latency_is_taken_out_for_coarse_grids():
    """A linear-phase FIR of 257 taps behind a delay of 3 ms is left with hardly any phase."""
    taps = signal.firwin(257, 5000, fs=48000)
    both = Filter(fir=Fir(taps=taps, sample_rate_hz=48000), delay_ms=3)
    assert both.latency_s == pytest.approx(0.003 + 128 / 48000)
    f = F[F < 4000]
    smooth = both.without_latency(f)
    assert np.angle(smooth) == pytest.approx(np.zeros(f.size), abs=1e-6)
    assert both.response(f) == pytest.approx(smooth * np.exp(-2j * np.pi * f * both.latency_s), rel=1e-9)
    delayed = Filter(delay_ms=3, lowpass_hz=900)
    assert delayed.without_latency(f) == pytest.approx(Filter(lowpass_hz=900).response(f))


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: Filter(lowpass_hz=1000, lowpass_order=3), "lowpass_order = 3: must be even.*Butterworth"),
        (lambda: Filter(lowpass_hz=1000, lowpass_order=9), "from 1 to 8"),
        (lambda: Filter(highpass_hz=0.5), "highpass_hz = 0.5.*kilohertz"),
        (lambda: Filter(highpass_shape="bessel"), "must be one of linkwitz-riley, butterworth"),
        (lambda: Filter(delay_ms=-1), "delay_ms = -1"),
        (lambda: Filter(gain_db=float("nan")), "gain_db = nan"),
        (lambda: Section(kind="notch", frequency_hz=100, gain_db=3), "must be one of peak"),
        (lambda: Section(kind="peak", frequency_hz=100, gain_db=3, q=0), "q = 0"),
        (lambda: Fir(taps=np.array([]), sample_rate_hz=48000), "finite taps"),
        (lambda: Fir(taps=np.array([1, np.nan]), sample_rate_hz=48000), "finite taps"),
        (lambda: Fir(taps=np.ones(4), sample_rate_hz=48), "1000 to 1e6"),
    ],
)
def test_impossible_filters_are_refused(make, message):
    with pytest.raises(InvalidValue, match=message):
        make()
