"""AES69 files: round trips, positions in every type and unit, and files that are not what they should be."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import netCDF4
import numpy as np
import pytest
import sofar
from independent.point_sources import C, even_grid, far_field, level, pressure, sixth_octaves, spiral

from roomsim.errors import DefinitionError, InvalidValue, RoomsimError
from roomsim.files.sofa import CONVENTIONS, read_directivity, write_directivity
from roomsim.loudspeaker.measured import MeasuredDirectivity
from roomsim.loudspeaker.measurement import MeasurementSetup

TWO = np.array([[0.0, 0.0, 0.12], [0.02, 0.05, -0.1]])
STRENGTHS = np.array([1.0, 0.6 - 0.2j])
F = sixth_octaves(50, 16000)
GRID = even_grid(20)


def two_points(strengths: np.ndarray = STRENGTHS, **more) -> MeasuredDirectivity:
    values = far_field(F, GRID, TWO, strengths)
    return MeasuredDirectivity(
        name="two points", frequency_hz=F, directions=GRID, values=values,
        **{"has_phase": True, "speed_m_s": C, "distance_m": 2.0, "radius_m": 0.17, **more},
    )


@pytest.mark.parametrize("position_type", ["spherical", "cartesian"])
@pytest.mark.parametrize("convention", [name for name in CONVENTIONS if "TF" in name])
def test_round_trip_of_spectra(tmp_path: Path, convention: str, position_type: str) -> None:
    """Written, checked by the library's own verification, read: the same values to rounding, nothing lost."""
    data = two_points(
        drive_v=2.83, calibrated=True, low_hz=80.0, high_hz=12000.0, acoustic_centre_m=np.array([0.01, 0.02, 0.0]),
        level_uncertainty_db=np.linspace(1, 0, F.size), far_field=True,
    )
    path = tmp_path / "two.sofa"
    write_directivity(path, data, convention=convention, position_type=position_type)
    sofar.read_sofa(str(path), verify=True, verbose=False)
    back = read_directivity(path, name="two points")
    np.testing.assert_allclose(back.values, data.values, rtol=1e-9)
    np.testing.assert_allclose(back.directions, data.directions, atol=1e-12)
    np.testing.assert_array_equal(back.frequency_hz, data.frequency_hz)
    for key in ("name", "has_phase", "half_space", "coverage", "calibrated", "drive_v", "radius_m", "far_field"):
        assert getattr(back, key) == getattr(data, key), key
    assert back.low_hz == pytest.approx(data.low_hz) and back.high_hz == pytest.approx(data.high_hz)
    assert back.distance_m == pytest.approx(2.0)
    np.testing.assert_allclose(back.acoustic_centre_m, data.acoustic_centre_m)
    np.testing.assert_allclose(back.level_uncertainty_db, data.level_uncertainty_db)
    again = tmp_path / "again.sofa"
    write_directivity(again, back, convention=convention, position_type=position_type)
    np.testing.assert_allclose(read_directivity(again).values, data.values, rtol=1e-9)


@pytest.mark.parametrize("convention", ["GeneralFIR", "GeneralFIR-E"])
def test_round_trip_of_impulse_responses(tmp_path: Path, convention: str) -> None:
    """8192 samples at 48 kHz, travel time of 2 m included; 0.05 dB for two interpolations over frequency."""
    real = STRENGTHS.real                       # a phase of its own at 0 Hz has no impulse response
    data = two_points(real)
    path = tmp_path / "fir.sofa"
    write_directivity(path, data, convention=convention)
    sofar.read_sofa(str(path), verify=True, verbose=False)
    back = read_directivity(path)
    assert 19.9 < back.frequency_hz[0] < 21 and 19000 < back.frequency_hz[-1] < 20001
    inside = (F >= 100) & (F <= 14000)
    true = far_field(F, GRID, TWO, real)[:, inside]
    found = back.far_pressure(F[inside], GRID)
    assert np.max(np.abs(found - true) / np.abs(true).max(axis=0)) < 0.006


def test_round_trip_of_the_measured_sphere(shared_data: Path, tmp_path: Path) -> None:
    """Magnitudes stay magnitudes, and what lies below 63 Hz is kept as it was, flagged as before."""
    first = read_directivity(shared_data / "two-way-pa-loudspeaker.sofa")
    write_directivity(tmp_path / "copy.sofa", first)
    back = read_directivity(tmp_path / "copy.sofa")
    np.testing.assert_allclose(back.values, first.values, rtol=1e-12)
    assert (back.has_phase, back.low_hz, back.high_hz) == (False, 63.0, 20000.0)


def test_a_half_sphere_and_orbits_come_back(tmp_path: Path) -> None:
    front = GRID[:, 0] > -1e-9
    half = two_points()
    half = MeasuredDirectivity(
        name="half", frequency_hz=F, directions=GRID[front], values=half.values[front], has_phase=True, half_space=True,
        coverage="half", speed_m_s=C,
    )
    write_directivity(tmp_path / "half.sofa", half)
    back = read_directivity(tmp_path / "half.sofa")
    assert back.half_space and back.coverage == "half"
    fine = even_grid(10)
    fine = fine[(np.abs(fine[:, 1]) < 1e-9) | (np.abs(fine[:, 2]) < 1e-9)]
    write_directivity(tmp_path / "orbits.sofa", MeasuredDirectivity(
        name="orbits", frequency_hz=F, directions=fine, values=far_field(F, fine, TWO, STRENGTHS), has_phase=True,
        coverage="orbits", speed_m_s=C,
    ))
    orbits = read_directivity(tmp_path / "orbits.sofa")
    assert orbits.coverage == "orbits" and orbits.filled.sum() > 100
    write_directivity(tmp_path / "again.sofa", orbits)                 # only what was measured is written
    np.testing.assert_allclose(read_directivity(tmp_path / "again.sofa").values, orbits.values, rtol=1e-6)
    write_directivity(tmp_path / "all.sofa", orbits, include_filled=True)
    assert read_directivity(tmp_path / "all.sofa").coverage == "full"


# --- positions -----------------------------------------------------------------------------------------

PRESSURE = pressure(F, GRID, 2.0, TWO, STRENGTHS)


def blank(convention: str = "FreeFieldDirectivityTF") -> sofar.Sofa:
    sofa = sofar.Sofa(convention)
    sofa.SourcePosition, sofa.SourcePosition_Type, sofa.SourcePosition_Units = np.zeros((1, 3)), "cartesian", "metre"
    sofa.ReceiverPosition, sofa.ReceiverPosition_Type = 2.0 * GRID, "cartesian"
    sofa.ReceiverPosition_Units = "metre"
    sofa.N, sofa.Data_Real, sofa.Data_Imag = F, PRESSURE.real[None], PRESSURE.imag[None]
    return sofa


def angles(unit: str) -> np.ndarray:
    az, el = np.arctan2(GRID[:, 1], GRID[:, 0]), np.arcsin(np.clip(GRID[:, 2], -1, 1))
    scale = 180 / np.pi if unit == "degree" else 1.0
    return np.column_stack([az * scale, el * scale, np.full(len(GRID), 2.0)])


def in_centimetres(sofa: sofar.Sofa) -> str:
    sofa.ReceiverPosition = 200.0 * GRID
    return "centimetre"


def in_degrees(sofa: sofar.Sofa) -> str:
    sofa.ReceiverPosition, sofa.ReceiverPosition_Type = angles("degree"), "spherical"
    sofa.ReceiverPosition_Units = "degree, degree, metre"
    return "degrees,degrees,metres"


def in_radians(sofa: sofar.Sofa) -> str:
    sofa.ReceiverPosition, sofa.ReceiverPosition_Type = angles("radian"), "spherical"
    sofa.ReceiverPosition_Units = "degree, degree, metre"
    return "radian, radian, metre"


def moved(sofa: sofar.Sofa) -> None:
    """Source and microphones stand elsewhere in the room."""
    sofa.SourcePosition, sofa.ListenerPosition = np.array([[3.0, 2.0, 1.0]]), np.array([[3.0, 2.0, 1.0]])


def looking_left(sofa: sofar.Sofa) -> None:
    """The loudspeaker looks along y, and the microphones stand where they belong in its own frame."""
    sofa.SourceView, sofa.SourceView_Type, sofa.SourceView_Units = np.array([[0.0, 1, 0]]), "cartesian", "metre"
    turn = np.array([[0.0, -1, 0], [1, 0, 0], [0, 0, 1]])
    sofa.ReceiverPosition = 2.0 * GRID @ turn.T


def array_looking_left(sofa: sofar.Sofa) -> None:
    """The same through the array's own view: receivers relative to a listener that looks along y."""
    looking_left(sofa)
    sofa.ListenerView = np.array([[90.0, 0, 1]])
    sofa.ListenerView_Type, sofa.ListenerView_Units = "spherical", "degree, degree, metre"
    sofa.ReceiverPosition = 2.0 * GRID


@pytest.mark.parametrize("change", [in_centimetres, in_degrees, in_radians, moved, looking_left, array_looking_left])
def test_positions_in_any_type_unit_and_frame(tmp_path: Path, change: Callable[[sofar.Sofa], None]) -> None:
    sofa = blank()
    units = change(sofa)
    path = tmp_path / "made.sofa"
    sofar.write_sofa(str(path), sofa)
    if units:                                   # the library writes standard units only; converters write others
        with netCDF4.Dataset(str(path), "a") as content:
            content["ReceiverPosition"].Units = units
    data = read_directivity(path, setup=MeasurementSetup(speed_m_s=C))
    np.testing.assert_allclose(data.directions, GRID, atol=1e-9)
    np.testing.assert_allclose(data.values, 2.0 * PRESSURE * np.exp(2j * np.pi * F * 2.0 / C), rtol=1e-6)


def turntable(names: tuple[str, str]) -> sofar.Sofa:
    """One microphone, one measurement per direction: the angles stand in the variable named first."""
    sofa = blank("GeneralTF")
    sofa.ReceiverPosition, sofa.Data_Real = np.zeros((1, 3)), PRESSURE.real[:, None]
    sofa.Data_Imag = PRESSURE.imag[:, None]
    sofa.ListenerPosition, sofa.SourcePosition = np.zeros((1, 3)), np.zeros((1, 3))
    setattr(sofa, names[0], 2.0 * GRID)
    return sofa


def test_one_microphone_that_moves(tmp_path: Path) -> None:
    path = tmp_path / "moves.sofa"
    sofar.write_sofa(str(path), turntable(("ListenerPosition", "")))
    data = read_directivity(path)
    np.testing.assert_allclose(data.directions, GRID, atol=1e-12)


def test_a_loudspeaker_that_turns(tmp_path: Path) -> None:
    """The microphone stays on the x axis, the loudspeaker's view turns about z: only the horizontal circle."""
    azimuth = np.radians(np.arange(0, 360, 10))
    sofa = turntable(("ListenerPosition", ""))
    sofa.ListenerPosition = np.array([[2.0, 0, 0]])
    count = len(azimuth)
    sofa.Data_Real = np.ones((count, 1, 2))
    sofa.Data_Imag = np.zeros((count, 1, 2))
    sofa.N = np.array([100.0, 200.0])
    view = np.column_stack([np.cos(azimuth), np.sin(azimuth), 0 * azimuth])
    sofa.add_variable("SourceView", view, "double", "MC")
    sofa.add_attribute("SourceView_Type", "cartesian")
    sofa.add_attribute("SourceView_Units", "metre")
    sofar.write_sofa(str(tmp_path / "turns.sofa"), sofa)
    with pytest.raises(DefinitionError, match="vertical orbit is missing"):
        read_directivity(tmp_path / "turns.sofa")
    from roomsim.files.sofa_positions import receiver_directions

    directions, distance, _ = receiver_directions(sofa)
    np.testing.assert_allclose(directions[9, 0], [0, -1, 0], atol=1e-12)     # turned left: heard from its right
    np.testing.assert_allclose(distance, 2.0)


def test_turntable_angles_in_the_source_position(tmp_path: Path) -> None:
    path = tmp_path / "table.sofa"
    sofar.write_sofa(str(path), turntable(("SourcePosition", "")))
    with pytest.raises(DefinitionError, match="SourceView does not say how it turns; if these are turntable angles"):
        read_directivity(path)
    data = read_directivity(path, source_position_is_direction=True)
    np.testing.assert_allclose(data.directions, GRID, atol=1e-12)


def test_emitters_are_chosen(tmp_path: Path) -> None:
    sofa = blank("GeneralTF-E")
    both = np.stack([PRESSURE, 2 * PRESSURE], axis=-1)[None]
    sofa.EmitterPosition = np.array([[0.0, 0, 0.1], [0, 0, -0.1]])
    sofa.Data_Real, sofa.Data_Imag = both.real, both.imag
    path = tmp_path / "drivers.sofa"
    sofar.write_sofa(str(path), sofa)
    with pytest.raises(DefinitionError, match="holds 2 emitters; choose one by its index, 0 to 1"):
        read_directivity(path)
    with pytest.raises(DefinitionError, match="emitter = 2: must be 0 to 1"):
        read_directivity(path, emitter=2)
    low, high = read_directivity(path, emitter=0), read_directivity(path, emitter=1)
    np.testing.assert_allclose(high.values, 2 * low.values, rtol=1e-9)
    np.testing.assert_allclose(low.acoustic_centre_m, [0, 0, 0.1])


def test_takes_are_chosen(tmp_path: Path) -> None:
    sofa = blank()
    both = np.stack([PRESSURE, 2 * PRESSURE])
    sofa.Data_Real, sofa.Data_Imag = both.real, both.imag
    sofa.delete("Description")
    sofa.delete("EmitterDescriptions")
    path = tmp_path / "takes.sofa"
    sofar.write_sofa(str(path), sofa)
    with pytest.raises(DefinitionError, match="choose one of them by its index"):
        read_directivity(path)
    with pytest.raises(DefinitionError, match="must be 0 to 1"):
        read_directivity(path, measurement=5)
    np.testing.assert_allclose(
        read_directivity(path, measurement=1).values, 2 * read_directivity(path, measurement=0).values, rtol=1e-9
    )


def test_poles_given_for_every_azimuth_are_one(tmp_path: Path) -> None:
    """Ring grids often repeat the pole; equal values are joined and said so, unequal ones are refused."""
    rows = np.concatenate([np.arange(len(GRID)), np.full(17, len(GRID) - 1)])
    for spoiled in (False, True):
        sofa = blank()
        data = PRESSURE[rows].copy()
        data[-1] *= 1 + spoiled
        sofa.ReceiverPosition, sofa.Data_Real, sofa.Data_Imag = 2.0 * GRID[rows], data.real[None], data.imag[None]
        path = tmp_path / f"pole{spoiled}.sofa"
        sofar.write_sofa(str(path), sofa)
        if spoiled:
            with pytest.raises(DefinitionError, match=r"elevation 90.0°': is given 18 times, 6.0 dB apart"):
                read_directivity(path)
        else:
            back = read_directivity(path)
            assert len(back.directions) == len(GRID) and "17 repeated directions were joined" in back.notes


# --- files that are not what they should be ------------------------------------------------------------


def made(path: Path, change: Callable[[sofar.Sofa], None]) -> Path:
    sofa = blank()
    change(sofa)
    sofa.protected = False
    sofar.write_sofa(str(path), sofa)
    return path


def radians_as_degrees(sofa: sofar.Sofa) -> None:
    in_radians(sofa)


def nan_value(sofa: sofar.Sofa) -> None:
    sofa.Data_Real = np.where(np.arange(F.size) == 3, np.nan, sofa.Data_Real)


def never_written(sofa: sofar.Sofa) -> None:
    sofa.Data_Real = np.where(np.arange(F.size) == 3, netCDF4.default_fillvals["f8"], sofa.Data_Real)


def falling(sofa: sofar.Sofa) -> None:
    sofa.N = F[::-1]


def doubled(sofa: sofar.Sofa) -> None:
    sofa.N = np.concatenate([F[:1], F[:-1]])


def twice(sofa: sofar.Sofa) -> None:
    sofa.ReceiverPosition = np.vstack([sofa.ReceiverPosition[:-1], sofa.ReceiverPosition[:1]])


def at_the_source(sofa: sofar.Sofa) -> None:
    sofa.ReceiverPosition = np.vstack([sofa.ReceiverPosition[:-1], [[0, 0, 0]]])


def view_upwards(sofa: sofar.Sofa) -> None:
    sofa.SourceView = np.array([[0.0, 0, 1]])


def infinite_place(sofa: sofar.Sofa) -> None:
    sofa.ReceiverPosition = np.vstack([sofa.ReceiverPosition[:-1], [[np.inf, 0, 0]]])


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (radians_as_degrees, "ReceiverPosition = 3.14"),
        (radians_as_degrees, "these look like radians; give degrees"),
        (nan_value, "Data: holds NaN or infinite values"),
        (never_written, "or ones never written"),
        (falling, "frequencies must be finite, rising, none twice"),
        (doubled, "frequencies must be finite, rising, none twice"),
        (twice, "is given 2 times"),
        (at_the_source, "a microphone stands at the loudspeaker's own position"),
        (view_upwards, "SourceView: must not be zero nor parallel to SourceUp"),
        (infinite_place, "ReceiverPosition: holds NaN or infinite values"),
    ],
)
def test_wrong_contents_name_the_variable(tmp_path: Path, change: Callable, message: str) -> None:
    path = made(tmp_path / "bad.sofa", change)
    with pytest.raises(DefinitionError) as caught:
        read_directivity(path)
    assert str(path) in str(caught.value) and message in str(caught.value)


def test_a_half_sphere_declared_full(tmp_path: Path) -> None:
    front = GRID[:, 0] > -1e-9

    def change(sofa: sofar.Sofa) -> None:
        sofa.ReceiverPosition = 2.0 * GRID[front]
        sofa.Data_Real, sofa.Data_Imag = PRESSURE.real[None, front], PRESSURE.imag[None, front]

    path = made(tmp_path / "half.sofa", change)
    assert read_directivity(path).half_space
    with pytest.raises(DefinitionError, match="coverage = 'full': the directions cover: half"):
        read_directivity(path, setup=MeasurementSetup(coverage="full"))


def test_another_convention_lists_those_that_are_read(tmp_path: Path) -> None:
    sofa = sofar.Sofa("SimpleFreeFieldHRIR")
    sofa.Data_IR = np.zeros((1, 2, 16))
    sofar.write_sofa(str(tmp_path / "ears.sofa"), sofa)
    with pytest.raises(DefinitionError) as caught:
        read_directivity(tmp_path / "ears.sofa")
    assert "SOFAConventions = 'SimpleFreeFieldHRIR'" in str(caught.value)
    assert all(name in str(caught.value) for name in CONVENTIONS)


def test_another_kind_of_netcdf(tmp_path: Path) -> None:
    with netCDF4.Dataset(str(tmp_path / "weather.nc"), "w") as other:
        other.createDimension("time", 3)
    with pytest.raises(DefinitionError, match="must be SOFA: this is another kind of netCDF file"):
        read_directivity(tmp_path / "weather.nc")


@pytest.mark.parametrize(
    ("content", "message"),
    [(None, "does not exist"), (b"", "is empty"), (b"\x00\xffrubbish" * 50, "damaged, cut short, or no AES69 file"),
     (b"frequency level\n100 80\n", "damaged, cut short, or no AES69 file")],
)
def test_files_that_are_none(tmp_path: Path, content: bytes | None, message: str) -> None:
    path = tmp_path / "none.sofa"
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(DefinitionError, match=message):
        read_directivity(path)


@pytest.mark.parametrize("part", [0.02, 0.1, 0.3, 0.5, 0.7, 0.9, 0.97, 0.999])
def test_a_truncated_file_says_so(tmp_path: Path, part: float) -> None:
    path = tmp_path / "whole.sofa"
    write_directivity(path, two_points())
    whole = path.read_bytes()
    cut = tmp_path / "cut.sofa"
    cut.write_bytes(whole[: int(part * len(whole))])
    with pytest.raises(DefinitionError, match=r"cut.sofa.*(damaged|cut short)"):
        read_directivity(cut)


def test_flipped_bytes_never_end_in_a_traceback(tmp_path: Path) -> None:
    """A damaged copy is either refused with our own error, or what was damaged does not matter."""
    path = tmp_path / "whole.sofa"
    write_directivity(path, two_points())
    whole = bytearray(path.read_bytes())
    rng = np.random.default_rng(5)
    for _ in range(15):
        copy = bytearray(whole)
        for place in rng.integers(0, len(whole), 40):
            copy[place] = int(rng.integers(0, 256))
        (tmp_path / "copy.sofa").write_bytes(bytes(copy))
        try:
            read_directivity(tmp_path / "copy.sofa")
        except RoomsimError as error:
            assert "copy.sofa" in str(error)


def test_our_own_attribute_may_be_spoiled(tmp_path: Path) -> None:
    for content in ("{", "[1, 2]", '{"mounting": "ceiling"}', '{"radius_m": -1}', '{"drive_v": "two"}'):
        sofa = blank()
        sofa.add_attribute("GLOBAL_RoomsimMeasurement", content)
        sofar.write_sofa(str(tmp_path / "own.sofa"), sofa)
        if content.startswith("{\""):
            with pytest.raises(DefinitionError, match="RoomsimMeasurement"):
                read_directivity(tmp_path / "own.sofa")
        else:
            read_directivity(tmp_path / "own.sofa")


def test_writing_says_what_it_can_write(tmp_path: Path) -> None:
    with pytest.raises(InvalidValue, match="must be one of FreeFieldDirectivityTF"):
        write_directivity(tmp_path / "x.sofa", two_points(), convention="SimpleFreeFieldHRIR")
    with pytest.raises(InvalidValue, match="spherical or cartesian"):
        write_directivity(tmp_path / "x.sofa", two_points(), position_type="harmonic")
    with pytest.raises(RoomsimError, match="cannot be written"):
        write_directivity(tmp_path / "no" / "folder" / "x.sofa", two_points())
    assert not list(tmp_path.iterdir())


def test_levels_do_not_depend_on_the_way_in(tmp_path: Path) -> None:
    """The same source through three conventions gives the same level between directions, 0.02 dB."""
    asked = spiral(200)
    f = np.array([500.0, 1000.0, 2000.0])
    found = []
    for convention in ("FreeFieldDirectivityTF", "GeneralTF", "GeneralFIR"):
        write_directivity(tmp_path / "way.sofa", two_points(STRENGTHS.real), convention=convention)
        found.append(level(read_directivity(tmp_path / "way.sofa").far_pressure(f, asked)))
    np.testing.assert_allclose(found[1], found[0], atol=1e-6)
    np.testing.assert_allclose(found[2], found[0], atol=0.02)
