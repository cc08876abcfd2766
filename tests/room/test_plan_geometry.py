"""Rooms that are no box: ceilings that slope and step, obstacles, what is inside, what is refused."""

import numpy as np
import pytest

from roomsim.errors import InvalidValue
from roomsim.room.ceilings import ceiling_part
from roomsim.room.geometry import InvalidPlan, box, extruded_plan, plan_room, with_obstacles
from roomsim.room.obstacles import Obstacle

L_PLAN = [[0, 0], [6, 0], [6, 3], [4, 3], [4, 5], [0, 5]]
L_WALLS = ["left", "back", "step", "bay", "right", "front"]
OBLONG = [[0, 0], [5, 0], [5, 4], [0, 4]]
SIDES = ["left", "back", "right", "front"]


def gable():
    """Eaves at 2 m along y = 0 and y = 4, ridge at 3.5 m along y = 2: two planes that meet."""
    parts = [ceiling_part("west slope", [[0, 0], [5, 0], [5, 2], [0, 2]], [2, 2, 3.5, 3.5]),
             ceiling_part("east slope", [[0, 2], [5, 2], [5, 4], [0, 4]], [3.5, 3.5, 2, 2])]
    return plan_room(OBLONG, SIDES, 2.5, ceilings=parts)


def stepped():
    """2.2 m over the first two metres, 2.8 m over the rest."""
    return plan_room(OBLONG, SIDES, 2.8, ceilings=[ceiling_part("low", [[0, 0], [2, 0], [2, 4], [0, 4]], 2.2)])


def tray():
    """A raised field in the middle of the ceiling: what is left has a hole."""
    return plan_room(OBLONG, SIDES, 2.4, ceilings=[ceiling_part("field", [[1, 1], [4, 1], [4, 3], [1, 3]], 2.7)])


def lean_to():
    """One slope over an L, from 2.2 m along x = 0 to 3.4 m along x = 6."""
    return plan_room(L_PLAN, L_WALLS, [2.2, 3.4, 3.4, 3.0, 3.0, 2.2])


def crossing():
    """A slope beside a level part that it crosses halfway along their common edge: two triangles of step."""
    return plan_room(OBLONG, SIDES, 2.5, ceilings=[ceiling_part("slope", [[0, 0], [5, 0], [5, 2], [0, 2]],
                                                               [2, 3, 3, 2])])


def obstructed(geometry=None):
    """A cupboard in a corner, a table on no legs in the middle, turned, a beam under the ceiling."""
    things = [Obstacle(name="cupboard", at_m=(0.3, 0.6), size_m=(1.2, 0.6, 2.0)),
              Obstacle(name="table", at_m=(2.5, 2.0), size_m=(1.0, 0.6, 0.1), azimuth_deg=30, base_m=0.7),
              Obstacle(name="beam", at_m=(2.5, 3.5), size_m=(0.3, 5.0, 0.4), base_m=2.1)]
    return with_obstacles(geometry or box(5, 4, 2.5), things)


ROOMS = {"gable": (gable, 5 * 4 * 2.75), "stepped": (stepped, 4 * (2 * 2.2 + 3 * 2.8)),
         "tray": (tray, 20 * 2.4 + 6 * 0.3),
         # 2.2 + 0.2 x over the two rectangles of the L: area times the height over the middle of each
         "lean-to": (lean_to, 20 * 2.6 + 6 * 3.2), "crossing": (crossing, 10 * 2.5 + 10 * 2.5),
         "obstacles": (obstructed, 50 - 1.44 - 0.06 - 0.6)}


@pytest.mark.parametrize("name", ROOMS)
def test_faces_close_and_hold_the_volume(name):
    """The area vectors of a closed surface sum to zero; by the divergence theorem the volume follows from faces."""
    made, volume = ROOMS[name]
    room = made()
    assert sum(face.normal * face.area_m2 for face in room.faces) == pytest.approx(np.zeros(3), abs=1e-9)
    assert room.volume_m3 == pytest.approx(volume, abs=1e-9)
    for axis in range(3):       # and the same with the theorem along one axis: each face's own place counts
        flux = sum(face.normal[axis] * _first_moment(face)[axis] for face in room.faces)
        assert -flux == pytest.approx(volume, abs=1e-8)
    assert len(set(room.face_names)) == len(room.faces)


def _first_moment(face):
    """∫ x dA over a polygon, fan of triangles with signs."""
    total = np.zeros(3)
    a = face.corners_m[0]
    for b, c in zip(face.corners_m[1:-1], face.corners_m[2:], strict=True):
        total += 0.5 * float(np.cross(b - a, c - a) @ face.normal) * (a + b + c) / 3
    return total


@pytest.mark.parametrize("name", ROOMS)
def test_inside_is_where_a_half_line_crosses_the_faces_an_odd_number_of_times(name):
    """Against a count of crossings of every face as a polygon (even-odd rule), 400 seeded points."""
    room = ROOMS[name][0]()
    rng = np.random.default_rng(5)
    points = rng.uniform(-0.3, 1.3, (400, 3)) * room.size_m
    direction = np.array([0.317, 0.511, 0.799])
    crossings = np.zeros(400, int)
    for face in room.faces:
        t = ((face.corners_m[0] - points) @ face.normal) / (direction @ face.normal)
        hit = points + t[:, None] * direction
        angle = np.zeros(400)
        for a, b in zip(face.corners_m, np.roll(face.corners_m, -1, axis=0), strict=True):
            u, v = a - hit, b - hit
            angle += np.arctan2(np.cross(u, v) @ face.normal, (u * v).sum(axis=1))
        crossings += (t > 0) & (np.abs(angle) > np.pi)
    assert np.array_equal(room.contains(points), crossings % 2 == 1)


def test_clearance_beside_a_slope_and_an_obstacle():
    room = plan_room(OBLONG, SIDES, [1.0, 1.0, 5.0, 5.0])          # 45 degrees: z = 1 + y
    assert room.clearance_m([2.5, 2.0, 2.5])[0] == pytest.approx(0.5 / np.sqrt(2))
    room = obstructed()
    assert room.clearance_m([1.0, 0.6, 1.0])[0] == pytest.approx(0.4)
    assert room.clearance_m([0.3, 0.6, 1.0])[0] < 0
    assert room.obstacle_at([[0.3, 0.6, 1.0]]) == "cupboard"


def test_ceiling_height():
    room = stepped()
    assert room.ceiling_m([[1, 1], [3, 1], [9, 9]]) == pytest.approx([2.2, 2.8, np.nan], nan_ok=True)
    assert not room.is_extruded
    assert extruded_plan(L_PLAN, L_WALLS, 2.5).is_extruded


def test_what_stands_against_a_face_covers_it():
    room = obstructed()
    assert room.face("floor").exposed_m2 == pytest.approx(20 - 0.72)
    assert room.face("front").exposed_m2 == pytest.approx(10 - 2.4 - 0.12)      # and the end of the beam
    assert room.face("left").exposed_m2 == pytest.approx(12.5 - 1.2)
    assert room.face("ceiling").exposed_m2 == pytest.approx(20 - 1.5)
    assert [room.face(f"cupboard: {side}").exposed_m2 for side in ("back", "right", "underside")] == [0, 0, 0]
    assert room.face("cupboard: front").exposed_m2 == pytest.approx(2.4)
    assert room.surface_m2 == pytest.approx(sum(face.exposed_m2 for face in room.faces))


def test_a_hairline_to_a_wall_is_closed():
    room = with_obstacles(box(5, 4, 2.5), [Obstacle(name="shelf", at_m=(0.2006, 2), size_m=(1, 0.4, 2))])
    assert room.obstacles[0].at_m == pytest.approx((0.2, 2))


def test_walls_follow_the_ceiling():
    room = stepped()
    assert room.face("left").area_m2 == pytest.approx(2 * 2.2 + 3 * 2.8)
    assert len(room.face("left").corners_m) == 6
    step = room.face("low step")
    assert step.of == "low"
    assert step.normal == pytest.approx([1, 0, 0])
    assert {"ceiling", "low"} <= set(room.surface_names)


@pytest.mark.parametrize(("heights", "key", "says"), [
    ([2.2, 3.4, 3.4, 3.1, 3.0, 2.2], "height_m[3]", "corner 4: the ceiling is no plane; the other corners ask for 3.0"),
    ([2.2, 3.4], "height_m", "6 corners need 6 heights, not 2"),
])
def test_heights_in_no_plane_name_their_corner(heights, key, says):
    with pytest.raises(InvalidValue) as caught:
        plan_room(L_PLAN, L_WALLS, heights)
    assert caught.value.key == key
    assert says in caught.value.rule


@pytest.mark.parametrize(("outline", "key", "says"), [
    ([[0, 0], [2, 0], [2, 4.2], [0, 4.2]], "ceilings.low.outline_m[2]", "corner 3: is outside the plan"),
    ([[1, 0], [2, 0], [2, 1], [1.5, -0.5]], "outline_m[0]", "crosses or touches"),
])
def test_parts_of_a_ceiling_that_cannot_be(outline, key, says):
    with pytest.raises(InvalidValue) as caught:
        plan_room(OBLONG, SIDES, 2.5, ceilings=[ceiling_part("low", outline, 2.2)])
    assert caught.value.key == key
    assert says in caught.value.rule


def test_parts_that_lie_over_each_other():
    parts = [ceiling_part("one", [[0, 0], [2, 0], [2, 2], [0, 2]], 2.2),
             ceiling_part("two", [[1, 1], [3, 1], [3, 3], [1, 3]], 2.3)]
    with pytest.raises(InvalidValue, match="lies over 'one'"):
        plan_room(OBLONG, SIDES, 2.5, ceilings=parts)


@pytest.mark.parametrize(("thing", "key", "says"), [
    ({"at_m": (0.2, 2), "size_m": (1, 0.6, 2)}, "obstacles.x.at_m", "its back left corner stands 0.10 m outside"),
    ({"at_m": (1, 2), "size_m": (1, 0.6, 2.7)}, "obstacles.x.size_m", "reaches 0.20 m above the ceiling"),
    ({"at_m": (0.32, 2), "size_m": (1, 0.6, 2)}, "obstacles.x.at_m", "stands 2.0 cm from the front"),
    ({"at_m": (3.2, 2), "size_m": (1, 0.6, 2)}, "obstacles.x.at_m", "stands inside 'other'"),
])
def test_obstacles_that_cannot_be(thing, key, says):
    other = Obstacle(name="other", at_m=(3, 2), size_m=(1, 1, 1))
    with pytest.raises(InvalidValue) as caught:
        with_obstacles(box(5, 4, 2.5), [other, Obstacle(name="x", **thing)])
    assert caught.value.key == key
    assert says in caught.value.rule


def test_an_obstacle_around_an_inner_corner():
    with pytest.raises(InvalidValue, match="a corner of the room stands inside it"):
        with_obstacles(extruded_plan(L_PLAN, L_WALLS, 2.5), [
            Obstacle(name="x", at_m=(3.9, 2.9), size_m=(3, 0.4, 1), azimuth_deg=45)])


def test_every_bad_corner_is_named():
    with pytest.raises(InvalidPlan, match=r"corner 1.*corner 4.*corner 2"):
        extruded_plan([[0, 0], [0.01, 0], [5, 0], [5, 4], [4.99, 4]], [*SIDES, "end"], 2.5)
