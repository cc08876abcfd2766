"""One case: from its scene to the arrays that the result keeps."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..bands import OCTAVES_HZ, analysis_grid_hz, db
from ..constants import REFERENCE_PRESSURE_PA
from ..engines.hybrid import scene_transition_hz, simulate
from ..loudspeaker.channels import Loudspeaker, channel_far_pressure, own_directions
from ..loudspeaker.trust import trusted_range_hz
from ..response import Note, Reflection, Response
from .case_checks import refuse_impossible
from .case_modes import case_modes
from .case_notes import case_notes
from .case_receiver import received, receiver_gains, receiver_settings, settings_record
from .decay import read_case_decay
from .plan import Case


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CaseResult:
    """What one case contributes to the result.

    Attributes
    ----------
    channels : labels
    arrays : variable -> array of shape (n_channel, n_listener, n_frequency), (n_frequency,), (n_band,) or
        (n_listener, n_band); the first kind in single precision, 4e-6 dB
    band_hz : exact midbands, shape (n_band,)
    decay_method : per band
    transition_hz, decay_mid_s, trusted_from_hz : numbers of the case
    calibrated : levels are re 20 µPa
    reference_db : what was taken off the levels [dB re 20 µPa at the nominal drive]
    reflections, notes : as in Response
    modes : see case_modes
    receiver : of a system: rows of settings_record, empty for a single loudspeaker
    """

    channels: tuple[str, ...]
    arrays: dict[str, NDArray]
    band_hz: NDArray[np.float64]
    decay_method: tuple[str, ...]
    transition_hz: float
    decay_mid_s: float
    trusted_from_hz: float
    calibrated: bool
    reference_db: float
    reflections: tuple[Reflection, ...]
    notes: tuple[Note, ...]
    modes: dict[str, Any]
    receiver: list[dict[str, Any]]


def run_case(case: Case, *, threads: int = 1) -> CaseResult:
    """Predict one case; the result is checked for numbers that cannot be, and does not depend on `threads`."""
    scene = case.scene()
    response = simulate(scene, case.frequency_hz, case.options, threads=threads)
    refuse_impossible(case, response)
    receiver: list[dict[str, Any]] = []
    if case.system is not None:
        settings = receiver_settings(scene, response, case.system.receiver)
        response = received(response, settings, case.system, case.channels)
        receiver = settings_record(case.system, scene, settings)
    reference = reference_mean_square(case.loudspeaker, case.room.air.speed_m_s)
    level = {
        "level_db": response.mean_square,
        "direct_level_db": np.abs(response.direct) ** 2,
        "early_level_db": np.abs(response.early) ** 2 + response.scattered,
        "scattered_level_db": response.scattered,
        "late_level_db": response.late,
    }
    speakers = (case.loudspeaker,) if case.system is None else case.system.loudspeakers(case.loudspeaker)
    power = np.concatenate([
        power_mean_square(one, case.frequency_hz.tobytes(), case.room.air.speed_m_s) for one in speakers])
    if case.system is not None:                          # powers of several loudspeakers add
        gains = receiver_gains(settings, case.system, len(case.channels), case.frequency_hz)
        power = np.einsum("oif,if->of", np.abs(gains) ** 2, power)
    level["power_level_db"] = power
    decay = read_case_decay(scene, response)
    fields = {name: db(values, reference) for name, values in level.items()}
    pressure = response.pressure
    fields |= {"pressure_real": pressure.real, "pressure_imag": pressure.imag}
    arrays: dict[str, NDArray] = {name: values.astype(np.float32) for name, values in fields.items()}
    arrays |= {
        "wave_weight": response.weight,
        "late_noise_db": late_noise_db(response),
        "decay_s": decay.decay_s,
        "decay_spread_s": decay.decay_spread_s,
        **decay.ratios,
    }
    mid = [int(np.argmin(np.abs(np.log(OCTAVES_HZ / f)))) for f in (500, 1000)]
    transition = scene_transition_hz(scene)
    return CaseResult(
        channels=response.channels,
        arrays=arrays,
        band_hz=OCTAVES_HZ,
        decay_method=decay.method,
        transition_hz=transition,
        decay_mid_s=float(decay.decay_s[mid].mean()),
        trusted_from_hz=max(
            float(case.frequency_hz[0] if response.wave is not None else transition),
            *_trusted_from_hz(case),
        ),
        calibrated=case.loudspeaker.calibrated,
        reference_db=float(db(reference, REFERENCE_PRESSURE_PA**2)),
        reflections=response.reflections,
        notes=(*response.notes, *case_notes(case.room, response, decay)),
        modes=case_modes(scene),
        receiver=receiver,
    )


def _trusted_from_hz(case: Case) -> list[float]:
    """Where the data of each channel begin; those of loudspeakers with a subwoofer count above the crossover only."""
    def low(one: Loudspeaker) -> list[float]:
        return [trusted_range_hz(drivers, case.frequency_hz)[0] for drivers in one.channels.values()]

    if case.system is None:
        return low(case.loudspeaker)
    sub, cut = case.system.subwoofer, case.system.receiver.crossover_hz
    found = [hz for one in case.system.loudspeakers(case.loudspeaker) if sub is None or one is not sub.loudspeaker
             for hz in low(one)]
    return found if sub is None else low(sub.loudspeaker) + [hz for hz in found if hz > cut]


@lru_cache(maxsize=8)
def reference_mean_square(loudspeaker: Loudspeaker, speed_m_s: float) -> float:
    """Mean-square pressure [Pa²] that a level of 0 dB stands for.

    (20 µPa)² where every driver's data are for a stated drive; else the design's own mean free-field
    mean-square pressure at 1 m: over the sphere (the half sphere for on-wall designs), channels summed in
    power, 300 Hz to 10 kHz on a logarithmic axis.
    """
    if loudspeaker.calibrated:
        return REFERENCE_PRESSURE_PA**2
    directions = own_directions(loudspeaker, 1500)
    f = analysis_grid_hz(300, 10000, 12)
    return sum(
        float(np.mean(np.abs(channel_far_pressure(drivers, f, directions, speed_m_s)) ** 2))
        for drivers in loudspeaker.channels.values()
    )


@lru_cache(maxsize=64)
def power_mean_square(loudspeaker: Loudspeaker, frequencies: bytes, speed_m_s: float) -> NDArray[np.float64]:
    """Mean-square free-field pressure at 1 m of every channel by itself [Pa²], shape (n_channel, n_frequency).

    Over the sphere, the half sphere for on-wall designs: its level is that of the channel's sound power. `frequencies`
    are those of the case, packed.
    """
    f = np.frombuffer(frequencies)
    directions = own_directions(loudspeaker, 400)
    return np.array([
        np.mean(np.abs(channel_far_pressure(drivers, f, directions, speed_m_s)) ** 2, axis=0)
        for drivers in loudspeaker.channels.values()
    ])


def late_noise_db(response: Response) -> NDArray[np.float64]:
    """Standard error of late levels from the rays, rms over channels and seats, in the result's octaves [dB]."""
    if response.late_noise_db is None:
        return np.zeros(OCTAVES_HZ.size)
    at = [int(np.argmin(np.abs(np.log(response.energy_band_hz / f)))) for f in OCTAVES_HZ]
    noise = np.asarray(response.late_noise_db, float)[..., at]
    known = np.where(np.isfinite(noise), noise, 0.0)
    return np.sqrt((known**2).mean(axis=(0, 1)))
