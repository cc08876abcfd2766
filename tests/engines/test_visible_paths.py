"""The search for visible images: brute force, another library, the lattice of a box, edges, reach and budget."""

from __future__ import annotations

import numpy as np
import pytest
from engines.plan_scenes import OBLONG, SIDES, furnished, gable, inside, l_shape, lean_to, stepped
from independent.visible_images import Polygon, visible

from roomsim.engines.lattice import image_coordinates
from roomsim.engines.visible_paths import TooManyImages, tree_faces, visible_paths
from roomsim.room.geometry import plan_room

ROOMS = {"L-shape": (l_shape, 3), "lean-to": (lean_to, 3), "gable": (gable, 4), "stepped": (stepped, 3),
         "furnished": (furnished, 2)}


def found_by(faces, source, listeners, reach, **more):
    paths = visible_paths(faces, source, source, listeners, np.full(len(listeners), reach), **more)
    return paths, [
        {tuple(paths.faces_of(p).tolist()): float(paths.length_m[p]) for p in np.flatnonzero(paths.listener == m)}
        for m in range(len(listeners))
    ]


@pytest.mark.parametrize("name", ROOMS)
def test_against_brute_force(name):
    """Every order of faces tried one by one: none missing, none extra, lengths to 1e-9 m."""
    made, order = ROOMS[name]
    geometry = made()
    faces = tree_faces(geometry)
    polygons = [Polygon(face.corners_m) for face in faces.faces]
    points = inside(geometry, 4, seed=len(name))
    paths, found = found_by(faces, points[0], points[1:], 6.0 * (order + 1))
    assert np.bincount(paths.listener).max() == max(map(len, found)), "no sequence comes twice"
    for listener, mine in zip(points[1:], found, strict=True):
        expected = visible(polygons, points[0], listener, order)
        low = {key: length for key, length in mine.items() if len(key) <= order}
        assert {key for key, length in expected.items() if length < 6.0 * (order + 1)} == low.keys()
        assert all(abs(expected[key] - length) < 1e-9 for key, length in low.items())
    assert any(len(one) > 5 for one in found)


@pytest.mark.parametrize("made", [l_shape, lean_to], ids=["L-shape", "lean-to"])
def test_against_another_library(made):
    """pyroomacoustics' polyhedral visibility on the same polygons, order 4: the same images at every microphone."""
    import pyroomacoustics as pra

    geometry = made()
    faces = tree_faces(geometry)
    points = inside(geometry, 5, seed=3)
    # its walls wind the other way round
    walls = [pra.wall_factory(face.corners_m[::-1].T, [0.2], [0.0], face.name) for face in faces.faces]
    room = pra.Room(walls, fs=16000, max_order=4, air_absorption=False)
    room.add_source(points[0])
    room.add_microphone_array(points[1:].T)
    room.image_source_model()
    theirs = room.sources[0].images.T
    paths, _ = found_by(faces, points[0], points[1:], 34.0)
    for m in range(4):
        seen = theirs[room.visibility[0][m] > 0]
        mine = paths.image_m[(paths.listener == m) & (paths.hits <= 4)]
        assert len(seen) == len(mine) > 30
        away = np.linalg.norm(seen[:, None] - mine[None], axis=-1)
        assert away.min(axis=0).max() < 1e-4 and away.min(axis=1).max() < 1e-4      # single precision there


def test_a_box_has_all_of_its_lattice():
    """Every image of the mirror lattice within reach once, to 1e-9 m."""
    size, reach = (5.5, 4.2, 2.5), 22.0
    geometry = plan_room([[0, 0], [5.5, 0], [5.5, 4.2], [0, 4.2]], SIDES, 2.5)
    source, listeners = np.array([0.15, 2.0, 0.75]), np.array([[3.1, 2.2, 1.1], [2.7, 1.3, 1.2]])
    paths, _ = found_by(tree_faces(geometry), source, listeners, reach)
    index = [np.arange(-12, 13) for _ in range(3)]
    axes = [image_coordinates(source[a], size[a], index[a]) for a in range(3)]
    lattice = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, 3)
    for m, listener in enumerate(listeners):
        expected = lattice[np.linalg.norm(lattice - listener, axis=1) <= reach]
        mine = paths.image_m[paths.listener == m]
        assert len(mine) == len(expected)
        # paired by their distances from three odd points
        odd = np.array([[0.1, 0.2, 0.3], [7.7, -3.1, 1.9], [-2.2, 9.1, 5.3]])
        keys = [np.sort(np.linalg.norm(some[:, None] - odd, axis=-1), axis=0) for some in (mine, expected)]
        assert np.abs(keys[0] - keys[1]).max() < 1e-9


def test_a_path_that_meets_an_edge_counts_once():
    """Source and listeners on the planes of symmetry of a square room: whole families of paths meet its edges."""
    geometry = plan_room([[0, 0], [4, 0], [4, 4], [0, 4]], SIDES, 2.5)
    source, listeners = np.array([2.0, 2.0, 1.0]), np.array([[2.0, 2.0, 1.7], [1.0, 1.0, 1.7], [3.0, 2.0, 1.0]])
    paths, _ = found_by(tree_faces(geometry), source, listeners, 20.0)
    index = [np.arange(-12, 13) for _ in range(3)]
    axes = [image_coordinates(source[a], length, index[a]) for a, length in enumerate((4, 4, 2.5))]
    lattice = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, 3)
    for m, listener in enumerate(listeners):
        expected = int((np.linalg.norm(lattice - listener, axis=1) <= 20.0).sum())
        assert int((paths.listener == m).sum()) == expected


@pytest.mark.parametrize("name", ROOMS)
def test_directions_and_angles_belong_to_the_path(name):
    """Sent out as it says and mirrored at every face, a path's direction ends at the listener."""
    geometry = ROOMS[name][0]()
    faces = tree_faces(geometry)
    points = inside(geometry, 3, seed=9)
    paths, _ = found_by(faces, points[0], points[1:], 15.0)
    for p in range(len(paths.listener)):
        direction = paths.sent[p].copy()
        for k, face in enumerate(paths.faces_of(p)):
            normal = faces.normal[face]
            assert -direction @ normal == pytest.approx(paths.cosine[paths.start[p] + k], abs=1e-9)
            direction -= 2 * (direction @ normal) * normal
        arrives = paths.image_m[p] + paths.length_m[p] * direction
        assert arrives == pytest.approx(points[1 + paths.listener[p]], abs=1e-9)


def test_seen_from_the_other_end_the_paths_are_the_same():
    geometry = furnished()
    faces = tree_faces(geometry)
    one, other = inside(geometry, 2, seed=4)
    there, back = (found_by(faces, a, b[None], 20.0, least_angle_sr=0.0)[1][0] for a, b in ((one, other), (other, one)))
    assert {key[::-1] for key in there} == back.keys()
    assert all(length == pytest.approx(back[key[::-1]], abs=1e-9) for key, length in there.items())


def test_how_many_there_are():
    """One image for every volume of the room: 4/3 π r³ / V of them, in any room; within 3 % of some 3,000."""
    geometry = lean_to()
    points = inside(geometry, 5, seed=2)
    paths, _ = found_by(tree_faces(geometry), points[0], points[1:], 34.0)
    assert len(paths.listener) / 4 == pytest.approx(4 / 3 * np.pi * 34**3 / geometry.volume_m3, rel=0.03)
    assert paths.dropped < 1e-4


def test_too_many_say_so():
    geometry = furnished()
    points = inside(geometry, 2)
    with pytest.raises(TooManyImages):
        found_by(tree_faces(geometry), points[0], points[1:], 25.0, budget=1000)


def test_no_path_leaves_into_the_wall_that_the_source_is_in():
    geometry = plan_room(OBLONG, SIDES, 2.5)
    faces = tree_faces(geometry)
    listeners = np.array([[3.0, 2.2, 1.1]])
    for source in ([0.0, 2.0, 1.0], [0.01, 2.0, 1.0]):
        paths, _ = found_by(faces, np.array(source), listeners, 15.0, mount=faces.index("front"))
        first = paths.face[paths.start[:-1][paths.hits > 0]]
        assert not np.any(first == faces.index("front")) and np.any(paths.face == faces.index("front"))
