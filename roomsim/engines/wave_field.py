"""The wave engine that serves a room, and how high it reaches there."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ..room.room import Room
from ..scene import Scene
from .plan_wave import highest_hz, solve_plan
from .wave import recent_roots, solve_box

CROSSFADE_HZ = (400.0, 800.0)
"""The octave over which the exact field of a box hands over to the images."""

PLAN_CROSSFADE_HZ = (200.0, 400.0)
"""The same in other rooms, whose mesh costs with the fourth power and more of the frequency."""


def room_crossfade_hz(room: Room, asked_hz: tuple[float, float] = CROSSFADE_HZ) -> tuple[float, float] | None:
    """Crossfade of a room: as asked for, lower where its mesh reaches less high; None where no wave engine serves it.

    The default of a box stands for PLAN_CROSSFADE_HZ in other rooms.
    """
    geometry = room.geometry
    if geometry.kind == "box":
        return asked_hz
    if not geometry.is_extruded:
        return None
    low, high = PLAN_CROSSFADE_HZ if asked_hz == CROSSFADE_HZ else asked_hz
    share = min(1.0, highest_hz(geometry, room.air.speed_m_s) / high)
    return low * share, high * share


def wave_pressure(scene: Scene, frequency_hz: NDArray[np.float64]) -> NDArray[np.complex128]:
    """Pressure of every channel at every listener, (n_channel, n_listener, n_frequency), up to the crossfade's end.

    Raises
    ------
    InvalidValue : a room or a frequency that no wave engine serves
    """
    if scene.room.geometry.kind == "box":
        return solve_box(scene, frequency_hz, roots=recent_roots(scene.room, frequency_hz))
    return solve_plan(scene, frequency_hz)
