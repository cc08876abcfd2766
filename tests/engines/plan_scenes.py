"""Rooms that are no box, shared by tests."""

from __future__ import annotations

import numpy as np
from engines.image_scenes import PlainAir, Surface

from roomsim.room.ceilings import ceiling_part
from roomsim.room.geometry import extruded_plan, plan_room, with_obstacles
from roomsim.room.obstacles import Obstacle
from roomsim.room.room import Room

L_PLAN = [[0, 0], [6, 0], [6, 3], [4, 3], [4, 5], [0, 5]]
L_WALLS = ["left", "back", "step", "bay", "right", "front"]
OBLONG, SIDES = [[0, 0], [5, 0], [5, 4], [0, 4]], ["left", "back", "right", "front"]


def l_shape(height_m=2.4):
    return extruded_plan(L_PLAN, L_WALLS, height_m)


def lean_to():
    return plan_room(L_PLAN, L_WALLS, [2.2, 3.4, 3.4, 3.0, 3.0, 2.2])


def gable():
    return plan_room(OBLONG, SIDES, 2.5, ceilings=[
        ceiling_part("west slope", [[0, 0], [5, 0], [5, 1.9], [0, 1.9]], [2, 2, 3.5, 3.5]),
        ceiling_part("east slope", [[0, 1.9], [5, 1.9], [5, 4], [0, 4]], [3.5, 3.5, 2, 2])])


def stepped():
    return plan_room(OBLONG, SIDES, 2.8, ceilings=[ceiling_part("low", [[0, 0], [2.1, 0], [2.1, 4], [0, 4]], 2.2)])


def furnished():
    """The L with a cupboard in a corner and a table turned across."""
    return with_obstacles(l_shape(), [
        Obstacle(name="cupboard", at_m=(5.7, 1.0), size_m=(1.6, 0.6, 2.0), azimuth_deg=180),
        Obstacle(name="table", at_m=(2.0, 3.6), size_m=(1.2, 0.8, 0.1), azimuth_deg=25, base_m=0.65)])


def room_of(geometry, surface=None, **more) -> Room:
    """One surface all over."""
    one = surface or Surface(20.0)
    return Room(name="test", geometry=geometry, materials=dict.fromkeys(geometry.surface_names, one),
                **{"air": PlainAir(), **more})


def inside(geometry, count: int, seed: int = 1, margin_m: float = 0.2) -> np.ndarray:
    """Random points inside, shape (count, 3)."""
    rng = np.random.default_rng(seed)
    low = np.append(geometry.plan_m.min(axis=0), 0.0)
    found: list[np.ndarray] = []
    while len(found) < count:
        point = low + rng.uniform(size=3) * geometry.size_m
        if geometry.contains(point, margin_m)[0]:
            found.append(point)
    return np.array(found)
