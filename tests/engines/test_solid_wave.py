"""The wave engine in three dimensions against the exact box, a plan on its side and a time-domain solver."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from engines.box_scenes import OMNI, Pattern, PlainAir, Wall, box_room, box_scene, level_difference_db
from independent.fdtd_solid import air_of_plan, solid_transfer

from roomsim.bands import analysis_grid_hz
from roomsim.engines.plan_wave import solve_plan
from roomsim.engines.solid_mesh import solid_mesh
from roomsim.engines.solid_reduced import RESIDUAL
from roomsim.engines.solid_wave import solve_solid
from roomsim.engines.wave import solve_box
from roomsim.room.ceilings import ceiling_part
from roomsim.room.furnishing import Patch
from roomsim.room.geometry import extruded_plan, plan_room
from roomsim.room.obstacles import Obstacle
from roomsim.room.room import Room

WALLS = ("left", "back", "right", "front")
PLAN = [[0, 0], [4.2, 0], [4.2, 3.4], [0, 3.4]]
SOURCE, EARS = (0.1, 1.7, 0.75), [(2.2, 1.2, 1.2), (3.4, 2.6, 1.1), (2.9, 0.5, 1.5), (1.8, 3.0, 0.9)]
ZETAS = [10 + 5j, 12, 15 - 4j, 20, 25, 10 - 8j]
HZ = analysis_grid_hz(25, 200, 3)
CARDIOID = Pattern(lambda k, n: 0.5 * (1 + n[:, :1]) * np.ones(k.size), radius_m=0.1)
LOBES = Pattern(lambda k, n: np.exp(0.3j * np.outer(n[:, 1], k)), radius_m=0.3)


def rms_db(found, expected) -> float:
    return float(np.sqrt(np.mean(level_difference_db(found, expected) ** 2)))


@pytest.mark.parametrize(
    ("source", "pattern", "wall"),
    [(SOURCE, OMNI, None), (SOURCE, CARDIOID, None), ((0.0, 1.7, 0.75), LOBES, "front")],
    ids=["monopole", "cardioid", "lobes on the wall"],
)
def test_box_in_three_dimensions(source, pattern, wall):
    """The issue's 0.1 dB rms for plans, held in three dimensions too; 0.02 to 0.03 were found."""
    room = box_room((4.2, 3.4, 2.4), ZETAS, PlainAir(attenuation=2e-4))
    scene = box_scene(room, [source], EARS, pattern, on_wall=wall)
    assert rms_db(solve_solid(scene, HZ), solve_box(scene, HZ)) < 0.1


def test_sloping_ceiling_against_the_same_room_on_its_side():
    """A ceiling that slopes along x alone is a plan in x and z, extruded along y: another engine serves that.

    The room's (x, y, z) is the plan's (x, z, y); walls change names with it.
    """
    slope = plan_room(PLAN, WALLS, [1.9, 2.9, 2.9, 1.9])
    materials = dict(zip((*WALLS, "floor", "ceiling"), map(Wall, ZETAS), strict=True))
    upright = Room(name="slope", geometry=slope, air=PlainAir(), materials=materials)
    profile = extruded_plan([[0, 0], [4.2, 0], [4.2, 2.9], [0, 1.9]], ("low", "back", "high", "front"), 3.4)
    turned = {"low": "floor", "back": "back", "high": "ceiling", "front": "front", "floor": "left", "ceiling": "right"}
    lying = Room(name="lying", geometry=profile, air=PlainAir(),
                 materials={face: materials[name] for face, name in turned.items()})
    found = solve_solid(box_scene(upright, [SOURCE], EARS), HZ)
    swapped = [(x, z, y) for x, y, z in (SOURCE, *EARS)]
    expected = solve_plan(box_scene(lying, swapped[:1], swapped[1:]), HZ)
    assert rms_db(found, expected) < 0.1
    level = Room(name="level", geometry=plan_room(PLAN, WALLS, 2.4), air=PlainAir(), materials=materials)
    assert rms_db(solve_plan(box_scene(level, [SOURCE], EARS), HZ), expected) > 0.5


def test_obstacle_against_a_time_domain_solver():
    """A cupboard to 1.4 m and a board on the wall, on the grid exactly; grid of 0.1 m, so to 160 Hz as the L-shape."""
    boxes = [Obstacle(name="cupboard", at_m=(1.6, 2.0), size_m=(1.2, 0.6, 1.4)),
             Obstacle(name="board", at_m=(3.9, 1.0), size_m=(1.0, 0.6, 0.4), base_m=1.0)]
    geometry = plan_room(PLAN, WALLS, 2.4, obstacles=boxes)
    betas = {"left": 0.08, "back": 0.05, "right": 0.1, "front": 0.04, "floor": 0.03, "ceiling": 0.12,
             "cupboard": 0.02, "board": 0.25}
    room = Room(name="full", geometry=geometry, air=PlainAir(),
                materials={name: Wall(1 / beta) for name, beta in betas.items()})

    def air(points):
        inside = np.ones(len(points), bool)
        for x0, x1, y0, y1, z0, z1 in ((1.3, 1.9, 1.4, 2.6, 0, 1.4), (3.6, 4.2, 0.5, 1.5, 1.0, 1.4)):
            x, y, z = points.T
            inside &= ~((x > x0) & (x < x1) & (y > y0) & (y < y1) & (z > z0) & (z < z1))
        return inside

    def admittance(points, axis, side):
        x, y, z = points.T
        outer = {(0, -1): x < 1e-6, (0, 1): x > 4.19, (1, -1): y < 1e-6, (1, 1): y > 3.39,
                 (2, -1): z < 1e-6, (2, 1): z > 2.39}[axis, side]
        name = {(0, -1): "front", (0, 1): "back", (1, -1): "left", (1, 1): "right", (2, -1): "floor",
                (2, 1): "ceiling"}[axis, side]
        return np.where(outer, betas[name], np.where(x < 2.5, betas["cupboard"], betas["board"]))

    source, ears = (0.2, 1.7, 0.8), [(2.8, 2.6, 1.2), (3.2, 0.8, 0.7), (2.4, 0.6, 1.7), (3.6, 3.0, 1.1)]
    f = analysis_grid_hz(25, 160, 6)
    found = solve_solid(box_scene(room, [source], ears), f)[0]
    cubes = air_of_plan(air, (4.2, 3.4, 2.4), 0.1)
    expected = 4 * np.pi * solid_transfer(cubes, admittance, source, ears, f, spacing_m=0.1, seconds=0.7)
    assert rms_db(found, expected) < 0.25
    empty = solve_plan(box_scene(Room(name="empty", geometry=plan_room(PLAN, WALLS, 2.4), air=PlainAir(), materials={
        name: room.materials[name] for name in (*WALLS, "floor", "ceiling")}), [source], ears), f)[0]
    assert rms_db(empty, expected) > 1.0


SLOPE = Room(name="slope", geometry=plan_room(PLAN, WALLS, [1.9, 2.9, 2.9, 1.9]), air=PlainAir(),
             materials=dict(zip((*WALLS, "floor", "ceiling"), map(Wall, ZETAS), strict=True)))


def test_every_frequency_solved_by_itself_gives_the_same():
    """36 frequencies from the span of some: within ten times the residual that is left (see RESIDUAL)."""
    f = analysis_grid_hz(70, 140, 36)
    scene = box_scene(SLOPE, [SOURCE], EARS, CARDIOID)
    exact, found = solve_solid(scene, f, residual=0), solve_solid(scene, f)
    difference = np.linalg.norm(found - exact, axis=(0, 1)) / np.linalg.norm(exact, axis=(0, 1))
    assert 1e-9 < difference.max() < 10 * RESIDUAL
    assert rms_db(found, exact) < 0.01


def test_source_and_seat_change_places_under_a_slope():
    """The equation is symmetric; what is left of it differs between the two spans, so to its size."""
    forth = solve_solid(box_scene(SLOPE, [SOURCE], EARS[:1], OMNI), HZ)
    back = solve_solid(box_scene(SLOPE, EARS[:1], [SOURCE], OMNI), HZ)
    assert np.linalg.norm(forth - back) / np.linalg.norm(forth) < 2 * RESIDUAL


def test_patches_in_three_dimensions():
    """A patch all over a wall is that wall's finish, to rounding; one on the floor is the plan engine's."""
    ears = EARS[:2]
    whole = Patch(face="front", material=Wall(2 - 1j), from_m=np.array([0.0, 0.0]), to_m=np.array([3.4, 1.9]))
    covered = replace(SLOPE, patches=(whole,))
    painted = replace(SLOPE, materials={**SLOPE.materials, "front": whole.material})
    found, expected = (solve_solid(box_scene(room, [SOURCE], ears), HZ) for room in (covered, painted))
    assert np.linalg.norm(found - expected) / np.linalg.norm(expected) < 1e-6
    assert rms_db(solve_solid(box_scene(SLOPE, [SOURCE], ears), HZ), expected) > 0.5
    rug = Patch(face="floor", material=Wall(1.2 - 0.9j), from_m=np.array([0.8, 0.7]), to_m=np.array([2.6, 2.4]))
    level = replace(SLOPE, geometry=plan_room(PLAN, WALLS, 2.4), patches=(rug,))
    scene = box_scene(level, [SOURCE], ears)
    assert rms_db(solve_solid(scene, HZ), solve_plan(scene, HZ)) < 0.1


CEILINGS = (ceiling_part("slope", [[3, 0], [4.2, 0], [4.2, 3.4], [3, 3.4]], [2.6, 1.2, 1.2, 2.6]),
            ceiling_part("low", [[0, 0], [2, 0], [2, 1.5], [0, 1.5]], 2.2))
SOFA = Obstacle(name="sofa", at_m=(2.3, 2.0), size_m=(1.6, 0.8, 0.8), azimuth_deg=30)
DORMER = ceiling_part("dormer", [[1, 0], [3, 0], [3, 2], [1, 2]], [3.0, 3.0, 2.4, 2.4])


@pytest.mark.parametrize(
    "geometry",
    [plan_room(PLAN, WALLS, 2.6, ceilings=CEILINGS, obstacles=[SOFA]), plan_room(PLAN, WALLS, 2.4, ceilings=[DORMER]),
     plan_room(PLAN, WALLS, [2.0, 2.0, 3.0, 3.0])],
    ids=["slope, step and sofa", "dormer", "slope"],
)
def test_mesh_fills_the_room_and_fits_together(geometry):
    """Volume and surface are the geometry's own (divergence theorem): nothing overlaps, nothing gapes."""
    mesh = solid_mesh(geometry, 1.0)
    volume = np.linalg.det(mesh.frames[1]) / 6
    assert volume.min() > 0
    assert np.isclose(volume.sum(), geometry.volume_m3, rtol=1e-6)
    corners = np.sort(np.concatenate([np.delete(mesh.cells, k, axis=1) for k in range(4)]), axis=1)
    sides, count = np.unique(corners, axis=0, return_counts=True)
    assert count.max() == 2
    at = mesh.points_m[sides[count == 1]]
    area = np.linalg.norm(np.cross(at[:, 1] - at[:, 0], at[:, 2] - at[:, 0]), axis=1).sum() / 2
    assert np.isclose(area, geometry.surface_m2, rtol=1e-5)
