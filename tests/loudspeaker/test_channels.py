"""A channel's composite field and power, with and without its wall, against image sums and closed forms."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from printed import assert_printed, published_table

from roomsim.bands import db
from roomsim.loudspeaker import mounting
from roomsim.loudspeaker.channels import (
    PlacedDriver,
    beam_width_deg,
    channel_far_pressure,
    channel_power,
    directivity_index_db,
)
from roomsim.loudspeaker.drivers import Cap, Line, Omni, Piston, RectangularPiston
from roomsim.loudspeaker.filters import Filter
from roomsim.loudspeaker.mounting import power_into_free_field, power_into_half_space
from roomsim.room.materials import reflection_factor
from roomsim.sphere import fibonacci_grid, rotation, unit_vectors

C = 343.0
F = np.geomspace(20, 20000, 61)
FRONT = {"wall_point_m": [0, 0, 0], "wall_normal": [1, 0, 0], "speed_m_s": C}


def rigid(cosine, frequency_hz):
    return np.ones((1, 1))


def absorbing(cosine, frequency_hz):
    """A wall of frequency-dependent complex impedance, somewhere between plaster and panel."""
    zeta = 6 + 2j * (frequency_hz / 1000 - 250 / frequency_hz)
    return reflection_factor(zeta, cosine)


def at(directivity, position, **more):
    return PlacedDriver(name=directivity.name, directivity=directivity, position_m=np.array(position, float), **more)


def bar(mirror: bool = False):
    """A two-way bar of seven drivers over a metre, aimed outwards at its ends."""
    woofer = Cap(name="woofer", radius_m=0.03, sphere_radius_m=0.044, speed_m_s=C)
    tweeter = Cap(name="tweeter", radius_m=0.0125, sphere_radius_m=0.03, speed_m_s=C)
    side = -1 if mirror else 1
    low, high = Filter(lowpass_hz=2500), Filter(highpass_hz=2500, delay_ms=0.02)
    return [at(woofer, (0, side * y, 0), filter=low) for y in (-0.42, -0.3, 0, 0.25, 0.4)] + [
        at(tweeter, (0, side * y, 0.01), filter=high, azimuth_deg=side * azimuth)
        for y, azimuth in ((-0.48, -30), (0.46, 25))
    ]


@pytest.mark.parametrize("row", published_table("waterhouse1958_power"), ids=lambda r: r["x_over_wavelength"])
def test_point_source_before_one_two_and_three_rigid_planes(row):
    """One plane is the program's own; for two and three, the images in the others are drivers of their own and
    the integral over the half space is shared among 2 or 4 equal parts."""
    wavelength = 0.5
    x = float(row["x_over_wavelength"]) * wavelength
    omni, f = Omni(name="omni", speed_m_s=C), [C / wavelength]
    computed = {}
    for planes, sides in (("1", [(1, 1)]), ("2", [(1, 1), (-1, 1)]), ("3", [(1, 1), (-1, 1), (1, -1), (-1, -1)])):
        images = [at(omni, (x, sy * x, sz * x)) for sy, sz in sides]
        power = power_into_half_space(images, f, reflection=rigid, **FRONT)[0] / len(sides)
        computed[planes] = 10 * math.log10(power / (4 * math.pi))
    assert_printed(computed, row)


@pytest.mark.parametrize(
    ("x", "expected"),
    # Bar-like, wall 0.10 m and floor 0.60 m, dB re free field at c = 343 m/s: recomputed image sums.
    [(50, 5.576), (80, 4.903), (125, 3.483), (200, 1.701), (315, 2.954), (500, 1.296)],
)
def test_wall_and_floor_of_a_bar(x, expected):
    omni = Omni(name="omni", speed_m_s=C)
    pair = [at(omni, (0.1, 0, 0.6)), at(omni, (0.1, 0, -0.6))]
    power = power_into_half_space(pair, [x], reflection=rigid, **FRONT)[0] / 2
    assert 10 * math.log10(power / (4 * math.pi)) == pytest.approx(expected, abs=6e-4)


@pytest.mark.parametrize("height", [0.01, 0.05, 0.15, 1.0])
def test_rayleigh_formula_over_all_frequencies(height):
    power = power_into_half_space([at(Omni(name="omni", speed_m_s=C), (height, 0.3, 0.2))], F, reflection=rigid,
                                  **FRONT)
    twice = 4 * np.pi * F / C * height
    error = db(power / (4 * np.pi)) - db(1 + np.sinc(twice / np.pi))
    assert np.abs(error[twice < mounting.INCOHERENT_FROM]).max() < 1e-6
    # The stated departure where interference is faded out.
    assert np.abs(error).max() < 0.04


@settings(max_examples=40, deadline=None)
@given(
    st.lists(st.tuples(st.floats(0.02, 0.3), st.floats(-0.5, 0.5), st.sampled_from([0.0, 0.1, -0.2])), min_size=1,
             max_size=4),
    st.floats(30, 5000),
)
def test_any_points_before_a_rigid_wall_against_the_double_sum(places, f):
    """Coherent points and their images: ∮|Σ e^{jk n·r}|² dΩ = 4π ΣΣ j0(k|r_i - r_j|), half of it before the wall."""
    points = np.array(places)
    every = np.concatenate([points, points * [-1, 1, 1]])
    k = 2 * np.pi * f / C
    distance = np.linalg.norm(every[:, None] - every[None], axis=-1)
    expected = 2 * np.pi * np.sinc(k * distance / np.pi).sum()
    omni = Omni(name="omni", speed_m_s=C)
    power = power_into_half_space([at(omni, point) for point in points], [f], reflection=rigid, **FRONT)[0]
    # Relative to the sum of the points' own powers, which interference may cancel; 2kh < 55: nothing is faded.
    assert power == pytest.approx(expected, abs=1e-4 * 4 * np.pi * len(points))


def image_power(drivers, k, reflection_at):
    """∫|…|² over the half space from the definition: brute force over 60,000 even directions."""
    n = fibonacci_grid(120_000)
    n = n[n[:, 0] > 0]
    f = [k * C / (2 * np.pi)]
    mirrored = n * [-1, 1, 1]
    field = channel_far_pressure(drivers, f, n, C) + reflection_at(n[:, :1], np.array(f)) * channel_far_pressure(
        drivers, f, mirrored, C)
    return 2 * np.pi * np.mean(np.abs(field) ** 2)


@pytest.mark.parametrize("f", [40, 300, 900, 2500, 6000])
@pytest.mark.parametrize("depth", [0.0, 0.05], ids=["in line", "at unlike depths"])
def test_bar_before_an_absorbing_wall_against_brute_force(f, depth):
    drivers = [
        at(d.directivity, np.add(d.position_m, [0.12 - depth * (i % 3) / 2, 0, 0]), azimuth_deg=d.azimuth_deg,
           filter=d.filter)
        for i, d in enumerate(bar())
    ]
    ours = power_into_half_space(drivers, [f], reflection=absorbing, **FRONT)[0]
    # 60,000 directions resolve 1 m at 6 kHz (110 rad) to about 1e-3; 2kh = 26 there, so nothing is faded.
    assert 10 * math.log10(ours / image_power(drivers, 2 * np.pi * f / C, absorbing)) == pytest.approx(0, abs=0.01)


def test_what_the_fading_of_interference_costs(monkeypatch):
    """Docstring of power_into_half_space: against the full integral, 0.04 dB for a bar, 0.3 dB for a metre of
    omnidirectional drivers."""
    omni = Omni(name="omni", speed_m_s=C)
    cases = {0.05: bar(), 0.31: [at(omni, (0, y, 0)) for y in np.linspace(-0.5, 0.5, 41)]}
    f = np.geomspace(2000, 20000, 31)
    for most, drivers in cases.items():
        keys = FRONT | {"wall_point_m": [-0.15, 0, 0]}
        faded = power_into_half_space(drivers, f, reflection=absorbing, **keys)
        with monkeypatch.context() as patch:
            patch.setattr(mounting, "INCOHERENT_FROM", 1e4)
            patch.setattr(mounting, "INCOHERENT_TO", 2e4)
            patch.setattr(mounting, "_MOST_NODES", 1024)
            full = power_into_half_space(drivers, f, reflection=absorbing, **keys)
        assert 0 < np.abs(db(faded / full)).max() < most


def test_the_grid_is_fine_enough_up_to_20_khz(monkeypatch):
    f = F[::4]
    coarse = power_into_half_space(bar(), f, reflection=absorbing, **FRONT | {"wall_point_m": [-0.08, 0, 0]})
    free = power_into_free_field(bar(), f, speed_m_s=C)
    nodes = mounting._nodes
    monkeypatch.setattr(mounting, "_MOST_NODES", 2048)
    monkeypatch.setattr(mounting, "_nodes", lambda wanted: nodes(2 * wanted))
    fine = power_into_half_space(bar(), f, reflection=absorbing, **FRONT | {"wall_point_m": [-0.08, 0, 0]})
    assert np.abs(db(coarse / fine)).max() < 0.01
    assert db(free / power_into_free_field(bar(), f, speed_m_s=C)) == pytest.approx(np.zeros(f.size), abs=0.01)


@pytest.mark.parametrize("zeta", [2, 6 - 25j, 60, 200])
def test_the_grid_resolves_a_hard_wall_near_grazing(zeta):
    """A source on a locally reacting wall, against adaptive quadrature of |1 + R(θ)|² by scipy."""
    from scipy.integrate import quad

    def square(mu):
        return abs(1 + reflection_factor(zeta, mu)) ** 2

    exact = 2 * np.pi * quad(square, 0, 1, points=[1 / abs(zeta)], limit=200)[0]
    source = [at(Omni(name="omni", speed_m_s=C), (0, 0, 0))]
    for f in (20, 500):
        power = power_into_half_space(source, [f], reflection=lambda c, f: reflection_factor(zeta, c), **FRONT)[0]
        assert 10 * math.log10(power / exact) == pytest.approx(0, abs=0.012)   # as _FEWEST_NODES says


def test_a_perfectly_absorbing_wall_leaves_the_half_space_power():
    drivers = [at(Omni(name="omni", speed_m_s=C), (0.2, 0, 0))]
    power = power_into_half_space(drivers, F, reflection=lambda c, f: 0.0, **FRONT)
    assert power == pytest.approx(np.full(F.size, 2 * np.pi), rel=1e-6)


def test_on_wall_data_are_weighted_by_half_of_one_plus_r():
    """A small source on a wall: its half-space data (twice the free pressure) with (1 + R)/2 equal the free
    source at the wall with its image, on rigid and on absorbing walls."""
    twice = Filter(gain_db=20 * math.log10(2))
    wall = [at(Piston(name="wall", radius_m=1e-4, speed_m_s=C), (0, 0, 0), filter=twice)]
    free = [at(Omni(name="free", speed_m_s=C), (0, 0, 0))]
    for reflection in (rigid, absorbing):
        one = power_into_half_space(wall, F, reflection=reflection, on_wall=True, **FRONT)
        other = power_into_half_space(free, F, reflection=reflection, **FRONT)
        assert one == pytest.approx(other, rel=1e-3)           # both grids are good to 5e-4


@settings(max_examples=15, deadline=None)
@given(st.floats(-180, 180), st.floats(-90, 90), st.floats(-180, 180), st.floats(100, 8000))
def test_power_does_not_change_when_the_loudspeaker_is_turned(azimuth, elevation, roll, f):
    turn = rotation(azimuth, elevation, roll)

    class Turned:
        def __init__(self, driver):
            self.directivity, self.filter = driver.directivity, driver.filter
            self.position_m, self.rotation = turn @ driver.position_m, turn @ driver.rotation

    drivers = bar()
    before = power_into_free_field(drivers, [f], speed_m_s=C)
    after = power_into_free_field([Turned(driver) for driver in drivers], [f], speed_m_s=C)
    # The grid is aligned with neither; its own error, tested above, is below 0.01 dB.
    assert db(after / before)[0] == pytest.approx(0, abs=0.01)


@settings(max_examples=15, deadline=None)
@given(st.floats(-180, 180), st.floats(100, 8000))
def test_power_before_a_wall_depends_on_their_relative_place_only(azimuth, f):
    """Turning and shifting bar and wall together changes nothing."""
    turn, shift = rotation(azimuth), np.array([3.0, -1.0, 0.5])

    class Moved:
        def __init__(self, driver):
            self.directivity, self.filter = driver.directivity, driver.filter
            self.position_m, self.rotation = shift + turn @ driver.position_m, turn @ driver.rotation

    before = power_into_half_space(bar(), [f], reflection=absorbing, **FRONT | {"wall_point_m": [-0.1, 0, 0]})
    after = power_into_half_space(
        [Moved(driver) for driver in bar()], [f], reflection=absorbing, speed_m_s=C,
        wall_point_m=shift + turn @ [-0.1, 0.7, 0], wall_normal=turn @ [1, 0, 0],
    )
    assert after == pytest.approx(before, rel=1e-6)


@settings(max_examples=20, deadline=None)
@given(st.floats(-180, 180), st.floats(-85, 85), st.floats(50, 20000))
def test_the_mirror_image_of_a_bar_radiates_into_the_mirrored_direction(azimuth, elevation, f):
    n = unit_vectors(azimuth, elevation)
    left = channel_far_pressure(bar(), [f], n, C)
    right = channel_far_pressure(bar(mirror=True), [f], n * [1, -1, 1], C)
    assert right == pytest.approx(left, rel=1e-9)
    assert channel_power(bar(mirror=True), [f], C) == pytest.approx(channel_power(bar(), [f], C), rel=1e-4)


@settings(max_examples=20, deadline=None)
@given(st.floats(-180, 180), st.floats(-90, 90), st.floats(-180, 180), st.floats(-90, 90), st.floats(50, 20000))
def test_aim_turns_the_pattern(azimuth, elevation, to_azimuth, to_elevation, f):
    """An aimed driver sends in its aim what it sends forward, and the same off it; there and back is nothing."""
    pattern = RectangularPiston(name="r", width_m=0.1, height_m=0.04)
    aimed = at(pattern, (0, 0, 0), azimuth_deg=to_azimuth, elevation_deg=to_elevation)
    n = unit_vectors(azimuth, elevation)
    outer = aimed.rotation @ n
    assert aimed.rotation.T @ outer == pytest.approx(n, abs=1e-12)
    assert channel_far_pressure([aimed], [f], outer, C) == pytest.approx(pattern.far_pressure([f], n), abs=1e-9)


def test_directivity_index_of_a_channel():
    """Closed forms: a piston in a wall Q = (ka)²/(1 - J1(2ka)/ka) has 9.159 dB at ka = 3; two coherent points half
    a wavelength apart 3.0103 dB, broadside."""
    piston = at(Piston(name="p", radius_m=0.1, speed_m_s=C), (0, 0.2, 0))
    assert directivity_index_db([piston], 30 * C / (2 * np.pi), C)[0] == pytest.approx(9.159, abs=6e-4)
    omni = Omni(name="omni", speed_m_s=C)
    pair = [at(omni, (0, 0.05, 0)), at(omni, (0, -0.05, 0))]
    assert directivity_index_db(pair, C / 0.2, C)[0] == pytest.approx(3.0103, abs=1e-4)
    assert directivity_index_db(pair, C / 0.2, C, direction=(0, 1, 0))[0] < -100
    wall = directivity_index_db([at(omni, (0, 0, 0))], 1000, C, half_space=True)
    assert wall[0] == pytest.approx(3.0103, abs=1e-3)


def test_beam_width_of_closed_forms():
    """-6 dB of a piston at ka sinθ = 2.215089 for an amplitude of a half; of a line at u = 1.895494."""
    half = 20 * math.log10(2)
    piston = at(Piston(name="p", radius_m=0.05, speed_m_s=C), (0, 0, 0))
    f = np.array([100.0, 4000, 12000])
    expected = [180, *(2 * np.degrees(np.arcsin(2.215089 / (2 * np.pi * f[1:] / C * 0.05))))]
    # Linear interpolation of a curved level over 0.25°: 0.0025° per side of a 4° beam.
    for orbit in ("horizontal", "vertical"):
        assert beam_width_deg([piston], f, C, orbit, half) == pytest.approx(expected, abs=6e-3)
    line = at(Line(name="l", length_m=0.5, axis="horizontal", speed_m_s=C), (0, 0, 0))
    expected = 2 * np.degrees(np.arcsin(1.895494 / (np.pi * f[1:] / C * 0.5)))
    assert beam_width_deg([line], f[1:], C, drop_db=half) == pytest.approx(expected, abs=6e-3)
    assert beam_width_deg([line], f, C, "vertical") == pytest.approx([360, 360, 360])


def test_beam_width_counts_each_side_and_finds_the_first_crossing():
    """A beam aimed a little to one side, and a grating lobe that must not be counted in."""
    aimed = at(Piston(name="p", radius_m=0.05, speed_m_s=C), (0, 0, 0), azimuth_deg=4)
    straight = at(Piston(name="p", radius_m=0.05, speed_m_s=C), (0, 0, 0))
    f = np.array([12000.0])
    assert beam_width_deg([aimed], f, C)[0] == pytest.approx(beam_width_deg([straight], f, C)[0], rel=0.1)
    omni = Omni(name="omni", speed_m_s=C)
    row = [at(omni, (0, y, 0)) for y in (-0.3, -0.1, 0.1, 0.3)]
    # Grating lobes of 0.2 m spacing at 10 kHz stand every 9.9°; the main lobe ends long before.
    assert beam_width_deg(row, [10000.0], C)[0] < 5
