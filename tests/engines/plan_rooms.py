"""Rooms drawn as plans, of stated wall impedances, for tests of the wave engine of any room."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from engines.box_scenes import PlainAir, Wall, box_room

from roomsim.room.furnishing import Patch
from roomsim.room.geometry import extruded_plan
from roomsim.room.room import Room

BOX_WALLS = ("left", "back", "right", "front")
L_PLAN = np.array([[0, 0], [6, 0], [6, 3], [4, 3], [4, 5], [0, 5]], float)
L_WALLS = ("left", "back", "step", "bay", "right", "front")


def plan_room(plan, walls: Sequence[str], height_m: float, zetas: Sequence, air=None, patches=()) -> Room:
    """ζ of the walls in order, then floor and ceiling; patches are (face, ζ, from, to)."""
    finishes = [zeta if hasattr(zeta, "impedance") else Wall(zeta) for zeta in zetas]
    made = tuple(Patch(face=face, material=Wall(zeta), from_m=np.array(low), to_m=np.array(high))
                 for face, zeta, low, high in patches)
    return Room(name="plan", geometry=extruded_plan(plan, walls, height_m), air=air or PlainAir(), patches=made,
                materials=dict(zip((*walls, "floor", "ceiling"), finishes, strict=True)))


def box_both_ways(size: Sequence[float], zetas: Sequence, air=None) -> tuple[Room, Room]:
    """The same room as a box and drawn as a plan; ζ of front, back, left, right, floor, ceiling."""
    room = box_room(size, zetas, air)
    length, width, height = size
    geometry = extruded_plan([[0, 0], [length, 0], [length, width], [0, width]], BOX_WALLS, height)
    return room, Room(name="as a plan", geometry=geometry, air=room.air, materials=room.materials)
