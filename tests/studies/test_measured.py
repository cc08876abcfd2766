"""From WAV files to decay parameters: usual files are read, usual mistakes named, nothing silently wrong."""

from __future__ import annotations

import json

import numpy as np
import pytest

from roomsim.analysis.decay import PARAMETERS
from roomsim.constants import DECAY_CONSTANT
from roomsim.errors import DefinitionError, InvalidValue
from roomsim.files.wav import write_wav
from roomsim.studies.measured import analyse_wavs

RATE = 48000


def decay(seed=0, decay_s=0.5, noise_db=65, rate=RATE, length_s=1.0):
    rng = np.random.default_rng(seed)
    n = int(length_s * rate)
    x = rng.standard_normal(n) * np.exp(-DECAY_CONSTANT / 2 * np.arange(n) / rate / decay_s)
    x = x + 10 ** (-noise_db / 20) * rng.standard_normal(n)
    return 0.5 * x / np.abs(x).max()


def store(path, samples, rate=RATE, dtype=None):
    from scipy.io import wavfile

    if dtype is None:
        write_wav(path, rate, samples)
    elif dtype == np.uint8:
        wavfile.write(path, rate, np.round(128 + 127 * samples).astype(np.uint8).T)
    else:
        wavfile.write(path, rate, np.round(samples * np.iinfo(dtype).max).astype(dtype).T)
    return path


def problems(*args, **kwargs):
    with pytest.raises(DefinitionError) as caught:
        analyse_wavs(*args, **kwargs)
    return str(caught.value)


def test_positions_are_averaged_and_the_rows_are_plain(tmp_path):
    paths = [store(tmp_path / f"seat {k}.wav", decay(k)) for k in range(6)]
    read = analyse_wavs(paths, low_hz=500, high_hz=2000)
    assert read.labels == tuple(f"seat {k}.wav" for k in range(6)) and read.rate_hz == RATE
    # Clause 7.1 of ISO 3382-2 gives 1.6 to 0.8 % for six positions, 500 Hz to 2 kHz.
    assert read.mean.mean["t30_s"] == pytest.approx(0.5, rel=0.05)
    rows = read.rows()
    json.dumps(rows)
    assert len(rows) == 7 * 3 * len(PARAMETERS)
    last = [row for row in rows if row["response"] == "mean" and row["parameter"] == "t30_s"]
    assert [row["band"] for row in last] == ["500", "1k", "2k"]
    assert all(row["positions"] == 6 and row["flags"] == [] and row["standard_deviation"] > 0 for row in last)
    few = analyse_wavs(paths[:2], low_hz=500, high_hz=2000).rows()
    assert all(row["flags"] == ["too few positions"] for row in few if row["response"] == "mean")


@pytest.mark.parametrize("dtype", [np.uint8, np.int16, np.int32, None])
def test_sample_formats_give_the_same_decay(tmp_path, dtype):
    x = 1.9 * decay(noise_db=39)             # loud, and with noise that dithers eight bits
    read = analyse_wavs([store(tmp_path / "x.wav", x, dtype=dtype)], bands="broadband")
    # B·T of the whole band: 0.8 % for T20 (measured over 40 seeds), four of those.
    assert read.analysis["t20_s"][0, 0] == pytest.approx(0.5, rel=0.03)


def test_a_stereo_file_needs_a_word(tmp_path):
    both = np.array([decay(1), decay(2, decay_s=0.9, length_s=1.0)])
    path = store(tmp_path / "stereo.wav", both)
    said = problems([path])
    assert "stereo.wav" in said and "channels = 2" in said and "1 to 2, or all" in said
    assert analyse_wavs([path], channel=2, bands="broadband").analysis["t20_s"][0, 0] == pytest.approx(0.9, rel=0.03)
    every = analyse_wavs([path], channel="all", bands="broadband")
    assert every.labels == ("stereo.wav, channel 1", "stereo.wav, channel 2")
    assert every.analysis["t20_s"][:, 0] == pytest.approx([0.5, 0.9], rel=0.03)
    assert "must be 1 to 2 or all" in problems([path], channel=3)


def test_all_problems_come_at_once(tmp_path):
    store(tmp_path / "silent.wav", np.zeros(RATE))
    store(tmp_path / "constant.wav", np.full(RATE, 0.25))
    store(tmp_path / "short.wav", decay()[:400])
    store(tmp_path / "fine.wav", decay())
    (tmp_path / "text.wav").write_text("not a sound")
    said = problems([tmp_path / f"{name}.wav" for name in ("silent", "constant", "short", "fine", "text", "missing")])
    for words in ("silent.wav: is silent", "constant.wav: is a constant", "too short", "no WAV file", "does not exist"):
        assert words in said
    assert "fine.wav" not in said


def test_wrong_rates_are_named(tmp_path):
    # A header that says 48 Hz, one that differs from its neighbour, one that is not what was asked for.
    slow = store(tmp_path / "slow.wav", decay(), rate=48)
    assert "sample rate = 48" in problems([slow]) and "kilohertz" in problems([slow])
    a, b = store(tmp_path / "a.wav", decay()), store(tmp_path / "b.wav", decay(rate=44100), rate=44100)
    said = problems([a, b])
    assert "48000 Hz" in said and "44100 Hz" in said
    assert "is the header right?" in problems([a], rate_hz=96000)
    assert "at least one" in problems([])


def test_what_only_the_decay_shows_is_a_flag(tmp_path):
    rng = np.random.default_rng(3)
    cases = {
        "noise": (0.3 * rng.standard_normal(RATE), "no decay above the noise"),
        "cut": (decay(noise_db=90, length_s=0.35), "recording ends before the noise"),
        "clipped": (np.clip(4 * decay(noise_db=70), -0.5, 0.5), "recording clips"),
        "weak": (decay(noise_db=30), "usable decay range too small"),
    }
    for name, (samples, words) in cases.items():
        read = analyse_wavs([store(tmp_path / f"{name}.wav", samples)], bands="broadband")
        rows = [row for row in read.rows() if row["response"] != "mean"]
        said = {flag for row in rows for flag in row["flags"]}
        assert any(flag.startswith(words) for flag in said), (name, said)
        if name in ("noise", "weak"):
            assert next(row for row in rows if row["parameter"] == "t20_s")["value"] is None


def test_unknown_words_are_errors(tmp_path):
    path = store(tmp_path / "x.wav", decay())
    for change in ({"bands": "twelfth"}, {"method": "hasty"}):
        with pytest.raises(InvalidValue):
            analyse_wavs([path], **change)
