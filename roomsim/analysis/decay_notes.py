"""Why a decay is longer than the formulas say."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from ..bands import nominal
from ..response import Note
from ..room.room import Room
from ..room.statistics import eyring_kuttruff_s

LONGER = 1.15
"""From this ratio to Eyring with Kuttruff's correction on it is worth a note (ISO 3382-1 gives 5 % as the just
noticeable difference; three of those)."""


def uneven_absorption_note(room: Room, band_hz: ArrayLike, decay_s: ArrayLike) -> Note | None:
    """A note where traced decays outlast the diffuse-field formula, with what makes them; None where they do not.

    Parameters
    ----------
    room : the room
    band_hz : exact midbands, shape (n_band,)
    decay_s : traced decay time (T20 or T30), shape (n_band,); NaN is left out
    """
    bands = np.atleast_1d(np.asarray(band_hz, float))
    decay = np.atleast_1d(np.asarray(decay_s, float))
    ratio = decay / eyring_kuttruff_s(room, bands)
    longer = np.flatnonzero(ratio > LONGER)
    if not longer.size:
        return None
    worst = int(longer[np.argmax(ratio[longer])])
    shares = sorted(_groups(room, float(bands[worst])).items(), key=lambda item: -item[1][0])
    most, least = shares[0], shares[-1]
    scattering = sum(area * s for _, _, s, area in _parts(room, float(bands[worst]))) / room.geometry.surface_m2
    low, high = float(bands[longer[0]]), float(bands[longer[-1]])
    reason = (
        f"{most[0]} absorb {most[1][0]:.2f} of what meets them, {least[0]} only {least[1][0]:.2f}, "
        if most[1][0] > 1.5 * least[1][0]
        else "absorption is even, but it depends on the angle of incidence, "
    )
    return Note(
        code="outlasts-diffuse-decay",
        text=(
            f"The traced decay is up to {ratio[worst]:.1f} times that of the diffuse-field formula "
            f"({nominal(float(bands[worst]))} Hz): {reason}and surfaces scatter {scattering:.2f} on average, so that "
            "sound goes on between faces that absorb little. Furniture and other scattering would shorten it."
        ),
        low_hz=low,
        high_hz=high,
    )


def _parts(room: Room, frequency_hz: float) -> list[tuple[str, float, float, float]]:
    """Group, absorption, scattering and area of every piece of surface."""
    out = []
    for part in room.parts():
        if part.face in ("floor", "ceiling"):
            group = "floor and ceiling"
        elif room.geometry.kind == "box":
            group = "front and back" if part.face in ("front", "back") else "left and right"
        else:
            group = "the walls"
        absorption = float(np.minimum(part.material.absorption([frequency_hz])[0], 1))
        scattering = float(np.broadcast_to(part.material.scattering([frequency_hz]), 1)[0])
        out.append((group, absorption, scattering, part.area_m2))
    return out


def _groups(room: Room, frequency_hz: float) -> dict[str, tuple[float, float]]:
    """Mean absorption and area of opposite faces."""
    sums: dict[str, tuple[float, float]] = {}
    for group, absorption, _, area in _parts(room, frequency_hz):
        total, areas = sums.get(group, (0.0, 0.0))
        sums[group] = (total + area * absorption, areas + area)
    return {group: (total / areas, areas) for group, (total, areas) in sums.items()}
