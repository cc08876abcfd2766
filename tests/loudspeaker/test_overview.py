"""One channel's overview: closed forms, levels, and the directivity index of the measured sphere."""

import numpy as np
import pytest

from roomsim.bands import OCTAVES_HZ, midbands_hz
from roomsim.loudspeaker.boxes import Boxed, ClosedBox
from roomsim.loudspeaker.channels import PlacedDriver, directivity_index_db
from roomsim.loudspeaker.drivers import Omni, Piston, sketch_piston
from roomsim.loudspeaker.limits import DriverLimits
from roomsim.loudspeaker.output import maximum_levels
from roomsim.loudspeaker.overview import channel_overview, overview_rows

C = 343.2


def placed(directivity, at=(0.0, 0.0, 0.0), **more):
    return PlacedDriver(name=directivity.name, directivity=directivity, position_m=np.array(at, float), **more)


def test_an_omnidirectional_channel_is_flat_at_zero():
    overview = channel_overview([placed(Omni(name="o"), (0, 0.3, 0))], name="omni", speed_m_s=C)
    for values in (overview.mean_db, overview.index_db, overview.horizontal_db, overview.vertical_db,
                   overview.curves.on_axis_db, overview.curves.in_room_db):
        assert values == pytest.approx(np.zeros_like(values), abs=1e-6)
    assert set(overview.horizontal_width_deg) == {360.0}
    assert not overview.calibrated


def test_a_piston_in_a_wall_has_its_closed_form_index_in_bands_and_out():
    from scipy.special import j1

    overview = channel_overview([placed(Piston(name="p", radius_m=0.05))], name="p", speed_m_s=C)
    ka = 2 * np.pi * overview.frequency_hz / C * 0.05
    # Q = (ka)²/(1 - J1(2ka)/ka) [beranek-mellow2012]; the grid is good to 0.01 dB.
    exact = 10 * np.log10(ka**2 / (1 - j1(2 * ka) / ka))
    assert overview.half_space
    assert overview.index_db == pytest.approx(exact, abs=0.01)
    assert overview.angle_deg[[0, -1]].tolist() == [-90, 90]
    rows = overview_rows(overview)
    assert rows[0]["directivity_index_db"] == pytest.approx(3.01, abs=0.01)
    assert [row["band_hz"] for row in rows] == pytest.approx([*OCTAVES_HZ, 1000 * 10**1.2])
    at_1k = rows[4]
    inside = np.abs(np.log(overview.frequency_hz / 1000)) < 0.15 * np.log(10)
    assert exact[inside].min() < at_1k["directivity_index_db"] < exact[inside].max()


def test_levels_are_re_the_channels_own_mean():
    """Mean of the squared level over directions and 300 Hz to 10 kHz is 0 dB, whatever the gain."""
    from roomsim.loudspeaker.filters import Filter

    driver = sketch_piston(0.03, mounting="free", width_m=0.2, height_m=0.3, depth_m=0.2, name="cone")
    for gain in (0.0, 17.0):
        overview = channel_overview([placed(driver, filter=Filter(gain_db=gain))], name="x", speed_m_s=C)
        f = overview.frequency_hz
        inside = (f >= 300) & (f <= 10000)
        # The reference is taken at 1/12 octave, the overview is at 1/24.
        assert 10 * np.log10(np.mean(10 ** (overview.mean_db[inside] / 10))) == pytest.approx(0, abs=0.05)
        assert "rigid sphere" in overview.notes[0]


def test_the_table_says_what_a_channel_can_play():
    driver = Boxed(driver=Omni(name="o"), box=ClosedBox(resonance_hz=90))
    limits = DriverLimits(cone_radius_m=0.05, excursion_m=0.004, sensitivity_db=85, power_w=20)
    channel = [placed(driver, limits=limits)]
    overview = channel_overview(channel, name="x", speed_m_s=C)
    most = maximum_levels(channel, midbands_hz(3, 50, 16000), speed_m_s=C, density_kg_m3=1.2)
    rows = overview_rows(overview, most)
    assert rows[0]["limited_by"] == "o excursion"
    assert rows[-1]["limited_by"] == "o power"
    assert rows[-1]["maximum_level_db"] == pytest.approx(85 + 13.01, abs=0.01)
    assert rows[0]["maximum_level_db"] == most.level_db[:3].min()


def test_index_of_the_measured_sphere_by_an_independent_quadrature(shared_data):
    """The directions of the file, weighted with the areas of their Voronoi cells (scipy), at 1, 2 and 4 kHz."""
    from scipy.spatial import SphericalVoronoi

    from roomsim.files.sofa import read_directivity

    data = read_directivity(shared_data / "two-way-pa-loudspeaker.sofa", "pa")
    directions = np.asarray(data.directions)
    assert len(directions) > 500
    areas = SphericalVoronoi(directions).calculate_areas()
    assert areas.sum() == pytest.approx(4 * np.pi)
    # The exact midbands; at measured directions the interpolation returns the data.
    f = 1000 * 10 ** (0.3 * np.arange(3))
    square = np.abs(data.far_pressure(f, directions)) ** 2
    front = np.argmax(directions[:, 0])
    assert directions[front, 0] == pytest.approx(1)
    expected = 10 * np.log10(4 * np.pi * square[front] / (areas @ square))
    # Two quadratures of data on a 10° grid, one exact for what lies between, one a sum of cells: 0.1 dB.
    assert directivity_index_db([placed(data)], f, C) == pytest.approx(expected, abs=0.1)
    assert np.ptp(expected) > 3                                  # the index does tell the bands apart
