"""Decay and energy ratios of a case, read from its energy with the code that reads measured rooms."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..analysis.decay import decay_from_energy, jackknife_error
from ..analysis.speech import exponential_transfer, modulation_index, modulation_transfer
from ..bands import OCTAVES_HZ
from ..engines.hybrid import modal_decays
from ..response import Response
from ..room.statistics import eyring_kuttruff_s
from ..scene import Scene

FROM_MODES, FROM_RAYS, FROM_FORMULA = "modes", "rays, T20", "Eyring–Kuttruff"
"""How a band's decay time was found."""

RATIOS = {"early_decay_s": "edt_s", "c50_db": "c50_db", "c80_db": "c80_db", "d50": "d50", "centre_time_s": "ts_s"}
"""Result variable -> parameter of roomsim.analysis.decay."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CaseDecay:
    """Decay of a case in the octaves 63 Hz to 8 kHz, channels summed in energy.

    Attributes
    ----------
    decay_s : decay time, shape (n_band,)
    decay_spread_s : its standard deviation over the seats, NaN where it comes from the modes
    error : relative standard error of a decay time that was read from the rays, by how it changes when a part of
        them is left out (jackknife [efron-tibshirani1993]); inf where it cannot be read without a part, 0 where it
        does not come from them
    method : how each was found
    ratios : early decay time, C50, C80, D50, centre time at each seat, (n_listener, n_band) each; NaN below the
        transition frequency, where energy has no meaning apart from the modes; and modulation_index, there that of the
        modal decay
    """

    decay_s: NDArray[np.float64]
    decay_spread_s: NDArray[np.float64]
    error: NDArray[np.float64]
    method: tuple[str, ...]
    ratios: dict[str, NDArray[np.float64]]


def read_case_decay(scene: Scene, response: Response) -> CaseDecay:
    """Decay time per octave: from the modes below the transition frequency, from the rays above it.

    The rays' decay time is T20 of the energy averaged over the seats (ensemble averaging of ISO 3382-2), since
    a single seat's late energy carries the noise of few rays; where it cannot be read, the formula's value stands
    and is named so.
    """
    kept = [int(np.argmin(np.abs(response.energy_band_hz - band))) for band in OCTAVES_HZ]
    energy = response.energy[..., kept, :].sum(axis=0)
    start = response.direct_s.min(axis=0)
    read = decay_from_energy(energy, response.energy_step_s, band_hz=OCTAVES_HZ, start_s=start)
    whole = decay_from_energy(energy.mean(axis=0), response.energy_step_s, band_hz=OCTAVES_HZ, start_s=start.mean())
    t20 = whole["t20_s"][0]
    known = np.isfinite(t20)
    decay = np.where(known, t20, eyring_kuttruff_s(scene.room, OCTAVES_HZ))
    method = [FROM_RAYS if one else FROM_FORMULA for one in known]
    seen = np.isfinite(read["t20_s"]).sum(axis=0)
    with np.errstate(invalid="ignore"):
        spread = np.where(seen > 1, _deviation(read["t20_s"]), np.nan)
    error = np.where(known, _jackknife(response, kept, float(start.mean()), t20), 0.0)
    ratios = {name: read[parameter].copy() for name, parameter in RATIOS.items()}
    index = modulation_index(modulation_transfer(energy, response.energy_step_s))
    low, modal = modal_decays(scene)
    for k in range(low.size):
        decay[k], spread[k], error[k], method[k] = modal[k], np.nan, 0.0, FROM_MODES
        for values in ratios.values():
            values[:, k] = np.nan
        index[:, k] = modulation_index(exponential_transfer(modal[k]))
    ratios["modulation_index"] = index
    return CaseDecay(decay_s=decay, decay_spread_s=spread, error=error, method=tuple(method), ratios=ratios)


def _jackknife(response: Response, kept: list[int], start_s: float, t20: NDArray[np.float64]) -> NDArray[np.float64]:
    """Relative standard error of T20, shape (n_band,)."""
    if response.energy_groups is None:
        return np.zeros(len(kept))
    parts = response.energy_groups[..., kept, :].sum(axis=1)
    count = len(parts)
    without = (parts.sum(axis=0) - parts) / (count - 1)
    read = decay_from_energy(without, response.energy_step_s, band_hz=OCTAVES_HZ, start_s=start_s)["t20_s"]
    error = jackknife_error(read, t20)
    return np.where(np.isfinite(error), error, np.inf)


def _deviation(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Standard deviation over the first axis, NaN left out; shape (n_band,)."""
    known = np.isfinite(values)
    count = np.maximum(known.sum(axis=0), 1)
    mean = np.where(known, values, 0).sum(axis=0) / count
    return np.sqrt(np.where(known, (values - mean) ** 2, 0).sum(axis=0) / np.maximum(count - 1, 1))
