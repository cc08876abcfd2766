"""A room's parts: faces less patches, patches, and what is refused."""

import numpy as np
import pytest

from roomsim.errors import InvalidValue
from roomsim.room.furnishing import Patch
from roomsim.room.geometry import box, extruded_plan
from roomsim.room.materials import material
from roomsim.room.room import Room

RUG = material("heavy carpet on underlay")


def room(geometry=None, **more):
    geometry = geometry or box(5.4, 4.2, 2.5)
    return Room(name="r", geometry=geometry, materials=dict.fromkeys(geometry.face_names, material("brick")), **more)


def patch(face, low, high):
    return Patch(face=face, material=RUG, from_m=np.array(low), to_m=np.array(high))


def test_parts_add_up_to_the_whole_surface():
    made = room(patches=(patch("floor", [1.2, 0.8], [3.6, 3.4]), patch("right", [1.0, 0.9], [3.0, 2.2])))
    areas = {part.name: part.area_m2 for part in made.parts()}
    assert sum(areas.values()) == pytest.approx(made.geometry.surface_m2)
    assert areas["floor: heavy carpet on underlay"] == pytest.approx(2.4 * 2.6)
    assert areas["floor"] == pytest.approx(5.4 * 4.2 - 2.4 * 2.6)


@pytest.mark.parametrize(
    ("face", "expected"),
    [("floor", [1, 2, 0]), ("ceiling", [1, 2, 2.5]), ("front", [0, 1, 2]), ("back", [5.4, 1, 2]), ("left", [1, 0, 2]),
     ("right", [1, 4.2, 2])],
)
def test_patch_corners_count_along_the_room_axes(face, expected):
    # x, y, z in this order, whichever two the face has.
    assert patch(face, [1, 2], [1.4, 2.2]).corners_m(box(5.4, 4.2, 2.5))[0] == pytest.approx(expected)


def test_patch_on_a_plan_wall_counts_from_its_first_corner():
    geometry = extruded_plan([[0, 0], [6, 0], [6, 3], [4, 3], [4, 5], [0, 5]],
                             ["left", "back", "step", "bay", "right", "front"], 2.5)
    assert patch("step", [0.5, 1], [1.5, 2]).corners_m(geometry)[0] == pytest.approx([5.5, 3, 1])
    assert patch("bay", [0.5, 1], [1.5, 2]).corners_m(geometry)[0] == pytest.approx([4, 3.5, 1])
    room(geometry, patches=(patch("floor", [0.5, 3.5], [3.5, 4.5]),))
    with pytest.raises(InvalidValue, match="leaves the floor"):
        room(geometry, patches=(patch("floor", [3, 2], [5, 4]),))


@pytest.mark.parametrize(
    ("patches", "message"),
    [
        ((patch("floor", [5, 1], [5.6, 2]),), "leaves the floor"),
        ((patch("front", [1, 1], [2, 2.6]),), "leaves the front"),
        ((patch("roof", [1, 1], [2, 2]),), "must be one of"),
        ((patch("floor", [1, 1], [3, 3]), patch("floor", [2, 2], [4, 4])), r"patches\[1\].*overlaps patches\[0\]"),
    ],
)
def test_patches_that_cannot_be_are_refused(patches, message):
    with pytest.raises(InvalidValue, match=message):
        room(patches=patches)


def test_touching_patches_are_fine_and_faces_need_materials():
    room(patches=(patch("floor", [1, 1], [2, 2]), patch("floor", [2, 1], [3, 2])))
    with pytest.raises(InvalidValue, match="at least a millimetre"):
        patch("floor", [1, 1], [1, 2])
    geometry = box(4, 4, 2.5)
    with pytest.raises(InvalidValue, match="every face needs a material"):
        Room(name="r", geometry=geometry, materials={"floor": RUG})
