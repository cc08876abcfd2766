"""What a channel can play, against the volume acceleration of a small source worked out here."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from roomsim.bands import OCTAVE, midbands_hz
from roomsim.errors import InvalidValue
from roomsim.loudspeaker.boxes import Boxed, ClosedBox, VentedBox
from roomsim.loudspeaker.channels import PlacedDriver
from roomsim.loudspeaker.drivers import Omni, Piston
from roomsim.loudspeaker.filters import Filter
from roomsim.loudspeaker.limits import DriverLimits
from roomsim.loudspeaker.output import load_at_level, maximum_levels

AIR = {"speed_m_s": 343.0, "density_kg_m3": 1.2}
CONE = {"cone_radius_m": 0.05, "excursion_m": 0.004}
HEAT = {"sensitivity_db": 84.0, "power_w": 20.0}


def placed(directivity, name="driver", **more):
    return PlacedDriver(name=name, directivity=directivity, position_m=np.zeros(3), **more)


def piston_level(f, area, travel, solid):
    """Level at 1 m of a volume source Q̈ = ω² S x: p = ρQ̈/(solid angle) peak [beranek-mellow2012]."""
    peak = 1.2 * (2 * math.pi * f) ** 2 * area * travel / solid
    return 20 * math.log10(peak / math.sqrt(2) / 20e-6)


def test_excursion_limit_in_free_field_and_in_a_wall():
    area = math.pi * 0.05**2
    free = placed(Omni(name="free"), limits=DriverLimits(**CONE))
    got = maximum_levels([free], [100.0], **AIR)
    # The worst sine of the band is its lowest.
    low = 100 / OCTAVE ** (1 / 6)
    assert got.level_db[0] == pytest.approx(piston_level(low, area, 0.004, 4 * math.pi), abs=1e-6)
    assert (got.driver, got.cause) == (("driver",), ("excursion",))
    wall = placed(Piston(name="wall", radius_m=0.05), limits=DriverLimits(**CONE))
    in_wall = maximum_levels([wall], [100.0], **AIR)
    assert in_wall.level_db - got.level_db == pytest.approx([20 * math.log10(2)])
    octave_up = maximum_levels([free], [100.0 * OCTAVE], **AIR).level_db - got.level_db
    assert octave_up == pytest.approx([40 * math.log10(OCTAVE)])


def test_power_limit_is_sensitivity_plus_power():
    driver = placed(Omni(name="o"), limits=DriverLimits(**HEAT))
    bands = midbands_hz(3, 100, 10000)
    got = maximum_levels([driver], bands, **AIR)
    assert got.level_db == pytest.approx(np.full(bands.size, 84 + 10 * math.log10(20)))
    assert set(got.cause) == {"power"}
    # A crossover 6 dB down: the level falls with it, and so does the power taken, so nothing is lost or gained.
    passed = placed(Omni(name="o"), filter=Filter(lowpass_hz=1000), limits=DriverLimits(**HEAT))
    assert maximum_levels([passed], bands, **AIR).level_db == pytest.approx(got.level_db, abs=0.5)


def test_a_box_costs_level_below_its_resonance_only_where_power_limits():
    """The cone moves as far for the same pressure with or without the box; the power does not."""
    box = ClosedBox(resonance_hz=200, q=0.7)
    bands = np.array([50.0])
    boxed = placed(Boxed(driver=Omni(name="o"), box=box), limits=DriverLimits(**CONE))
    bare = placed(Omni(name="o"), limits=DriverLimits(**CONE))
    travel = [maximum_levels([d], bands, **AIR).level_db[0] for d in (boxed, bare)]
    assert travel[0] == pytest.approx(travel[1])
    hot = placed(Boxed(driver=Omni(name="o"), box=box), limits=DriverLimits(**HEAT))
    low = 50 / OCTAVE ** (1 / 6)
    expected = 84 + 10 * math.log10(20) + 20 * math.log10(abs(box.response([low])[0]))
    assert maximum_levels([hot], bands, **AIR).level_db[0] == pytest.approx(expected, abs=1e-6)


def test_a_vent_relieves_the_cone_at_its_tuning_and_not_below():
    box = VentedBox(tuning_hz=60, driver_resonance_hz=55, driver_q=0.4, compliance_ratio=1.2)
    vented = placed(Boxed(driver=Omni(name="o"), box=box), limits=DriverLimits(**CONE, box=box))
    closed = placed(Omni(name="o"), limits=DriverLimits(**CONE))
    gain = maximum_levels([vented], [30.0, 60.0, 400.0], **AIR, fraction=12).level_db - maximum_levels(
        [closed], [30.0, 60.0, 400.0], **AIR, fraction=12).level_db
    assert gain[1] > 10
    # At half the tuning the vent works against the cone: 1/|1 - 4| = -9.5 dB; far above there is no difference.
    assert gain[0] == pytest.approx(20 * math.log10(1 / 3), abs=1.0)
    assert gain[2] == pytest.approx(0, abs=0.3)


def two_way(**limits):
    woofer = placed(Boxed(driver=Omni(name="w"), box=ClosedBox(resonance_hz=80)), "woofer",
                    filter=Filter(lowpass_hz=2500), limits=DriverLimits(**CONE, **HEAT))
    tweeter = placed(Omni(name="t"), "tweeter", filter=Filter(highpass_hz=2500),
                     limits=DriverLimits(sensitivity_db=90, power_w=5))
    return [woofer, tweeter]


def test_the_driver_that_stops_a_channel_is_named():
    bands = np.array([40.0, 800.0, 8000.0])
    got = maximum_levels(two_way(), bands, **AIR)
    assert got.driver == ("woofer", "woofer", "tweeter")
    assert got.cause == ("excursion", "power", "power")
    assert got.level_db[1:] == pytest.approx([84 + 13.01, 90 + 6.99], abs=0.3)   # LR crossover leaves 0.1 dB


@given(st.floats(60, 120), st.floats(0, 12))
def test_headroom_falls_by_what_the_level_rises(level, more):
    one, other = (load_at_level(two_way(), at, **AIR) for at in (level, level + more))
    assert one.headroom_db - other.headroom_db == pytest.approx(more, abs=1e-9)
    assert other.drive_db - one.drive_db == pytest.approx(more, abs=1e-9)


@pytest.mark.parametrize("high_hz", [2000.0, 16000.0])
def test_a_flat_loudspeaker_at_its_own_level_takes_its_own_drive(high_hz):
    """A programme of any width through a flat channel is as loud as a sine of the same rms: 1 Pa at 1 m is 93.98 dB."""
    flat = [PlacedDriver(name="f", directivity=Omni(name="f"), position_m=np.zeros(3),
                         limits=DriverLimits(power_w=10, sensitivity_db=90))]
    load = load_at_level(flat, 20 * np.log10(1 / 20e-6) + 3, low_hz=200, high_hz=high_hz, **AIR)
    assert load.drive_db == pytest.approx(3, abs=1e-9)                       # rounding only


def test_a_programme_at_a_stated_level():
    """Pink noise, 1 to 2 kHz, one driver: mean power by its sensitivity; travel by the mean of 1/ω⁴."""
    driver = placed(Omni(name="o"), limits=DriverLimits(**CONE, **HEAT))
    load = load_at_level([driver], 90.0, **AIR, low_hz=1000, high_hz=2000, crest_db=12)
    (one,) = load.drivers
    assert one.power_w == pytest.approx(10 ** ((90 - 84) / 10))
    f = 1000 * OCTAVE ** (np.arange(25) / 24)
    p = 20e-6 * 10 ** (90 / 20)
    area = math.pi * 0.05**2
    rms = np.sqrt(np.mean((4 * math.pi * p / (1.2 * (2 * math.pi * f) ** 2 * area)) ** 2))
    assert one.peak_excursion_m == pytest.approx(rms * 10 ** (12 / 20))
    assert one.cause == "power"
    assert load.headroom_db == pytest.approx(10 * math.log10(20 / one.power_w))


def test_more_bass_in_the_programme_leaves_less_headroom():
    from roomsim.bands import analysis_grid_hz

    f = analysis_grid_hz(20, 20000, 24)
    bass = np.where(f < 80, 6.0, 0.0)
    plain, heavy = (load_at_level(two_way(), 95, **AIR, spectrum_db=s) for s in (None, bass))
    assert heavy.headroom_db < plain.headroom_db
    assert [d.name for d in plain.drivers] == ["woofer", "tweeter"]
    assert plain.drivers[1].peak_excursion_m is None


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: DriverLimits(), "needs an excursion or a power limit"),
        (lambda: DriverLimits(excursion_m=0.004), "cone_radius_m and excursion_m go together"),
        (lambda: DriverLimits(**CONE, power_w=3), "sensitivity_db and power_w go together"),
        (lambda: DriverLimits(cone_radius_m=0.05, excursion_m=4), "excursion_m = 4: must be .*metres"),
        (lambda: DriverLimits(power_w=1, sensitivity_db=0.9), "sensitivity_db = 0.9"),
        (lambda: maximum_levels([placed(Omni(name="o"))], [100.0], **AIR), "no driver of the channel has limits"),
        (lambda: load_at_level(two_way(), 90, **AIR, spectrum_db=[0, 0]), "spectrum_db = '2 values'"),
    ],
)
def test_impossible_limits_are_refused(make, message):
    with pytest.raises(InvalidValue, match=message):
        make()
