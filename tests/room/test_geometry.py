"""Box geometry: names, normals, sizes, inside."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from roomsim.errors import InvalidValue
from roomsim.room.geometry import InvalidPlan, box, extruded_plan

sizes = st.tuples(st.floats(1.5, 20), st.floats(1.5, 20), st.floats(2, 6))


@given(sizes)
def test_volume_and_areas_are_those_of_a_box(size):
    length, width, height = size
    room = box(length, width, height)
    assert room.volume_m3 == pytest.approx(length * width * height)
    assert room.surface_m2 == pytest.approx(2 * (length * width + width * height + height * length))
    assert room.floor_m2 == pytest.approx(length * width)
    # A closed surface: the area vectors sum to zero (divergence theorem).
    assert sum(face.normal * face.area_m2 for face in room.faces) == pytest.approx(np.zeros(3), abs=1e-9)


def test_each_face_lies_where_the_frame_says():
    room = box(5.4, 4.2, 2.5)
    where = {"front": (0, 0.0), "back": (0, 5.4), "left": (1, 0.0), "right": (1, 4.2), "floor": (2, 0.0),
             "ceiling": (2, 2.5)}
    centre = room.size_m / 2
    for name, (axis, at) in where.items():
        face = room.face(name)
        assert face.axis == axis
        assert face.corners_m[:, axis] == pytest.approx(at)
        assert (centre - face.corners_m[0]) @ face.normal > 0, "normals point into the room"


def test_clearance_is_the_distance_to_the_nearest_face():
    room = box(5, 4, 2.5)
    points = [[0.3, 2, 1.2], [2.5, 3.8, 1.2], [2.5, 2, 2.4], [5.2, 2, 1], [2.5, 2, -0.1]]
    assert room.clearance_m(points) == pytest.approx([0.3, 0.2, 0.1, -0.2, -0.1])
    assert room.contains(points).tolist() == [True, True, True, False, False]


@pytest.mark.parametrize(
    ("size", "message"),
    [((0.5, 4, 2.5), "length_m = 0.5"), ((5, 4000, 2.5), "millimetres"), ((5, 4, 250), "centimetres")],
)
def test_impossible_sizes_are_refused_with_a_cure(size, message):
    with pytest.raises(InvalidValue, match=message):
        box(*size)


L_SHAPE = [[0, 0], [6, 0], [6, 3], [4, 3], [4, 5], [0, 5]]
L_WALLS = ["left", "back", "step", "bay", "right", "front"]


def test_plan_of_a_box_is_the_box():
    ours, plan = box(5.4, 4.2, 2.5), extruded_plan(
        [[0, 0], [5.4, 0], [5.4, 4.2], [0, 4.2]], ["left", "back", "right", "front"], 2.5)
    for face in ours.faces:
        twin = plan.face(face.name)
        assert twin.normal == pytest.approx(face.normal)
        assert twin.area_m2 == pytest.approx(face.area_m2)
    assert plan.volume_m3 == pytest.approx(ours.volume_m3)


def test_l_shape_by_hand():
    room = extruded_plan(L_SHAPE, L_WALLS, 2.5)
    assert room.floor_m2 == pytest.approx(6 * 3 + 4 * 2)          # two rectangles
    assert room.volume_m3 == pytest.approx(26 * 2.5)
    assert room.surface_m2 == pytest.approx(2 * 26 + 22 * 2.5)    # perimeter 22 m
    assert room.contains([[5, 1, 1], [5, 4, 1], [3.9, 4, 1], [2, 4.9, 1]]).tolist() == [True, False, True, True]
    assert room.clearance_m([[5, 2, 1.25], [3.5, 3.5, 1.25]]) == pytest.approx([1.0, 0.5])
    assert sum(f.normal * f.area_m2 for f in room.faces) == pytest.approx(np.zeros(3), abs=1e-12)


@pytest.mark.parametrize(
    ("corners", "walls", "corner", "rule"),
    [
        ([[0, 0], [4, 0]], ["a", "b"], 0, "3 to 200 corners"),
        (L_SHAPE, L_WALLS[:-1], 0, "6 corners need 6 wall names"),
        (L_SHAPE[::-1], L_WALLS, 1, "counter-clockwise"),
        ([[0, 0], [4, 4], [4, 0], [0, 4]], list("abcd"), 1, "crosses or touches"),
        ([[0, 0], [4, 0], [4, 0], [0, 4]], list("abcd"), 2, "same point as corner 3"),
        ([[0, 0], [2, 0], [4, 0], [4, 4], [0, 4]], list("abcde"), 2, "straight line"),
        ([[0, 0], [4, 0], [4.02, 0.02], [4, 4], [0, 4]], list("abcde"), 2, "0.028 m long"),
        ([[0, 0], [8, 0], [8, 1]], list("abc"), 1, "degrees"),
        ([[0, 0], [4, 0], [4, 3], [0, 3]], ["a", "floor", "c", "d"], 2, "may not be called floor"),
        ([[0, 0], [4, 0], [4, 3], [0, 3]], ["a", "b", "a", "d"], 3, "stands at corner 1 already"),
        ([[0, 0], [4, 0], [4, 3], [2, 0.0005], [0, 3]], list("abcde"), 1, "crosses or touches"),
    ],
)
def test_a_bad_plan_names_its_corner(corners, walls, corner, rule):
    with pytest.raises(InvalidPlan) as caught:
        extruded_plan(corners, walls, 2.5)
    assert any(number == corner and rule in text for number, text in caught.value.problems), caught.value.problems
