"""Decay and energy ratios of a case, read from its energy with the code that reads measured rooms."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..analysis.decay import decay_from_energy
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
    method : how each was found
    ratios : early decay time, C50, C80, D50, centre time at each seat, (n_listener, n_band) each; NaN below the
        transition frequency, where energy has no meaning apart from the modes
    """

    decay_s: NDArray[np.float64]
    decay_spread_s: NDArray[np.float64]
    method: tuple[str, ...]
    ratios: dict[str, NDArray[np.float64]]


def read_case_decay(scene: Scene, response: Response) -> CaseDecay:
    """Decay time per octave: from the modes below the transition frequency, from the rays above it.

    The rays' decay time is the mean of T20 over the seats (ISO 3382-2); where it cannot be read, the formula's
    value stands and is named so.
    """
    kept = [int(np.argmin(np.abs(response.energy_band_hz - band))) for band in OCTAVES_HZ]
    energy = response.energy[..., kept, :].sum(axis=0)
    start = response.direct_s.min(axis=0)
    read = decay_from_energy(energy, response.energy_step_s, band_hz=OCTAVES_HZ, start_s=start)
    t20 = read["t20_s"]
    valid = np.isfinite(t20)
    count = valid.sum(axis=0)
    total = np.where(valid, t20, 0).sum(axis=0)
    formula = eyring_kuttruff_s(scene.room, OCTAVES_HZ)
    decay = np.where(count > 0, total / np.maximum(count, 1), formula)
    square = np.where(valid, (t20 - decay) ** 2, 0).sum(axis=0)
    spread = np.where(count > 1, np.sqrt(square / np.maximum(count - 1, 1)), np.nan)
    method = [FROM_RAYS if n else FROM_FORMULA for n in count]
    ratios = {name: read[parameter].copy() for name, parameter in RATIOS.items()}
    low, modal = modal_decays(scene)
    for k in range(low.size):
        decay[k], spread[k], method[k] = modal[k], np.nan, FROM_MODES
        for values in ratios.values():
            values[:, k] = np.nan
    return CaseDecay(decay_s=decay, decay_spread_s=spread, method=tuple(method), ratios=ratios)
