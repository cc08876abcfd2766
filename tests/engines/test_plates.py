"""Near plates in the image engine: what they add, shade and join, by the weights themselves and by limits."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from engines.image_scenes import Formula, Surface, driver, room, scene
from independent.rigid_plate import scattered

from roomsim.bands import analysis_grid_hz
from roomsim.conventions import BOX_FACES
from roomsim.engines.fresnel import plate_weights
from roomsim.engines.images import trace_images
from roomsim.errors import InvalidValue
from roomsim.room.openings import Opening
from roomsim.room.plates import Plate
from roomsim.scene import Scene

SIZE = (6.0, 5.0, 3.0)
OPEN = dict.fromkeys(BOX_FACES, Opening())
RIGID = Surface(1e12)
HARD = Surface(20.0)
F = analysis_grid_hz(400, 8000, 12)
K = 2 * np.pi * F / 343.0
SEATS = [(3.1, 2.6, 1.1), (2.9, 1.9, 1.2), (3.4, 3.1, 1.0)]
BENCH = Plate(name="bench top", corner_m=[0, 1.9, 0.7], first_m=[0.35, 0, 0], second_m=[0, 1.2, 0])


def with_plates(a_scene: Scene, *plates: Plate) -> Scene:
    return replace(a_scene, loudspeakers=tuple(replace(one, plates=plates) for one in a_scene.loudspeakers))


def relative(found, expected) -> float:
    return float(np.sqrt(np.mean(np.abs(found - expected) ** 2) / np.mean(np.abs(expected) ** 2)))


def by_weights(source, seat, plate, rectangle=None):
    """Direct sound with one plate, from the weights; plate horizontal, its sides along x and y."""
    low, high = rectangle or (plate.corner_m[:2], plate.corners_m[2, :2])
    s, p = np.array(source) - [0, 0, plate.corner_m[2]], np.array(seat) - [0, 0, plate.corner_m[2]]
    straight, mirrored = (
        np.exp(-1j * K * r) / r for r in (np.linalg.norm(s - p), np.linalg.norm(s - p * [1, 1, -1])))
    up = [np.where([False, False, True], np.abs(x), x) for x in (s, p)]
    m, d = (w[0] for w in plate_weights(K, *up, low, high, (8.0, 14.0)))
    return (1 + d) * straight + m * mirrored if s[2] * p[2] > 0 else (1 - m) * straight - d * mirrored


@pytest.mark.parametrize("seat", [(3.1, 2.6, 1.1), (2.0, 2.0, 0.3), (1.0, 2.5, 2.6)])
def test_a_plate_in_the_open(seat) -> None:
    """All faces open: the direct sound and the plate alone; nodes and polynomials leave 1e-3."""
    source = (0.3, 2.4, 0.78)
    plate = Plate(name="shelf", corner_m=[0.1, 1.9, 0.7], first_m=[0.35, 0, 0], second_m=[0, 1.2, 0])
    part = trace_images(with_plates(scene(room(SIZE, OPEN), source, [seat]), plate), F, reflections=0)
    assert relative(part.pressure[0, 0], by_weights(source, seat, plate)) < 2e-3
    bare = np.exp(-1j * K * np.linalg.norm(np.subtract(source, seat))) / np.linalg.norm(np.subtract(source, seat))
    assert relative(part.pressure[0, 0], bare) > 0.05
    assert relative(part.direct[0, 0], part.pressure[0, 0]) < 1e-12      # 8 cm: all within a millisecond


def test_a_shelf_under_a_driver_against_boundary_elements() -> None:
    """The engine's own direct sound, bench under a driver, 700 Hz: 0.1 of it, where the echo itself is 0.3."""
    source, seat = (0.3, 2.5, 0.75), (3.2, 2.7, 1.6)
    plate = Plate(name="shelf", corner_m=[0.05, 2.2, 0.7], first_m=[0.5, 0, 0], second_m=[0, 0.6, 0])
    f = np.array([700.0])
    part = trace_images(with_plates(scene(room(SIZE, OPEN), source, [seat]), plate), f, reflections=0)
    r = np.linalg.norm(np.subtract(source, seat))
    k = 2 * np.pi * 700 / 343.0
    shift = np.array([0, 0, 0.7])
    extra = scattered(k, np.subtract(source, shift), np.subtract(seat, shift), (0.05, 2.2), (0.55, 2.8), 0.04)
    expected = np.exp(-1j * k * r) / r + extra
    assert abs(part.pressure[0, 0, 0] - expected) < 0.1 * abs(expected)
    assert abs(extra) > 0.15 * abs(expected)


def test_a_plate_as_large_as_the_floor_is_a_rigid_floor() -> None:
    """Paths of one and two hits in the room beside it are followed; its edges 40 m away leave a per cent."""
    source = (0.6, 2.4, 0.8)
    plate = Plate(name="floor", corner_m=[-40, -40, 1e-5], first_m=[90, 0, 0], second_m=[0, 90, 0])
    others = {face: HARD if face in ("front", "left") else Opening() for face in BOX_FACES}
    found = trace_images(with_plates(scene(room(SIZE, others), source, SEATS), plate), F, reflections=0)
    expected = trace_images(scene(room(SIZE, others | {"floor": RIGID}), source, SEATS), F, reflections=0)
    assert relative(found.pressure, expected.pressure) < 0.02


def test_the_wall_continues_a_bench_that_touches_it() -> None:
    """A rigid wall and a bench against it are a bench of twice the depth with the driver's image, and no wall."""
    source, seat = np.array([0.2, 2.4, 0.78]), SEATS[0]
    walls = OPEN | {"front": RIGID}
    a_scene = scene(room(SIZE, walls), source, [seat], wall="front")
    found = trace_images(with_plates(a_scene, BENCH), F, reflections=0).pressure[0, 0]
    both = ((-0.35, 1.9), (0.35, 3.1))
    expected = sum(by_weights(source * [side, 1, 1], seat, BENCH, both) for side in (1, -1))
    assert relative(found, expected) < 0.01


def test_a_bench_shades_the_floor() -> None:
    """A bar well back on a deep bench: the floor's reflection is gone at high frequency, the ceiling's stronger."""
    bench = Plate(name="bench top", corner_m=[0, 1.2, 0.7], first_m=[0.8, 0, 0], second_m=[0, 2.4, 0])
    source = (0.15, 2.4, 0.78)
    f = analysis_grid_hz(2000, 8000, 24)
    only_floor = scene(room(SIZE, OPEN | {"floor": HARD}), source, SEATS)
    bare, shaded = (trace_images(s, f, reflections=0).early for s in (only_floor, with_plates(only_floor, bench)))
    assert np.mean(np.abs(shaded) ** 2) < 0.1 * np.mean(np.abs(bare) ** 2)
    only_ceiling = scene(room(SIZE, OPEN | {"ceiling": HARD}), source, SEATS)
    bare, lit = (trace_images(s, f, reflections=0).early for s in (only_ceiling, with_plates(only_ceiling, bench)))
    assert 1.3 < np.mean(np.abs(lit) ** 2) / np.mean(np.abs(bare) ** 2) < 3      # 2 for incoherent doubling


def test_far_plates_are_early_sound_and_near_ones_direct() -> None:
    source = (0.3, 2.4, 1.2)
    a_scene = scene(room(SIZE, OPEN), source, SEATS)
    near, far = (
        trace_images(with_plates(a_scene, Plate(
            name="plate", corner_m=[-1, 0, z], first_m=[4, 0, 0], second_m=[0, 5, 0])), F, reflections=0)
        for z in (1.1, 0.7)
    )
    assert np.abs(near.early).max() == 0
    assert np.mean(np.abs(far.early) ** 2) > 0.3 * np.mean(np.abs(far.direct) ** 2)


def test_the_image_has_the_mirrored_pattern() -> None:
    """A driver that radiates upwards only sends nothing to a seat above by way of a plate below it, and the reverse."""
    f = analysis_grid_hz(2000, 8000, 12)
    table = Plate(name="table", corner_m=[-20, -20, 0.7], first_m=[50, 0, 0], second_m=[0, 50, 0])
    for sign, least, most in ((1, 0.0, 0.02), (-1, 0.98, 1.02)):
        up = Formula(lambda k, n, s=sign: np.where(s * n[:, 2:] > 0, 1.0, 0.0) * np.ones(k.size))
        a_scene = scene(room(SIZE, OPEN), {"mono": [driver((0, 0, 0), up)]}, [(2.0, 2.4, 2.0)], at=(0.5, 2.4, 0.9))
        found = trace_images(with_plates(a_scene, table), f, reflections=0).pressure[0, 0]
        echo = np.hypot(1.5, 1.5)
        direct = trace_images(a_scene, f, reflections=0).pressure[0, 0]
        share = np.abs(found - direct) * echo
        assert least <= share.mean() <= most


def test_on_wall_drivers_and_channels_of_several() -> None:
    """An on-wall bar of three above a bench: twice the free bar's half, to the small offset of a free driver."""
    walls = OPEN | {"front": RIGID}
    bar = {"bar": [driver((0, y, 0)) for y in (-0.3, 0.0, 0.3)]}
    on, free = (
        trace_images(with_plates(
            scene(room(SIZE, walls), bar, SEATS, at=(x, 2.4, 0.8), wall="front", on_wall=on_wall), BENCH),
            F, reflections=0).pressure
        for x, on_wall in ((0.0, True), (1e-4, False))
    )
    assert relative(2 * on, free) < 0.02
    one, two = (
        trace_images(with_plates(
            scene(room(SIZE, walls), bar, SEATS, at=(0.1, 2.4, 0.8), wall="front"), BENCH), F, reflections=0, threads=n)
        for n in (1, 2)
    )
    assert np.array_equal(one.pressure, two.pressure)


def test_raising_the_driver_changes_the_sound_smoothly() -> None:
    heights = np.arange(0.78, 1.2, 0.01)        # nearer to the plate than 8 cm the echo itself turns faster
    f = np.array([500.0, 1500.0, 4000.0])
    p = np.array([
        trace_images(with_plates(scene(room(SIZE, OPEN), (0.2, 2.4, z), SEATS[:1]), BENCH), f, reflections=0).pressure
        for z in heights
    ])[:, 0, 0]
    fine, coarse = (np.abs(np.diff(p[::n], 2, axis=0)).max(axis=0) for n in (1, 2))
    assert np.all(coarse > 2.5 * fine)


def test_what_is_no_plate() -> None:
    with pytest.raises(InvalidValue, match="right angles"):
        Plate(name="askew", corner_m=[0, 0, 0], first_m=[1, 0, 0], second_m=[1, 1, 0])
    with pytest.raises(InvalidValue, match="millimetre"):
        Plate(name="line", corner_m=[0, 0, 0], first_m=[1, 0, 0], second_m=[0, 0, 0])


def test_echoes_are_listed_under_the_plates_name() -> None:
    """First in time, though they belong to the direct sound; delay and level by mirror and weight; with the ceiling."""
    source = (0.3, 2.4, 0.82)
    shelf = Plate(name="bench top", corner_m=[0, 1.9, 0.7], first_m=[0.6, 0, 0], second_m=[0, 1.2, 0])
    a_scene = with_plates(scene(room(SIZE, OPEN | {"ceiling": HARD}), source, SEATS[:1]), shelf)
    part = trace_images(a_scene, F, reflections=6)
    first, *others = sorted(part.reflections, key=lambda one: one.delay_ms)
    assert first.faces == ("bench top",)
    s, e = np.array(source), np.array(SEATS[0])
    direct, mirrored = np.linalg.norm(s - e), np.linalg.norm(s * [1, 1, -1] + [0, 0, 1.4] - e)
    assert first.delay_ms == pytest.approx((mirrored - direct) / 343.0 * 1e3, abs=1e-3)
    assert first.elevation_deg == pytest.approx(-np.degrees(np.arcsin((1.1 - 0.58) / mirrored)), abs=0.1)
    f = analysis_grid_hz(500, 4000, 24)
    shift = np.array([0, 0, 0.7])
    m, d = (w[0] for w in plate_weights(2 * np.pi * f / 343, s - shift, e - shift, (0, 1.9), (0.6, 3.1), (8.0, 14.0)))
    straight, echo = (np.exp(-2j * np.pi * f * r / 343) / r for r in (direct, mirrored))
    whole = (1 + d) * straight + m * echo
    expected = 10 * np.log10(np.mean(np.abs(m / mirrored) ** 2) / np.mean(np.abs(whole) ** 2))
    assert first.level_db == pytest.approx(expected, abs=0.3)
    assert ("ceiling",) in [one.faces for one in others]
    assert ("bench top", "ceiling") in [one.faces for one in others]
    assert part.reflections == tuple(sorted(part.reflections, key=lambda one: -one.level_db))
    bare = trace_images(scene(room(SIZE, OPEN | {"ceiling": HARD}), source, SEATS[:1]), F, reflections=6)
    assert [one.faces for one in bare.reflections] == [("ceiling",)]
