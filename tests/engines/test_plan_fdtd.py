"""The wave engine in an L-shaped room against a finite-volume time-domain solver that fits its walls exactly."""

from __future__ import annotations

import numpy as np
import pytest
from engines.box_scenes import box_scene, level_difference_db
from engines.plan_rooms import L_WALLS, plan_room
from independent.fdtd_box import box_transfer
from independent.fdtd_solid import air_of_plan, solid_transfer

from roomsim.bands import analysis_grid_hz
from roomsim.engines.plan_wave import solve_plan

SMALL_L = np.array([[0, 0], [4.2, 0], [4.2, 2.0], [2.6, 2.0], [2.6, 3.6], [0, 3.6]])
HEIGHT_M = 2.2
SOURCE = (0.2, 2.8, 0.8)
HZ = analysis_grid_hz(20, 160, 24)


def in_l(points):
    x, y = points[:, 0], points[:, 1]
    return (x < 4.2) & (y < 3.6) & ((x < 2.6) | (y < 2.0))


def seats(count: int, spacing_m: float = 0.05) -> np.ndarray:
    """Seeded seats on the grid, at least 1 m in plan from the source, 0.2 m from walls."""
    rng = np.random.default_rng(20)
    found = []
    while len(found) < count:
        point = np.round(rng.uniform([0.2, 0.2, 0.4], [4.0, 3.4, 1.8]) / spacing_m) * spacing_m
        clear = all(in_l(point[None] + 0.2 * np.array([[i, j, 0]]))[0] for i in (-1, 1) for j in (-1, 1))
        if clear and np.linalg.norm(point[:2] - SOURCE[:2]) > 1:
            found.append(point)
    return np.array(found)


def admittance_of(betas):
    """β by the middles of surface squares; walls in the order of L_WALLS, then floor and ceiling."""
    left, back, step, bay, right, front, floor, ceiling = betas

    def admittance(points, axis, side):
        x, y = points[:, 0], points[:, 1]
        if axis == 0:
            return np.where(x < 1e-6, front, np.where(x > 4.1, back, bay))
        if axis == 1:
            return np.where(y < 1e-6, left, np.where(y > 3.5, right, step))
        return np.full(len(points), floor if side < 0 else ceiling)

    return admittance


def test_solver_against_its_twin_in_a_box():
    """Two independent grids, the same box: equal to rounding, so the balance at walls, edges and corners is right."""
    size, betas = (1.6, 1.2, 1.0), np.array([[0.05, 0.2], [0.1, 0.03], [0.3, 0.02]])
    f, source, ears = analysis_grid_hz(50, 300, 6), (0.2, 0.4, 0.3), [(1.2, 0.8, 0.6), (1.6, 1.2, 0.0)]
    air = air_of_plan(lambda points: np.ones(len(points), bool), size, 0.1)
    found = solid_transfer(
        air, lambda points, axis, side: np.full(len(points), betas[axis, (side + 1) // 2]), source, ears, f,
        spacing_m=0.1, seconds=0.4)
    expected = box_transfer(size, betas, source, ears, f, spacing_m=0.1, seconds=0.4)
    assert np.allclose(found, expected, rtol=1e-8)


EVEN, UNEVEN = [0.06] * 8, [0.02, 0.35, 0.05, 0.1, 0.04, 0.08, 0.15, 0.03]


def difference(betas, spacing_m: float):
    """Level difference [dB rms] and rms error re the rms field."""
    ears = seats(10, spacing_m)
    room = plan_room(SMALL_L, L_WALLS, HEIGHT_M, [1 / beta for beta in betas])
    found = solve_plan(box_scene(room, [SOURCE], ears), HZ)[0]
    air = air_of_plan(in_l, (4.2, 3.6, HEIGHT_M), spacing_m)
    expected = 4 * np.pi * solid_transfer(
        air, admittance_of(betas), SOURCE, ears, HZ, seconds=0.7, spacing_m=spacing_m)
    level = np.sqrt(np.mean(level_difference_db(found, expected) ** 2))
    return level, np.linalg.norm(found - expected) / np.linalg.norm(expected)


@pytest.mark.parametrize("betas", [EVEN, UNEVEN], ids=["even", "uneven"])
def test_l_shape(betas):
    """0.25 dB rms, 20 to 160 Hz, one source, ten seats: the issue's number. On this coarse grid 0.11 were found."""
    level, field = difference(betas, 0.1)
    assert level < 0.25
    assert field < 0.02


@pytest.mark.heavy
@pytest.mark.parametrize("betas", [EVEN, UNEVEN], ids=["even", "uneven"])
def test_l_shape_on_a_fine_grid(betas):
    """Half the spacing has to leave about a quarter of the difference, since all of it is the grid's: 0.031 found."""
    assert difference(betas, 0.05)[0] < 0.05
