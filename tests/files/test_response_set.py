"""Sets of files with explicit directions: text and impulse responses."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from independent.point_sources import C, even_grid, far_field, level, pressure, sixth_octaves

from roomsim.errors import DefinitionError, InvalidValue
from roomsim.files.response_set import ResponseEntry, read_response_set
from roomsim.files.response_text import write_response_text
from roomsim.files.wav import write_wav
from roomsim.loudspeaker.impulse import Gate, first_arrival, gated, spectra_of_impulses
from roomsim.loudspeaker.measurement import MeasurementSetup
from roomsim.sphere import angles_deg, orbit_vectors

TWO = np.array([[0.0, 0.0, 0.08], [0.02, 0.05, -0.06]])
STRENGTHS = np.array([1.0, 0.6])
F = sixth_octaves(100, 10000)
GRID = even_grid(20)
DISTANCE = 2.0
SETUP = MeasurementSetup(distance_m=DISTANCE, drive_v=2.83, speed_m_s=C)
REFERENCE = 20e-6


def text_set(folder: Path, directions: np.ndarray, phase: bool, f: np.ndarray = F) -> list[ResponseEntry]:
    p = pressure(f, directions, DISTANCE, TWO, STRENGTHS)
    az, el = angles_deg(directions)
    entries = []
    for i in range(len(directions)):
        path = folder / f"{i:03}.txt"
        turn = np.degrees(np.angle(p[i])) if phase else None
        write_response_text(path, f, level(p[i] / REFERENCE), turn)
        entries.append(ResponseEntry(path=path, azimuth_deg=float(az[i]), elevation_deg=float(el[i])))
    return entries


def test_text_with_phase(tmp_path: Path) -> None:
    """Ten digits in the files, wrapped phase with the travel time in it: the far field comes back, near-field terms
    of 0.1 m at 2 m included in both (so the exact pressure at 2 m is what is compared)."""
    data = read_response_set(text_set(tmp_path, GRID, True), name="text", setup=SETUP)
    true = DISTANCE * pressure(F, GRID, DISTANCE, TWO, STRENGTHS) * np.exp(2j * np.pi * F * DISTANCE / C)
    np.testing.assert_allclose(data.values, true, rtol=1e-7)
    assert data.has_phase and data.calibrated and data.drive_v == 2.83 and data.coverage == "full"
    assert any("delay removed: the travel time 5.828 ms" in note for note in data.notes)


def test_text_without_phase(tmp_path: Path) -> None:
    data = read_response_set(text_set(tmp_path, GRID, False), name="text", setup=SETUP)
    np.testing.assert_allclose(data.values, DISTANCE * np.abs(pressure(F, GRID, DISTANCE, TWO, STRENGTHS)), rtol=1e-7)
    assert not data.has_phase and any("minimum phase of its level" in note for note in data.notes)


def test_orbits_by_name_and_angle(tmp_path: Path) -> None:
    """10° steps on two orbits; both hold the axis and its back, and meet there."""
    angles = np.arange(-170, 181, 10)
    entries = []
    for orbit in ("horizontal", "vertical"):
        directions = orbit_vectors(orbit, angles)
        p = pressure(F, directions, DISTANCE, TWO, STRENGTHS)
        for angle, row in zip(angles, p, strict=True):
            path = tmp_path / f"{orbit}{angle}.txt"
            write_response_text(path, F, level(row / REFERENCE), np.degrees(np.angle(row)))
            entries.append(ResponseEntry(path=path, orbit=orbit, angle_deg=float(angle)))
    data = read_response_set(entries, name="orbits", setup=SETUP)
    assert data.coverage == "orbits" and "2 repeated directions were joined" in data.notes
    up = data.far_pressure(F, orbit_vectors("vertical", 30))
    expected = DISTANCE * pressure(F, orbit_vectors("vertical", [30]), DISTANCE, TWO, STRENGTHS)
    np.testing.assert_allclose(np.abs(up), np.abs(expected), rtol=1e-6)


def test_unlike_frequencies_are_brought_together(tmp_path: Path) -> None:
    """Every other file on a grid twice as fine, shifted ends: 0.05 dB for a cubic over a sixth of an octave."""
    entries = text_set(tmp_path, GRID, True)
    fine = np.sort(np.concatenate([F, np.sqrt(F[1:] * F[:-1])]))[3:]
    p = pressure(fine, GRID, DISTANCE, TWO, STRENGTHS)
    for i in range(1, len(GRID), 2):
        write_response_text(Path(entries[i].path), fine, level(p[i] / REFERENCE), np.degrees(np.angle(p[i])))
    data = read_response_set(entries, name="text", setup=SETUP)
    assert data.frequency_hz[0] == pytest.approx(F[2]) and any("frequencies differ" in note for note in data.notes)
    true = DISTANCE * pressure(data.frequency_hz, GRID, DISTANCE, TWO, STRENGTHS)
    assert np.max(np.abs(np.abs(data.values) - np.abs(true)) / np.abs(true).max(axis=0)) < 0.006


# --- impulse responses -----------------------------------------------------------------------------

RATE, COUNT, ECHO_S = 48000, 4096, 0.009


def impulses(echo: float = 0.3) -> np.ndarray:
    """Band-limited impulse responses of the two points at 2 m with 3 ms of latency and a wall echo 9 ms later."""
    f = np.fft.rfftfreq(COUNT, 1 / RATE)
    band = np.clip((23000 - f) / 5000, 0, 1)
    spectrum = pressure(np.maximum(f, 1e-6), GRID, DISTANCE, TWO, STRENGTHS) * np.sin(np.pi / 2 * band) ** 2
    spectrum = spectrum * np.exp(-2j * np.pi * f * 0.003) * (1 + echo * np.exp(-2j * np.pi * f * ECHO_S))
    return np.fft.irfft(spectrum, COUNT)


def wav_set(folder: Path, samples: np.ndarray) -> list[ResponseEntry]:
    az, el = angles_deg(GRID)
    entries = []
    for i, row in enumerate(samples):
        path = folder / f"{i:03}.wav"
        write_wav(path, RATE, row)
        entries.append(ResponseEntry(path=path, azimuth_deg=float(az[i]), elevation_deg=float(el[i])))
    return entries


def test_a_gate_removes_the_echo_and_states_its_limit(tmp_path: Path) -> None:
    """Gate of 8 ms, a quarter fading: effective length 7 ms, so nothing below 143 Hz. Above twice the limit the
    levels are right to 0.05 dB re the loudest direction; ungated they are wrong by 20 lg 1.3 = 2.3 dB."""
    entries = wav_set(tmp_path, impulses())
    gate = Gate(length_s=0.008)
    data = read_response_set(entries, name="gated", setup=SETUP, gate=gate, pascal_per_unit=2.0)
    assert data.low_hz == pytest.approx(1 / 0.007, rel=0.03) and data.low_hz >= 1 / 0.007
    assert any("nothing below 143 Hz" in note for note in data.notes)
    f = F[F > 290]
    true = 2.0 * DISTANCE * np.abs(pressure(f, GRID, DISTANCE, TWO, STRENGTHS))
    found = np.abs(data.far_pressure(f, GRID))
    assert np.max(np.abs(found - true) / true.max(axis=0)) < 0.006
    open_ended = read_response_set(entries, name="all", setup=SETUP, pascal_per_unit=2.0)
    assert np.max(np.abs(level(np.abs(open_ended.far_pressure(f, GRID)) / true))) > 2.0
    assert open_ended.low_hz < 25


def test_a_stated_low_limit_does_not_go_below_the_gate(tmp_path: Path) -> None:
    entries = wav_set(tmp_path, impulses())
    setup = replace(SETUP, low_hz=20.0)
    assert read_response_set(entries, name="gated", setup=setup, gate=Gate(length_s=0.008)).low_hz > 142


def test_latency_stays_and_is_told(tmp_path: Path) -> None:
    data = read_response_set(wav_set(tmp_path, impulses(0.0)), name="late", setup=SETUP, gate=Gate(length_s=0.008))
    note = next(note for note in data.notes if "delay removed" in note)
    travel, left = (float(word) for word in re.findall(r"([\d.]+) ms", note))
    assert travel == pytest.approx(1e3 * DISTANCE / C, abs=1e-3)
    assert left == pytest.approx(3.0, abs=0.15)                     # the points stand within 0.1 m: 0.3 ms
    assert data.delay_s == pytest.approx(0.003, abs=1e-4)


def test_gate_by_hand() -> None:
    """A click at sample 100: arrival found, what comes 200 samples later cut, window flat between."""
    x = np.zeros((2, 1000))
    x[0, 100], x[1, 110], x[0, 150], x[0, 320] = 1.0, 0.5, 0.3, 0.4
    assert first_arrival(x).tolist() == [100, 110]
    kept, low = gated(x, 1000.0, Gate(length_s=0.2, fade=0.5, lead_s=0.01))
    assert kept[0, [100, 150]].tolist() == [1.0, 0.3] and kept[0, 320] == 0 and kept[1, 110] == 0.5
    assert low == pytest.approx(1 / 0.15)
    f, spectrum = spectra_of_impulses(x[:1, :300], 48000.0)
    expected = np.exp(-2j * np.pi * f * 100 / 48000) + 0.3 * np.exp(-2j * np.pi * f * 150 / 48000)
    np.testing.assert_allclose(spectrum[0], expected, atol=1e-12)
    with pytest.raises(InvalidValue, match=r"longer than what is left after the first arrival: 0.9000 s"):
        gated(x, 1000.0, Gate(length_s=2.0))
    for bad in ({"length_s": 0.0}, {"fade": 2.0}, {"lead_s": -1.0}):
        with pytest.raises(InvalidValue):
            Gate(**bad)


# --- what is wrong is said, all at once --------------------------------------------------------------


def rewritten(entries: list[ResponseEntry], change: Callable[[int, np.ndarray], np.ndarray]) -> list[ResponseEntry]:
    for i, entry in enumerate(entries):
        table = np.loadtxt(entry.path)
        np.savetxt(entry.path, change(i, table), fmt="%.8g")
    return entries


def pascals(i: int, table: np.ndarray) -> np.ndarray:
    return np.column_stack([table[:, 0], REFERENCE * 10 ** (table[:, 1] / 20)])


def radian_phase(i: int, table: np.ndarray) -> np.ndarray:
    return np.column_stack([table[:, :2], np.radians(table[:, 2])])


def phase_in_some(i: int, table: np.ndarray) -> np.ndarray:
    return table if i % 2 else table[:, :2]


def counts(i: int, table: np.ndarray) -> np.ndarray:
    return np.column_stack([table[:, 0], 10 ** (table[:, 1] / 20)])


def doubled(i: int, table: np.ndarray) -> np.ndarray:
    return table[[0, 0, *range(1, len(table))]] if i in (3, 7) else table


@pytest.mark.parametrize(
    ("change", "messages"),
    [
        (pascals, ["these look like pascals; give dB re 20 µPa"]),
        (radian_phase, ["phase = 3.14", "these look like radians; give degrees"]),
        (phase_in_some, ["phase: is missing in 73 of 146 files"]),
        (counts, ["is above 200 dB"]),
        (doubled, ["003.txt:2 frequency", "007.txt:2 frequency"]),
    ],
)
def test_wrong_numbers(tmp_path: Path, change: Callable, messages: list[str]) -> None:
    entries = rewritten(text_set(tmp_path, GRID, True), change)
    with pytest.raises(DefinitionError) as caught:
        read_response_set(entries, name="bad", setup=SETUP, file="index.yaml")
    for message in messages:
        assert message in str(caught.value)


def angles_in_radians(entries: list[ResponseEntry]) -> list[ResponseEntry]:
    return [
        ResponseEntry(
            path=e.path, azimuth_deg=float(np.radians(e.azimuth_deg)), elevation_deg=float(np.radians(e.elevation_deg))
        )
        for e in entries
    ]


def given_twice(entries: list[ResponseEntry]) -> list[ResponseEntry]:
    return [*entries, entries[5]]


def no_angle(entries: list[ResponseEntry]) -> list[ResponseEntry]:
    return [ResponseEntry(path=entries[0].path, azimuth_deg=10.0), *entries[1:]]


def both_ways(entries: list[ResponseEntry]) -> list[ResponseEntry]:
    twice = ResponseEntry(path=entries[0].path, azimuth_deg=0.0, elevation_deg=0.0, orbit="vertical", angle_deg=0.0)
    return [twice, *entries[1:]]


def unknown_orbit(entries: list[ResponseEntry]) -> list[ResponseEntry]:
    return [ResponseEntry(path=entries[0].path, orbit="sideways", angle_deg=0.0), *entries[1:]]


def far_angle(entries: list[ResponseEntry]) -> list[ResponseEntry]:
    return [ResponseEntry(path=entries[0].path, azimuth_deg=0.0, elevation_deg=120.0), *entries[1:]]


def two_missing(entries: list[ResponseEntry]) -> list[ResponseEntry]:
    for entry in entries[:2]:
        Path(entry.path).unlink()
    return entries


def mixed(entries: list[ResponseEntry]) -> list[ResponseEntry]:
    return [ResponseEntry(path=Path("click.wav"), azimuth_deg=0.0, elevation_deg=0.0), *entries[1:]]


@pytest.mark.parametrize(
    ("change", "messages"),
    [
        (angles_in_radians, ["index.yaml azimuth_deg, elevation_deg", "these look like radians"]),
        (given_twice, ["is given twice", "005.txt"]),
        (no_angle, ["000.txt: needs azimuth_deg and elevation_deg, or orbit and angle_deg"]),
        (both_ways, ["needs azimuth_deg and elevation_deg, or orbit and angle_deg"]),
        (unknown_orbit, ["orbit = 'sideways': must be horizontal or vertical"]),
        (far_angle, ["elevation_deg = 120.0: must be -90 to 90 degrees"]),
        (two_missing, ["000.txt: does not exist", "001.txt: does not exist"]),
        (mixed, ["must be all text or all WAV"]),
    ],
)
def test_wrong_indices(tmp_path: Path, change: Callable, messages: list[str]) -> None:
    entries = change(text_set(tmp_path, GRID, True))
    with pytest.raises(DefinitionError) as caught:
        read_response_set(entries, name="bad", setup=SETUP, file="index.yaml")
    for message in messages:
        assert message in str(caught.value)


def test_wrong_wavs_are_all_named(tmp_path: Path) -> None:
    entries = wav_set(tmp_path, impulses())
    quiet, clipped, stereo, rate = (Path(entries[i].path) for i in (1, 2, 3, 4))
    write_wav(quiet, RATE, np.zeros(COUNT))
    write_wav(clipped, RATE, np.clip(np.repeat(impulses()[0], 4) * 50, -1, 1))
    write_wav(stereo, RATE, np.ones((2, COUNT)) * 0.1)
    write_wav(rate, 44100, impulses()[0])
    with pytest.raises(DefinitionError) as caught:
        read_response_set(entries, name="bad", setup=SETUP)
    rules = {"001": "is silent", "002": "is clipped", "003": "has 2 channels", "004": "sampling rate"}
    for name, rule in rules.items():
        assert any(f"{name}.wav" in str(p) and rule in str(p) for p in caught.value.problems), name


def test_a_gate_that_leaves_nothing(tmp_path: Path) -> None:
    entries = wav_set(tmp_path, impulses())
    with pytest.raises(DefinitionError, match="gate length_s = 1: is longer"):
        read_response_set(entries, name="bad", setup=SETUP, gate=Gate(length_s=1))
    with pytest.raises(DefinitionError, match="leaves no measured frequency to trust; use a longer gate"):
        read_response_set(entries, name="bad", setup=SETUP, gate=Gate(length_s=0.00005, lead_s=0.0))
    with pytest.raises(DefinitionError, match=r"pascal_per_unit = 0.0: must be positive"):
        read_response_set(entries, name="bad", setup=SETUP, pascal_per_unit=0.0)


def test_far_field_of_a_small_source_is_its_pressure_times_distance() -> None:
    """The comparison above rests on it: at 20 m the two agree to the ratio of size and distance."""
    near = 20.0 * pressure(F, GRID, 20.0, TWO, STRENGTHS) * np.exp(2j * np.pi * F * 20.0 / C)
    far = far_field(F, GRID, TWO, STRENGTHS)
    assert np.max(np.abs(near - far) / np.abs(far).max(axis=0)) < 0.05
