"""Parts of the compiled loops of rays and beams, one by one, against closed forms and the same walk written out."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
import shapely
from scipy.spatial import ConvexHull

from roomsim.engines import decay_kernels, ray_kernels, tree_kernels

pytestmark = pytest.mark.filterwarnings("ignore:overflow encountered")       # of counters, if not compiled
RNG = np.random.default_rng(3)
NOTHING_F, NOTHING_I = np.zeros((0, 4)), np.zeros(0, np.int64)


@pytest.fixture(autouse=True)
def fresh() -> None:
    """The same random numbers for a test that runs alone."""
    global RNG
    RNG = np.random.default_rng(3)


# Polygons and rays ----------------------------------------------------------------------------------------------------

def test_random_numbers_are_splitmix64() -> None:
    """First outputs for the seed 1234567, as widely printed for this public generator (from memory), to 53 bits."""
    for draw in (ray_kernels._uniform, decay_kernels._draw):
        state = np.array([1234567], np.uint64)
        with np.errstate(over="ignore"):
            found = [draw(state) for _ in range(3)]
        exact = [6457827717110365317, 3203168211198807973, 9817491932198370423]
        assert found == [((one >> 11) + 0.5) / 2**53 for one in exact]


STAR = np.array([(0, 0), (4, 0.5), (3, 2), (4, 4), (1.8, 2.6), (0.2, 3.7), (0.9, 1.5)], float)


def test_inside_a_polygon() -> None:
    shown = shapely.Polygon(STAR)
    for u, v in RNG.uniform(-0.5, 4.5, (400, 2)):
        for kernels in (ray_kernels, tree_kernels):
            assert kernels._in_polygon(u, v, STAR, 0, len(STAR)) == shown.contains(shapely.Point(u, v))


def flat(points):
    return np.column_stack([points, np.zeros(len(points))])


def test_clipping_hulls_and_doubles() -> None:
    convex = flat(np.array([(0, 0), (3, 0.4), (4, 2), (2, 3.5), (0.3, 2)], float))
    for _ in range(40):
        m, limit = RNG.normal(size=3), RNG.uniform(-2, 6)
        out = np.empty((16, 3))
        count = tree_kernels._clipped(convex, len(convex), out, *m, limit)
        far = 50.0
        edge = np.array([-m[1], m[0]]) / np.hypot(*m[:2])
        normal = m[:2] / np.hypot(*m[:2])
        start = normal * limit / np.hypot(*m[:2])
        half = shapely.Polygon([start - far * edge, start + far * edge, start + far * (edge + normal),
                                start + far * (normal - edge)])
        left = shapely.Polygon(convex[:, :2]).intersection(half)
        found = shapely.Polygon(out[:count, :2]).area if count > 2 else 0.0
        assert found == pytest.approx(left.area, abs=1e-9)
    turn = np.linalg.qr(RNG.normal(size=(3, 3)))[0]
    for rotation in (np.eye(3), np.roll(np.eye(3), 1, 0), np.roll(np.eye(3), 2, 0), turn):
        cloud = RNG.uniform(0, 3, (15, 2))
        points, normal = flat(cloud) @ rotation, rotation[2] * np.linalg.det(rotation)
        for side in (1, -1):
            out = np.empty((16, 3))
            count = tree_kernels._hull(points, 15, out, *(side * normal))
            hull = ConvexHull(cloud)
            assert count == len(hull.vertices)
            area = 0.5 * sum(np.cross(out[i] - out[0], out[i + 1] - out[0]) for i in range(1, count - 1)) @ normal
            assert area == pytest.approx(side * hull.volume, rel=1e-9)         # counter-clockwise about the normal
    doubled = np.repeat(convex, 2, axis=0)
    assert tree_kernels._without_doubles(doubled, len(doubled)) == len(convex)
    assert {tuple(p) for p in doubled[: len(convex)]} == {tuple(p) for p in convex}
    small = flat(np.array([(0, 0), (0.02, 0), (0.02, 0.01), (0, 0.01)], float))
    # far away the solid angle of a small face is area × cos / r²
    for shift in np.array([(0, 0, 0), (5.0, -3.0, 0.7)]):
        seen = tree_kernels._seen_angle(small + shift, 4, *(np.array([1.0, 2.0, 2.0]) + shift), 0, 0, 1)
        assert seen == pytest.approx(2e-4 * (2 / 3) / 9, rel=0.02)


def test_too_far_is_the_triangle_inequality() -> None:
    window = flat(np.array([(-0.1, -0.1), (0.1, -0.1), (0.1, 0.1), (-0.1, 0.1)]))
    listener, radius = np.array([[0.0, 0.0, 3.0]]), np.sqrt(0.02)
    for spare, far in ((1e-6, False), (-1e-6, True)):       # 4 m there, 3 m on, less twice the radius
        reach = np.array([7.0 - 2 * radius + spare])
        assert tree_kernels._too_far(window, 4, 0, 0, -4.0, listener, reach, 0.0) == far
        assert tree_kernels._too_far(window, 4, 0, 0, -4.0, listener, reach - 0.5, 0.5) == far


def test_hits_with_one_factor_are_counted_together() -> None:
    start, face = np.array([0, 3, 5]), np.array([0, 1, 2, 0, 1])
    cosine, mix = np.array([0.5, 0.5, 0.25, 0.5, 0.4]), np.array([7, 7, 8])
    begin, of, times, fall = np.empty(3, np.int64), np.empty(5, np.int64), np.empty(5, np.int64), np.empty(5)
    count = tree_kernels.merge_hits(start, face, cosine, mix, begin, of, times, fall)
    assert count == 4 and list(begin) == [0, 2, 4] and list(of[:4]) == [7, 8, 7, 7] and list(times[:4]) == [2, 1, 1, 1]
    np.testing.assert_allclose(fall[:4], -np.log([0.5, 0.25, 0.5, 0.4]))


def box(size):
    """Flattened faces of a box, as ray_surfaces.RayGeometry would give them: two per axis, normals inward."""
    normal, origin, axis_u, axis_v, corners = [], [], [], [], []
    for axis in range(3):
        u, v = (axis + 1) % 3, (axis + 2) % 3
        for end in (0, 1):
            normal.append(np.eye(3)[axis] * (1 - 2 * end))
            origin.append(np.eye(3)[axis] * size[axis] * end)
            axis_u.append(np.eye(3)[u])
            axis_v.append(np.eye(3)[v])
            corners += [(0, 0), (size[u], 0), (size[u], size[v]), (0, size[v])]
    normal, origin = np.array(normal), np.array(origin)
    return (normal, (normal * origin).sum(1), origin, np.array(axis_u), np.array(axis_v), np.array(corners, float),
            4 * np.arange(7))


SIZE = np.array([4.0, 3.0, 2.5])


def test_the_next_face_of_a_box() -> None:
    """Slabs: the least of the distances to the three planes ahead."""
    normal, offset, *rest = box(SIZE)
    for _ in range(60):
        start, way = RNG.uniform(0.1, 0.9, 3) * SIZE, RNG.normal(size=3)
        way /= np.linalg.norm(way)
        slabs = np.where(way > 0, (SIZE - start) / way, -start / way)
        axis = int(np.argmin(slabs))
        for convex in (True, False):
            for ahead in (ray_kernels.next_face, decay_kernels._face_ahead):
                distance, face = ahead(*start, *way, normal, offset, convex, *rest)
                assert face == 2 * axis + (way[axis] > 0) and distance == pytest.approx(slabs[axis], rel=1e-12)
        wall = 2 * axis + (way[axis] > 0)
        for reach, hit in ((0.999, False), (1.001, True)):
            end = start + reach * slabs[axis] * way
            assert tree_kernels.blocked(*start, *end, -1, -1, normal, offset, *rest) == hit
            assert not tree_kernels.blocked(*start, *end, -1, wall, normal, offset, *rest)


def test_a_sphere_before_a_wall_keeps_all_but_its_cap() -> None:
    """Volume of a cap: π h² (3 r - h) / 3. Even directions in Lambert's spiral: 1e-3 with 2000 of them."""
    from roomsim.sphere import fibonacci_grid

    normal, offset, *rest = box(SIZE)
    radius, away = 0.6, 0.25
    cap = np.pi * (radius - away) ** 2 * (3 * radius - (radius - away)) / 3
    for convex in (True, False):
        found = ray_kernels.visible_volume(np.array([away, 1.5, 1.2]), radius, fibonacci_grid(2000),
                                           normal, offset, convex, *rest)
        assert found == pytest.approx(4 * np.pi * radius**3 / 3 - cap, rel=1e-3)


def test_patches_and_elements_of_a_face() -> None:
    _, _, origin, axis_u, axis_v, corners, corner_start = box(SIZE)
    patches, of = np.array([[0.5, 1.5, 0.2, 1.0]]), np.array([6])
    start, own = np.array([0, 0, 0, 0, 0, 1, 1]), np.arange(6)
    # surface 4 is cut at u = 1 and 2 and at v = 1.2: elements 10 to 15; all others are whole
    lines, grid = np.array([1.0, 2.0, 1.2]), np.zeros((7, 3), np.int64)
    grid[4] = 0, 2, 3
    first = np.array([0, 1, 2, 3, 4, 10, 11, 12])
    cells = np.array([0, 1, 2, 3, 10, 11, 12, 13, 14, 15, 5, 6])
    points = np.array([(0.3, 0.3, 0), (1.0, 0.9, 0), (1.6, 0.3, 0), (3.9, 2.9, 0), (0.2, 2.0, 0), (4.2, 1, 0),
                       (2.4, 1.1, 0)])
    found = np.empty(len(points), np.int64)
    # face 4 is the floor: u is x, v is y
    ray_kernels.elements_of(4, points, origin, axis_u, axis_v, corners, corner_start, own, start, patches, of,
                            lines, grid, first, cells, found)
    assert list(found) == [10, 6, 12, 15, 11, -1, 14]


def test_rays_of_a_lossy_box_keep_what_the_walls_leave() -> None:
    """Along one axis a ray meets a wall every 4 m: energy R^n with the air's share; rays in groups."""
    normal, offset, *rest = box(SIZE)
    keep = np.array([0.7, 0.9])
    reflect = np.broadcast_to(keep, (6, 9, 2)).copy()
    air = np.linspace(1.0, 0.8, 40)
    out = np.zeros((2, 40, 2))
    way = np.array([(1.0, 0, 0), (-1.0, 0, 0), (1.0, 0, 0), (-1.0, 0, 0)])
    decay_kernels.walk_energy(
        np.tile([1.0, 1.5, 1.2], (4, 1)), way, np.arange(4, dtype=np.uint64), normal, offset, True, *rest,
        np.zeros(7, np.int64), NOTHING_F, NOTHING_I, reflect, np.zeros(6), 0.0, np.ones(2), 0.0, air, 0.5,
        np.zeros(40), out,
    )
    middle = 0.5 * (np.arange(40) + 0.5)
    for group, first in ((0, 3.0), (1, 1.0)):                       # the walls are 3 m and 1 m away
        hits = np.where(middle <= first, 0, np.floor((middle - first) / 4.0) + 1)
        np.testing.assert_allclose(out[group], 2 * air[:, None] * keep ** hits[:, None], rtol=1e-12)


def test_a_patch_takes_the_place_of_its_face() -> None:
    """As above, but the wall at x = 4 m has a patch where every other ray meets it, the last face's patch elsewhere."""
    normal, offset, *rest = box(SIZE)
    reflect = np.ones((8, 9, 1))
    reflect[1], reflect[6], reflect[7] = 0.9, 0.5, 0.1
    patches, of = np.array([[1.0, 2.0, 0.5, 1.5], [0.0, 4.0, 0.0, 3.0]]), np.array([6, 7])
    start = np.array([0, 0, 1, 1, 1, 1, 2])                        # face 1 has the first, face 5 the second
    out = np.zeros((2, 20, 1))
    positions = np.array([(1.0, 1.5, 1.2), (1.0, 2.5, 1.2), (1.0, 1.5, 0.3), (1.0, 0.5, 1.2)])
    decay_kernels.walk_energy(
        positions, np.tile([1.0, 0, 0], (4, 1)), np.arange(4, dtype=np.uint64), normal, offset, True, *rest,
        start, patches, of, reflect, np.zeros(8), 0.0, np.ones(1), 0.0, np.ones(20), 0.5, np.zeros(20), out,
    )
    middle = 0.5 * (np.arange(20) + 0.5)
    hits = np.where(middle <= 3.0, 0, np.floor((middle - 3.0) / 8.0) + 1)            # of this wall: each 8 m
    np.testing.assert_allclose(out[0, :, 0], 0.5**hits + 0.9**hits, rtol=1e-12)
    np.testing.assert_allclose(out[1, :, 0], 0.9**hits + 0.9**hits, rtol=1e-12)


def test_furniture_takes_energy_as_the_free_path_says() -> None:
    """Hits come at random, n per metre; the mean of what is kept is exp(-n d (1 - keep)) (Poisson). Splitting and
    ending rays keep the mean. The square keeps exp(-n d (1 - keep²)), which gives the standard error of the mean; four
    are allowed in each of 12 bins.
    """
    normal, offset, *rest = box(SIZE)
    middle = 0.5 * (np.arange(12) + 0.5)
    exact = np.exp(-0.4 * middle * 0.5)
    error = np.sqrt((np.exp(-0.4 * middle * 0.75) - exact**2) / 2000)
    for expected in (np.zeros(13), np.append(exact, 1.0)):
        out = np.zeros((1, 12, 1))
        directions = RNG.normal(size=(2000, 3))
        directions /= np.linalg.norm(directions, axis=1)[:, None]
        with np.errstate(over="ignore"):
            decay_kernels.walk_energy(
                np.tile([1.0, 1.5, 1.2], (2000, 1)), directions, np.arange(2000, dtype=np.uint64) * 7919, normal,
                offset, True, *rest, np.zeros(7, np.int64), NOTHING_F, NOTHING_I, np.ones((6, 9, 1)), np.full(6, 0.5),
                0.4,
                np.array([0.5]), 0.5, np.ones(12), 0.5, expected, out,
            )
        np.testing.assert_array_less(np.abs(out[0, :, 0] / 2000 - exact), 4 * error)


def test_energy_of_all_images_of_a_box() -> None:
    """Every image written out: each wall keeps e^{-loss} per hit, furniture takes by the metre. The source sends
    3 + cos(azimuth) + 0.5 sin(elevation), of which tables in steps of 1° leave 4e-5.
    """
    source, listener = np.array([0.8, 1.0, 1.1]), np.array([[2.9, 2.1, 1.3]])
    loss = np.broadcast_to(np.array([0.3, 0.5, 0.2, 0.4, 0.6, 0.1])[:, None, None], (6, 5, 1)).copy()
    rate, bins, bin_m = 0.05, 12, 1.0
    expected = np.zeros(bins)
    n = np.arange(-5, 6)
    for cell in np.stack(np.meshgrid(n, n, n, indexing="ij"), -1).reshape(-1, 3):
        image = np.where(cell % 2 == 0, cell * SIZE + listener[0], (cell + 1) * SIZE - listener[0])
        r = np.linalg.norm(image - source)
        if r >= bins * bin_m or not cell.any():
            continue
        total = rate * r
        for axis, k in enumerate(cell):
            near, far = (abs(k) // 2, (abs(k) + 1) // 2) if k > 0 else ((abs(k) + 1) // 2, abs(k) // 2)
            total += near * loss[2 * axis, 0, 0] + far * loss[2 * axis + 1, 0, 0]
        to = (image - source) / r
        expected[int(r / bin_m)] += (3.0 + to[0] / np.hypot(to[0], to[1]) + 0.5 * to[2]) * np.exp(-total) / r**2
    azimuth = 2 * np.pi * (np.arange(360) + 0.5) / 360
    elevation = np.pi * ((np.arange(180) + 0.5) / 180 - 0.5)
    table = (3.0 + np.cos(azimuth) + 0.5 * np.sin(elevation)[:, None])[None, :, :, None].copy()
    for order in ((0, 1, 2), (2, 0, 1)):
        for exact_m in (99.0, 6.0):
            out, shared = np.zeros((1, 1, bins, 1)), np.zeros((1, bins, 1))
            ray_kernels.mirror_energy(source, listener, SIZE, loss, np.array(order), np.array([rate]),
                                      table, np.zeros(3), bin_m, exact_m, 1e-12, out, shared)
            np.testing.assert_allclose(out[0, 0, :, 0] + shared[0, :, 0], expected, rtol=1e-4)
            assert (shared > 0).any() == (exact_m < bins)


# Rays along their mirror paths ----------------------------------------------------------------------------------------

def one_row_per_face():
    """Every face is one element with the constant function; the last element is the room's volume."""
    basis = np.zeros((7, 10))
    basis[:, 0] = 1.0
    return (np.zeros(0), np.zeros((6, 3), np.int64), np.arange(7), np.arange(6), np.arange(8), basis)


KEEP, SCATTER = np.array([0.6, 0.9, 0.8, 0.7, 0.5, 0.95]), np.array([0.3, 0.1, 0.5, 0.2, 0.4, 0.6])


def walked(start, way, reach):
    """Faces that a mirror path meets, where, and after which distance; plain reflections in a box."""
    x, d, gone, out = np.array(start, float), np.array(way, float), 0.0, []
    while True:
        slabs = np.where(d > 0, (SIZE - x) / np.where(d == 0, 1, d), -x / np.where(d == 0, 1, d))
        slabs[d == 0] = np.inf
        axis = int(np.argmin(slabs))
        gone += slabs[axis]
        if gone >= reach:
            return out
        x = x + slabs[axis] * d
        out.append((2 * axis + int(d[axis] > 0), x.copy(), gone, abs(d[axis])))
        d[axis] = -d[axis]


def beside(values: np.ndarray) -> np.ndarray:
    """The same memory with senders and bands side by side."""
    return values.reshape(*values.shape[:-2], -1)


def test_rays_put_down_what_surfaces_scatter() -> None:
    """Each surface scatters s R of what arrives and sends on (1 - s) R, R by the angle; the ledger adds up to what was
    sent. Against the same walk written out.
    """
    normal, offset, *rest = box(SIZE)
    way = RNG.normal(size=(7, 3))
    way /= np.linalg.norm(way, axis=1)[:, None]
    start, sent = np.tile([1.0, 1.5, 1.2], (7, 1)), RNG.uniform(1, 2, (7, 2, 2))
    slope = np.linspace(1.0, 0.8, 5)                           # by the root of the cosine, in even steps
    reflect = (KEEP[:, None, None] * slope[None, :, None] * np.array([1.0, 0.9])).copy()
    scatter = np.column_stack([SCATTER, 0.5 * SCATTER])
    listeners, near_m, node_m, nodes = np.array([[2.9, 2.1, 1.3]]), 5.0, 0.5, 30
    for convex in (True, False):
        out, seen = np.zeros((14, nodes, 2, 2)), np.zeros((1, nodes, 2, 2))
        ledger = np.zeros((5, nodes, 2, 2))
        ray_kernels.follow_rays(
            start, way, np.full(7, 0.25), beside(sent), normal, offset, convex, *rest, np.arange(6),
            np.zeros(7, np.int64), NOTHING_F, NOTHING_I, reflect, scatter, 0.0, np.zeros(2), 0.0, *one_row_per_face(),
            listeners, near_m, node_m, 1e-9, False, beside(out), beside(seen), beside(ledger),
        )
        expected, heard, walls = np.zeros_like(out), np.zeros_like(seen), np.zeros((nodes, 2, 2))
        for ray in range(7):
            left = np.ones(2)
            for face, place, gone, cosine in walked(start[ray], way[ray], nodes * node_m):
                node = int(gone / node_m + 0.25)
                if node >= nodes:
                    break
                back = np.interp(np.sqrt(cosine), np.linspace(0, 1, 5), slope) * KEEP[face] * np.array([1.0, 0.9])
                put = left * back * scatter[face]
                expected[face + (7 if gone < near_m else 0), node] += sent[ray] * put
                walls[node] += sent[ray] * left * (1 - back)
                if gone < near_m:
                    to = listeners[0] - place
                    far = np.linalg.norm(to)
                    share = (to @ normal[face]) / far / (np.pi * far**2)          # Lambert: cos θ / π per steradian
                    at = int((gone + far) / node_m + 0.25)
                    heard[0, at] += sent[ray] * put * share
                left = left * back * (1 - scatter[face])
        np.testing.assert_allclose(out, expected, rtol=1e-9, atol=1e-12)
        np.testing.assert_allclose(seen, heard, rtol=1e-9, atol=1e-12)
        np.testing.assert_allclose(ledger[ray_kernels.WALLS], walls, rtol=1e-9, atol=1e-12)
        # what flies at the end, what was scattered and what walls took is what was sent
        total = ledger[ray_kernels.FLYING].sum(0) + ledger[ray_kernels.WALLS].sum(0) + out.sum((0, 1))
        np.testing.assert_allclose(total, sent.sum(0), rtol=1e-9)
        assert not ledger[ray_kernels.LOST].any() and not ledger[ray_kernels.DROPPED].any()


def test_rays_put_down_what_furniture_scatters() -> None:
    """Of e^{-rate d} what is lost goes to furniture by α and to the volume's row by the rest: energy is kept."""
    normal, offset, *rest = box(SIZE)
    way = RNG.normal(size=(5, 3))
    way /= np.linalg.norm(way, axis=1)[:, None]
    sent, alpha, per_m, part, nodes = np.ones((5, 1, 2)), np.array([0.2, 0.7]), 0.15, 0.6, 40
    out, ledger = np.zeros((14, nodes, 1, 2)), np.zeros((5, nodes, 1, 2))
    ray_kernels.follow_rays(
        np.tile([1.0, 1.5, 1.2], (5, 1)), way, np.zeros(5), beside(sent), normal, offset, True, *rest, np.arange(6),
        np.zeros(7, np.int64), NOTHING_F, NOTHING_I, np.ones((6, 5, 2)), np.zeros((6, 2)), per_m, alpha, part,
        *one_row_per_face(), np.zeros((0, 3)), 0.0, 0.5, 1e-9, False, beside(out), np.zeros((0, nodes, 2)),
        beside(ledger),
    )
    rate = per_m * (alpha + (1 - alpha) * part)
    lost = 5 * (1 - np.exp(-rate * nodes * 0.5))                       # rigid walls: only furniture takes anything
    np.testing.assert_allclose(ledger[ray_kernels.FURNITURE].sum((0, 1)), lost * per_m * alpha / rate, rtol=1e-9)
    np.testing.assert_allclose(out[6].sum((0, 1)), lost * (1 - per_m * alpha / rate), rtol=1e-9)
    np.testing.assert_allclose(ledger[ray_kernels.FLYING].sum((0, 1)), 5 - lost, rtol=1e-9)


def test_what_crosses_a_listeners_sphere() -> None:
    """Chord × what is left of the ray, in the bin in which it passes the centre; nothing before the first surface."""
    normal, offset, *rest = box(SIZE)
    way = np.array([(1.0, 0.02, -0.01), (-1.0, 0.03, 0.02), (0.02, 1.0, 0.0), (0.6, 0.5, 0.3)])
    way /= np.linalg.norm(way, axis=1)[:, None]
    start, listener, radius, bins, bin_m = np.array([1.0, 1.5, 1.2]), np.array([[2.4, 1.6, 1.2]]), 0.4, 30, 1.0
    scatter = np.column_stack([SCATTER])
    reflect = np.broadcast_to(KEEP[:, None, None], (6, 5, 1)).copy()
    sent = RNG.uniform(1, 2, (4, 1, 1))
    out = np.zeros((1, bins, 1, 1))
    ray_kernels.detect_rays(start, way, sent, normal, offset, True, *rest, np.arange(6), np.zeros(7, np.int64),
                            NOTHING_F, NOTHING_I, reflect, scatter, 0.1, np.array([0.5]), 0.4, listener,
                            np.array([radius**2]), np.array([2.0]), bin_m, 1e-12, out)
    rate, expected = 0.1 * (1 - 0.5 * 0.6), np.zeros(bins)
    for ray in range(4):
        path, left = walked(start, way[ray], bins * bin_m), 1.0
        for (face, place, gone, _), (_, after, then, _) in pairwise(path):
            left *= KEEP[face] * (1 - SCATTER[face])
            d = (after - place) / (then - gone)
            foot = (listener[0] - place) @ d
            aside2 = np.sum((listener[0] - place) ** 2) - foot**2
            if aside2 < radius**2:
                half = np.sqrt(radius**2 - aside2)
                chord = min(foot + half, then - gone) - max(foot - half, 0)
                if chord > 0:
                    expected[int(gone + foot)] += 2.0 * chord * left * sent[ray, 0, 0] * np.exp(-rate * (gone + foot))
    last = int(path[-1][2])                                    # the way after the last surface is not written out here
    assert (expected > 0).sum() > 5
    np.testing.assert_allclose(out[0, :20, 0, 0], expected[:20], rtol=1e-9, atol=1e-15)
    assert last > 20
