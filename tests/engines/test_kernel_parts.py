"""Parts of the compiled loops of waves and images, one by one, against closed forms and general libraries."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.special import eval_legendre, spherical_jn

from roomsim.engines import patch_kernels, wave_kernels

RNG = np.random.default_rng(3)


@pytest.fixture(autouse=True)
def fresh() -> None:
    """The same random numbers for a test that runs alone."""
    global RNG
    RNG = np.random.default_rng(3)



def modes(length: float, count: int = 3) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Any q, A and B: the loops below hold for all."""
    q = RNG.uniform(0.2, 9, count) + 1j * RNG.uniform(0, 2, count)
    return q, *(RNG.normal(size=(2, count)) + 1j * RNG.normal(size=(2, count)))


def shape(q, a, b, length, x):
    return a * np.exp(1j * q * x) + b * np.exp(1j * q * (length - x))


def integral(function, low, high):
    return complex(quad(lambda x: function(x).real, low, high, epsabs=1e-11)[0],
                   quad(lambda x: function(x).imag, low, high, epsabs=1e-11)[0])


# Patches --------------------------------------------------------------------------------------------------------------

@pytest.mark.parametrize("z", [1e-9, 1e-3 + 2e-3j, 0.3 - 0.2j, 0.49, 0.51j, 2.0, 3 - 4j, 11 + 0.1j, 12 + 25j, 40.0])
def test_spherical_bessel_functions(z: complex) -> None:
    """SciPy's, for complex arguments; recurrence in double precision leaves a few units of 1e-16 per order. Below 1e-8
    only j_0 is kept: j_1 is z/3."""
    out = np.empty(9, complex)
    patch_kernels.bessel_row(out, complex(z))
    exact = spherical_jn(np.arange(9), complex(z)) * np.exp(-abs(complex(z).imag))
    np.testing.assert_allclose(out, exact, rtol=1e-9, atol=1e-14 if abs(z) > 1e-8 else abs(z) / 2)


def test_overlaps_are_integrals() -> None:
    """Adaptive quadrature of the mode times an orthonormal Legendre polynomial."""
    length, low, high = 3.1, 0.7, 2.2
    q, a, b = modes(length)
    found = patch_kernels.overlaps(q, a, b, length, low, high, 4)
    for m in range(q.size):
        for n in range(4):
            def inside(x, m=m, n=n):
                t = (2 * x - low - high) / (high - low)
                return shape(q[m], a[m], b[m], length, x) * eval_legendre(n, t) * np.sqrt((2 * n + 1) / (high - low))
            assert found[m, n] == pytest.approx(integral(inside, low, high), abs=1e-8)


def closed(w, inverse, kb_far, length, x):
    return inverse * ((w + kb_far) * np.exp(-1j * w * x) + (w - kb_far) * np.exp(-1j * w * (2 * length - x)))


def test_waves_between_two_walls() -> None:
    """g'' + kc² g = 0 between the walls, g' - jkβ g = -1 at the near, which sends, and g' + jkβ g = 0 at the far."""
    k, near, far, length = 6.0, 0.4 + 0.2j, 0.7 - 0.3j, 2.4
    qa, qb = modes(length)[0], modes(length)[0][:2]
    kc, inverse, own, across = patch_kernels.closing(qa, qb, k, near, far, length)
    np.testing.assert_allclose(kc**2, k**2 - qa[:, None] ** 2 - qb**2, rtol=1e-12)
    assert np.all(kc.imag <= 0)
    for x, value in ((0.0, own), (length, across)):
        np.testing.assert_allclose(closed(kc, inverse, far, length, x), value, rtol=1e-10)

    def slope(x):
        back = (kc - far) * np.exp(-1j * kc * (2 * length - x))
        return inverse * -1j * kc * ((kc + far) * np.exp(-1j * kc * x) - back)

    np.testing.assert_allclose(slope(0.0) - 1j * near * own, -1, rtol=1e-10)
    np.testing.assert_allclose(slope(length) + 1j * far * across, 0, atol=1e-10)
    found = patch_kernels.along_wall(kc, inverse, far, length, 0.2, 1.1, 3)
    for m in range(qa.size):
        for n in range(qb.size):
            for order in range(3):
                def inside(x, m=m, n=n, order=order):
                    weight = eval_legendre(order, (2 * x - 1.3) / 0.9) * np.sqrt((2 * order + 1) / 0.9)
                    return closed(kc[m, n], inverse[m, n], far, length, x) * weight
                assert found[n, m, order] == pytest.approx(integral(inside, 0.2, 1.1), abs=1e-8)


def test_what_a_source_sends_to_a_wall_and_a_wall_to_listeners() -> None:
    """A pattern u^i v^j w^l is that many derivatives at the source, here of the closed form itself."""
    k, far, length, level = 6.0, 0.7 - 0.3j, 2.4, 0.8
    qa, aa, ba = modes(length)
    qb, ab, bb = modes(length)
    kc, inverse, _, _ = patch_kernels.closing(qa, qb, k, 0.4 + 0.2j, far, length)
    even, odd = RNG.normal(size=(2, 3, 3)) + 0j
    xa = patch_kernels.powers(qa, aa, ba, 3.0, 1.1, k, 2)
    xb = patch_kernels.powers(qb, ab, bb, 2.6, 0.4, k, 2)
    h = 1e-5                                                    # second differences: 1e-16 / h² = 1e-6 of rounding
    x = 1.1 + h * np.arange(-1, 2)
    phi = patch_kernels.shapes(qa, aa, ba, 3.0, x)
    np.testing.assert_allclose(phi, shape(qa[:, None], aa[:, None], ba[:, None], 3.0, x), rtol=1e-12)
    np.testing.assert_allclose(xa[:, 0], phi[:, 1], rtol=1e-12)
    largest = np.abs(phi).max()
    np.testing.assert_allclose(xa[:, 1], (phi[:, 2] - phi[:, 0]) / (2 * h) / (1j * k), atol=1e-7 * largest)
    second = (phi[:, 2] - 2 * phi[:, 1] + phi[:, 0]) / h**2 / (1j * k) ** 2
    np.testing.assert_allclose(xa[:, 2], second, atol=1e-5 * largest)
    out = np.full(kc.shape, 2.0 + 0j)
    patch_kernels.arriving(out, kc, inverse, k, far, length, even, odd, 2, xa, xb, level, 0.0)
    pattern = np.array([[i + j <= 2 for j in range(3)] for i in range(3)])
    of_even, of_odd = (np.einsum("ij,mi,nj->mn", part * pattern, xa, xb) for part in (even, odd))
    ahead = inverse * (kc + far) * np.exp(-1j * kc * level)
    behind = inverse * (kc - far) * np.exp(-1j * kc * (2 * length - level))
    # (∂/∂level)/jk turns the wave that comes towards the wall by -kc/k, the one from the far wall by kc/k
    expected = 4 * np.pi * (of_even * (ahead + behind) + of_odd * kc / k * (behind - ahead))
    np.testing.assert_allclose(out - 2.0, expected, rtol=1e-9)
    blurred = np.zeros(kc.shape, complex)
    patch_kernels.arriving(blurred, kc, inverse, k, far, length, even, 0 * odd, 2, xa, xb, level, 0.01)
    weaker = np.exp(-np.maximum(0.01 * (kc.imag**2 - kc.real**2), 0.0))
    np.testing.assert_allclose(blurred, 4 * np.pi * of_even * (ahead * weaker + behind), rtol=1e-9)
    strength = RNG.normal(size=(2, *kc.shape)) + 0j
    levels = np.array([0.0, 0.6, 2.4])
    pa, pb = RNG.normal(size=(qa.size, 3)) + 0j, RNG.normal(size=(qb.size, 3)) + 0j
    heard = np.ones((2, 3), complex)
    patch_kernels.add_heard(heard, strength, kc, inverse, far, length, pa, pb, levels)
    g = closed(kc[..., None], inverse[..., None], far, length, levels)
    # waves that have fallen by 14 nepers, 8e-7, are left out
    np.testing.assert_allclose(heard - 1, np.einsum("smn,me,ne,mne->se", strength, pa, pb, g), atol=3e-6)


def test_waves_that_have_died_away_are_left_out() -> None:
    """Beyond 14 nepers nothing is added; just before, it is."""
    kc, inverse = np.array([[-10j]]), np.array([[1 + 0j]])
    one = np.ones((1, 1, 1), complex), np.ones((1, 1), complex), np.ones((1, 1), complex)
    for level, some in ((1.39, True), (1.41, False)):
        out = np.zeros((1, 1), complex)
        patch_kernels.add_heard(out, one[0], kc, inverse, 0j, 9.0, one[1], one[2], np.array([level]))
        assert (out[0, 0] != 0) == some
        assert (patch_kernels.along_wall(kc, inverse, 0j, 9.0, level, 3.0, 1)[0, 0, 0] != 0) == some
        out[:] = 0
        patch_kernels.arriving(out, kc, inverse, 5.0, 0j, 9.0, one[1], one[1], 0, one[1], one[1], level, 0.0)
        assert (out[0, 0] != 0) == some


# Guided waves ---------------------------------------------------------------------------------------------------------

@pytest.mark.parametrize("z", [0.001 + 0.001j, 0.004, 3 + 1j, -7 + 0.1j, 60.0])
def test_equation_of_an_axis_and_its_slope(z: complex) -> None:
    """The printed equation written out, and its central difference, whose own error is below 1e-8 here.

    The kernel's common factor is 2e^{jqL}, and 1 where it takes the series: only ratios of value and slope count.
    """
    kb0, kb1, length = 0.6 + 0.4j, 1.1 - 0.2j, 2.7

    def h(z):
        q = np.sqrt(z + 0j)
        return (z + kb0 * kb1) * np.sin(q * length) / q - 1j * (kb0 + kb1) * np.cos(q * length)

    value, slope = wave_kernels.characteristic(complex(z), kb0, kb1, length)
    q = np.sqrt(z + 0j)
    q = q if q.imag >= 0 else -q
    factor = 2 * np.exp(1j * q * length) if abs(z) * length**2 > 0.05 else 1.0
    assert value == pytest.approx(factor * h(z), rel=1e-9)
    d = 1e-4 * max(abs(z), 0.01)
    assert slope == pytest.approx(factor * (h(z + d) - h(z - d)) / (2 * d), rel=1e-6)


def images(k, lengths, source, listener, reach):
    """Σ e^{-jkr}/r over all images of a rigid box: the exact field."""
    most = [int(reach / length) + 1 for length in lengths]
    axes = []
    for n, length, s, x in zip(most, lengths, source, listener, strict=True):
        shift = 2 * length * np.arange(-n, n + 1)
        axes.append(np.concatenate([shift + s, shift - s]) - x)
    r = np.sqrt(axes[0][:, None, None] ** 2 + axes[1][:, None] ** 2 + axes[2] ** 2)
    return np.sum(np.exp(-1j * k * r) / r)


def rigid(length, count):
    z = (np.arange(count) * np.pi / length + 0j)[None] ** 2
    return wave_kernels.mode_shapes(z, np.zeros(1, complex), np.zeros(1, complex), length)


LENGTHS, SOURCE, LISTENER = np.array([1.1, 0.9, 1.3]), np.array([0.3, 0.25, 0.2]), np.array([0.7, 0.6, 0.95])
K = 9.0 - 5.0j
"""Sound that falls so fast with distance that images beyond 5 m are below 1e-10 of the first."""


def expected_field(even: np.ndarray, odd: np.ndarray) -> complex:
    """Images with even[0, 0] + even[1, 0] u + odd[0, 0] w of the pattern, derivatives by central differences."""
    h, out = 1e-4, even[0, 0] * images(K, LENGTHS, SOURCE, LISTENER, 5.0)
    for amount, axis in ((even[1, 0], 0), (even[0, 1], 1), (odd[0, 0], 2)):
        step = h * np.eye(3)[axis]
        ahead, behind = (images(K, LENGTHS, SOURCE + s, LISTENER, 5.0) for s in (step, -step))
        out += amount * (ahead - behind) / (2 * h) / (1j * K)
    return out


@pytest.mark.parametrize("pattern", ["all round", "along a", "along b", "along c"])
def test_sum_over_guided_waves_is_the_sum_of_the_images(pattern: str) -> None:
    """A rigid box of air that absorbs. Modes left out have fallen by exp(-60 · 0.75) = 1e-19; differences leave 1e-7.
    """
    even, odd = np.zeros((2, 1, 1, 2, 2), complex)
    part, at = {"all round": (even, (0, 0)), "along a": (even, (1, 0)),
                "along b": (even, (0, 1)), "along c": (odd, (0, 0))}[pattern]
    part[0, 0][at] = 1.0
    qa, aa, ba = rigid(LENGTHS[0], 22)
    qb, ab, bb = rigid(LENGTHS[1], 18)
    out = np.zeros((1, 1, 1), complex)
    none = np.zeros(1, complex)
    for plane in (0.2, 0.6, 0.95):                       # any plane between the two
        out[:] = 0
        wave_kernels.guided_sum(
            out, np.array([K]), np.array([3600.0]), even, odd, np.ones((1, 1), np.int64),
            qa, aa, ba, LENGTHS[0], SOURCE[:1], LISTENER[:1], qb, ab, bb, LENGTHS[1], SOURCE[1:2], LISTENER[1:2],
            none, none, LENGTHS[2], SOURCE[2:], np.zeros(1, np.int64), LISTENER[2:], plane,
        )
        assert out[0, 0, 0] == pytest.approx(expected_field(even[0, 0], odd[0, 0]), rel=1e-6)


@pytest.mark.parametrize("pattern", ["all round", "along a", "along b", "along c"])
def test_triple_sum_is_what_the_images_leave(pattern: str) -> None:
    """With η = 0.004 m² what is left out of an image at r is of exp(-r²/4η): 5e-12 of the nearest at 0.92 m."""
    even, odd = np.zeros((2, 1, 2, 2), complex)
    part, at = {"all round": (even, (0, 0)), "along a": (even, (1, 0)),
                "along b": (even, (0, 1)), "along c": (odd, (0, 0))}[pattern]
    part[0][at] = 1.0
    axes = [part for length in LENGTHS for part in rigid(length, 28)]
    found = wave_kernels.triple_sum(np.array([K]), np.array([6000.0]), np.array([0.004]), even, odd,
                                    np.ones(1, np.int64), LENGTHS, SOURCE, LISTENER, *axes)
    assert found[0] == pytest.approx(expected_field(even[0], odd[0]), rel=1e-6)


def damped(length: float, count: int, kb0: complex, kb1: complex):
    """Roots followed from the rigid axis, a quarter of the walls' admittance at a time."""
    z = (np.arange(count) * np.pi / length + 0j) ** 2 + 1e-9j
    for part in (0.05, 0.25, 0.5, 0.75, 1.0):
        z = np.array([wave_kernels.polish(one, part * kb0, part * kb1, length)[0] for one in z])
    assert np.all(np.abs(np.diff(z)) > 0.1)
    return wave_kernels.mode_shapes(z[None], np.array([kb0]), np.array([kb1]), length)


def test_both_sums_agree_between_walls_that_absorb() -> None:
    """Modes of all three axes here, of two and the closed form along the third there; six different walls.

    η leaves out 5e-12 of the direct sound and less of each echo.
    """
    walls = np.array([[0.5 + 0.2j, 0.3 - 0.1j], [0.2 + 0.1j, 0.6 + 0.3j], [0.7 - 0.2j, 0.4 + 0.3j]]) * 1.2
    axes = [damped(length, count, *wall) for length, count, wall in zip(LENGTHS, (28, 24, 32), walls, strict=True)]
    order, k = np.ones(1, np.int64), np.array([K])
    for at, odd_part in (((0, 0), False), ((1, 0), False), ((0, 1), False), ((0, 0), True)):
        even, odd = np.zeros((2, 1, 2, 2), complex)
        (odd if odd_part else even)[0][at] = 1.0
        found = wave_kernels.triple_sum(k, np.array([6000.0]), np.array([0.004]), even, odd, order, LENGTHS, SOURCE,
                                        LISTENER, *(part for axis in axes for part in axis))
        out = np.zeros((1, 1, 1), complex)
        wave_kernels.guided_sum(
            out, k, np.array([3600.0]), even[None], odd[None], order[None],
            *axes[0], LENGTHS[0], SOURCE[:1], LISTENER[:1], *axes[1], LENGTHS[1], SOURCE[1:2], LISTENER[1:2],
            walls[2, :1], walls[2, 1:], LENGTHS[2], SOURCE[2:], np.zeros(1, np.int64), LISTENER[2:], 0.5,
        )
        assert out[0, 0, 0] == pytest.approx(found[0], rel=1e-6)


def test_modes_of_a_damped_room_solve_their_equations() -> None:
    lengths = np.array([3.0, 2.5, 2.2])
    beta = RNG.uniform(0.01, 0.1, (3, 2, 4)) + 1j * RNG.uniform(-0.05, 0.05, (3, 2, 4))
    beta[2, :, 3] = 0.0                                                                   # one axis is rigid
    numbers = np.array([[1, 0, 0], [0, 1, 1], [2, 1, 0], [1, 1, 1]]).T
    z = (numbers * np.pi / lengths[:, None]) ** 2 + 0j
    k = np.sqrt(z.sum(0))
    assert wave_kernels.eigenfrequencies(k, z, beta, lengths, np.zeros(4)).all()
    np.testing.assert_allclose(k**2, z.sum(0), rtol=1e-9)
    assert np.all(k.imag > 0)                               # with e^{jωt} a free wave of a damped room dies away
    for axis in range(3):
        for n in range(4):
            value, _ = wave_kernels.characteristic(z[axis, n], *(k[n] * beta[axis, :, n]), lengths[axis])
            assert abs(value) < 1e-8
        q, a, b = wave_kernels.single_shapes(z[axis], k * beta[axis, 0], k * beta[axis, 1], lengths[axis])
        for n in range(4):
            # impedance at both walls, and ∫φ² = 1
            forth, back = wave_kernels.shape_at(q[n], a[n], b[n], lengths[axis], 0.0)
            assert 1j * q[n] * (forth - back) == pytest.approx(1j * k[n] * beta[axis, 0, n] * (forth + back), abs=1e-8)
            forth, back = wave_kernels.shape_at(q[n], a[n], b[n], lengths[axis], lengths[axis])
            assert 1j * q[n] * (forth - back) == pytest.approx(-1j * k[n] * beta[axis, 1, n] * (forth + back), abs=1e-8)
            one = q[n], a[n], b[n], lengths[axis]
            square = integral(lambda x, one=one: shape(*one, x) ** 2, 0, lengths[axis])
            assert square == pytest.approx(1, abs=1e-8)


# Images ---------------------------------------------------------------------------------------------------------------

@pytest.mark.parametrize("kind", ["round pattern", "pattern of two angles"])
def test_images_of_a_small_box_one_by_one(kind: str) -> None:
    """The slow exact sum of image_reference.py: other code, every factor at every frequency. The loops interpolate
    between nodes and tables: 1e-3 of the pressure is what the engine promises.
    """
    from box_scenes import box_room, box_scene
    from image_reference import pressure

    from roomsim.engines.images import trace_images
    from roomsim.loudspeaker.drivers import Cap, RectangularPiston

    driver = (Cap(name="c", radius_m=0.03, sphere_radius_m=0.05) if kind == "round pattern"
              else RectangularPiston(name="r", width_m=0.06, height_m=0.02))
    f = np.geomspace(300, 3000, 9)
    scene = box_scene(box_room((4, 3.3, 2.5), [9 + 2j, 4 - 3j, 30, 12, 60, 5]),
                      [(0.1, 1.5, 0.8), (0.1, 1.9, 0.8)], [(2.8, 1.1, 1.2)], driver, one_channel=True)
    found = trace_images(scene, f, max_distance_m=7.0, reflections=0).pressure[0, 0]
    exact, count = pressure(scene, 0, scene.listeners_m[0], f, 7.0)
    assert count > 30
    assert np.max(np.abs(found - exact)) < 1e-3 * np.sqrt(np.mean(np.abs(exact) ** 2))
