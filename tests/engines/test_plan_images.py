"""Images of rooms that are no box: against the box engine, path by path, reciprocity, patches, what is hidden."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from engines.image_reference import factor
from engines.image_scenes import Formula, PlainAir, Surface, driver, room, scene
from engines.plan_scenes import OBLONG, SIDES, furnished, inside, l_shape, lean_to, room_of
from independent.visible_images import Polygon, visible

from roomsim.bands import analysis_grid_hz
from roomsim.engines import images, plan_images
from roomsim.engines.hit_factors import HitFactors
from roomsim.engines.images import trace_images
from roomsim.engines.lattice import image_coordinates
from roomsim.engines.plan_factors import PlanHitFactors
from roomsim.engines.visible_paths import tree_faces, visible_paths
from roomsim.errors import InvalidValue
from roomsim.room.furnishing import Patch
from roomsim.room.geometry import plan_room
from roomsim.room.room import Room

SIZE = (5.0, 4.0, 2.5)
SURFACES = {"front": Surface(20 + 5j), "back": Surface(8 - 3j, 0.1), "left": Surface(15.0), "right": Surface(30 + 2j),
            "floor": Surface(40.0), "ceiling": Surface(5 - 5j, 0.2)}
AIR = PlainAir(attenuation=0.001)
RUG = Patch(face="floor", material=Surface(2 - 2j), from_m=[1.0, 1.0], to_m=[3.0, 3.0])
PANEL = Patch(face="right", material=Surface(3 - 1j), from_m=[2.0, 0.5], to_m=[3.0, 2.0])
SEATS = np.array([[3.1, 2.2, 1.1], [2.7, 1.3, 1.2], [3.4, 2.6, 0.97]])
F = analysis_grid_hz(200, 8000, 12)
LOBE = Formula(lambda k, n: 1 + 0.5 * np.outer(n[:, 0], k / (k + 3)) + 0.2j * n[:, 1:2] * np.ones_like(k))
HALF = Formula(lambda k, n: 1 + 0.5 * np.outer(np.abs(n[:, 0]), k / (k + 3)), half_space=True)
BAR = {"left": [(0, -0.4, 0), (0, -0.3, 0.02)], "right": [(0, 0.4, 0)]}


def twins(patches=()) -> list[Room]:
    """The same box as a box and drawn as a plan."""
    drawn = plan_room(OBLONG, SIDES, 2.5, room_axes=True)
    plain = replace(room(SIZE, SURFACES, AIR), patches=patches)
    return [plain, Room(name="plan", geometry=drawn, materials=SURFACES, air=AIR, patches=patches)]


def bar(pattern):
    return {name: [driver(at, pattern) for at in places] for name, places in BAR.items()}


@pytest.mark.parametrize("on_wall", [False, True], ids=["free", "on-wall"])
@pytest.mark.parametrize("patches", [(), (RUG, PANEL)], ids=["plain", "patches"])
def test_levels_of_paths_are_those_of_a_box(on_wall, patches):
    """Products of all hits of every path of 4 and fewer, to 1e-9, against the box engine's own (held to Kirchhoff's
    integral elsewhere); their images to 1e-9 m."""
    plain, drawn = twins(patches)
    nodes = np.array([200.0, 700.0, 3000.0])
    faces = tree_faces(drawn.geometry)
    source = np.array([0.0 if on_wall else 0.15, 1.7, 0.75])
    mount = faces.index("front") if on_wall else -1
    paths = visible_paths(faces, source, source, SEATS, np.full(3, 18.0), mount=mount)
    chosen = np.flatnonzero(paths.hits <= 4)
    found = PlanHitFactors(drawn, faces, nodes).of(paths, chosen, source, SEATS, mount)
    box_factors = HitFactors(plain, nodes)
    axis_of = {"front": (0, 0), "back": (0, 1), "left": (1, 0), "right": (1, 1), "floor": (2, 0), "ceiling": (2, 1)}
    for row, p in zip(found, chosen, strict=True):
        index = np.zeros(3, int)
        for name in (faces.names[f] for f in paths.faces_of(p)):
            axis, side = axis_of[name]
            # n hits the high face at odd planes above, the low one below: count and the last hit's side decide
            index[axis] = (abs(index[axis]) + 1) * (1 if side else -1)
        image = np.array([image_coordinates(source[a], SIZE[a], index[a]) for a in range(3)])
        assert image == pytest.approx(paths.image_m[p], abs=1e-9)
        expected = box_factors.at(index, image[None], SEATS[paths.listener[p]][None], (0, 0) if on_wall else None)
        assert row == pytest.approx(expected[0], abs=1e-9)
    assert len(chosen) > 100


@pytest.mark.parametrize("on_wall", [False, True], ids=["free", "on-wall"])
def test_a_box_drawn_as_a_plan_sounds_as_the_box(on_wall):
    """Whole sums of two channels with lobed drivers: the same paths count, and 0.2 % of the rms pressure is left.

    Tables stand on other points, and beyond 8 hits in an axis the box takes plane waves.
    """
    place = {"at": (0.0 if on_wall else 0.15, 1.7, 0.75), "wall": "front", "on_wall": on_wall}
    one, other = (
        trace_images(scene(a_room, bar(HALF if on_wall else LOBE), SEATS, **place), F, fade_s=0.008, all_within_ms=15)
        for a_room in twins()
    )
    assert np.array_equal(one.path_count, other.path_count)
    assert np.array_equal(one.hand_over_s, other.hand_over_s)
    for name in ("direct", "early"):
        a, b = getattr(one, name), getattr(other, name)
        assert np.sqrt(np.mean(np.abs(a - b) ** 2) / np.mean(np.abs(a) ** 2)) < 2e-3
    assert len(one.reflections) == len(other.reflections) > 24
    for a, b in zip(one.reflections, other.reflections, strict=True):
        assert (a.channel, set(a.faces)) == (b.channel, set(b.faces))
        assert [a.delay_ms, a.azimuth_deg, a.elevation_deg] == pytest.approx(
            [b.delay_ms, b.azimuth_deg, b.elevation_deg])
        assert a.level_db == pytest.approx(b.level_db, abs=0.01)
        assert a.high_level_db == pytest.approx(b.high_level_db, abs=0.01)


@pytest.mark.parametrize("made", [l_shape, lean_to], ids=["L-shape", "lean-to"])
def test_path_by_path(made):
    """Every visible path to 7 ms after the direct sound by brute force, summed in plain numpy at every frequency."""
    geometry = made()
    surfaces = {name: Surface(6 + 3 * k - 2j, 0.02 * k) for k, name in enumerate(geometry.surface_names)}
    a_room = Room(name="test", geometry=geometry, materials=surfaces, air=AIR)
    points = inside(geometry, 2, seed=12)
    a_scene = scene(a_room, points[0], points[1])
    reach = float(np.linalg.norm(points[1] - points[0])) + 2.5
    found = trace_images(a_scene, F, max_distance_m=reach, reflections=0)
    polygons = [Polygon(face.corners_m) for face in geometry.faces]
    total, count = np.zeros(F.size, complex), 0
    for order, length in visible(polygons, points[0], points[1], 3).items():
        if length > reach:
            continue
        image = points[0]
        for face in order:
            image = polygons[face].mirrored(image)
        direction, gain = (points[1] - image) / length, np.ones(F.size, complex)
        for face in reversed(order):
            cosine = abs(float(direction @ polygons[face].normal))
            gain = gain * factor(a_room, geometry.faces[face].name, F, cosine, length)
            direction = direction - 2 * (direction @ polygons[face].normal) * polygons[face].normal
        total += gain * np.exp(-(0.001 + 2j * np.pi * F / 343.0) * length) / length
        count += 1
    assert found.path_count[0, 0] == count > 6
    assert np.abs(found.pressure[0, 0] - total).max() < 1e-3 * np.sqrt(np.mean(np.abs(total) ** 2))


@pytest.mark.parametrize("made", [l_shape, lean_to, furnished], ids=["L-shape", "lean-to", "furnished"])
def test_reciprocity(made):
    """Small source and listener change places: the same pressure, to what single precision leaves."""
    geometry = made()
    a_room = room_of(geometry, Surface(9 - 4j, 0.1), air=AIR)
    one, other = inside(geometry, 2, seed=21, margin_m=0.4)
    there, back = (trace_images(scene(a_room, a, b), F, max_distance_m=18.0, reflections=0) for a, b in
                   ((one, other), (other, one)))
    assert there.path_count[0, 0] == back.path_count[0, 0] > 100
    assert np.abs(there.pressure - back.pressure).max() < 1e-4 * np.sqrt(np.mean(np.abs(there.pressure) ** 2))


def test_a_patch_over_a_whole_face_is_that_face():
    """On the L-shaped floor too, in two rectangles; what diffracts at the seam between both cancels."""
    geometry = l_shape()
    soft = Surface(2 - 2j)
    whole = dict.fromkeys(geometry.surface_names, Surface(20.0)) | {"floor": soft}
    laid = tuple(Patch(face="floor", material=soft, from_m=low, to_m=high)
                 for low, high in (([0, 0], [6, 3]), ([0, 3], [4, 5])))
    points = inside(geometry, 4, seed=5, margin_m=0.6)
    a, b = (
        trace_images(scene(Room(name="t", geometry=geometry, materials=materials, air=AIR, patches=patches), points[0],
                           points[1:]), F[F > 400], max_distance_m=7.0, reflections=0).pressure
        for materials, patches in ((whole, ()), (room_of(geometry).materials, laid))
    )
    # The floor of an L has no mirror images of its patches in the walls around: edges at the walls are left.
    assert np.sqrt(np.mean(np.abs(a - b) ** 2) / np.mean(np.abs(a) ** 2)) < 0.1


def test_behind_the_corner_there_is_no_direct_sound():
    geometry = l_shape()
    place = scene(room_of(geometry), (5.5, 2.5, 1.0), [(3.5, 4.5, 1.0), (3.0, 1.0, 1.0)])
    part = trace_images(place, F, reflection_listeners=(0, 1))
    assert np.all(part.direct[0, 0] == 0) and np.all(np.abs(part.direct[0, 1]) > 0)
    assert np.all(np.abs(part.early[0, 0]) > 0)
    assert {one.listener for one in part.reflections} == {1}


def test_the_hand_over_comes_earlier_where_paths_are_too_many(monkeypatch):
    geometry = furnished()
    points = inside(geometry, 2, seed=7)
    place = scene(room_of(geometry), points[0], points[1])
    full = trace_images(place, F, reflections=0, hand_over_s=0.05)
    monkeypatch.setattr(plan_images.visible_paths, "__kwdefaults__",
                        {**plan_images.visible_paths.__kwdefaults__, "budget": 60_000})
    less = trace_images(place, F, reflections=0, hand_over_s=0.05)
    assert less.hand_over_s[0, 0] < full.hand_over_s[0, 0] and less.path_count[0, 0] < full.path_count[0, 0]
    same = trace_images(place, F, reflections=0, max_distance_m=float(less.hand_over_s[0, 0]) * 343.0 + 1e-9)
    assert np.allclose(same.pressure, less.pressure, atol=1e-9)


def test_many_listeners_are_those_of_few(monkeypatch):
    """Blocks of listeners: the same pressures, counts and lists, by their own numbers."""
    geometry = lean_to()
    points = inside(geometry, 6, seed=17)
    place = scene(room_of(geometry), points[0], points[1:])
    options = {"max_distance_m": 12.0, "reflections": 3, "reflection_listeners": (0, 3)}
    whole = trace_images(place, F, **options)
    monkeypatch.setattr(images, "_PLAN_BLOCK", 2)
    parts = trace_images(place, F, **options)
    assert np.array_equal(whole.pressure, parts.pressure) and np.array_equal(whole.path_count, parts.path_count)
    assert whole.reflections == parts.reflections and {one.listener for one in parts.reflections} == {0, 3}


def test_the_whole_sum_needs_a_box():
    place = scene(room_of(l_shape()), (1, 1, 1), (3, 2, 1))
    with pytest.raises(InvalidValue, match="box"):
        trace_images(place, F, whole=True)
