"""Speech transmission index from energy over time (IEC 60268-16), indirect method, for dialogue from a loudspeaker.

The standard's text was not at hand: octave weights of its fourth edition (male speech) and modulation frequencies are
from memory (high confidence); the weights obey Σα − Σβ = 1, as they must. Hearing threshold and masking between
octaves, which need the level of the speech, are left out: a quiet room, speech loud enough.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..constants import DECAY_CONSTANT

if TYPE_CHECKING:
    from xarray import DataArray, Dataset

SPEECH_OCTAVES_HZ = (125, 250, 500, 1000, 2000, 4000, 8000)
MODULATIONS_HZ = (0.63, 0.8, 1.0, 1.25, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0, 6.3, 8.0, 10.0, 12.5)
ALPHA = (0.085, 0.127, 0.230, 0.233, 0.309, 0.224, 0.173)
BETA = (0.085, 0.078, 0.065, 0.011, 0.047, 0.095)
RANGE_DB = 15.0
"""Apparent signal-to-noise ratios count from minus to plus this."""


def modulation_transfer(energy: ArrayLike, step_s: float) -> NDArray[np.float64]:
    """How much of an intensity modulation arrives: m(F) = |∫ E e^{-j2πFt} dt| / ∫ E dt [schroeder1981].

    Parameters
    ----------
    energy : mean-square pressure per step of time, shape (..., n_step)
    step_s : length of a step

    Returns
    -------
    shape (..., n_modulation); NaN where there is no energy
    """
    e = np.asarray(energy, float)
    time = (np.arange(e.shape[-1]) + 0.5) * step_s
    turns = np.exp(-2j * np.pi * np.outer(time, MODULATIONS_HZ))
    total = e.sum(axis=-1)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.abs(e @ turns) / np.where(total > 0, total, np.nan)[..., None]


def exponential_transfer(decay_s: ArrayLike) -> NDArray[np.float64]:
    """The same of an exponential decay without direct sound: 1/√(1 + (2πF T/13.8)²); shape (..., n_modulation)."""
    decay = np.asarray(decay_s, float)[..., None]
    return 1 / np.sqrt(1 + (2 * np.pi * np.asarray(MODULATIONS_HZ) * decay / DECAY_CONSTANT) ** 2)


def with_noise(transfer: ArrayLike, signal_to_noise_db: ArrayLike) -> NDArray[np.float64]:
    """Modulation transfer in stationary noise: m / (1 + 10^(−SNR/10)); the ratio is of each octave, shape (...)."""
    ratio = 10 ** (-np.asarray(signal_to_noise_db, float)[..., None] / 10)
    return np.asarray(transfer, float) / (1 + ratio)


def modulation_index(transfer: ArrayLike) -> NDArray[np.float64]:
    """Modulation transfer index of each octave: mean of (SNR + 15)/30 with SNR = 10 lg(m/(1 − m)) within ±15 dB.

    Parameters
    ----------
    transfer : m, shape (..., n_modulation)
    """
    m = np.clip(np.asarray(transfer, float), 1e-12, 1 - 1e-12)
    ratio = np.clip(10 * np.log10(m / (1 - m)), -RANGE_DB, RANGE_DB)
    return ((ratio + RANGE_DB) / (2 * RANGE_DB)).mean(axis=-1)


def speech_index(octave_index: ArrayLike) -> NDArray[np.float64]:
    """STI = Σ α_k M_k − Σ β_k √(M_k M_{k+1}), at most 1; shape (..., 7) of the octaves 125 Hz to 8 kHz -> (...)."""
    m = np.asarray(octave_index, float)
    sti = m @ np.asarray(ALPHA) - np.sqrt(m[..., :-1] * m[..., 1:]) @ np.asarray(BETA)
    return np.clip(sti, 0, 1)


def speech_transmission(result: Dataset) -> DataArray:
    """STI at every seat, all channels playing the dialogue; `listener` last. Without noise.

    Raises
    ------
    KeyError : a result without `modulation_index`
    """
    index = result["modulation_index"]
    known = index["band"].values
    bands = [float(known[np.argmin(np.abs(np.log(known / f)))]) for f in SPEECH_OCTAVES_HZ]
    chosen = index.sel(band=bands).transpose(..., "listener", "band")
    out = chosen.isel(band=0, drop=True).copy(data=speech_index(chosen.values))
    out.attrs = {"long_name": "speech transmission index", "units": "1"}
    return out
