"""The modes of a case, as plain numbers for its result."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np

from ..engines.modes import Mode, mode_table
from ..scene import Scene


def case_modes(scene: Scene) -> dict[str, Any]:
    """Every mode to 200 Hz and how strongly channels, drivers and seats couple to it, strongest first.

    Returns
    -------
    "channels" and "drivers": labels; "modes": a dictionary each with `frequency_hz`, `kind`, `indices`, `decay_s`
    (None where it never decays), `share_db` (its level at the seats, all channels, re the strongest), `seats_db`
    (coupling of the seats) and, in the order of the labels, `level_db` (its level at the seats re the channel's
    free-field level at 1 m), `channel_db` and `driver_db` (coupling). Levels to 0.01 dB; None for nothing at all.
    In a room that is no box `indices` is the mode's number alone.
    """
    modes = sorted(mode_table(scene), key=lambda mode: -mode.share_db if np.isfinite(mode.share_db) else np.inf)
    return {
        "channels": list(scene.channels),
        "drivers": _apart(emitter.label for emitter in scene.emitters),
        "modes": [_row(mode) for mode in modes],
    }


def _row(mode: Mode) -> dict[str, Any]:
    return {
        "frequency_hz": round(mode.frequency_hz, 3),
        "kind": mode.kind,
        "indices": list(mode.indices),
        "decay_s": round(mode.decay_s, 4) if np.isfinite(mode.decay_s) else None,
        "share_db": _level(mode.share_db),
        "seats_db": _level(mode.seats_db),
        "level_db": [_level(x) for x in mode.peak_db],
        "channel_db": [_level(x) for x in mode.channel_db],
        "driver_db": [_level(x) for x in mode.driver_db],
    }


def _level(level_db: float) -> float | None:
    return round(level_db, 2) + 0.0 if np.isfinite(level_db) else None


def _apart(labels: Iterable[str]) -> list[str]:
    """The same labels, numbered where several are alike."""
    labels = list(labels)
    seen: dict[str, int] = {}
    out = []
    for label in labels:
        seen[label] = seen.get(label, 0) + 1
        out.append(f"{label} {seen[label]}" if labels.count(label) > 1 else label)
    return out
