"""Measurement and correction files, and what loudspeaker files make of them.

The measured loudspeakers are point sources, whose field at any distance is known exactly.
"""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pytest
import yaml
from independent.point_sources import even_grid, far_field, level, pressure, sixth_octaves

from roomsim.bands import midbands_hz
from roomsim.definitions import check, load
from roomsim.definitions.measurement_definition import sofa_file
from roomsim.errors import DefinitionError
from roomsim.files.correction_text import write_correction
from roomsim.files.response_text import write_response_text
from roomsim.files.sofa import read_directivity, write_directivity
from roomsim.files.wav import write_wav
from roomsim.loudspeaker.boxes import Boxed
from roomsim.loudspeaker.wrapped import Scaled
from roomsim.sphere import angles_deg, orbit_vectors

GOOD = Path(__file__).parent / "good"
TWO, STRENGTHS = np.array([[0.0, 0.0, 0.12], [0.02, 0.05, -0.1]]), np.array([1.0, 0.6 - 0.2j])
DISTANCE = 1.5
REFERENCE = 20e-6
F = sixth_octaves(100, 4000)
GRID = even_grid(15)


def measurement(
    folder: Path, directions: np.ndarray, *, phase: bool = True, frequency: np.ndarray = F, name: str = "two.yaml",
    radians: bool = False, pascals: bool = False, **keys,
) -> Path:
    """Two points measured at 1.5 m in text files with an index; returns the index."""
    folder.mkdir(exist_ok=True)
    p = pressure(frequency, directions, DISTANCE, TWO, STRENGTHS)
    az, el = angles_deg(directions)
    entries = []
    for i, row in enumerate(p):
        file = folder / f"{i:03}.txt"
        values = np.abs(row) if pascals else level(row / REFERENCE)
        write_response_text(file, frequency, values, np.degrees(np.angle(row)) if phase else None)
        az_el = np.radians([az[i], el[i]]) if radians else (az[i], el[i])
        entries.append({"file": file.name, "azimuth_deg": round(float(az_el[0]), 6),
                        "elevation_deg": round(float(az_el[1]), 6)})
    said = {"measurement": "Two points", "distance_m": DISTANCE, "drive_v": 2.0, "radius_m": 0.15, **keys,
            "files": entries}
    path = folder / name
    path.write_text(yaml.safe_dump(said, sort_keys=False), "utf-8")
    return path


def told(path: Path) -> list[str]:
    return [str(problem) for problem in check([path])]


# what is read ---------------------------------------------------------------------------------------------


def test_a_text_set_becomes_the_far_field_it_was_measured_from(tmp_path: Path):
    """Distance 1.5 m, 15° grid: within 0.05 dB of the known far field, within 20 dB of the loudest, up to the frequency
    that the program states (order 10 for 0.15 m: 2.5 kHz); left at its distance it is off by more than 0.3 dB."""
    definition = load(measurement(tmp_path, GRID))
    data = definition.directivity
    note = next(text for text in definition.assumptions if "measuring distance 1.5 m removed up to" in text)
    limit = float(note.split("up to ")[1].split(" ")[0])
    assert limit > 2000
    f = F[limit >= F]
    true = far_field(f, GRID, TWO, STRENGTHS)
    loud = np.abs(true) > 0.1 * np.abs(true).max(axis=0)
    assert np.abs(level(data.far_pressure(f, GRID) / true)[loud]).max() < 0.05
    assert np.abs(level(definition.as_measured.far_pressure(f, GRID) / true)[loud]).max() > 0.3
    assert data.calibrated and data.drive_v == 2.0 == definition.drive_v and not data.half_space
    assert definition.name == "Two points" and len(definition.files) == 1 + len(GRID)
    assert definition.assumptions[0].startswith(f"measured in {len(GRID)} directions (a full sphere) at 1.5 m with ")


def test_distance_is_kept_where_it_is_said_to_be_far_enough(tmp_path: Path):
    definition = load(measurement(tmp_path, GRID, far_field=True))
    np.testing.assert_array_equal(definition.directivity.values, definition.as_measured.values)
    assert not any("removed up to" in text or "stays in the data" in text for text in definition.assumptions)


def test_without_phase_the_distance_stays_and_the_result_says_so(tmp_path: Path):
    """8a²f/c = r (common practice, no source): c·1.5/(8·0.15²) = 2860 Hz."""
    definition = load(measurement(tmp_path, GRID, phase=False))
    (note,) = [text for text in definition.assumptions if "stays in the data" in text]
    assert "far enough up to 2860 Hz for a source of 0.15 m radius" in note
    assert any("minimum phase" in text for text in definition.assumptions)


def test_half_sphere(tmp_path: Path):
    front = GRID[GRID[:, 0] > -1e-9]
    definition = load(measurement(tmp_path, front, phase=False, mounting="on-wall", coverage="half"))
    assert definition.directivity.half_space and definition.directivity.coverage == "half"


def test_orbits_by_angle():
    """The files of good/: what stands in them is what comes back, per metre."""
    definition = load(GOOD / "orbits.yaml")
    table = np.loadtxt(GOOD / "polar" / "h+045.txt")
    found = definition.directivity.far_pressure(table[:, 0], orbit_vectors("horizontal", [45]))[0]
    np.testing.assert_allclose(level(found / REFERENCE), table[:, 1] + 20 * np.log10(2.0), atol=1e-6)    # rounding
    assert any("orbits blended by the angle about the axis" in text for text in definition.assumptions)


def test_impulse_responses_with_a_gate(tmp_path: Path):
    """8 ms with a quarter of fade: nothing below 1/7 ms; 2 Pa per unit; temperature 0 °C gives c = 331.3 m/s
    [iso9613-1]."""
    rate, count = 24000, 1024
    f = np.fft.rfftfreq(count, 1 / rate)
    grid = even_grid(30)
    spectrum = pressure(np.maximum(f, 1e-6), grid, DISTANCE, TWO, STRENGTHS) * np.exp(-2j * np.pi * f * 0.001)
    spectrum *= np.sin(np.pi / 2 * np.clip((11500 - f) / 3000, 0, 1)) ** 2
    az, el = angles_deg(grid)
    lines = ["measurement: Impulses", f"distance_m: {DISTANCE}", "drive_v: 1", "pascal_per_unit: 2",
             "temperature_c: 0", "gate: {length_ms: 8}", "files:"]
    for i, row in enumerate(np.fft.irfft(spectrum, count)):
        write_wav(tmp_path / f"{i}.wav", rate, row)
        lines.append(f"  - {{file: {i}.wav, azimuth_deg: {az[i]:.6f}, elevation_deg: {el[i]:.6f}}}")
    (tmp_path / "m.yaml").write_text("\n".join(lines), "utf-8")
    data = load(tmp_path / "m.yaml").as_measured
    assert 1 / 0.007 <= data.low_hz < 1.03 / 0.007
    assert data.speed_m_s == pytest.approx(331.3, abs=0.1)
    at = np.array([500.0, 1000, 2000])
    expected = 2 * DISTANCE * np.abs(pressure(at, grid, DISTANCE, TWO, STRENGTHS))
    # 0.03 of the loudest: the gate's own resolution of 140 Hz beside 500 Hz
    assert np.abs(np.abs(data.far_pressure(at, grid)) - expected).max() < 0.03 * expected.max()
    (tmp_path / "m.yaml").write_text("\n".join(lines).replace("length_ms: 8", "length_ms: 800"), "utf-8")
    (line,) = told(tmp_path / "m.yaml")
    assert ":6 gate.length_ms = 0.8: is longer than what is left after the first arrival" in line


def test_hash_follows_the_data_and_not_their_names(tmp_path: Path):
    path = measurement(tmp_path / "a", GRID[::8], phase=False)
    before = load(path).content_hash
    shutil.copytree(tmp_path / "a", tmp_path / "b")
    (tmp_path / "b" / "003.txt").rename(tmp_path / "b" / "renamed.txt")
    text = (tmp_path / "b" / "two.yaml").read_text("utf-8").replace("003.txt", "renamed.txt")
    (tmp_path / "b" / "two.yaml").write_text(text, "utf-8")
    assert load(tmp_path / "b" / "two.yaml").content_hash == before
    with (path.parent / "003.txt").open("a") as file:
        file.write("# another take\n")
    assert load(path).content_hash != before


# AES69 ----------------------------------------------------------------------------------------------------


def several_emitters(folder: Path) -> Path:
    """GeneralTF-E with two emitters: the two points one by one, at 3 V, measured on a 30° grid; by sofar itself."""
    import sofar

    grid = even_grid(30)
    sofa = sofar.Sofa("GeneralTF-E")
    sofa.ListenerPosition = np.zeros((1, 3))
    sofa.SourcePosition, sofa.SourcePosition_Type, sofa.SourcePosition_Units = np.zeros((1, 3)), "cartesian", "metre"
    sofa.ReceiverPosition = grid * DISTANCE
    sofa.ReceiverPosition_Type, sofa.ReceiverPosition_Units = "cartesian", "metre"
    sofa.EmitterPosition = np.zeros((2, 3))
    each = np.stack([pressure(F, grid, DISTANCE, TWO[k : k + 1], STRENGTHS[k : k + 1]) for k in (0, 1)], axis=-1)
    sofa.N, sofa.Data_Real, sofa.Data_Imag = F, each.real[None], each.imag[None]
    path = folder / "both.sofa"
    sofar.write_sofa(str(path), sofa)
    return path


BAR = """\
loudspeaker: Mixed
cabinet_m: {width: 0.4, height: 0.3, depth: 0.3}
mounting: free
drivers:
  upper: {measured: UPPER}
  lower: {measured: LOWER}
channels:
  main:
    - {driver: upper, at_m: [0, 0, 0]}
    - {driver: lower, at_m: [0, 0, 0]}
"""


def bar(folder: Path, upper: str, lower: str, more: str = "") -> Path:
    path = folder / "bar.yaml"
    path.write_text(BAR.replace("UPPER", upper).replace("LOWER", lower).replace("drivers:", f"{more}drivers:"), "utf-8")
    return path


def test_emitters_of_one_file_add_up_to_the_whole(tmp_path: Path):
    """Each with its drive; the loudspeaker's own is 2.83 V unless said, and pressures follow it."""
    several_emitters(tmp_path)
    said = "{{file: both.sofa, emitter: {}, drive_v: 3, radius_m: 0.16}}"
    path = bar(tmp_path, said.format(0), said.format(1), "drive_v: 6\n")
    definition = load(path)
    drivers = definition.loudspeaker().channels["main"]
    f, grid = F[F < 330], even_grid(30)                                # order 4 takes the distance out to 341 Hz
    whole = sum(d.directivity.far_pressure(f, grid) for d in drivers)
    true = 2 * far_field(f, grid, TWO, STRENGTHS)                       # 6 V instead of 3 V
    assert np.abs(whole - true).max() < 1e-3 * np.abs(true).max()      # orders above 4 at ka = 1
    assert definition.drive_v == 6 and "levels are for 6 V before every driver's filter" in definition.assumptions
    assert set(definition.measurements) == {"upper", "lower"}
    assert definition.measurements["upper"].as_measured.drive_v == 3
    assert all(d.directivity.calibrated and d.directivity.drive_v == 6 for d in drivers)
    assert any(text.startswith("lower: measured in 62 directions") for text in definition.assumptions)


def test_what_has_to_be_chosen_is_said_with_the_key_that_chooses(tmp_path: Path):
    several_emitters(tmp_path)
    (line, other) = told(bar(tmp_path, "both.sofa", "{file: both.sofa, emitter: 2}"))
    assert ":5 drivers.upper.measured = 'both.sofa': Data: holds 2 emitters; choose one by its index, 0 to 1" in line
    assert ":6 drivers.lower.measured.file = 'both.sofa': emitter: must be 0 to 1" in other
    with pytest.raises(DefinitionError, match=r"say so in a measurement file: .* sofa: both.sofa, emitter"):
        sofa_file(tmp_path / "both.sofa")


def test_a_measurement_file_of_an_aes69_file(tmp_path: Path):
    several_emitters(tmp_path)
    (tmp_path / "lower.yaml").write_text("measurement: Lower\nsofa: both.sofa\nemitter: 1\nlow_hz: 200\n", "utf-8")
    definition = load(tmp_path / "lower.yaml")
    assert definition.directivity.low_hz == pytest.approx(200, rel=0.13)          # the next measured frequency
    assert any("drive not known" in text for text in definition.assumptions) and definition.drive_v is None
    upper, lower = load(bar(tmp_path, "lower.yaml", "lower.yaml")).loudspeaker().channels["main"]
    assert upper.directivity is lower.directivity                                  # read once for both


# in a loudspeaker ------------------------------------------------------------------------------------------


def test_sketched_beside_measured_drivers_have_absolute_levels(tmp_path: Path):
    """A sketch of 86 dB for 2.83 V at 1 m, driven with 1 V: 86 - 9.04 dB on its axis, box or not far above it."""
    shutil.copytree(GOOD, tmp_path / "job")
    path = bar(tmp_path / "job", "orbits.yaml", "orbits.yaml", "drive_v: 1\n")
    text = path.read_text("utf-8").replace(
        "lower: {measured: orbits.yaml}",
        "lower: {piston: {radius_m: 0.05}, sensitivity_db: 86, closed_box: {resonance_hz: 60}}")
    path.write_text(text, "utf-8")
    definition = load(path)
    upper, lower = definition.loudspeaker().channels["main"]
    assert isinstance(lower.directivity, Boxed) and isinstance(lower.directivity.driver, Scaled)
    axis = level(lower.directivity.far_pressure([6000.0], [[1, 0, 0]])[0, 0] / REFERENCE)
    assert axis == pytest.approx(86 - 20 * np.log10(2.83), abs=1e-3)                   # 100 times the resonance
    at = level(upper.directivity.far_pressure([800.0], [[1, 0, 0]])[0, 0] / REFERENCE)
    measured = level(definition.measurements["upper"].as_measured.far_pressure([800.0], [[1, 0, 0]])[0, 0] / REFERENCE)
    assert at == pytest.approx(measured - 20 * np.log10(2.83), abs=1e-9)
    assert definition.loudspeaker().calibrated


def test_relative_levels_side_by_side_are_told(tmp_path: Path, shared_data: Path):
    shutil.copy(shared_data / "two-way-pa-loudspeaker.sofa", tmp_path / "box.sofa")
    path = bar(tmp_path, "box.sofa", "box.sofa")
    path.write_text(path.read_text("utf-8").replace("lower: {measured: box.sofa}", "lower: {omni: {}}"), "utf-8")
    (told_,) = [text for text in load(path).assumptions if "balance of the drivers" in text]
    assert told_.startswith("the levels of upper are relative")


def test_sensitivity_scales_relative_data(tmp_path: Path, shared_data: Path):
    shutil.copy(shared_data / "two-way-pa-loudspeaker.sofa", tmp_path / "box.sofa")
    said = "{file: box.sofa, sensitivity_db: 97}"
    data = load(bar(tmp_path, said, said)).loudspeaker().channels["main"][0].directivity
    axis = np.abs(data.far_pressure(midbands_hz(3, 315, 3150), [[1, 0, 0]])) ** 2
    assert 10 * np.log10(np.mean(axis) / REFERENCE**2) == pytest.approx(97, abs=0.2)    # but for its ends
    assert data.calibrated


def test_limits_and_taps(tmp_path: Path):
    shutil.copytree(GOOD, tmp_path / "job")
    write_wav(tmp_path / "job" / "taps.wav", 48000, np.array([0.0, 0.5, 0.25]))
    path = tmp_path / "job" / "bar.yaml"
    text = path.read_text("utf-8").replace(
        "{piston: {radius_m: 0.026}}",
        "{piston: {radius_m: 0.026}, closed_box: {resonance_hz: 90}, limits: {excursion_m: 0.004, power_w: 20, "
        "watt_level_db: 84}}").replace("filter: {highpass_hz: 2500}", "filter: {highpass_hz: 2500, fir: taps.wav}", 1)
    path.write_text(text, "utf-8")
    definition = load(path)
    woofer, tweeter = definition.loudspeaker().channels["left"]
    assert (woofer.limits.cone_radius_m, woofer.limits.excursion_m) == (0.026, 0.004)
    assert (woofer.limits.power_w, woofer.limits.sensitivity_db) == (20, 84)
    assert woofer.limits.box == woofer.directivity.box and tweeter.limits is None
    np.testing.assert_array_equal(tweeter.filter.fir.taps, [0, 0.5, 0.25])
    assert [file.name for file in definition.files] == ["bar.yaml", "taps.wav"]
    before = definition.content_hash
    write_wav(tmp_path / "job" / "taps.wav", 48000, np.array([0.0, 0.5, 0.3]))
    assert load(path).content_hash != before
    write_wav(tmp_path / "job" / "taps.wav", 48000, np.ones((2, 4)))
    (line,) = told(path)
    assert "bar.yaml:10 channels.left[1].filter.fir = 'taps.wav': has 2 channels; one is needed" in line


def test_a_loudspeakers_hash_follows_its_data_and_not_their_names(tmp_path: Path):
    folder = tmp_path / "job"
    shutil.copytree(GOOD, folder)
    for name in ("a.wav", "b.wav"):
        write_wav(folder / name, 48000, np.array([1.0, 0.5]))
    shutil.copy(folder / "orbits.yaml", folder / "same.yaml")
    path = folder / "bar.yaml"
    text = path.read_text("utf-8").replace("{omni: {}}", "{measured: orbits.yaml}")
    text = text.replace("{piston: {radius_m: 0.026}}", "{piston: {radius_m: 0.026}, sensitivity_db: 86}")
    text = text.replace("highpass_hz: 2500", "highpass_hz: 2500, fir: a.wav", 1)
    hashes = []
    for old, new in (("", ""), ("orbits.yaml", "same.yaml"), ("a.wav", "b.wav"), ("_db: 86", "_db: 87")):
        path.write_text(text.replace(old, new), "utf-8")
        hashes.append(load(path).content_hash)
    assert hashes[0] == hashes[1] == hashes[2] != hashes[3]


# what is wrong with a whole set -----------------------------------------------------------------------------


@pytest.mark.parametrize(("keys", "front", "says"), [
    ({"radians": True}, False, ":5 files: azimuth_deg, elevation_deg = "),
    ({"pascals": True, "phase": False}, False, "these look like pascals; give dB re 20 µPa"),
    ({"coverage": "full"}, True, ":5 coverage = 'full': the directions cover: half; nothing was measured behind"),
    ({"mounting": "free"}, True, ":5 mounting = 'free': needs directions behind the loudspeaker; none was measured"),
])
def test_sets_that_contradict_themselves(keys: dict, front: bool, says: str, tmp_path: Path):
    grid = GRID[GRID[:, 0] > -1e-9] if front else GRID
    (line,) = told(measurement(tmp_path, grid, **keys))
    assert says in line, line
    if keys.get("radians"):
        assert "these look like radians; give degrees" in line


def test_aes69_files_of_another_kind_or_cut_short(tmp_path: Path, shared_data: Path):
    import sofar

    sofa = sofar.Sofa("SimpleFreeFieldHRIR")
    sofar.write_sofa(str(tmp_path / "head.sofa"), sofa)
    whole = (shared_data / "two-way-pa-loudspeaker.sofa").read_bytes()
    (tmp_path / "cut.sofa").write_bytes(whole[: len(whole) // 2])
    (tmp_path / "empty.sofa").write_bytes(b"")
    (tmp_path / "m.yaml").write_text("measurement: Cut\nsofa: cut.sofa\n", "utf-8")
    head, empty = told(bar(tmp_path, "head.sofa", "empty.sofa"))
    assert "drivers.upper.measured = 'head.sofa': SOFAConventions: holds no loudspeaker directivity" in head
    assert "known: " in head and "drivers.lower.measured = 'empty.sofa': file: is empty" in empty
    (cut,) = told(tmp_path / "m.yaml")
    assert "m.yaml:2 sofa = 'cut.sofa': file: is damaged" in cut


def test_a_correction_is_applied_once(tmp_path: Path):
    shutil.copytree(GOOD, tmp_path / "job")
    text = (GOOD / "orbits.yaml").read_text("utf-8")
    (tmp_path / "job" / "orbits.yaml").write_text(text.replace("files:", "correction: chamber.yaml\nfiles:"), "utf-8")
    definition = load(tmp_path / "job" / "orbits.yaml")
    write_directivity(tmp_path / "job" / "once.sofa", definition.as_measured)
    again = read_directivity(tmp_path / "job" / "once.sofa")
    np.testing.assert_allclose(again.level_uncertainty_db, definition.as_measured.level_uncertainty_db)
    (line,) = told(bar(tmp_path / "job", "{file: once.sofa, correction: chamber.yaml}", "once.sofa"))
    assert "bar.yaml:5 drivers.upper.measured.correction = 'North chamber': the data were corrected before" in line


# the chamber ------------------------------------------------------------------------------------------------


def room_error(frequency: np.ndarray) -> np.ndarray:
    """What an invented chamber adds: a rise to 7 dB at 20 Hz with a dip at 55 Hz."""
    return 7 / (1 + (frequency / 32) ** 3) - 2.5 * np.exp(-((np.log2(frequency / 55) / 0.25) ** 2))


@pytest.mark.parametrize("stored", [False, True])
def test_a_chamber_of_known_error_is_taken_out_within_its_stated_spread(stored: bool, tmp_path: Path):
    """Five loudspeakers whose own deviations have the standard deviation σ(f) (0.8 dB at 20 Hz, less above), written as
    text files; a sixth one, 1 σ off, is measured as a sphere in that chamber.

    It comes back with an error of exactly its own deviation, which is inside the stated uncertainty σ √(1 + 1/5);
    uncorrected it is 6 dB off. In the blend what is left is at most what the chamber adds there, and nothing is
    touched above."""
    deviations = np.array([-4, -2, 0, 2, 4]) / np.sqrt(10)                  # mean 0, standard deviation 1
    f = 1000 * 10 ** (0.1 * np.arange(-17, 7))
    sigma = np.where(f > 165, 0, 0.8 / (1 + (f / 60) ** 4))
    added = np.where(f > 165, 0, room_error(f))
    lines = ["correction: Synthetic chamber", "pairs:"]
    for k, deviation in enumerate(deviations):
        free = 90 - 10 * np.log10(1 + ((30 + 10 * k) / f) ** 4)
        write_response_text(tmp_path / f"free{k}.txt", f, free)
        write_response_text(tmp_path / f"chamber{k}.txt", f, free + added + sigma * deviation)
        lines.append(f"  box {k}: {{free: free{k}.txt, chamber: chamber{k}.txt}}")
    (tmp_path / "chamber.yaml").write_text("\n".join(lines), "utf-8")
    if stored:
        write_correction(tmp_path / "chamber.txt", load(tmp_path / "chamber.yaml").correction)
    grid = even_grid(45)
    path = measurement(tmp_path, grid, phase=False, frequency=f, correction="chamber.txt" if stored else "chamber.yaml")
    for i in range(len(grid)):
        table = np.loadtxt(path.parent / f"{i:03}.txt")
        write_response_text(path.parent / f"{i:03}.txt", f, table[:, 1] + added + sigma)
    data = load(path).as_measured
    off = level(np.abs(data.values) / (DISTANCE * np.abs(pressure(f, grid, DISTANCE, TWO, STRENGTHS))))
    assert np.ptp(off, axis=0).max() < 1e-6                       # the same for all directions, to the files' rounding
    off, stated = off[0], data.level_uncertainty_db
    low, between, above = f < 81, (f > 81) & (f < 160), f > 160
    np.testing.assert_allclose(off[low], sigma[low], atol=1e-6)
    np.testing.assert_allclose(stated[low], sigma[low] * np.sqrt(1.2), atol=1e-6)
    assert np.abs((added + sigma)[low]).max() > 6
    assert np.all(np.abs(off[between]) <= np.abs((added + sigma)[between]))
    assert np.all(np.abs(off[above]) < 1e-6) and np.all(stated[above] == 0)
    assert any("corrected for the chamber Synthetic chamber (5 loudspeakers" in text for text in load(path).assumptions)
