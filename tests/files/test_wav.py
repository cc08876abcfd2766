"""WAV files in every usual sample format, and files that are none."""

from __future__ import annotations

import struct
import wave
from pathlib import Path

import numpy as np
import pytest
from scipy.io import wavfile

from roomsim.errors import DefinitionError, RoomsimError
from roomsim.files.wav import is_clipped, read_wav, write_wav

TONE = 0.5 * np.sin(2 * np.pi * 440 * np.arange(480) / 48000)


@pytest.mark.parametrize(
    ("kind", "step"),
    [(np.uint8, 2**-7), (np.int16, 2**-15), (np.int32, 2**-31), (np.float32, 1e-7), (np.float64, 1e-15)],
)
def test_sample_formats(tmp_path: Path, kind: type, step: float) -> None:
    """Full scale is 1 in each; a sample is off by no more than one step of its format."""
    if np.issubdtype(kind, np.floating):
        raw = TONE.astype(kind)
    else:
        half = 2 ** (8 * np.dtype(kind).itemsize - 1)
        raw = (np.round(TONE * half) + (half if kind is np.uint8 else 0)).astype(kind)
    wavfile.write(str(tmp_path / "tone.wav"), 48000, raw)
    data = read_wav(tmp_path / "tone.wav")
    assert data.rate_hz == 48000 and data.samples.shape == (1, 480)
    np.testing.assert_allclose(data.samples[0], TONE, atol=step)


def test_24_bit_and_two_channels(tmp_path: Path) -> None:
    """Written with the standard library, since 24 bit is what interfaces record."""
    left, right = np.round(TONE * 2**23).astype(int), np.round(-0.25 * TONE * 2**23).astype(int)
    frames = b"".join(struct.pack("<i", a)[:3] + struct.pack("<i", b)[:3] for a, b in zip(left, right, strict=True))
    with wave.open(str(tmp_path / "two.wav"), "wb") as out:
        out.setnchannels(2)
        out.setsampwidth(3)
        out.setframerate(44100)
        out.writeframes(frames)
    data = read_wav(tmp_path / "two.wav")
    assert data.rate_hz == 44100
    np.testing.assert_allclose(data.samples, [TONE, -0.25 * TONE], atol=2**-23)


def test_round_trip(tmp_path: Path) -> None:
    write_wav(tmp_path / "out.wav", 48000, np.stack([TONE, 2 * TONE]))
    back = read_wav(tmp_path / "out.wav")
    np.testing.assert_allclose(back.samples, [TONE, 2 * TONE], atol=1e-7)      # 32-bit float goes above full scale
    with pytest.raises(RoomsimError, match="cannot be written"):
        write_wav(tmp_path / "no" / "out.wav", 48000, TONE)
    assert [entry.name for entry in tmp_path.iterdir()] == ["out.wav"]


@pytest.mark.parametrize(
    ("content", "message"),
    [(None, "does not exist"), (b"", "is empty"), (b"RIFF", "is no WAV file"), (b"\x00" * 500, "is no WAV file"),
     (b"20 80\n", "is no WAV file")],
)
def test_files_that_are_none(tmp_path: Path, content: bytes | None, message: str) -> None:
    path = tmp_path / "none.wav"
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(DefinitionError, match=message):
        read_wav(path)


@pytest.mark.parametrize("part", [0.02, 0.1, 0.5, 0.99])
def test_a_truncated_file_says_so(tmp_path: Path, part: float) -> None:
    write_wav(tmp_path / "whole.wav", 48000, TONE)
    whole = (tmp_path / "whole.wav").read_bytes()
    (tmp_path / "cut.wav").write_bytes(whole[: int(part * len(whole))])
    with pytest.raises(DefinitionError, match=r"cut.wav: (is cut short|is damaged)"):
        read_wav(tmp_path / "cut.wav")


def test_samples_must_be_finite(tmp_path: Path) -> None:
    wavfile.write(str(tmp_path / "nan.wav"), 48000, np.full(10, np.nan, np.float32))
    with pytest.raises(DefinitionError, match="NaN or infinite samples"):
        read_wav(tmp_path / "nan.wav")


def test_flipped_bytes_never_end_in_a_traceback(tmp_path: Path) -> None:
    write_wav(tmp_path / "whole.wav", 48000, TONE)
    whole = bytearray((tmp_path / "whole.wav").read_bytes())
    rng = np.random.default_rng(3)
    for _ in range(200):
        copy = bytearray(whole)
        for place in rng.integers(0, 60, 3):              # the header, where it hurts
            copy[place] = int(rng.integers(0, 256))
        (tmp_path / "copy.wav").write_bytes(bytes(copy))
        try:
            read_wav(tmp_path / "copy.wav")
        except RoomsimError as error:
            assert "copy.wav" in str(error)


def test_clipping_is_seen() -> None:
    assert is_clipped([0, 1, 1, 1, 0]) and is_clipped([0, -1, -1, -1])
    assert not is_clipped([0, 1, 1, 0.9, 1]) and not is_clipped([1, -1, 1, -1]) and not is_clipped([[0.5, 1.2]])
