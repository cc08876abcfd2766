"""All statistical decay times of a room side by side, and the advice which to believe."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from .. import bands
from ..conventions import BOX_FACES
from .room import Room
from .statistics import (
    Floats,
    Surfaces,
    arau_puchades_s,
    direction_means,
    eyring_s,
    eyring_with_kuttruff_s,
    fitzroy_s,
    mean_absorption,
    mean_free_path_m,
    millington_s,
    sabine_s,
    transition_hz,
)

EVEN = 1.15
"""Predictors within this ratio of each other count as agreeing (15 %; common practice, no source)."""

SCATTERED = 0.3
"""Mean scattering, or twice the share of furniture by volume, from which a living room counts as mixed.
Common practice, no source: scattering coefficients of rooms are hardly ever known better."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Predictors:
    """The decay time of one room by every formula.

    Attributes
    ----------
    frequency_hz : shape (n_band,)
    decay_s : formula -> shape (n_band,)
    believed : the formula to believe
    advice : why, and what to beware of, one sentence each
    mean_absorption : ᾱ with furniture, shape (n_band,)
    direction_absorption : mean of the faces across x, y, z, shape (3, n_band)
    object_fraction : ψ
    mean_free_path_m : 4V/S
    transition_hz : from the believed mid-band decay time
    """

    frequency_hz: Floats
    decay_s: dict[str, Floats]
    believed: str
    advice: tuple[str, ...]
    mean_absorption: Floats
    direction_absorption: Floats
    object_fraction: float
    mean_free_path_m: float
    transition_hz: float

    @property
    def spread(self) -> Floats:
        """Longest over shortest prediction, Millington-Sette apart, shape (n_band,)."""
        times = np.array([value for name, value in self.decay_s.items() if name != "Millington-Sette"])
        return times.max(axis=0) / times.min(axis=0)

    def rows(self) -> list[dict[str, Any]]:
        """One plain row per formula: its name, whether it is the one believed, seconds per band by nominal name."""
        names = [bands.nominal(f) for f in self.frequency_hz]
        return [
            {"formula": name, "believed": name == self.believed,
             "decay_s": dict(zip(names, times.tolist(), strict=True))}
            for name, times in self.decay_s.items()
        ]


def predictors(room: Room, frequency_hz: ArrayLike = bands.OCTAVES_HZ) -> Predictors:
    """Every predictor of a room per band, with the advice which to believe.

    Notes
    -----
    Advice: where absorption lies evenly all agree and Eyring with Kuttruff's correction stands. Where it does
    not, furniture and scattering decide: a mixed room decays near Eyring, a bare one with smooth walls more
    slowly, nearer Arau-Puchades, and no formula is safe: a ray or wave engine is. Fitzroy is an upper bound
    of the three-direction idea, Millington-Sette too short wherever one patch absorbs nearly all.
    Validity of EN 12354-6 as its clause states it [en12354-6].
    """
    f = np.atleast_1d(np.asarray(frequency_hz, float))
    s = Surfaces.of(room, f)
    volume, plain, tables = s.free_volume_m3, s.surroundings, (s.areas_m2, s.absorption)
    times = {
        "Sabine": sabine_s(*tables, volume, **plain),
        "Eyring": eyring_s(*tables, volume, **plain),
        "Eyring-Kuttruff": eyring_with_kuttruff_s(*tables, volume, **plain),
        "Millington-Sette": millington_s(*tables, volume, **plain),
        "Fitzroy": fitzroy_s(*tables, volume, s.directions, **plain),
        "Arau-Puchades": arau_puchades_s(*tables, volume, s.directions, **plain),
    }
    mixed = max(_mean_scattering(room, s, f), 2 * s.object_fraction) >= SCATTERED
    uneven = times["Arau-Puchades"] / times["Eyring"]
    even = bool(np.all(uneven < EVEN))
    believed = "Eyring-Kuttruff" if even or mixed else "Arau-Puchades"
    middle = np.exp(np.interp(np.log([500.0, 1000.0]), np.log(f), np.log(times[believed]))).mean()
    transition = float(transition_hz(middle, room.geometry.volume_m3))
    return Predictors(
        frequency_hz=f, decay_s=times, believed=believed,
        advice=_advice(room, s, f, times, even, mixed, transition),
        mean_absorption=mean_absorption(s.areas_m2, s.absorption, s.objects_m2),
        direction_absorption=direction_means(s),
        object_fraction=s.object_fraction,
        mean_free_path_m=mean_free_path_m(s.volume_m3, float(s.areas_m2.sum())),
        transition_hz=transition,
    )


def _mean_scattering(room: Room, surfaces: Surfaces, frequency_hz: Floats) -> float:
    """Mean of the surfaces' scattering by area, over the bands from 500 Hz on (or all)."""
    upper = frequency_hz[frequency_hz > 400] if np.any(frequency_hz > 400) else frequency_hz
    values = np.array([part.material.scattering(upper).mean() for part in room.parts()])
    return float(surfaces.areas_m2 @ values / surfaces.areas_m2.sum())


def _advice(room: Room, surfaces: Surfaces, frequency_hz: Floats, times: dict[str, Floats], even: bool, mixed: bool,
            transition: float) -> tuple[str, ...]:
    names = [bands.nominal(f) for f in frequency_hz]
    said = []
    if even:
        said.append("Absorption lies evenly enough that the formulas agree: believe Eyring with Kuttruff's correction.")
    elif mixed:
        said.append("Absorption lies unevenly, but furniture and scattering mix the sound: believe Eyring with "
                    "Kuttruff's correction; Arau-Puchades shows how long it could get.")
    else:
        said.append("Absorption lies unevenly and little scatters: the decay is slower than Eyring's and not one "
                    "straight line. Arau-Puchades is the nearest formula, a ray or wave engine the better answer.")
    if not even:
        ratio = times["Arau-Puchades"] / times["Eyring"]
        worst = int(np.argmax(ratio))
        said.append(f"The formulas are furthest apart at {names[worst]} Hz: Arau-Puchades is {ratio[worst]:.2f} times "
                    "Eyring.")
    if np.any(times["Millington-Sette"] < 0.85 * times["Eyring"]):
        said.append("Millington-Sette is too short here: a surface that absorbs nearly all dominates it.")
    low = [name for name, f in zip(names, frequency_hz, strict=True) if f < transition]
    if low:
        said.append(f"Below {transition:.0f} Hz single modes decide, not statistics ({', '.join(low)} Hz).")
    said += _en12354_limits(room, surfaces)
    if assumed := _assumed(room, surfaces, frequency_hz, names):
        said.append(f"More than half of the absorption rests on assumed numbers at {', '.join(assumed)} Hz.")
    return tuple(said)


def _en12354_limits(room: Room, surfaces: Surfaces) -> list[str]:
    """What of EN 12354-6's conditions the room breaks."""
    said = []
    if room.geometry.size_m.max() > 5 * room.geometry.size_m.min():
        said.append("One dimension is more than five times another: outside EN 12354-6.")
    if (ratio := _opposite_ratio(room, surfaces)) > 3:
        said.append(f"Opposite faces differ up to {ratio:.0f}-fold in absorption: outside EN 12354-6 (threefold).")
    if surfaces.object_fraction >= 0.2:
        said.append(f"Furniture fills {100 * surfaces.object_fraction:.0f} % of the room: outside EN 12354-6 (20 %).")
    return said


def _opposite_ratio(room: Room, surfaces: Surfaces) -> float:
    """Largest ratio of the mean absorption of two opposite faces of a box in any band; 1 for other rooms."""
    if room.geometry.kind != "box":
        return 1.0
    parts = room.parts()
    means = {}
    for name in room.geometry.face_names:
        mine = np.array([part.face == name for part in parts])
        means[name] = mean_absorption(surfaces.areas_m2[mine], surfaces.absorption[mine])
    pairs = zip(BOX_FACES[::2], BOX_FACES[1::2], strict=True)
    floor = 1e-3       # both practically rigid: no ratio
    ratios = [np.log(np.maximum(means[a], floor) / np.maximum(means[b], floor)) for a, b in pairs]
    return float(np.exp(np.abs(ratios).max()))


def _assumed(room: Room, surfaces: Surfaces, frequency_hz: Floats, names: list[str]) -> list[str]:
    """Bands of which more than half of the absorption area, of surfaces and furniture, is assumed."""
    share = sum((item.absorption_m2(frequency_hz) * item.rests_on_assumption(frequency_hz) for item in room.furniture),
                np.zeros(frequency_hz.size))
    for part, alpha in zip(room.parts(), surfaces.absorption, strict=True):
        rests = getattr(part.material, "rests_on_assumption", None)
        if rests is not None:
            share = share + part.area_m2 * alpha * rests(frequency_hz)
    total = surfaces.areas_m2 @ surfaces.absorption + surfaces.objects_m2
    return [name for name, part, whole in zip(names, share, total, strict=True) if part > whole / 2]
