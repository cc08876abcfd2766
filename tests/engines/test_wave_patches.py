"""Patches in the exact field of a box: another solver, the exact box itself, reciprocity, the wall's own condition."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from engines.box_scenes import Pattern, PlainAir, Wall, box_room, box_scene, level_difference_db
from hypothesis import given, settings
from hypothesis import strategies as st
from independent.fdtd_patch import patched_box_transfer

from roomsim.air import Air
from roomsim.conventions import BOX_FACES
from roomsim.engines import wave_patches
from roomsim.engines.patch_layout import Deviation, Layout, layout, uncovered
from roomsim.engines.wave import prepare, solve_box
from roomsim.room.furnishing import Patch
from roomsim.room.materials import material

SIZE = np.array([5.5, 4.2, 2.5])
UNEVEN = [12 + 3j, 30, 15 - 4j, 20, 25, 10 - 8j]
SOFT = 1.2 - 0.9j
SOURCE, EARS = (0.3, 1.7, 0.8), [(3.1, 2.2, 1.2), (2.9, 1.2, 1.3), (4.1, 3.0, 1.1), (3.0, 3.8, 1.9)]
RUG = ("floor", SOFT, (1.2, 0.8), (3.6, 3.4))
WINDOW = ("right", 6 - 3j, (1.0, 0.9), (3.0, 2.2))
PANEL = ("front", SOFT, (1.2, 0.5), (2.4, 1.1))
CURTAIN = ("back", SOFT, (0.0, 0.0), (4.2, 2.5))


def patched(room, *patches):
    """The room with patches (face, ζ or material, from, to)."""
    made = [
        Patch(face=face, material=zeta if hasattr(zeta, "impedance") else Wall(zeta), from_m=low, to_m=high)
        for face, zeta, low, high in patches
    ]
    return replace(room, patches=tuple(made))


def field(room, f, source=SOURCE, listeners=EARS, pattern=None, **options):
    """Pressure of one driver, shape (n_listener, n_frequency)."""
    extra = {} if pattern is None else {"pattern": pattern}
    return solve_box(box_scene(room, [source], listeners, **extra, **options), f)[0]


def relative(found, expected) -> float:
    """Worst over frequency of the rms error over listeners re the rms field."""
    return float(np.max(np.linalg.norm(found - expected, axis=0) / np.linalg.norm(expected, axis=0)))


def of_pieces(room, face, zeta, f, cuts):
    """Roots of a room of which one face is left uniform and all of it deviates, in four pieces: no shortcut."""
    number = BOX_FACES.index(face)
    size = np.delete(SIZE, number // 2)
    spans = [((0.0, cut * length), (cut * length, length)) for cut, length in zip(cuts, size, strict=True)]
    pieces = tuple(
        Deviation(axis=number // 2, side=number % 2, low_m=np.array([u[0], v[0]]), high_m=np.array([u[1], v[1]]),
                  material=zeta if hasattr(zeta, "impedance") else Wall(zeta))
        for u in spans[0] for v in spans[1]
    )
    roots = prepare(room, f, separation_m=0.3)
    return replace(roots, layout=Layout(base=roots.layout.base, deviations=pieces))


@pytest.mark.parametrize("beta", [0.6, 0.25])
def test_absorber_against_finite_differences(beta: float) -> None:
    """2 × 2 m on one wall, one source 0.1 m from another, ten seats, 20 to 160 Hz: asked for are 0.4 dB rms.

    A 7-point grid of 0.05 m has 0.06-0.08 dB rms of dispersion at 80-160 Hz itself, 0.02 below 80: 0.1 dB is what it
    can tell, 0.02 below 80 Hz.
    """
    walls = np.array([[0.06, 0.1], [0.15, 0.04], [0.05, 0.12]])
    size, source = (4.8, 3.6, 2.4), (0.1, 1.2, 0.7)
    ears = np.round(np.random.default_rng(4).uniform([1.5, 0.5, 0.7], [4.5, 3.2, 1.7], (10, 3)) / 0.05) * 0.05
    f = np.arange(20.0, 161.0)
    expected = patched_box_transfer(size, walls, [(1, 1, (1.3, 0.2), (3.3, 2.2), beta)], source, ears, f)
    bare = box_room(size, list(1 / walls.ravel()))
    found = field(patched(bare, ("right", 1 / beta, (1.3, 0.2), (3.3, 2.2))), f, source, ears) / (4 * np.pi)
    error = level_difference_db(found, expected)
    assert np.sqrt(np.mean(error**2)) < 0.1
    assert np.sqrt(np.mean(error[:, f <= 80] ** 2)) < 0.02
    without = level_difference_db(field(bare, f, source, ears) / (4 * np.pi), expected)
    assert np.sqrt(np.mean(without**2)) > 1.5       # the patch matters


def test_patches_that_meet_in_a_corner_against_finite_differences() -> None:
    """On the floor and on two walls, touching each other; the grid of 0.05 m tells 0.1 dB rms."""
    walls = np.full((3, 2), 0.08)
    size, source, f = (3.0, 2.4, 2.2), (0.15, 0.5, 0.6), np.arange(25.0, 161.0)
    ears = [(1.5, 0.5, 1.3), (2.5, 1.5, 0.3), (2.2, 1.1, 1.2), (2.95, 2.35, 1.0), (0.5, 2.0, 2.0)]
    pieces = [
        (2, 0, (1.5, 0.9), (3.0, 2.4), 0.5), (0, 1, (1.1, 0.0), (2.4, 1.3), 0.7), (1, 1, (1.2, 0.1), (2.8, 1.9), 0.3),
    ]
    expected = patched_box_transfer(size, walls, pieces, source, ears, f, seconds=0.3)
    faces = {(2, 0): "floor", (0, 1): "back", (1, 1): "right"}
    room = patched(
        box_room(size, list(1 / walls.ravel())),
        *((faces[axis, end], 1 / beta, low, high) for axis, end, low, high, beta in pieces),
    )
    error = level_difference_db(field(room, f, source, ears) / (4 * np.pi), expected)
    assert np.sqrt(np.mean(error**2)) < 0.1


@pytest.mark.parametrize("face, cuts", [("front", (0.37, 0.6)), ("right", (0.5, 0.2)), ("floor", (0.71, 0.45))])
def test_a_porous_layer_over_a_whole_wall_is_the_exact_box(face: str, cuts: tuple[float, float]) -> None:
    """The complex ζ(f) of a porous layer in four pieces on a hard wall, 20 to 790 Hz, solved for and not shortcut.

    The field on a whole wall has no kinks at edges, so that all that is left is the polynomials' own: 3e-4.
    """
    layer = material("wool panel 50 mm, 50 mm gap")
    hard = box_room(SIZE, UNEVEN, Air())
    f = np.array([20.0, 47.0, 100.0, 180.0, 315.0, 500.0, 790.0])
    scene = box_scene(hard, [SOURCE], EARS)
    found = solve_box(scene, f, roots=of_pieces(hard, face, layer, f, cuts))[0]
    zetas = list(UNEVEN)
    zetas[BOX_FACES.index(face)] = layer
    expected = field(box_room(SIZE, zetas, Air()), f)
    assert relative(field(hard, f), expected) > 0.3
    assert relative(found, expected) < 3e-4


def test_a_patch_over_a_whole_wall_is_that_wall() -> None:
    f = np.array([31.0, 125.0, 480.0, 790.0])
    zetas = list(UNEVEN)
    zetas[1] = SOFT
    expected = field(box_room(SIZE, zetas), f)
    assert relative(field(patched(box_room(SIZE, UNEVEN), CURTAIN), f), expected) < 1e-12
    halves = [("back", SOFT, (0.0, 0.0), (1.9, 2.5)), ("back", SOFT, (1.9, 0.0), (4.2, 2.5))]
    assert relative(field(patched(box_room(SIZE, UNEVEN), *halves), f), expected) < 3e-4


def test_a_patch_of_the_walls_own_finish_changes_nothing() -> None:
    f = np.array([31.0, 125.0, 480.0])
    plain = box_room(SIZE, UNEVEN)
    same = patched(plain, ("floor", plain.materials["floor"], (1.0, 1.0), (2.0, 3.0)))
    twin = patched(plain, ("floor", UNEVEN[4], (1.0, 1.0), (2.0, 3.0)), ("back", UNEVEN[1], (0.0, 0.0), (4.2, 1.0)))
    assert relative(field(same, f), field(plain, f)) < 1e-9
    assert relative(field(twin, f), field(plain, f)) < 1e-9
    beside = patched(plain, RUG, ("back", UNEVEN[1], (0.0, 0.0), (4.2, 1.0)))
    assert relative(field(beside, f), field(patched(plain, RUG), f)) < 1e-9


def test_reciprocity() -> None:
    """Source and listener change places: all three walls, edges and opposite walls; to rounding of the sums."""
    room = patched(box_room(SIZE, UNEVEN, Air()), RUG, WINDOW, PANEL, ("back", SOFT, (1.0, 0.2), (3.0, 2.2)))
    f = np.array([25.0, 90.0, 250.0, 700.0])
    points = np.array([SOURCE, *EARS])
    forth = np.array([field(room, f, a, points[points[:, 0] != a[0]]) for a in points])
    index = [[j for j in range(5) if j != i] for i in range(5)]
    for i in range(5):
        for j in range(5):
            if i != j:
                there, back = forth[i][index[i].index(j)], forth[j][index[j].index(i)]
                assert np.abs(there - back).max() < 1e-7 * np.abs(there).max()


def test_sums_have_converged(monkeypatch) -> None:
    """Twice the wavenumber and four more polynomials a side move the field by 0.4 % at most (0.03 dB)."""
    room = patched(box_room(SIZE, UNEVEN), RUG, WINDOW, PANEL)
    f = np.array([25.0, 63.0, 125.0, 250.0, 500.0, 790.0])
    found = field(room, f)
    monkeypatch.setattr(wave_patches, "REACH_PER_K", 8.0)
    monkeypatch.setattr(wave_patches, "LEAST_REACH", 60.0)
    monkeypatch.setattr(wave_patches, "_MORE_ORDERS", 7)
    finer = field(room, f)
    assert 1e-6 < relative(found, finer) < 4e-3


@pytest.mark.parametrize("beneath", [True, False])
def test_field_satisfies_the_condition_of_patch_and_wall(monkeypatch, beneath: bool) -> None:
    """∂p/∂n = -jkβp 0.4 m and more inside and outside a rug's edge, by a one-sided third-order difference.

    A gradient that jumps at the edge is a Fourier sum: its overshoot at distance d is 1/(Qd), so the sums run to
    Q = 120 per metre here and 3 % of kβp on the rug is left.
    """
    monkeypatch.setattr(wave_patches, "LEAST_REACH", 120.0)
    monkeypatch.setattr(wave_patches, "_MORE_ORDERS", 7)
    room = patched(box_room(SIZE, UNEVEN), RUG)
    f = np.array([50.0, 100.0, 200.0])
    k = 2 * np.pi * f / 343.0
    h, at = 0.02, (2.1 if beneath else 4.0, 2.3)
    zeta = SOFT if beneath else UNEVEN[4]
    p = field(room, f, listeners=[(*at, z) for z in (1e-6, h, 2 * h, 3 * h)])
    inward = (-11 * p[0] + 18 * p[1] - 9 * p[2] + 2 * p[3]) / (6 * h)
    wrong = 1j * k * p[0] / (UNEVEN[4] if beneath else SOFT)
    expected = 1j * k * p[0] / zeta
    assert np.abs(inward - expected).max() < 0.03 * np.abs(k * p[0] / SOFT).max()
    assert np.abs(inward - wrong).min() > 0.5 * np.abs(expected - wrong).min()


@pytest.mark.parametrize("distance", [0.12, 0.3])
def test_a_source_with_a_pattern_before_a_patch(distance: float) -> None:
    """Two points 0.1 m apart in one pattern or as two sources, before a panel on their wall, 0.3 dB at 63-500 Hz.

    One pattern of order ka + 4 leaves 0.02 dB in the free room; right before a panel some 0.1 dB more.
    """
    room = patched(box_room(SIZE, UNEVEN), PANEL)
    centre, offset = np.array([distance, 1.8, 0.8]), np.array([0.0, 0.05, 0.0])
    f = np.array([63.0, 125.0, 250.0, 500.0])

    def pair(k, n):
        return np.exp(1j * k * (n @ offset)[:, None]) + np.exp(-1j * k * (n @ offset)[:, None])

    found = field(room, f, centre, EARS, Pattern(pair, radius_m=0.05))
    expected = field(room, f, centre + offset, EARS) + field(room, f, centre - offset, EARS)
    assert np.abs(level_difference_db(found, expected)).max() < 0.3


def test_on_wall_source_beside_and_on_a_patch() -> None:
    """An on-wall point equals a free one on the wall, also on a panel; its half-space data are twice as strong."""
    room = patched(box_room(SIZE, UNEVEN), PANEL)
    f = np.array([40.0, 160.0, 500.0])
    for point in ((0.0, 3.2, 1.0), (0.0, 1.8, 0.8)):
        there = field(room, f, point, EARS, Pattern(lambda k, n: np.full((len(n), k.size), 2.0)), on_wall="front")
        free = field(room, f, np.add(point, (1e-6, 0, 0)), EARS)
        assert relative(there, free) < 1e-4


def test_moving_and_growing_patches_change_the_field_smoothly() -> None:
    """Steps of 5 cm: second differences stay far below the whole change."""
    f = np.array([80.0, 300.0])
    bare = box_room(SIZE, UNEVEN)
    for moves in ("along", "size"):
        steps = np.arange(0, 1.01, 0.05)
        walk = [
            patched(bare, ("floor", SOFT, (0.5 + (s if moves == "along" else 0), 1.0), (2.0 + s, 2.5))) for s in steps
        ]
        p = np.array([field(room, f) for room in walk])
        bend = np.abs(np.diff(p, 2, axis=0)).max()
        assert bend < 0.03 * np.abs(p).max()


def test_nearly_covered_walls_take_their_largest_finish() -> None:
    """A carpet with a bare rim is solved as carpet: the same field either way, with far fewer unknowns."""
    room = patched(box_room(SIZE, UNEVEN), ("floor", SOFT, (0.1, 0.1), (5.4, 4.1)))
    plan = layout(room)
    assert plan.base["floor"] is room.patches[0].material
    assert sum(np.prod(one.high_m - one.low_m) for one in plan.deviations) == pytest.approx(5.5 * 4.2 - 5.3 * 4.0)
    f = np.array([40.0, 160.0, 400.0])
    own = room.materials["floor"]
    roots = prepare(replace(room, patches=()), f, separation_m=0.3)
    patch = Deviation(axis=2, side=0, low_m=np.array([0.1, 0.1]), high_m=np.array([5.4, 4.1]),
                      material=room.patches[0].material)
    other = replace(roots, layout=Layout(base=roots.layout.base | {"floor": own}, deviations=(patch,)))
    expected = solve_box(box_scene(other.room, [SOURCE], EARS), f, roots=other)[0]
    assert relative(field(room, f), expected) < 0.01


def test_patches_that_are_nothing_but_sealed_and_open() -> None:
    """An opening (ζ = 1) takes the strength out of the lowest mode; energy is never made: |p| at resonance falls."""
    f = np.linspace(28, 34, 13)         # the first mode along 5.5 m, 31.2 Hz
    bare = box_room(SIZE, [60.0] * 6, PlainAir())
    closed, opened = (np.abs(field(room, f)).max() for room in (bare, patched(bare, ("back", 1.0, (1, 0), (2, 2)))))
    assert opened < 0.5 * closed


@given(st.lists(st.tuples(st.integers(0, 7), st.integers(0, 5), st.integers(1, 4), st.integers(1, 4)), max_size=6))
@settings(max_examples=60, deadline=None)
def test_uncovered_rectangles_fill_what_is_left(boxes) -> None:
    """Every cell of a grid is covered by exactly one of given rectangles and rest (given ones do not overlap)."""
    taken = np.zeros((8, 6), int)
    covered = []
    for x, y, width, height in boxes:
        part = taken[x : x + width, y : y + height]
        if part.any():
            continue
        part += 1
        covered.append((np.array([x, y], float), np.array([min(x + width, 8), min(y + height, 6)], float)))
    for low, high in uncovered(np.array([8.0, 6.0]), covered):
        x, y = slice(*map(round, (low[0], high[0]))), slice(*map(round, (low[1], high[1])))
        taken[x, y] += 1
    assert (taken == 1).all()
