"""Box geometry: names, normals, sizes, inside."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from roomsim.errors import InvalidValue
from roomsim.room.geometry import box

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
