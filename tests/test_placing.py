"""Left is left, front is front; what does not fit is refused."""

import numpy as np
import pytest
from scipy.stats import qmc

from roomsim.errors import InvalidValue
from roomsim.loudspeaker.channels import Loudspeaker, PlacedDriver
from roomsim.loudspeaker.drivers import Omni
from roomsim.placing import Place, Seats, build_scene, place_loudspeaker, radical_inverse, seat_positions
from roomsim.room.geometry import box
from roomsim.room.materials import material
from roomsim.room.room import Room


def bar(mounting="free"):
    drivers = {
        name: (PlacedDriver(name="driver", directivity=Omni(name="omni"), position_m=np.array([0, y, 0.0])),)
        for name, y in (("left", -0.35), ("right", 0.35))
    }
    return Loudspeaker(name="bar", width_m=1.0, height_m=0.06, depth_m=0.1, mounting=mounting, channels=drivers)


def room():
    geometry = box(5.4, 4.2, 2.5)
    return Room(name="r", geometry=geometry, materials=dict.fromkeys(geometry.face_names, material("plaster on brick")))


@pytest.mark.parametrize(
    ("wall", "position", "left_end"),
    [
        # Someone who faces the wall from inside has its left end at this corner (drawn by hand).
        ("front", [0.15, 1.05], [0, 0]),
        ("back", [5.25, 3.15], [5.4, 4.2]),
        ("left", [4.05, 0.15], [5.4, 0]),
        ("right", [1.35, 4.05], [0, 4.2]),
    ],
)
def test_across_fraction_counts_from_the_left_end_of_every_wall(wall, position, left_end):
    placed = place_loudspeaker(Place(wall=wall, across_fraction=0.25, gap_m=0.05), bar(), box(5.4, 4.2, 2.5))
    assert placed.position_m[:2] == pytest.approx(position)
    at_left = place_loudspeaker(Place(wall=wall, across_fraction=0.12, gap_m=0.05), bar(), box(5.4, 4.2, 2.5))
    corner = np.array(left_end, float)
    assert np.linalg.norm(at_left.position_m[:2] - corner) < np.linalg.norm(placed.position_m[:2] - corner)


def test_seats_follow_haltons_sequence():
    # scipy's independent Halton sequence, unscrambled, is the reference.
    theirs = qmc.Halton(d=3, scramble=False).random(50)
    ours = np.stack([radical_inverse(50, base) for base in (2, 3, 5)], axis=1)
    assert ours == pytest.approx(theirs, abs=1e-12)


@pytest.mark.parametrize("wall", ["front", "back", "left", "right"])
def test_the_left_channel_is_at_the_listeners_left(wall):
    scene = build_scene(room(), bar(), Place(wall=wall), Seats(distance_m=2.0))
    left, right = scene.emitters
    for emitter, sign in ((left, 1), (right, -1)):
        azimuth, _ = scene.arrival_angles_deg(0, emitter.position_m - scene.listeners_m[0])
        assert np.sign(azimuth) == sign


def test_seats_fill_the_zone_centre_first():
    geometry = box(6, 5, 2.6)
    placed = place_loudspeaker(Place(), bar(), geometry)
    points = seat_positions(Seats(count=400), placed, geometry)
    assert points[0] == pytest.approx([0.15 + 3.0, 2.5, 1.1])
    extent = np.ptp(points, axis=0)
    assert extent == pytest.approx([0.8, 1.2, 0.3], rel=0.02)
    # Even filling: mean and variance of a uniform box (closed form, extent²/12); 400 low-discrepancy points.
    assert points.mean(axis=0) == pytest.approx(points[0], abs=0.01)
    assert points.var(axis=0) == pytest.approx(np.array([0.8, 1.2, 0.3]) ** 2 / 12, rel=0.03)


def test_a_gap_counts_from_the_cabinets_back_and_on_wall_has_none():
    geometry = box(5.4, 4.2, 2.5)
    assert place_loudspeaker(Place(gap_m=0.2), bar(), geometry).position_m[0] == pytest.approx(0.3)
    assert place_loudspeaker(Place(gap_m=0.2), bar("on-wall"), geometry).position_m[0] == 0.0


@pytest.mark.parametrize(
    ("place", "seats", "message"),
    [
        (Place(across_fraction=0.02), Seats(), "sticks"),
        (Place(height_m=2.49), Seats(), "sticks"),
        (Place(wall="ceiling"), Seats(), "not the floor or ceiling"),
        (Place(wall="north"), Seats(), "must be one of front, back, left, right"),
        (Place(), Seats(distance_m=5.3), "outside the room"),
        (Place(), Seats(ear_height_m=2.6), "outside the room"),
        (Place(gap_m=-0.1), Seats(), "must be 0 or more"),
    ],
)
def test_what_does_not_fit_is_refused(place, seats, message):
    with pytest.raises(InvalidValue, match=message):
        build_scene(room(), bar(), place, seats)
