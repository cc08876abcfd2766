"""Sketched drivers against closed forms; box alignments against an acoustic circuit solved here."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from printed import assert_printed, published_table
from scipy.special import spherical_jn, spherical_yn

from roomsim.bands import db
from roomsim.errors import InvalidValue
from roomsim.loudspeaker.boxes import Boxed, ClosedBox, VentedBox
from roomsim.loudspeaker.channels import PlacedDriver
from roomsim.loudspeaker.directivity import Directivity
from roomsim.loudspeaker.drivers import (
    Cap,
    Dipole,
    Line,
    Omni,
    Piston,
    RectangularPiston,
    jinc,
    sketch_piston,
)
from roomsim.loudspeaker.mounting import power_into_free_field
from roomsim.sphere import fibonacci_grid, orbit_vectors, real_harmonics, rotation

C = 343.0
SKETCHES = [
    Omni(name="omni"),
    Piston(name="piston", radius_m=0.05),
    RectangularPiston(name="rectangular", width_m=0.12, height_m=0.04),
    Line(name="line", length_m=0.4),
    Line(name="across", length_m=0.4, axis="horizontal"),
    Dipole(name="dipole", radius_m=0.06),
    Cap(name="cap", radius_m=0.03, sphere_radius_m=0.05),
]


def hz(k: float) -> float:
    """Frequency of a wave number [rad/m] at 343 m/s."""
    return k * C / (2 * math.pi)


def level(driver, k, angles_deg, orbit="horizontal"):
    return db(np.abs(driver.far_pressure([hz(k)], orbit_vectors(orbit, angles_deg))[:, 0]) ** 2)


def directivity_factor(drivers, k, direction=(1, 0, 0), half_space=False):
    """4π|D|²/∮|D|² of placed drivers."""
    n = np.array(direction, float)
    far = sum(
        d.directivity.far_pressure([hz(k)], [n @ d.rotation])[0, 0] * d.filter.response(hz(k))
        * np.exp(1j * k * (n @ d.position_m))
        for d in drivers
    )
    power = power_into_free_field(drivers, [hz(k)], speed_m_s=C, half_space=half_space)[0]
    return 4 * np.pi * abs(far) ** 2 / power


def placed(directivity, at=(0.0, 0.0, 0.0), **more):
    return PlacedDriver(name=directivity.name, directivity=directivity, position_m=np.array(at, float), **more)


@pytest.mark.parametrize("driver", SKETCHES, ids=lambda d: d.name)
def test_sketches_follow_the_protocol_and_are_flat_on_axis(driver):
    assert isinstance(driver, Directivity)
    f = np.geomspace(20, 20000, 61)
    # Rounding of a Legendre series of some 40 terms.
    assert driver.far_pressure(f, [[1, 0, 0]])[0] == pytest.approx(np.ones(61), abs=1e-12)
    far = driver.far_pressure(f, fibonacci_grid(500))
    assert far.shape == (500, 61)
    assert np.isfinite(far).all()
    assert not driver.calibrated


@pytest.mark.parametrize("driver", [d for d in SKETCHES if d.axisymmetric], ids=lambda d: d.name)
def test_axisymmetric_drivers_do_not_change_when_rolled(driver):
    n, f = fibonacci_grid(60), [300, 5000]
    rolled = n @ rotation(roll_deg=37)
    assert driver.far_pressure(f, rolled) == pytest.approx(driver.far_pressure(f, n), abs=1e-9)


@pytest.mark.parametrize("row", published_table("beranek-mellow2012_piston"), ids=lambda r: r["ka"])
def test_piston_in_a_baffle(row):
    driver = Piston(name="piston", radius_m=0.1, speed_m_s=C)
    k = float(row["ka"]) / 0.1
    levels = level(driver, k, [30, 60, 90])
    q = directivity_factor([placed(driver)], k, half_space=True)
    computed = {"q": q, "di_db": 10 * math.log10(q)} | dict(zip(("30", "60", "90"), levels, strict=True))
    assert_printed(computed, row)


@pytest.mark.parametrize(
    ("x", "value"),
    [(1.613741, 10**-0.15), (2.215089, 0.5), (3.831706, 0), (7.015587, 0), (10.173468, 0),
     (5.135622, 10 ** (-17.570 / 20))],
)
def test_piston_pattern_at_its_tabled_arguments(x, value):
    # Closed form; arguments printed to 1e-6, slope of the pattern below 0.5; side lobe printed to 0.0005 dB.
    assert abs(jinc(x)) == pytest.approx(value, abs=1e-5)


@pytest.mark.parametrize("row", published_table("beranek-mellow2012_line"), ids=lambda r: r["a"])
def test_line(row):
    driver = Line(name="line", length_m=0.5, speed_m_s=C)
    q = directivity_factor([placed(driver)], float(row["a"]) / 0.25)
    assert_printed({"q": q, "di_db": 10 * math.log10(q)}, row)


@pytest.mark.parametrize(("u", "value_db"), [(1.389349, -3.0), (1.895494, -6.0206)])
def test_line_width(u, value_db):
    driver = Line(name="line", length_m=2.0, speed_m_s=C)
    k = 3.0
    # Level slope is below 6 dB per unit of u, the argument is printed to 1e-6.
    assert level(driver, k, [math.degrees(math.asin(u / k))], "vertical")[0] == pytest.approx(value_db, abs=1e-4)


def test_line_first_side_lobe():
    driver = Line(name="line", length_m=2.0, speed_m_s=C)
    angles = np.linspace(20, 60, 20001)
    # Closed form -13.261 dB, printed to 0.0005.
    assert level(driver, 8.0, angles, "vertical")[angles > 25].max() == pytest.approx(-13.261, abs=6e-4)


@pytest.mark.parametrize("row", published_table("beranek-mellow2012_elements"), ids=lambda r: r["n"])
def test_row_of_omnidirectional_elements(row):
    count = int(row["n"])
    computed = {}
    for key in list(row)[1:]:
        spacing = float(key) / 20
        omni = Omni(name="omni", speed_m_s=C)
        drivers = [placed(omni, (0, i * spacing, 0)) for i in range(count)]
        computed[key] = 10 * math.log10(directivity_factor(drivers, 20.0))
    assert_printed(computed, row)


@pytest.mark.parametrize("row", published_table("beranek-mellow2012_antiphase"), ids=lambda r: r["kd"])
def test_pair_in_antiphase(row):
    from roomsim.loudspeaker.filters import Filter

    omni, spacing = Omni(name="omni", speed_m_s=C), 0.07
    pair = [placed(omni, (spacing, 0, 0)), placed(omni, filter=Filter(invert=True))]
    k = float(row["kd"]) / spacing
    power = power_into_free_field(pair, [hz(k)], speed_m_s=C)[0] / (4 * np.pi)
    di = 10 * math.log10(directivity_factor(pair, k))
    assert_printed({"power": power, "di_db": di}, row)


def test_ideal_dipole():
    # Closed form Q = 3.
    assert directivity_factor([placed(Dipole(name="dipole"))], 5.0) == pytest.approx(3, rel=1e-9)


def test_dipole_disk_is_an_even_sheet_of_dipoles():
    """Against a direct sum of point dipoles over the disk."""
    radius, k = 0.1, 40.0
    driver = Dipole(name="disk", radius_m=radius, speed_m_s=C)
    m = np.arange(40000) + 0.5                                   # even area: sunflower points
    r, phi = radius * np.sqrt(m / m.size), m * np.pi * (3 - math.sqrt(5))
    angle = np.radians([0, 20, 45, 70, 110, 180])
    phase = np.exp(1j * k * np.outer(np.sin(angle), r * np.cos(phi)))
    expected = np.cos(angle) * phase.mean(axis=1)
    got = driver.far_pressure([hz(k)], orbit_vectors("horizontal", np.degrees(angle)))[:, 0]
    # 40,000 points leave an error of about 1e-4 at this ka.
    assert got == pytest.approx(expected, abs=5e-4)


def test_rectangular_piston_is_separable_and_agrees_with_a_direct_sum():
    driver = RectangularPiston(name="r", width_m=0.2, height_m=0.1, speed_m_s=C)
    y, z = np.meshgrid((np.arange(400) + 0.5) / 400 * 0.2 - 0.1, (np.arange(200) + 0.5) / 200 * 0.1 - 0.05)
    n, k = fibonacci_grid(40), 60.0
    expected = [np.exp(1j * k * (v[1] * y + v[2] * z)).mean() for v in n]
    # Midpoint rule: relative error (k·h)²/24 = 4e-5 with h = 0.5 mm.
    assert driver.far_pressure([hz(k)], n)[:, 0] == pytest.approx(np.array(expected), abs=1e-4)


@pytest.mark.parametrize("row", published_table("williams1999_cap"), ids=lambda r: f"{r['alpha_deg']}-{r['ka']}")
def test_cap_on_a_sphere(row):
    sphere = 0.1
    radius = sphere * math.sin(math.radians(float(row["alpha_deg"])))
    driver = Cap(name="cap", radius_m=radius, sphere_radius_m=sphere, speed_m_s=C)
    k = float(row["ka"]) / sphere
    angles = ["30", "60", "90", "120", "150", "180"]
    computed = dict(zip(angles, level(driver, k, [float(a) for a in angles]), strict=True))
    computed["di_db"] = 10 * math.log10(directivity_factor([placed(driver)], k))
    assert_printed(computed, row)


def test_reference_point_of_a_cap_is_its_own_centre():
    """Far from the sphere, the exact series about the sphere's centre has the phase that D predicts
    from the distance to the cap's centre, up to the on-axis phase that is equalised away."""
    sphere, cap, k, far = 0.1, 0.04, 30.0, 4000.0
    driver = Cap(name="cap", radius_m=cap, sphere_radius_m=sphere, speed_m_s=C)
    alpha = math.asin(cap / sphere)
    angle = np.radians([0, 25, 60, 90, 140, 180])
    n = np.arange(60)
    # Numerical moments of an evenly moving cap, by quadrature instead of the closed form.
    node, weight = np.polynomial.legendre.leggauss(200)
    mu = (1 + math.cos(alpha)) / 2 + (1 - math.cos(alpha)) / 2 * node
    moment = np.array([np.polynomial.legendre.legval(mu, np.eye(60)[i]) @ weight for i in n])
    slope = spherical_jn(n, k * sphere, True) - 1j * spherical_yn(n, k * sphere, True)
    outgoing = spherical_jn(n, k * far) - 1j * spherical_yn(n, k * far)
    series = (2 * n + 1) * moment * outgoing / slope
    exact = np.array([np.polynomial.legendre.legval(math.cos(a), series) for a in angle])
    point = far * np.column_stack([np.cos(angle), np.sin(angle)])
    distance = np.hypot(point[:, 0] - sphere, point[:, 1])
    seen = point - [sphere, 0]                                   # direction as seen from the reference point
    direction = np.column_stack([seen, np.zeros(angle.size)]) / distance[:, None]
    predicted = driver.far_pressure([hz(k)], direction)[:, 0] * np.exp(-1j * k * distance) / distance
    # Terms of order k a²/r = 8e-5 separate the far field from 4 km.
    assert predicted / predicted[0] == pytest.approx(exact / exact[0], abs=1e-3)


def test_cap_is_smooth_enough_for_a_coarse_frequency_grid():
    """Linear interpolation from 61 points over 20 Hz to 20 kHz, as engines do it, in the front half and behind."""
    driver = sketch_piston(0.03, mounting="free", width_m=1.0, height_m=0.06, depth_m=0.1)
    coarse, fine = np.geomspace(20, 20000, 61), np.geomspace(20, 20000, 1201)
    directions = orbit_vectors("horizontal", np.arange(0, 181, 5))
    nodes, truth = driver.far_pressure(coarse, directions), driver.far_pressure(fine, directions)
    x, xp = np.log(fine), np.log(coarse)
    guess = np.array([np.interp(x, xp, row.real) + 1j * np.interp(x, xp, row.imag) for row in nodes])
    error = np.abs(guess - truth)
    # Re the on-axis pressure: 2 % in front (0.2 dB), 4 % behind, where the level itself is below -10 dB.
    assert error[:19].max() < 0.02
    assert error.max() < 0.04


def test_cap_carries_little_beyond_the_order_that_engines_take():
    """Docstring of Cap: order k·radius + 2 about the reference point, 800 Hz, spheres to 0.16 m."""
    from roomsim.sphere import gauss_grid

    directions, weights = gauss_grid(16)
    basis = real_harmonics(12, directions)
    for radius, sphere in ((0.03, 0.044), (0.05, 0.126), (0.08, 0.16)):
        driver = Cap(name="cap", radius_m=radius, sphere_radius_m=sphere)
        order = math.ceil(2 * math.pi * 800 / C * radius) + 2
        part = (basis * weights[:, None]).T @ driver.far_pressure([800.0], directions)[:, 0]
        energy = np.abs(part) ** 2
        assert energy[(order + 1) ** 2 :].sum() < 1e-3 * energy.sum()


@given(st.floats(0.005, 0.2), st.floats(1.2, 8), st.floats(30, 20000))
def test_a_small_driver_in_a_wall_radiates_half_the_power_for_the_same_pressure(radius, ratio, f):
    """On-axis equal, the wall-mounted twin of a small source has twice the directivity factor (+3 dB); for the
    same volume velocity its pressure doubles (+6 dB), which is the same statement."""
    small = min(radius, 0.02 * C / (2 * np.pi * f) / ratio)
    wall = Piston(name="wall", radius_m=small)
    free = Cap(name="free", radius_m=small, sphere_radius_m=ratio * small)
    k = 2 * np.pi * f / C
    in_wall = directivity_factor([placed(wall)], k, half_space=True)
    in_air = directivity_factor([placed(free)], k)
    # ka ≤ 0.02: departures are of order ka², and 3(ka)²/4 in Q at most.
    assert in_wall / in_air == pytest.approx(2, rel=1e-3)


def test_what_a_sketched_piston_means():
    bar = {"width_m": 1.0, "height_m": 0.06, "depth_m": 0.1}
    wall = sketch_piston(0.03, mounting="on-wall", **bar)
    assert isinstance(wall, Piston) and wall.half_space
    free = sketch_piston(0.03, mounting="free", **bar)
    # The circle of the area 0.06 m × 0.1 m.
    assert free.sphere_radius_m == pytest.approx(math.sqrt(0.006 / math.pi))
    assert "0.0437 m" in free.assumption and "0.03 m" in free.assumption
    assert sketch_piston(0.05, mounting="free", **bar).sphere_radius_m > 0.05
    turned = sketch_piston(0.03, mounting="free", width_m=0.06, height_m=0.1, depth_m=1.0)
    assert turned.sphere_radius_m == free.sphere_radius_m


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: Piston(name="p", radius_m=0), "radius_m = 0: must be above 0"),
        (lambda: Piston(name="p", radius_m=30), "millimetres"),
        (lambda: Cap(name="c", radius_m=0.05, sphere_radius_m=0.05), "must exceed"),
        (lambda: Line(name="l", length_m=1, axis="x"), "vertical or horizontal"),
        (lambda: sketch_piston(0.03, mounting="shelf", width_m=1, height_m=1, depth_m=1), "free or on-wall"),
        (lambda: sketch_piston(0.03, mounting="free", width_m=0, height_m=1, depth_m=1), "width_m"),
        (lambda: ClosedBox(resonance_hz=0), "resonance_hz = 0"),
        (lambda: VentedBox(tuning_hz=50, driver_resonance_hz=50, driver_q=0.3, compliance_ratio=0), "compliance_ratio"),
    ],
)
def test_impossible_sketches_are_refused(make, message):
    with pytest.raises(InvalidValue, match=message):
        make()


def test_closed_box_against_its_definition():
    """|H| at resonance is Q [small1972]; Q = 0.707 is the second-order Butterworth."""
    assert abs(ClosedBox(resonance_hz=90, q=0.9).response([90.0])[0]) == pytest.approx(0.9)
    f = np.array([20.0, 60, 90, 500])
    flat = np.abs(ClosedBox(resonance_hz=90).response(f)) ** 2
    assert flat == pytest.approx((f / 90) ** 4 / (1 + (f / 90) ** 4))
    boxed = ClosedBox.from_driver(driver_resonance_hz=45, driver_q=0.35, compliance_ratio=3)
    assert (boxed.resonance_hz, boxed.q) == pytest.approx((90, 0.7))


def circuit(f, *, fb, fs, qt, alpha, ql):
    """Cone and total volume velocity of a vented box from its acoustic circuit, unit driver mass: the driver
    (mass, compliance, resistance) in series with box compliance, vent mass and leakage in parallel."""
    w = 2 * np.pi * f
    mass, ws, wb = 1.0, 2 * np.pi * fs, 2 * np.pi * fb
    compliance = 1 / (mass * ws**2)
    resistance = ws * mass / qt
    box = compliance / alpha
    vent = 1 / (box * wb**2)
    leak = ql / (wb * box)
    inside = 1 / (1j * w * box + 1 / (1j * w * vent) + 1 / leak)
    cone = 1 / (resistance + 1j * w * mass + 1 / (1j * w * compliance) + inside)
    # What leaves the box, vent and leaks included, is what compresses the air inside, with opposite sign.
    total = cone * inside * 1j * w * box
    return cone, total, 1j * w * mass * total                   # the last: pressure, 1 at high frequency


@given(st.floats(20, 120), st.floats(20, 120), st.floats(0.15, 1.2), st.floats(0.2, 10), st.floats(3, 30))
def test_vented_box_against_its_acoustic_circuit(fb, fs, qt, alpha, ql):
    f = np.geomspace(10, 1000, 50)
    cone, total, pressure = circuit(f, fb=fb, fs=fs, qt=qt, alpha=alpha, ql=ql)
    box = VentedBox(tuning_hz=fb, driver_resonance_hz=fs, driver_q=qt, compliance_ratio=alpha, leakage_q=ql)
    assert box.response(f) == pytest.approx(pressure, rel=1e-9)
    assert box.cone_share(f) == pytest.approx(cone / total, rel=1e-9)


def test_butterworth_vented_box():
    """The lossless alignment of [thiele1971] is the fourth-order Butterworth high-pass."""
    f = np.geomspace(10, 1000, 40)
    x = (f / 55) ** 8
    assert np.abs(VentedBox.butterworth(55).response(f)) ** 2 == pytest.approx(x / (1 + x), rel=1e-9)


def test_boxed_driver_keeps_its_pattern():
    cap = Cap(name="cap", radius_m=0.03, sphere_radius_m=0.05)
    box = ClosedBox(resonance_hz=120, q=0.8)
    boxed = Boxed(driver=cap, box=box)
    assert isinstance(boxed, Directivity)
    f, n = np.array([60.0, 3000]), fibonacci_grid(20)
    assert boxed.far_pressure(f, n) == pytest.approx(cap.far_pressure(f, n) * box.response(f))
