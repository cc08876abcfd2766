"""What a reader of one case must know beside what the engines say."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from typing import Any

import numpy as np

from ..analysis.decay_notes import uneven_absorption_note
from ..bands import OCTAVES_HZ, nominal
from ..response import Note, Response
from ..room.room import Room
from .decay import FROM_RAYS, CaseDecay


def case_notes(room: Room, response: Response, decay: CaseDecay) -> tuple[Note, ...]:
    """Why the decay is longer than formulas say, and how exact the rays are."""
    traced = [k for k, method in enumerate(decay.method) if method == FROM_RAYS]
    found = [
        uneven_absorption_note(room, OCTAVES_HZ[traced], decay.decay_s[traced]) if traced else None,
        ray_noise_note(response),
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
