"""The exact field of a box: published values, its own equation, other solvers, and every awkward place."""

from __future__ import annotations

import numpy as np
import pytest
from engines.box_scenes import (
    OMNI,
    RIGID,
    Pattern,
    PlainAir,
    Wall,
    box_room,
    box_scene,
    level_difference_db,
    paris_zeta,
)
from independent.fdtd_box import box_transfer
from printed import published_table

from roomsim.air import Air
from roomsim.bands import analysis_grid_hz
from roomsim.engines.wave import prepare, solve_box
from roomsim.errors import InvalidValue
from roomsim.room.geometry import Geometry
from roomsim.sphere import unit_vectors

SIZE = np.array([5.5, 4.2, 2.5])
UNEVEN = [12 + 3j, 30, 15 - 4j, 20, 25, 10 - 8j]
GRID = analysis_grid_hz(20, 1000, 6)


def field(room, source, listeners, f, pattern=OMNI, **options):
    """Pressure of one driver, shape (n_listener, n_frequency)."""
    closing = options.pop("closing_axis", None)
    return solve_box(box_scene(room, [source], listeners, pattern, **options), f, closing_axis=closing)[0]


def random_passive_zeta(rng, highest_absorption: float) -> complex:
    """Complex ζ whose random-incidence absorption (Paris's integral by quadrature) is below a limit."""
    node, weight = np.polynomial.legendre.leggauss(200)
    theta = (node + 1) * np.pi / 4
    while True:
        zeta = np.exp(rng.uniform(np.log(0.6), np.log(80))) * np.exp(1j * rng.uniform(-1.4, 1.4))
        reflection = (zeta * np.cos(theta) - 1) / (zeta * np.cos(theta) + 1)
        absorbed = np.sum(weight * np.pi / 4 * (1 - np.abs(reflection) ** 2) * np.sin(2 * theta))
        if absorbed < highest_absorption:
            return zeta


@pytest.mark.parametrize("closing_axis", [None, 0, 1, 2])
def test_published_green_function_of_a_damped_rigid_box(closing_axis) -> None:
    """Eight values: asked for are the 4 digits in which the table's own two sums agree (1.2e-4).

    Held to one unit of the table's sixth decimal, as its source rounded twice.
    """
    rows = published_table("morse-bolt1944_green")
    f = np.array([float(row["frequency_hz"]) for row in rows])
    expected = np.array([complex(float(row["real_1_m"]), float(row["imag_1_m"])) for row in rows])
    room = box_room([5, 4, 2.5], [RIGID] * 6, PlainAir(speed_m_s=343.0, attenuation=13.8155 / 343.0))
    green = field(room, [0.3, 0.4, 0.5], [[3.6, 2.1, 1.2]], f, closing_axis=closing_axis)[0] / (4 * np.pi)
    assert len(rows) == 8
    assert np.abs(green - expected).max() < 1e-6


def test_closing_on_another_axis_gives_the_same_field() -> None:
    """50 seeded rooms, α to 0.8 per wall with complex ζ, to 1 kHz; another set of roots, another closed form."""
    rng = np.random.default_rng(20)
    worst = 0.0
    for _ in range(50):
        size = rng.uniform([3, 2.5, 2.2], [7, 5.5, 3.2])
        room = box_room(size, [random_passive_zeta(rng, 0.8) for _ in range(6)], Air())
        apart = np.zeros(3)
        while np.sort(apart)[1] < 0.5:
            source, listener = rng.uniform(0.02, 0.98, (2, 3)) * size
            apart = np.abs(source - listener)
        first, second = np.argsort(-apart)[:2]
        one, other = (field(room, source, [listener], GRID, closing_axis=int(a))[0] for a in (first, second))
        worst = max(worst, np.abs(level_difference_db(one, other)).max())
    assert worst < 1e-5


def test_finite_differences_in_time() -> None:
    """Unequal walls, source 0.1 m from one; ears inside, on a wall and in a corner.

    A 7-point grid of 0.05 m has 0.06-0.08 dB rms of dispersion at 80-160 Hz itself: 0.1 dB is what it can tell.
    """
    beta = np.array([[0.06, 0.12], [0.2, 0.03], [0.08, 0.25]])
    source = (0.1, 1.0, 0.6)
    ears = np.array([(2.5, 1.9, 1.2), (1.6, 0.7, 1.6), (3.0, 2.3, 0.3), (5.5, 2.0, 1.0), (5.5, 4.2, 0.0)])
    f = np.arange(20.0, 161.0)
    expected = box_transfer(SIZE, beta, source, ears, f, seconds=0.45)
    inside = np.clip(ears, 2e-6, SIZE - 2e-6)
    found = field(box_room(SIZE, list(1 / beta.ravel())), source, inside, f) / (4 * np.pi)
    rms = np.sqrt(np.mean(level_difference_db(expected, found) ** 2, axis=1))
    assert rms.max() < 0.1
    low = f <= 80
    assert np.sqrt(np.mean(level_difference_db(expected, found)[:, low] ** 2, axis=1)).max() < 0.02


def test_finite_differences_come_nearer_with_the_square_of_the_grid() -> None:
    """What is left is the grid's: halving it leaves a quarter (2.5 to 6 times less, resonances apart)."""
    beta = np.array([[0.06, 0.12], [0.2, 0.03], [0.08, 0.25]])
    size, source, ears = (3.4, 2.6, 2.2), (0.2, 1.0, 0.6), [(2.4, 1.8, 1.2), (3.0, 2.2, 0.4)]
    f = np.arange(20.0, 121.0, 2.0)
    found = field(box_room(size, list(1 / beta.ravel())), source, ears, f) / (4 * np.pi)
    error = [
        np.linalg.norm(box_transfer(size, beta, source, ears, f, spacing_m=h, seconds=0.3) - found)
        for h in (0.2, 0.1)
    ]
    assert 2.5 < error[0] / error[1] < 6


@pytest.mark.parametrize("centre", [(3.1, 2.2, 1.3), (0.4, 3.9, 2.2)])
def test_field_satisfies_its_equation(centre) -> None:
    """(∇² + k²)p = 0 by fourth-order differences, air included; their own error (kh)⁴/90 is 3e-5 at 500 Hz."""
    room = box_room(SIZE, UNEVEN, Air(temperature_c=20))
    h, f = 0.025, np.array([40.0, 125.0, 300.0, 500.0])
    k = 2 * np.pi * f / room.air.speed_m_s - 1j * room.air.attenuation_np_per_m(f)
    points = [np.array(centre)]
    for axis in range(3):
        for step in (-2, -1, 1, 2):
            points.append(np.array(centre) + step * h * np.eye(3)[axis])
    p = field(room, [0.1, 1.7, 0.8], points, f)
    laplacian = -3 * 30 * p[0]
    for axis in range(3):
        outer_low, low, high, outer_high = p[1 + 4 * axis : 5 + 4 * axis]
        laplacian = laplacian + 16 * (low + high) - (outer_low + outer_high)
    residual = laplacian / (12 * h**2) + k**2 * p[0]
    scale = np.abs(k**2) * np.sqrt(np.mean(np.abs(p) ** 2, axis=0))
    assert np.abs(residual / scale).max() < 2e-4


@pytest.mark.parametrize("face", range(6))
def test_field_satisfies_the_walls_condition(face: int) -> None:
    """∂p/∂n = -jkβp with the real k, by a one-sided third-order difference."""
    room = box_room(SIZE, UNEVEN, Air())
    axis, end = divmod(face, 2)
    f = np.array([50.0, 200.0, 450.0])
    start = np.array([3.4, 2.9, 1.4])
    h = 0.01
    points = []
    for step in range(5):
        point = start.copy()
        point[axis] = 2e-6 + step * h if end == 0 else SIZE[axis] - 2e-6 - step * h
        points.append(point)
    p = field(room, [0.6, 1.1, 0.7], points, f)
    inward = (-25 * p[0] + 48 * p[1] - 36 * p[2] + 16 * p[3] - 3 * p[4]) / (12 * h)
    k = 2 * np.pi * f / room.air.speed_m_s
    expected = 1j * k / UNEVEN[face] * p[0]
    scale = k * np.sqrt(np.mean(np.abs(p) ** 2, axis=0))
    assert np.abs((inward - expected) / scale).max() < 1e-4      # (kh)^4 of the stencil is 5e-5


def test_reciprocity() -> None:
    rng = np.random.default_rng(3)
    room = box_room(SIZE, UNEVEN, Air())
    for _ in range(6):
        a, b = rng.uniform(0.02, 0.98, (2, 3)) * SIZE
        there, back = field(room, a, [b], GRID)[0], field(room, b, [a], GRID)[0]
        assert np.abs(there - back).max() < 1e-9 * np.abs(there).max()


def close_to_source(pattern, room, source, offset, f):
    listener = np.array(source) + offset
    return field(room, source, [listener], f, pattern)[0]


def test_near_the_source_the_free_field_remains() -> None:
    """p r e^{jkr} → D as r → 0: the room adds a finite field, whatever it is, and r times that goes to zero."""
    room = box_room(SIZE, UNEVEN, Air())
    f = np.array([20.0, 63.0, 250.0, 1000.0])
    k = 2 * np.pi * f / room.air.speed_m_s
    direction = np.array([0.6, -0.48, 0.64])
    left = []
    for r in (0.04, 0.02, 0.01, 0.005):
        p = close_to_source(OMNI, room, [1.9, 2.3, 1.1], r * direction, f)
        left.append(np.abs(p - np.exp(-1j * k * r) / r))
    reverberant = np.array(left)
    assert np.abs(np.diff(reverberant, axis=0)).max() < 0.5        # smooth, where 1/r runs from 25 to 200
    assert reverberant.max() < 20


@pytest.mark.parametrize("source", [(2.0, 1.9, 1.2), (0.05, 2.0, 0.7), (0.04, 0.05, 0.03)])
def test_close_pairs_join_the_guided_modes(source) -> None:
    """Heat-kernel split against guided modes carried on to 0.15 m: two sums that share roots and nothing else.

    A driver of 0.05 m with a pattern to order 3. 0.001 dB is what κ·0.15 m = 20 Np leaves of the second.
    """
    room = box_room(SIZE, UNEVEN, Air())
    # forward-leaning, with a quadrupole and an octupole as strong as a source of that size can have them
    pattern = Pattern(
        lambda k, n: 1 + 0.8 * n[:, :1] + 0.3 * (k * 0.05) ** 2 * n[:, :1] * n[:, 1:2]
        + 0.1 * (k * 0.05) ** 3 * n[:, :1] * n[:, 1:2] * n[:, 2:3],
        radius_m=0.05,
    )
    f = np.array([20.0, 60.0, 200.0, 500.0, 1000.0])
    listener = np.add(source, [0.18, 0.11, 0.15])
    scene = box_scene(room, [source], [listener], pattern, azimuth_deg=25)
    close, guided = solve_box(scene, f)[0, 0], solve_box(scene, f, closing_axis=0)[0, 0]
    assert np.abs(level_difference_db(close, guided)).max() < 1e-3
    assert np.abs(close - guided).max() < 1e-4 * np.abs(close).max()


def test_field_is_continuous_where_the_way_of_summing_changes() -> None:
    """Seats on both sides of the limits at which another axis, group or sum takes over."""
    room = box_room(SIZE, UNEVEN, Air())
    source = np.array([1.0, 1.0, 1.0])
    for distance in (0.3, 0.5, 1.0):
        for spread in ((1, 0.99, 0.2), (1, 0, 0), (0.3, 1, 0.2)):
            step = np.array(spread) * distance
            near, far = field(room, source, [source + step * (1 - 1e-7), source + step * (1 + 1e-7)], GRID)
            assert np.abs(near - far).max() < 1e-5 * np.abs(near).max()


def test_places_that_share_coordinates_walls_corners_and_nodes() -> None:
    """Each against the same pair closed on another axis, or reciprocal where only one axis serves."""
    room = box_room(SIZE, UNEVEN, Air())
    edge = 2e-6
    pairs = [
        ((0.1, 2.1, 1.1), (3.1, 2.1, 1.1)),                          # straight ahead: two shared coordinates
        ((0.1, 2.1, 1.25), (2.75, 2.1, 1.25)),                       # nodal planes of rigid modes
        ((edge, 1.5, 0.7), (3.0, edge, 1.4)),                        # both on a wall
        ((edge, edge, edge), (SIZE[0] - edge, SIZE[1] - edge, SIZE[2] - edge)),
        ((edge, edge, edge), (edge, SIZE[1] - edge, edge)),          # two corners of one wall
        ((2.75, 2.1, edge), (2.75, 2.1, SIZE[2] - edge)),            # above each other
    ]
    for source, listener in pairs:
        apart = np.abs(np.array(source) - listener)
        forth = field(room, source, [listener], GRID)[0]
        back = field(room, listener, [source], GRID)[0]
        assert np.all(np.isfinite(forth))
        assert np.abs(forth - back).max() < 1e-9 * np.abs(forth).max()
        for axis in np.flatnonzero(apart > 0.5):
            other = field(room, source, [listener], GRID, closing_axis=int(axis))[0]
            assert np.abs(level_difference_db(forth, other)).max() < 1e-5


def test_a_source_at_a_node_does_not_excite_the_mode() -> None:
    """Half-way along x the first axial mode of a nearly rigid box vanishes (its own place: 15 dB less at least)."""
    room = box_room(SIZE, [400] * 6)
    f = np.array([343.0 / (2 * 5.5)])
    listener = [5.0, 2.0, 1.2]
    at_node, beside = (abs(field(room, [x, 1.0, 0.5], [listener], f)[0, 0]) for x in (2.75, 0.5))
    assert 20 * np.log10(beside / at_node) > 15


@pytest.mark.parametrize("absorption", [0.0, 0.05, 0.3, 0.6])
def test_on_wall_source_equals_its_free_twin(absorption: float) -> None:
    """A small source measured in a baffle (D = 2) on the wall, and in free field (D = 1) in front of it."""
    room = box_room(SIZE, [paris_zeta(absorption) if absorption else RIGID, 20, 15, 25, 30, 12 + 5j], Air())
    seats = np.random.default_rng(1).uniform([1, 0.1, 0.1], SIZE - 0.1, (8, 3))
    half = Pattern(lambda k, n: 2 * np.ones((len(n), k.size)), half_space=True)
    on_wall = field(room, [0, 1.7, 0.8], seats, GRID, half, on_wall="front")
    rms = []
    for gap in (0.03, 0.01, 0.003, 0.001):
        free = field(room, [gap, 1.7, 0.8], seats, GRID)
        rms.append(np.sqrt(np.mean(level_difference_db(free, on_wall) ** 2)))
    assert rms[-1] < 0.005          # 0.15 dB is asked for
    assert np.all(np.diff(rms) < 0) and rms[0] < 1.0


def test_free_source_goes_to_the_wall_smoothly() -> None:
    """Steps between gaps shrink with the gap, down to where only the pressure at the wall itself is left."""
    room = box_room(SIZE, UNEVEN, Air())
    gaps = np.array([0.08, 0.04, 0.02, 0.01, 0.005, 0.0025, 2e-6])
    f = GRID[GRID < 500]
    fields = np.array([field(room, [gap, 1.7, 0.8], [[3.2, 2.0, 1.1]], f)[0] for gap in gaps])
    steps = np.abs(np.diff(fields, axis=0)).max(axis=1)
    assert np.all(steps[1:-1] < 0.75 * steps[:-2]) and steps[-1] < steps[-2] * 1.2


@pytest.mark.parametrize("wall, point", [("right", (2.0, 4.2, 1.0)), ("ceiling", (2.0, 1.5, 2.5))])
def test_on_wall_on_any_wall(wall, point) -> None:
    room = box_room(SIZE, UNEVEN, Air())
    half = Pattern(lambda k, n: 2 * np.ones((len(n), k.size)), half_space=True)
    seats = [[4.0, 1.0, 1.2], [0.5, 2.2, 0.4]]
    on_wall = field(room, point, seats, GRID, half, on_wall=wall)
    free = field(room, np.minimum(point, SIZE - 1e-3), seats, GRID)
    assert np.abs(level_difference_db(free, on_wall)).max() < 0.05


def test_on_wall_reference_point_in_front_of_the_wall() -> None:
    """The same baffled source, its data referred to a point 0.06 m before the wall: the same field.

    D e^{-jk 0.06 n_x} has its travel to that point removed. Referred back it is smooth again: equal to rounding.
    """
    room = box_room(SIZE, UNEVEN, Air())
    plain = Pattern(lambda k, n: 2 * np.ones((len(n), k.size)), half_space=True, speed_m_s=room.air.speed_m_s)
    shifted = Pattern(
        lambda k, n: 2 * np.exp(-0.06j * np.outer(n[:, 0], k)), half_space=True, speed_m_s=room.air.speed_m_s
    )
    seats = [[3.0, 1.0, 1.2], [4.5, 2.2, 0.4]]
    on = field(room, [0, 1.7, 0.8], seats, GRID, plain, on_wall="front")
    before = field(room, [0.06, 1.7, 0.8], seats, GRID, shifted, on_wall="front")
    assert np.abs(on - before).max() < 1e-6 * np.abs(on).max()


@pytest.mark.parametrize("x", [0.1, 1.2])
def test_two_coherent_drivers_as_one_pattern(x: float) -> None:
    """0.7 m apart, given as the sphere measured about their middle: rms per seat within 0.1 dB to 500 Hz."""
    room = box_room(SIZE, UNEVEN)
    f = np.arange(20.0, 501.0, 3.0)
    seats = np.random.default_rng(2).uniform([2.6, 0.3, 0.3], SIZE - 0.3, (8, 3))
    drivers = [[x, 2.1 - 0.35, 0.8], [x, 2.1 + 0.35, 0.8]]
    two = solve_box(box_scene(room, drivers, seats, one_channel=True), f)[0]
    bar = Pattern(lambda k, n: 2 * np.cos(np.outer(n[:, 1], k) * 0.35), radius_m=0.35)
    one = field(room, [x, 2.1, 0.8], seats, f, bar)
    assert np.sqrt(np.mean(level_difference_db(one, two) ** 2, axis=1)).max() < 0.03      # 0.1 is asked for
    assert np.abs(one - two).max() < 0.005 * np.sqrt(np.mean(np.abs(two) ** 2))


@pytest.mark.parametrize("azimuth_deg", [0.0, 35.0])
def test_dipole_and_quadrupole_are_differences_of_points(azimuth_deg: float) -> None:
    """D = n·d and (n·d)(n·e) against 2 and 4 monopoles (4th order in their small distance), aimed anywhere."""
    room = box_room(SIZE, UNEVEN)
    f = GRID[GRID > 60]
    k = 2 * np.pi * f / 343.0
    seats = [[3.3, 1.2, 1.4], [4.0, 3.3, 0.6]]
    centre, h = np.array([1.0, 1.8, 0.9]), 0.02
    ahead, left = unit_vectors(azimuth_deg, 0), unit_vectors(azimuth_deg + 90, 0)
    dipole = Pattern(lambda k, n: n[:, :1] * np.ones(k.size))
    quadrupole = Pattern(lambda k, n: n[:, :1] * n[:, 1:2] * (k * 0.05) ** 2, radius_m=0.2)

    def at(offset):
        return field(room, centre + offset, seats, f)

    def slope(offset):
        steps = [at(offset + s * h * ahead) for s in (1, 2)], [at(offset - s * h * ahead) for s in (1, 2)]
        return (8 * (steps[0][0] - steps[1][0]) - (steps[0][1] - steps[1][1])) / (12 * h) / (1j * k)

    found = field(room, centre, seats, f, dipole, azimuth_deg=azimuth_deg)
    expected = slope(0 * ahead)
    assert np.abs(found - expected).max() < 1e-3 * np.abs(expected).max()
    cross = (8 * (slope(h * left) - slope(-h * left)) - (slope(2 * h * left) - slope(-2 * h * left))) / (12 * h)
    cross = cross / (1j * k) * (k * 0.05) ** 2
    found = field(room, centre, seats, f, quadrupole, azimuth_deg=azimuth_deg)
    assert np.abs(found - cross).max() < 2e-3 * np.abs(cross).max()


def test_noise_in_high_orders_does_not_lead_in_the_bass(monkeypatch) -> None:
    """1 % of noise each in orders 2 and 3, as measured data have it, on a small driver.

    1 % in the far field is 0.1 dB, more in the notches. Unrestrained, the near field of order 3, 15/(kr)³,
    makes several decibels of it at 20 Hz and 0.9 m.
    """
    from roomsim.engines import multipoles

    room = box_room(SIZE, UNEVEN)
    noisy = Pattern(
        lambda k, n: (1 + 0.01 * np.sqrt(15) * n[:, :1] * n[:, 1:2]
                      + 0.01 * np.sqrt(105) * n[:, :1] * n[:, 1:2] * n[:, 2:3]) * np.ones(k.size),
        radius_m=0.03,
    )
    f = np.array([20.0, 31.5, 50.0, 80.0])
    seats = [[3.3, 1.2, 1.4], [2.0, 2.0, 0.6], [0.8, 2.3, 0.5]]
    source = [0.1, 1.8, 0.9]
    clean = field(room, source, seats, f)
    assert np.abs(level_difference_db(field(room, source, seats, f, noisy), clean)).max() < 0.3
    monkeypatch.setattr(multipoles, "_NEAR_FIELD", np.inf)
    assert np.abs(level_difference_db(field(room, source, seats, f, noisy), clean)).max() > 5


def test_data_without_phase_are_order_zero_in_the_bass() -> None:
    """A magnitude lobe |1 + cos| of a source with ka < 0.5 radiates as the omni of the same power."""
    room = box_room(SIZE, UNEVEN)
    lobe = Pattern(lambda k, n: np.abs(0.5 + 0.5 * n[:, :1]) * np.ones(k.size), has_phase=False, radius_m=0.1)
    f = np.array([30.0, 100.0, 200.0])      # ka = 0.37 at 200 Hz
    seats = [[3.3, 1.2, 1.4], [2.0, 2.0, 0.6]]
    source = [0.5, 1.8, 0.9]
    rms = np.sqrt(1 / 3)                    # mean of (1 + cos)²/4 over the sphere
    assert np.allclose(field(room, source, seats, f, lobe), rms * field(room, source, seats, f), rtol=1e-9)


def test_channels_add_their_drivers_and_designs_share_roots() -> None:
    room = box_room(SIZE, UNEVEN, Air())
    roots = prepare(room, GRID, separation_m=1.0)
    seats = [[3.0, 2.0, 1.1], [3.4, 1.4, 1.2], [0.35, 1.7, 0.9], [1.1, 3.9, 1.1]]      # near and far ones
    drivers = [[0.1, 1.6, 0.8], [0.1, 2.6, 0.8]]
    apart = solve_box(box_scene(room, drivers, seats), GRID)
    together = solve_box(box_scene(room, drivers, seats, one_channel=True), GRID, roots=roots)
    assert apart.shape == (2, 4, GRID.size) and together.shape == (1, 4, GRID.size)
    assert np.abs(apart.sum(axis=0) - together[0]).max() < 1e-6 * np.abs(together).max()


def test_walls_that_change_with_frequency_are_read_at_each() -> None:
    """ζ(f) = a constant at every single frequency: the same field as with that constant."""
    panel = Wall(lambda f: 8 + 1j * (f / 80 - 80 / f) * 6)
    f = np.array([35.0, 80.0, 310.0])
    scene = box_room(SIZE, [panel, 20, panel, 25, 30, 15])
    source, seats = [0.1, 1.7, 0.8], [[3.2, 2.0, 1.1]]
    whole = field(scene, source, seats, f)
    for index, frequency in enumerate(f):
        zeta = complex(panel.impedance(np.array([frequency]))[0])
        one = field(box_room(SIZE, [zeta, 20, zeta, 25, 30, 15]), source, seats, [frequency])
        assert np.allclose(whole[:, index], one[:, 0], rtol=1e-9)


def test_what_it_refuses() -> None:
    room = box_room(SIZE, UNEVEN)
    scene = box_scene(room, [[0.1, 1.7, 0.8]], [[3.2, 2.0, 1.1]])
    for f in ([5.0], [1200.0], []):
        with pytest.raises(InvalidValue, match="reaches from 10 to 1150 Hz"):
            solve_box(scene, f)
    with pytest.raises(InvalidValue, match="prepared for this room"):
        solve_box(scene, [50.0], roots=prepare(box_room(SIZE, UNEVEN), [50.0]))
    half = Pattern(lambda k, n: np.ones((len(n), k.size)), half_space=True)
    hung = box_scene(room, [[0, 1.7, 0.8]], [[3.2, 2.0, 1.1]], half, on_wall="front")
    object.__setattr__(hung, "emitters", tuple(_without_wall(e) for e in hung.emitters))
    with pytest.raises(InvalidValue, match="needs the wall"):
        solve_box(hung, [50.0])
    plan = Geometry(kind="plan", faces=room.geometry.faces, size_m=room.geometry.size_m, plan_m=room.geometry.plan_m)
    object.__setattr__(room, "geometry", plan)
    with pytest.raises(InvalidValue, match="box"):
        solve_box(scene, [50.0])


def _without_wall(emitter):
    from dataclasses import replace

    return replace(emitter, wall=None)
