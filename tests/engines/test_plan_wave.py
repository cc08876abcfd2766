"""The wave engine of any room against the exact box, itself and its own convergence."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from engines.box_scenes import OMNI, Pattern, PlainAir, Wall, box_scene, level_difference_db, paris_zeta
from engines.plan_rooms import L_PLAN, L_WALLS, box_both_ways, plan_room

from roomsim.bands import analysis_grid_hz
from roomsim.engines.plan_wave import Fineness, plan_convergence_db, solve_plan
from roomsim.engines.wave import solve_box
from roomsim.errors import InvalidValue
from roomsim.room.furnishing import Patch

SIZE = (5.5, 4.2, 2.5)
SOURCE = (0.1, 1.7, 0.75)
RNG = np.random.default_rng(11)
EARS = np.column_stack([RNG.uniform(1.5, 5.2, 10), RNG.uniform(0.3, 3.9, 10), RNG.uniform(0.5, 2.0, 10)])
HZ = analysis_grid_hz(20, 200, 12)
UNEVEN = [10 + 5j, 12, 15 - 4j, 20, 25, 10 - 8j]
CARDIOID = Pattern(lambda k, n: 0.5 * (1 + n[:, :1]) * np.ones(k.size), radius_m=0.1)
LOBES = Pattern(lambda k, n: np.exp(0.3j * np.outer(n[:, 1], k)), radius_m=0.3)
"""A driver 0.3 m beside its reference point: every order counts."""


def rms_db(found, expected) -> float:
    return float(np.sqrt(np.mean(level_difference_db(found, expected) ** 2)))


@pytest.mark.parametrize(
    ("zetas", "limit_db"),
    [
        ([30, 40, 25, 50, 20, 60], 0.1),
        (UNEVEN, 0.1),
        ([paris_zeta(0.9), *UNEVEN[1:]], 0.3),
        ([*UNEVEN[:4], paris_zeta(0.9), 30], 0.3),
    ],
    ids=["hard", "to 0.1", "soft front", "soft floor"],
)
def test_box_drawn_as_a_plan(zetas, limit_db):
    """The issue asks for 0.1 dB rms (0.3 with one wall at α = 0.9), 20 to 200 Hz; a tenth of it is held here."""
    box, plan = box_both_ways(SIZE, zetas, PlainAir(attenuation=2e-4))
    exact = solve_box(box_scene(box, [SOURCE], EARS), HZ)
    found = solve_plan(box_scene(plan, [SOURCE], EARS), HZ)
    assert rms_db(found, exact) < limit_db / 10
    assert np.linalg.norm(found - exact) / np.linalg.norm(exact) < 5e-4


@pytest.mark.parametrize(
    ("source", "pattern", "wall", "limit"),
    [
        (SOURCE, CARDIOID, None, 1e-3),
        ((0.0, 1.7, 0.75), LOBES, "front", 1e-3),
        # orders to 5 at 20 Hz ask for fifth derivatives of the elements: 0.03 dB rms
        ((1.5, 1.7, 0.75), LOBES, None, 1e-2),
    ],
    ids=["cardioid", "lobes on the wall", "lobes"],
)
def test_patterns_as_in_the_box(source, pattern, wall, limit):
    box, plan = box_both_ways(SIZE, UNEVEN)
    ears = EARS[EARS[:, 0] > source[0] + 1]
    exact = solve_box(box_scene(box, [source], ears, pattern, on_wall=wall, azimuth_deg=20), HZ)
    found = solve_plan(box_scene(plan, [source], ears, pattern, on_wall=wall, azimuth_deg=20), HZ)
    assert np.linalg.norm(found - exact) / np.linalg.norm(exact) < limit


def test_patches_as_in_the_box():
    """Rug, window and panel; the box engine's own patches are good to 0.02 dB rms at seats."""
    box, plan = box_both_ways(SIZE, UNEVEN)
    pieces = [("floor", 1.2 - 0.9j, (1.2, 0.8), (3.6, 3.4)), ("ceiling", 2 - 3j, (2.0, 1.0), (3.0, 3.0))]
    of_box = [*pieces, ("right", 6 - 3j, (1.0, 0.9), (3.0, 2.2)), ("left", 1.5 - 2j, (1.0, 0.5), (2.5, 1.5))]
    # along the plan's walls: left runs with x, right against it
    of_plan = [*pieces, ("right", 6 - 3j, (2.5, 0.9), (4.5, 2.2)), ("left", 1.5 - 2j, (1.0, 0.5), (2.5, 1.5))]
    rooms = []
    for room, patches in ((box, of_box), (plan, of_plan)):
        made = tuple(Patch(face=face, material=Wall(zeta), from_m=np.array(low), to_m=np.array(high))
                     for face, zeta, low, high in patches)
        rooms.append(replace(room, patches=made))
    exact = solve_box(box_scene(rooms[0], [SOURCE], EARS), HZ)
    found = solve_plan(box_scene(rooms[1], [SOURCE], EARS), HZ)
    assert rms_db(found, exact) < 0.03
    bare = solve_plan(box_scene(plan, [SOURCE], EARS), HZ)
    assert rms_db(bare, exact) > 1.0


def l_shape(patches=()):
    return plan_room(L_PLAN, L_WALLS, 2.4, [20, 15 - 5j, 25, 30, 18, 12 + 3j, 30, 22], patches=patches)


@pytest.mark.parametrize("patches", [(), (("floor", 2 - 3j, (1.2, 0.8), (3.6, 2.8)),)], ids=["bare", "rug"])
def test_source_and_seat_change_places(patches):
    """From the seats only: what differs is the rounding, and the order of the sums."""
    room = l_shape(patches)
    here, there = (0.2, 3.9, 0.8), (5.2, 1.1, 1.2)
    forth = solve_plan(box_scene(room, [here], [there]), HZ)
    back = solve_plan(box_scene(room, [there], [here]), HZ)
    assert np.linalg.norm(forth - back) / np.linalg.norm(forth) < 1e-9


def test_convergence_of_an_l_shape():
    """Against finer elements and longer series; driver and seat in different arms, so the corner counts."""
    scene = box_scene(l_shape((("floor", 2 - 3j, (1.2, 0.8), (3.6, 2.8)),)), [(0.1, 4.2, 0.8)], [(5.3, 1.2, 1.1)])
    assert plan_convergence_db(scene, analysis_grid_hz(20, 200, 6)) < 0.05
    coarse = Fineness(order=3, size=1.0)
    assert plan_convergence_db(scene, analysis_grid_hz(20, 200, 6), coarse) > 0.1


def test_another_loudspeaker_and_another_seat_are_not_mixed_up():
    """What is remembered between calls depends on room, frequencies and seats; a fresh order of calls tells."""
    room = l_shape()
    near, far = [(2.6, 3.0, 1.1)], [(5.2, 1.1, 1.2)]
    first = solve_plan(box_scene(room, [SOURCE], near), HZ[:8])
    other = solve_plan(box_scene(room, [SOURCE], far), HZ[:8])
    both = solve_plan(box_scene(room, [SOURCE], near + far), HZ[:8])[0]
    again = solve_plan(box_scene(room, [(0.1, 2.9, 0.75)], near + far), HZ[:8])[0]
    assert np.allclose(both, [first[0, 0], other[0, 0]], rtol=1e-9)
    assert not np.allclose(again, both, rtol=1e-2)


def test_range_and_shape_are_checked():
    scene = box_scene(l_shape(), [SOURCE], EARS[:1], OMNI)
    with pytest.raises(InvalidValue, match="reaches from 10 to"):
        solve_plan(scene, [5.0])
