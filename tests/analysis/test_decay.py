"""Decay parameters against closed forms, the limits of the standards and an independent library."""

from __future__ import annotations

import numpy as np
import pytest

from roomsim.analysis.decay import PARAMETERS, Flag, decay_from_energy
from roomsim.analysis.energy_filters import band_filter, shortest_decay_s
from roomsim.analysis.impulse_response import (
    analyse_impulse_response,
    decay_precision,
    spatial_mean,
)
from roomsim.bands import OCTAVE, OCTAVES_HZ, midbands_hz
from roomsim.constants import DECAY_CONSTANT
from roomsim.errors import InvalidValue

RATE = 48000

# Closed forms of p² ∝ exp(-13.8155 t/T): C = 10 lg(exp(13.8155 te/T) - 1), D50 = 1 - exp(-0.69078/T),
# Ts = T/13.8155, EDT = T20 = T30 = T. Values recomputed from those formulas to the digits shown.
CLOSED_FORMS = {  # T: C50 dB, C80 dB, D50, Ts ms
    0.2: (14.860, 23.983, 0.9684, 14.48),
    0.3: (9.542, 15.890, 0.9000, 21.71),
    0.4: (6.650, 11.717, 0.8222, 28.95),
    0.5: (4.744, 9.096, 0.7488, 36.19),
    0.6: (3.349, 7.251, 0.6838, 43.43),
    0.8: (1.372, 4.744, 0.5783, 57.91),
    1.0: (-0.021, 3.053, 0.4988, 72.38),
    2.0: (-3.845, -1.321, 0.2921, 144.76),
}


def noise_decay(rng, decay_s, *, length_s=None, rate=RATE, noise_db=None, lead_s=0.0):
    """Exponentially decaying normal noise after `lead_s`, with stationary noise so far below its start."""
    n = int(rate * (length_s or 2 * decay_s))
    x = rng.standard_normal(n) * np.exp(-DECAY_CONSTANT / 2 * np.arange(n) / rate / decay_s)
    x = np.concatenate([np.zeros(int(lead_s * rate)), x])
    return x if noise_db is None else x + 10 ** (-noise_db / 20) * rng.standard_normal(x.size)


def check_closed_form(analysis, decay_s):
    c50, c80, d50, ts_ms = CLOSED_FORMS[decay_s]
    for name in ("edt_s", "t20_s", "t30_s"):
        assert analysis[name][0, 0] == pytest.approx(decay_s, abs=5e-7)   # exact but for summation
    half = 0.5 + 1e-6                                                     # half a unit of the last digit
    assert analysis["c50_db"][0, 0] == pytest.approx(c50, abs=half * 1e-3)
    assert analysis["c80_db"][0, 0] == pytest.approx(c80, abs=half * 1e-3)
    assert analysis["d50"][0, 0] == pytest.approx(d50, abs=half * 1e-4)
    assert 1e3 * analysis["ts_s"][0, 0] == pytest.approx(ts_ms, abs=half * 1e-2)
    assert analysis["curvature_percent"][0, 0] == pytest.approx(0, abs=1e-3)


@pytest.mark.parametrize("decay_s", CLOSED_FORMS)
@pytest.mark.parametrize("rate", [44100, 48000, 96000])
def test_closed_forms_of_an_impulse_response(decay_s, rate):
    n = int(2.5 * decay_s * rate)
    sign = np.random.default_rng(1).choice([-1.0, 1.0], n)
    x = sign * np.exp(-DECAY_CONSTANT / 2 * np.arange(n) / rate / decay_s)
    lead = np.zeros(500)                                   # the start is found, not given
    check_closed_form(analyse_impulse_response(np.concatenate([lead, x]), rate, bands="broadband"), decay_s)


@pytest.mark.parametrize("decay_s", CLOSED_FORMS)
@pytest.mark.parametrize("start_steps", [0, 7])
def test_closed_forms_of_an_energy_histogram(decay_s, start_steps):
    step = 0.00025           # energy is spread evenly inside a step, which moves Ts by step² / (12 T/13.8)
    edges = np.exp(-DECAY_CONSTANT * np.arange(int(2.5 * decay_s / step) + 1) * step / decay_s)
    energy = np.concatenate([np.zeros(start_steps), edges[:-1] - edges[1:]])
    check_closed_form(decay_from_energy(energy, step, start_s=start_steps * step), decay_s)


@pytest.mark.parametrize("reverse_time", [True, False])
def test_octave_bands_of_noise_decays_are_unbiased(reverse_time):
    # Spread by clause 7.1 of ISO 3382-2 (transcribed) for one position; the mean of 40 may miss by 3.5
    # standard errors (8 tests: chance of a false alarm under 1 %).
    rng = np.random.default_rng(11)
    decay_s = 0.5
    x = np.array([noise_decay(rng, decay_s, length_s=1.2, noise_db=58, lead_s=0.02) for _ in range(40)])
    analysis = analyse_impulse_response(x, RATE, low_hz=500, high_hz=4000, reverse_time=reverse_time)
    mean = spatial_mean(analysis, "precision")
    width = 0.7046 * analysis.band_hz
    for name in ("t20_s", "t30_s"):
        error = decay_precision(name, decay_s, width, positions=40)
        assert np.all(np.abs(mean.mean[name] / decay_s - 1) < 3.5 * error)
    # Energy ratios: D50 = 0.7488 has, per position, a spread of about sqrt(D (1 - D) / (B Ts ...)); we take
    # the sample's own standard error.
    for name, value in (("c50_db", 4.744), ("c80_db", 9.096), ("d50", 0.7488), ("ts_s", 0.03619)):
        error = mean.standard_deviation[name] / np.sqrt(40)
        assert np.all(np.abs(mean.mean[name] - value) < 3.5 * error + 1e-3 * abs(value))


def test_precision_formula_gives_the_standards_printed_example():
    # ISO 3382-2 clause 7.1: T30 = 2 s, 12 combinations, 1 kHz octave (B = 710 Hz): 0.452 % (transcribed).
    assert 100 * decay_precision("t30_s", 2.0, 710.0, positions=12) == pytest.approx(0.452, abs=5e-4)
    # 0.4 s, 6 combinations: 2.33 % and 1.43 % at 1 kHz, 6.58 % and 4.04 % at 125 Hz (recomputed).
    assert 100 * decay_precision("t20_s", 0.4, 710.0, positions=6) == pytest.approx(2.33, abs=5e-3)
    assert 100 * decay_precision("t30_s", 0.4, 88.75, positions=6) == pytest.approx(4.04, abs=5e-3)


def test_noise_is_found_and_taken_out():
    rng = np.random.default_rng(5)
    x = np.array([noise_decay(rng, 0.6, length_s=1.5, noise_db=snr) for snr in (47, 52, 60, 70)])
    analysis = analyse_impulse_response(x, RATE, bands="broadband")
    # The crossing of an exponential with the noise is where its level, from the start, equals the noise.
    assert analysis.usable_range_db[:, 0] == pytest.approx([47, 52, 60, 70], abs=1.0)
    # Broadband B·T = 14,400, so the spread of T30 is 0.5 %; 2 % is four of that.
    assert analysis["t30_s"][:, 0] == pytest.approx(0.6, rel=0.02)
    assert not np.any(analysis.flags["t30_s"])


def test_what_the_noise_hides_is_flagged():
    rng = np.random.default_rng(6)
    x = np.array([noise_decay(rng, 0.6, length_s=1.5, noise_db=snr) for snr in (22, 32, 42)])
    analysis = analyse_impulse_response(x, RATE, bands="broadband")
    valid = {name: np.isfinite(analysis[name][:, 0]).tolist() for name in ("edt_s", "t20_s", "t30_s", "c80_db")}
    assert valid == {
        "edt_s": [False, True, True], "t20_s": [False, False, True], "t30_s": [False] * 3,
        "c80_db": [True, True, True],      # 11.4 dB below the start at 80 ms, so 22 dB are just enough
    }
    assert analysis.reasons("t30_s", 0, 0) == ("usable decay range too small",)


@pytest.mark.parametrize("decay_s, noise_db", [(0.3, 55), (0.5, 50), (0.8, 60), (1.6, 55)])
def test_against_pyrato_broadband(decay_s, noise_db):
    pyrato, pyfar = pytest.importorskip("pyrato"), pytest.importorskip("pyfar")
    x = noise_decay(np.random.default_rng(21), decay_s, noise_db=noise_db)
    peer = pyrato.edc.energy_decay_curve_chu_lundeby(pyfar.Signal(x, RATE), time_shift=False)
    ours = analyse_impulse_response(x, RATE, bands="broadband")
    compare_with_pyrato(pyrato, peer, ours, 0)


@pytest.mark.parametrize("mid_hz", [500, 1000, 2000, 4000])
def test_against_pyrato_in_octaves(mid_hz):
    pyrato, pyfar = pytest.importorskip("pyrato"), pytest.importorskip("pyfar")
    decay_s = 0.8
    x = noise_decay(np.random.default_rng(22), decay_s, noise_db=60)
    ours = analyse_impulse_response(x, RATE, low_hz=mid_hz, high_hz=mid_hz, reverse_time=False)
    filtered = pyfar.dsp.filter.fractional_octave_bands(
        pyfar.Signal(x, RATE), 1, frequency_range=(mid_hz, 2 * mid_hz), order=3
    ).time[0, 0]
    peer = pyrato.edc.energy_decay_curve_chu_lundeby(
        pyfar.Signal(filtered, RATE), smoothing_parameter=mid_hz, time_shift=False
    )
    # The library counts from its first sample and does not know its filter's delay (0.716 / B for this type).
    compare_with_pyrato(pyrato, peer, ours, 0, early_ms=80 + 716 / (0.7046 * mid_hz))


def compare_with_pyrato(pyrato, peer, ours, band, early_ms=80):
    for name, label in (("t20_s", "T20"), ("t30_s", "T30")):
        value = pyrato.parameters.reverberation_time_linear_regression(peer, label)
        assert ours[name][0, band] == pytest.approx(float(np.squeeze(value)), rel=0.02)
    c80 = float(np.squeeze(pyrato.parameters.clarity(peer, early_ms)))
    assert ours["c80_db"][0, band] == pytest.approx(c80, abs=0.2)


# ----- band filters


def test_filters_meet_class_1():
    # Least attenuation of a class 1 octave filter at G^(±1, 2, 3, 4) from its midband, and the range of
    # its pass-band, IEC 61260-1:2014 table 1 (from memory, medium confidence). The uppermost octaves gain
    # from the bilinear transform, so the check is at 1 kHz.
    from scipy.signal import sosfreqz

    band = band_filter(1000.0, 1, float(RATE))
    steps = np.array([0, 1 / 4, 3 / 8, 1, 2, 3, 4])
    for sign in (1, -1):
        f = 1000 * OCTAVE ** (sign * steps)
        _, h = sosfreqz(band.sections.copy(), f[f < RATE / 2], fs=RATE)
        loss = -20 * np.log10(np.abs(h))
        assert np.all(np.abs(loss[:3]) < [0.4, 0.6, 1.3])
        assert np.all(loss[3:] > np.array([16.6, 40.5, 60.0, 70.0])[: loss.size - 3])


def test_shortest_decay_is_the_standards():
    # B·T > 16, with the exact bandwidth 0.7046 f (third octaves 0.2308 f) where the standard prints 0.71 f
    # and 0.23 f: values computed with the printed ones, hence 1 %.
    forward = {125: 0.180, 63: 0.359, 250: 0.0905}
    for nominal_hz, limit in forward.items():
        exact = float(midbands_hz(1, nominal_hz, nominal_hz)[0])
        band = band_filter(exact, 1, float(RATE))
        assert shortest_decay_s(band, reverse_time=False) == pytest.approx(limit, rel=0.01)
        assert shortest_decay_s(band, reverse_time=True) == pytest.approx(limit / 4, rel=0.01)
    for nominal_hz, limit in {50: 1.38, 63: 1.10, 80: 0.864, 100: 0.691, 125: 0.553}.items():
        exact = float(midbands_hz(3, nominal_hz, nominal_hz)[0])
        assert shortest_decay_s(band_filter(exact, 3, float(RATE)), reverse_time=False) == pytest.approx(
            limit, rel=0.015
        )


def test_short_decays_in_narrow_bands_are_flagged_not_overestimated():
    # Forward, a third octave at 63 Hz cannot show less than 1.1 s. Read without the rule it gives about
    # 0.6 to 1.3 s for a true 0.5 s, and the few readings over the limit would be the wrong ones.
    rng = np.random.default_rng(8)
    x = np.array([noise_decay(rng, 0.5, length_s=1.5, noise_db=60) for _ in range(12)])
    forward = analyse_impulse_response(x, RATE, bands="third-octave", low_hz=63, high_hz=63, reverse_time=False)
    assert np.all(np.isnan(forward["t20_s"])) and np.all(np.isnan(forward["edt_s"]))
    assert np.all(forward.flags["t20_s"] & Flag.BANDWIDTH)
    backward = analyse_impulse_response(x, RATE, bands="third-octave", low_hz=63, high_hz=63)
    mean = spatial_mean(backward, "precision").mean["t30_s"][0]
    # B·T = 7: clause 7.1 gives 22 % per position, 6.4 % for 12; three of those.
    assert mean == pytest.approx(0.5, rel=0.2)


def test_energy_ratios_need_a_filter_shorter_than_the_early_time():
    x = noise_decay(np.random.default_rng(8), 0.6, length_s=1.5, noise_db=60)
    analysis = analyse_impulse_response(x, RATE, bands="third-octave", low_hz=50, high_hz=160)
    # B = 0.23 f; centre of gravity 0.716 / B over half of 80 (50) ms below 77 (124) Hz.
    assert np.isfinite(analysis["c80_db"][0]).tolist() == [False, False, True, True, True, True]
    assert np.isfinite(analysis["c50_db"][0]).tolist() == [False, False, False, False, True, True]
    assert np.isfinite(analysis["d50"][0]).tolist() == [False, False, False, False, True, True]


def test_a_band_above_half_the_rate_is_flagged():
    x = noise_decay(np.random.default_rng(9), 0.4, rate=16000)
    analysis = analyse_impulse_response(x, 16000, low_hz=4000, high_hz=8000)
    assert np.isfinite(analysis["t20_s"][0, 0]) and np.isnan(analysis["t20_s"][0, 1])
    assert analysis.flags["c80_db"][0, 1] & Flag.BAND


# ----- curvature, positions


def test_two_slopes_are_called_curved():
    t = np.arange(0, 3, 0.001)
    energy = np.exp(-DECAY_CONSTANT * t / 0.4) + 0.01 * np.exp(-DECAY_CONSTANT * t / 2.0)
    analysis = decay_from_energy(energy, 0.001)
    assert analysis["curvature_percent"][0, 0] > 10
    assert analysis.flags["t30_s"][0, 0] & Flag.CURVED
    assert analysis["edt_s"][0, 0] < analysis["t20_s"][0, 0] < analysis["t30_s"][0, 0]


def test_spatial_mean_and_positions():
    t = np.arange(0, 2, 0.001)
    energy = np.array([np.exp(-DECAY_CONSTANT * t / decay) for decay in (0.4, 0.5, 0.6)])
    mean = spatial_mean(decay_from_energy(energy, 0.001), "engineering")
    assert mean.mean["t20_s"][0] == pytest.approx(0.5, abs=1e-6)
    assert mean.standard_deviation["t20_s"][0] == pytest.approx(0.1, abs=1e-6)
    assert mean.count["t20_s"][0] == 3 and mean.flags["t20_s"][0] == Flag.FEW_POSITIONS
    assert spatial_mean(decay_from_energy(energy, 0.001), "survey").flags["t20_s"][0] == 0


def test_a_position_without_a_value_does_not_count():
    rng = np.random.default_rng(10)
    x = np.array([noise_decay(rng, 0.5, length_s=1.2, noise_db=snr) for snr in (60, 30)])
    mean = spatial_mean(analyse_impulse_response(x, RATE, bands="broadband"), "survey")
    assert mean.count["t30_s"][0] == 1 and mean.flags["t30_s"][0] == Flag.FEW_POSITIONS
    assert np.isnan(mean.standard_deviation["t30_s"][0])


# ----- bad input


@pytest.mark.parametrize(
    "samples, rate, words",
    [
        (np.zeros(RATE), RATE, "silent"),
        (np.full(RATE, 0.3), RATE, "constant"),
        (np.ones(100), RATE, "too short"),
        (np.array([np.nan] * RATE), RATE, "finite"),
        (np.zeros((RATE, 2)), RATE, "last axis must be time"),
        (np.ones(RATE) * 1j, RATE, "real samples"),
        (np.ones(RATE), 48, "kilohertz"),
        (np.ones(RATE), float("nan"), "sample rate"),
        (np.zeros((2, 2, RATE)), RATE, "shape"),
    ],
)
def test_what_is_no_impulse_response_is_an_error(samples, rate, words):
    with pytest.raises(InvalidValue, match=words):
        analyse_impulse_response(samples, rate)


def test_noise_alone_has_no_decay():
    rng = np.random.default_rng(12)
    for bands in ("broadband", "octave"):
        analysis = analyse_impulse_response(rng.standard_normal(2 * RATE), RATE, bands=bands)
        for name in PARAMETERS:
            assert np.all(np.isnan(analysis[name]))
            assert np.all(analysis.flags[name] & (Flag.NO_DECAY | Flag.RANGE))


@pytest.mark.parametrize("kept_db", [15, 28, 40, 55])
def test_a_decay_cut_off_is_flagged_and_still_right_where_given(kept_db):
    decay_s = 1.0
    x = noise_decay(np.random.default_rng(13), decay_s, length_s=kept_db / 60)
    analysis = analyse_impulse_response(x, RATE, bands="broadband")
    for name in PARAMETERS:
        value, flags = analysis[name][0, 0], analysis.flags[name][0, 0]
        assert flags & Flag.CUT_OFF if np.isfinite(value) else flags
    given = np.array([analysis[name][0, 0] for name in ("t20_s", "t30_s")])
    assert np.isfinite(given).tolist() == [kept_db > 30, kept_db > 40]
    # B·T = 24,000: spread 0.6 % for T20; the part put back adds its own error, so 3 %.
    assert given[np.isfinite(given)] == pytest.approx(decay_s, rel=0.03)


def test_clipping_is_flagged():
    x = noise_decay(np.random.default_rng(14), 0.5, noise_db=70)
    analysis = analyse_impulse_response(np.clip(x, -1.0, 1.0), RATE)
    assert np.all(analysis.flags["c80_db"] & Flag.CLIPPED) and np.all(analysis.flags["t20_s"] & Flag.CLIPPED)
    assert not np.any(analyse_impulse_response(x, RATE).flags["c80_db"] & Flag.CLIPPED)


@pytest.mark.parametrize("dtype", [np.int16, np.int32, np.uint8, np.float32])
def test_integer_and_float_formats_read_alike(dtype):
    x = noise_decay(np.random.default_rng(15), 0.5, noise_db=40 if dtype is np.uint8 else 60)
    x = x / np.abs(x).max() * 0.999
    if dtype is np.uint8:
        stored = np.round(128 + 127 * x).astype(np.uint8)
    elif dtype is np.float32:
        stored = x.astype(np.float32)
    else:
        stored = np.round(x * np.iinfo(dtype).max).astype(dtype)
    same = analyse_impulse_response(x, RATE, bands="broadband")
    read = analyse_impulse_response(stored, RATE, bands="broadband")
    # Eight bits leave a quantisation noise 50 dB below full scale, 16 bits 98 dB.
    assert read["t20_s"] == pytest.approx(same["t20_s"], rel=0.02 if dtype is np.uint8 else 1e-3)
    assert read["c80_db"] == pytest.approx(same["c80_db"], abs=0.05 if dtype is np.uint8 else 1e-3)


def test_trailing_digital_silence_and_a_late_start_change_nothing():
    x = noise_decay(np.random.default_rng(16), 0.4, noise_db=65)
    plain = analyse_impulse_response(x, RATE)
    padded = analyse_impulse_response(np.concatenate([np.zeros(RATE // 4), x, np.zeros(RATE)]), RATE)
    for name in PARAMETERS:
        assert padded[name] == pytest.approx(plain[name], rel=1e-3, abs=1e-3, nan_ok=True)


def test_responses_of_different_length_are_read_in_one_call():
    rng = np.random.default_rng(17)
    analysis = analyse_impulse_response([noise_decay(rng, 0.3), noise_decay(rng, 0.6)], RATE, bands="broadband")
    assert analysis["t20_s"][:, 0] == pytest.approx([0.3, 0.6], rel=0.02)


def test_bad_energy_is_an_error():
    for energy, step in ((np.array([1.0, -1.0]), 0.001), (np.empty(0), 0.001), (np.ones(5), 0.0)):
        with pytest.raises(InvalidValue):
            decay_from_energy(energy, step)
    with pytest.raises(InvalidValue):
        decay_from_energy(np.ones((3, 10)), 0.001, band_hz=OCTAVES_HZ)


def test_energy_that_never_decays_has_no_values():
    analysis = decay_from_energy(np.ones(500), 0.001)
    assert all(np.isnan(analysis[name][0, 0]) for name in ("t20_s", "t30_s", "edt_s"))
    assert np.all(np.isnan(decay_from_energy(np.zeros(500), 0.001)["t20_s"]))
