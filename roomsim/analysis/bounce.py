"""Channels that play by way of a surface: level and delay of the bounce against what leaks straight to the listener.

Up-firing and side-firing channels work while the sound by way of the ceiling or side wall is heard, and not the leakage
that comes earlier. Of two alike sounds the earlier one gives the direction, unless the later one is about 10 dB
stronger: at that difference a lag of 5 to 30 ms sounds as loud as the lead [haas1951] (from memory). The limits below
follow from it and are this project's own.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..bands import OCTAVE, db
from ..room.materials import Material, reflection_factor
from ..scene import Emitter

HOLDS_DB, WEAK_DB = 10.0, 0.0
"""From the first on the bounce leads; between them it is weak; below the second it fails."""
RANGE_HZ = (1000.0, 8000.0)
PER_OCTAVE = 24


@dataclass(frozen=True, slots=True, kw_only=True)
class Bounce:
    """One channel by way of one surface at one listener.

    Attributes
    ----------
    level_db : of the bounce re the direct leakage, mean energies 1 to 8 kHz
    delay_ms : of the bounce after it, middle of the channel's drivers
    elevation_deg : from where the bounce arrives, above the listener's horizon
    angle_deg : off the axis of the channel's first driver at which the bounce leaves
    verdict : "holds", "weak" or "fails"
    """

    level_db: float
    delay_ms: float
    elevation_deg: float
    angle_deg: float
    verdict: str


def bounce(
    emitters: Sequence[Emitter], listener_m: ArrayLike, point_m: ArrayLike, normal: ArrayLike, finish: Material,
    speed_m_s: float = 343.2,
) -> Bounce | None:
    """Level and delay of a channel's sound by way of a plane, against its direct leakage.

    Parameters
    ----------
    emitters : the drivers of one channel in the room
    listener_m : shape (3,)
    point_m, normal : any point of the surface, and its normal (either side); shape (3,) each
    finish : of the surface

    Returns
    -------
    None where listener and loudspeaker are not on one side of the plane

    Notes
    -----
    Drivers are summed coherently with their own distances, once straight and once to the listener's mirror image, with
    the surface's reflection factor at each angle; without the images in other surfaces, which both paths have alike.
    """
    n = np.asarray(normal, float) / np.linalg.norm(normal)
    ear, point = np.asarray(listener_m, float), np.asarray(point_m, float)
    middle = np.mean([e.position_m for e in emitters], axis=0)
    heights = np.array([(x - point) @ n for x in (ear, middle)])
    if heights[0] * heights[1] <= 0:
        return None
    image = ear - 2 * heights[0] * n
    count = int(np.log(RANGE_HZ[1] / RANGE_HZ[0]) / np.log(OCTAVE) * PER_OCTAVE) + 1
    f = np.geomspace(*RANGE_HZ, count)
    direct = _field(emitters, ear, f, speed_m_s)
    cosine = abs((image - middle) @ n) / np.linalg.norm(image - middle)
    echo = _field(emitters, image, f, speed_m_s) * reflection_factor(finish.impedance(f), cosine)
    level = float(db((np.abs(echo) ** 2).mean() / (np.abs(direct) ** 2).mean()))
    far = np.linalg.norm(image - middle)
    hit = middle + (image - middle) * heights[1] / (heights[1] + heights[0])
    from_ear = hit - ear
    axis = emitters[0].rotation[:, 0]
    return Bounce(
        level_db=level, delay_ms=float((far - np.linalg.norm(ear - middle)) / speed_m_s * 1e3),
        elevation_deg=float(np.degrees(np.arcsin(from_ear[2] / np.linalg.norm(from_ear)))),
        angle_deg=float(np.degrees(np.arccos(np.clip((image - middle) @ axis / far, -1, 1)))),
        verdict="holds" if level >= HOLDS_DB else "weak" if level >= WEAK_DB else "fails",
    )


def _field(
    emitters: Sequence[Emitter], at_m: NDArray[np.float64], f: NDArray[np.float64], speed_m_s: float
) -> NDArray[np.complex128]:
    """Free-field pressure of the drivers together [Pa], shape (n_frequency,)."""
    total = np.zeros(f.size, complex)
    for emitter in emitters:
        way = at_m - emitter.position_m
        r = np.linalg.norm(way)
        pattern = emitter.directivity.far_pressure(f, (way / r)[None] @ emitter.rotation)[0]
        total += pattern * emitter.filter.response(f) * np.exp(-2j * np.pi * f * r / speed_m_s) / r
    return total
