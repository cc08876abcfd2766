"""What a reader of one case must know beside what the engines say."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from typing import Any

import numpy as np

from ..analysis.decay_notes import uneven_absorption_note
from ..bands import OCTAVES_HZ, nominal
from ..response import Note, Response
from ..room.room import Room
from .decay import FROM_FORMULA, FROM_RAYS, CaseDecay

JUST_NOTICEABLE = 0.05
"""Relative change of a decay time that can be heard (ISO 3382-1)."""


def case_notes(room: Room, response: Response, decay: CaseDecay) -> tuple[Note, ...]:
    """Why the decay is longer than formulas say, how exact the rays are, and where they cannot say it."""
    traced = [k for k, method in enumerate(decay.method) if method == FROM_RAYS]
    found = [
        uneven_absorption_note(room, OCTAVES_HZ[traced], decay.decay_s[traced]) if traced else None,
        ray_noise_note(response),
        uncertain_decay_note(decay),
        unread_decay_note(decay),
    ]
    return tuple(note for note in found if note is not None)


def ray_noise_note(response: Response) -> Note | None:
    """The rays' own noise in the late energy: rms over channels and seats, in the octave where it is largest.

    Only octaves in which the rays are heard count: those above the crossfade's lower end.
    """
    if response.late_noise_db is None:
        return None
    heard = np.flatnonzero(response.weight < 1)
    low = response.frequency_hz[heard[0]] if heard.size else np.inf
    bands = response.energy_band_hz
    used = (bands >= low * 0.75) & (bands <= response.frequency_hz[-1] * 1.34)
    noise = np.asarray(response.late_noise_db, float)
    noise = np.where(np.isfinite(noise), noise, np.nan)
    if not used.any() or not np.isfinite(noise[..., used]).any():
        return None
    with np.errstate(invalid="ignore"):
        rms = np.sqrt(np.nanmean(noise**2, axis=(0, 1)))
    worst = int(np.nanargmax(np.where(used, rms, np.nan)))
    up = np.ceil(rms[worst] * 10 - 1e-9) / 10
    return Note(
        code="ray-noise", low_hz=float(low),
        text=f"Late levels of a single seat carry up to {up:.1f} dB of the rays' own noise "
             f"({nominal(float(bands[worst]))} Hz octave, standard error); averages over seats less.",
    )


def uncertain_decay_note(decay: CaseDecay) -> Note | None:
    """Bands whose decay time rests on so few rays that its error could be heard."""
    bands = np.flatnonzero(decay.error > JUST_NOTICEABLE)
    if not bands.size:
        return None
    worst = float(decay.error[bands].max())
    much = f"up to ±{100 * np.ceil(worst * 50 - 1e-9) / 50:.0f} %" if worst < 0.5 else "above ±50 %"
    return Note(
        code="decay-uncertain", low_hz=float(OCTAVES_HZ[bands[0]]), high_hz=float(OCTAVES_HZ[bands[-1]]),
        text=f"The decay time at {_listed(bands)} Hz rests on few rays, those between faces that absorb little; its "
             f"standard error is {much}. Real furnishing would scatter them.",
    )


def unread_decay_note(decay: CaseDecay) -> Note | None:
    """Bands whose decay time is the formula's, because the traced one cannot be read."""
    bands = np.flatnonzero([method == FROM_FORMULA for method in decay.method])
    if not bands.size:
        return None
    return Note(
        code="decay-by-formula", low_hz=float(OCTAVES_HZ[bands[0]]), high_hz=float(OCTAVES_HZ[bands[-1]]),
        text=f"The traced decay at {_listed(bands)} Hz is too uneven to be read; the decay time is that of the "
             "diffuse-field formula instead, which is too short where a room absorbs unevenly.",
    )


def _listed(bands: np.ndarray) -> str:
    return ", ".join(nominal(float(OCTAVES_HZ[k])) for k in bands)


def design_notes(
    assumptions: Mapping[str, Sequence[str]], cases: int, measured: Collection[str] = ()
) -> list[dict[str, Any]]:
    """What designs take for granted, as the metadata list notes; one that several designs share comes once.

    Parameters
    ----------
    assumptions : design -> sentences
    cases : number of cases of the study, the same for each design
    measured : those of the sentences that are about measured drivers
    """
    designs: dict[str, list[str]] = {}
    for design, texts in assumptions.items():
        for text in texts:
            designs.setdefault(text, []).append(design)
    return [
        {"code": "measured-driver" if text in measured else "sketched-driver", "text": text,
         "low_hz": None, "high_hz": None,
         "count": cases * len(names) // len(assumptions),
         "cases": "all" if len(names) == len(assumptions) else [{"design": name} for name in names]}
        for text, names in designs.items()
    ]
