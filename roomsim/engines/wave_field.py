"""The wave engine that serves a room, and how high it reaches there."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ..room.room import Room
from ..scene import Scene
from .plan_wave import highest_hz, solve_plan
from .solid_wave import highest_solid_hz, solve_solid
from .wave import recent_roots, solve_box

CROSSFADE_HZ = (400.0, 800.0)
"""The octave over which the exact field of a box hands over to the images."""

PLAN_CROSSFADE_HZ = (200.0, 400.0)
"""The same in other rooms of one height, whose mesh costs with the fourth power and more of the frequency."""

SOLID_CROSSFADE_HZ = (140.0, 280.0)
"""The same under sloping and stepped ceilings and among obstacles, where three dimensions are solved."""


def room_crossfade_hz(room: Room, asked_hz: tuple[float, float] = CROSSFADE_HZ) -> tuple[float, float] | None:
    """Crossfade of a room: as asked for, lower where its mesh reaches less high; None where no wave engine serves it.

    The default of a box stands for PLAN_CROSSFADE_HZ or SOLID_CROSSFADE_HZ in other rooms.
    """
    geometry, usual = room.geometry, asked_hz == CROSSFADE_HZ
    if geometry.kind == "box":
        return asked_hz
    if geometry.is_extruded:
        low, high = PLAN_CROSSFADE_HZ if usual else asked_hz
        top = highest_hz(geometry, room.air.speed_m_s)
    else:
        low, high = SOLID_CROSSFADE_HZ if usual else asked_hz
        top = highest_solid_hz(geometry, room.air.speed_m_s)
        if top == 0:
            return None
    share = min(1.0, top / high)
    return low * share, high * share


def wave_pressure(scene: Scene, frequency_hz: NDArray[np.float64]) -> NDArray[np.complex128]:
    """Pressure of every channel at every listener, (n_channel, n_listener, n_frequency), up to the crossfade's end.

    Raises
    ------
    InvalidValue : a room or a frequency that no wave engine serves
    """
    if scene.room.geometry.kind == "box":
        return solve_box(scene, frequency_hz, roots=recent_roots(scene.room, frequency_hz))
    return (solve_plan if scene.room.geometry.is_extruded else solve_solid)(scene, frequency_hz)
