"""WAV files: read as numbers from -1 to 1, written as 32-bit float."""

from __future__ import annotations

import os
import secrets
import struct
import warnings
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..errors import DefinitionError, Problem, RoomsimError, shown
from ..limits import limits


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Wav:
    """Samples of a WAV file.

    Attributes
    ----------
    rate_hz : sampling rate
    samples : full scale is 1, shape (n_channel, n_sample)
    """

    rate_hz: float
    samples: NDArray[np.float64]


def read_wav(path: Path) -> Wav:
    """Read a WAV file of any usual sample format.

    Raises
    ------
    DefinitionError : not there, empty, no WAV, cut short, not finite
    """
    path = Path(path)

    def wrong(rule: str, cure: str = "") -> DefinitionError:
        return DefinitionError([Problem(key="", file=str(path), rule=rule, cure=cure)])

    if not path.is_file():
        raise wrong("does not exist")
    try:
        size = path.stat().st_size
        with path.open("rb") as stream:
            head = stream.read(12)
    except OSError as error:
        raise wrong(f"cannot be read ({error.strerror or error})") from error
    if size == 0:
        raise wrong("is empty")
    if size > limits().wav_bytes:
        raise wrong(f"is larger than {limits().wav_bytes / 1e6:g} MB", "ROOMSIM_LIMITS=wav_bytes=… allows more")
    if len(head) < 12 or head[:4] not in (b"RIFF", b"RIFX", b"RF64") or head[8:] != b"WAVE":
        raise wrong("is no WAV file", "export as WAV (PCM or float)")
    promised = struct.unpack(">I" if head[:4] == b"RIFX" else "<I", head[4:8])[0] + 8
    if head[:4] != b"RF64" and size < promised < 2**32:
        raise wrong(f"is cut short: {size} of {promised} bytes", "copy the file again")
    from scipy.io import wavfile

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", wavfile.WavFileWarning)   # foreign chunks are none of our business
            rate, raw = wavfile.read(str(path))
    except Exception as error:      # the reader raises whatever it meets in a damaged file
        raise wrong(f"is damaged or of an unknown sample format ({shown(error, 120)})") from error
    if raw.size == 0 or rate <= 0:
        raise wrong("holds no samples")
    with np.errstate(invalid="ignore"):      # NaN is looked for below
        samples = np.atleast_2d(np.asarray(raw, float).T)
    if raw.dtype == np.uint8:
        samples = (samples - 128) / 128
    elif np.issubdtype(raw.dtype, np.integer):
        samples = samples / -float(np.iinfo(raw.dtype).min)
    if not np.all(np.isfinite(samples)):
        raise wrong("holds NaN or infinite samples")
    samples.setflags(write=False)
    return Wav(rate_hz=float(rate), samples=samples)


def write_wav(path: Path, rate_hz: float, samples: ArrayLike) -> None:
    """Write samples (n_sample,) or (n_channel, n_sample) as 32-bit float, whole or not at all."""
    from scipy.io import wavfile

    path = Path(path)
    draft = path.with_name(f".{path.stem}-{secrets.token_hex(4)}.wav")
    try:
        wavfile.write(str(draft), round(rate_hz), np.asarray(samples, np.float32).T)
        os.replace(draft, path)
    except OSError as error:
        raise RoomsimError(f"{path}: cannot be written ({error.strerror or error})") from error
    finally:
        with suppress(OSError):
            draft.unlink()


def is_clipped(samples: ArrayLike, run: int = 3) -> bool:
    """Whether at least `run` neighbouring samples stand at full scale with the same sign."""
    x = np.atleast_2d(np.asarray(samples, float))
    full = np.where(np.abs(x) >= 1 - 1.0 / 2**15, np.sign(x), 0)
    stays = np.ones_like(full[:, run - 1 :], dtype=bool) & (full[:, run - 1 :] != 0)
    for back in range(1, run):
        stays &= full[:, run - 1 - back : full.shape[1] - back] == full[:, run - 1 :]
    return bool(stays.any())
