"""The whole path from files to labelled arrays."""

import json
import shutil

import numpy as np
import pytest
from made_studies import BAR, STUDY, write_study

import roomsim
from roomsim.constants import REFERENCE_PRESSURE_PA
from roomsim.errors import InvalidValue
from roomsim.studies import run


@pytest.fixture(scope="module")
def result(tmp_path_factory):
    return roomsim.predict(roomsim.load(write_study(tmp_path_factory.mktemp("study"))), jobs=1)


def test_dimensions_units_and_labels(result):
    assert result["level_db"].dims == ("design", "room", "setting", "place", "channel", "listener", "frequency")
    assert result.sizes["listener"] == 3
    assert list(result["channel"].values) == ["left", "right"]
    assert list(result["setting"].values) == ["ordinary"]
    assert result["level_db"].attrs["reference"] == "re the design's mean free-field level at 1 m"
    assert result["volume_m3"].item() == pytest.approx(4.0 * 5.2 * 2.5)
    # Schroeder's 2000 √(T/V), with the statistical decay of the mid octaves.
    assert 150 < result["transition_hz"].item() < 400
    assert all(np.isfinite(v.values).all() for n, v in result.data_vars.items()
               if n.endswith("level_db") or n in ("decay_s", "pressure_real"))


def test_left_is_left_end_to_end(tmp_path):
    # The left channel alone feeds the room; the wall at the listener's left is hard, the one at the right absorbs.
    # Swapping the walls swaps the rank of the two reflections, and the arrival angle is positive to the left.
    lists = {}
    for hard, soft in (("left", "right"), ("right", "left")):
        folder = tmp_path / hard
        folder.mkdir()
        path = write_study(folder, **{hard: "plaster on brick", soft: "glass board 50 mm"})
        metadata = json.loads(roomsim.predict(roomsim.load(path), jobs=1).attrs["metadata"])
        found = {r["faces"][0]: r for r in metadata["reflections"]
                 if r["channel"] == "left" and len(r["faces"]) == 1 and r["listener"] == 0}
        lists[hard] = found
    for hard, found in lists.items():
        soft = {"left": "right", "right": "left"}[hard]
        assert hard in found
        assert np.sign(found[hard]["azimuth_deg"]) == {"left": 1, "right": -1}[hard]
        if soft in found:
            assert found[soft]["level_db"] < found[hard]["level_db"]
    # The left driver is nearer to the left wall, so its echo from there comes earlier (image geometry by hand).
    left, right = 2.0 - 0.3, 2.0 + 0.3
    delay = {side: (np.hypot(2.4, 2.0 + d) - np.hypot(2.4, 0.3)) / 343.2 * 1e3 for side, d in
             (("left", left), ("right", right))}
    # Heights differ by 0.3 m, which moves these delays by less than 0.2 ms.
    assert lists["left"]["left"]["delay_ms"] == pytest.approx(delay["left"], abs=0.2)
    assert lists["right"]["right"]["delay_ms"] == pytest.approx(delay["right"], abs=0.2)


def test_channels_keep_their_own_filter(result):
    # The right channel's Linkwitz–Riley high-pass at 2 kHz is 24 dB per octave: at 250 Hz three octaves below,
    # -72 dB (closed form |H| = x⁴/(1+x⁴), x = 1/8: -72.2 dB). Both channels see nearly the same room.
    level = roomsim.seat_average_db(result["level_db"]).sel(frequency=slice(240, 260)).mean("frequency")
    difference = (level.sel(channel="left") - level.sel(channel="right")).item()
    assert difference == pytest.approx(72.2, abs=6)     # two places 0.6 m apart below 300 Hz differ by a few dB


def test_threads_serial_and_any_map_give_the_same_bits(tmp_path):
    study = roomsim.load(write_study(tmp_path, study=STUDY + "vary: {place.gap_m: [0.05, 0.3]}\n"))
    serial = roomsim.predict(study, jobs=1)
    threads = roomsim.predict(study, jobs=2)
    mapped = roomsim.predict(study, mapper=lambda function, cases: map(function, cases))
    for other in (threads, mapped):
        for name in serial.data_vars:
            floats = serial[name].dtype.kind == "f"
            assert np.array_equal(serial[name].values, other[name].values, equal_nan=floats), name
    assert serial["level_db"].dims[4] == "place.gap_m"
    assert serial["place.gap_m"].values.tolist() == [0.05, 0.3]
    assert not np.allclose(serial["level_db"].values[:, :, :, :, 0], serial["level_db"].values[:, :, :, :, 1], atol=0.5)


def test_processes_give_the_same_bits(tmp_path, monkeypatch):
    study = roomsim.load(write_study(tmp_path, study=STUDY + "vary: {place.gap_m: [0.05, 0.3]}\n"))
    serial = roomsim.predict(study, jobs=1)
    monkeypatch.setattr(run, "PROCESS_FROM", 2)
    pooled = roomsim.predict(study, jobs=2)
    assert np.array_equal(serial["level_db"].values, pooled["level_db"].values)
    assert serial.attrs == pooled.attrs


def test_progress_is_told_and_jobs_are_checked(tmp_path):
    study = roomsim.load(write_study(tmp_path))
    told = []
    roomsim.predict(study, jobs=1, progress=lambda done, total, title: told.append((done, total, title)))
    assert told[-1][:2] == (1, 1)
    with pytest.raises(InvalidValue, match="jobs"):
        roomsim.predict(study, jobs=0)


def test_a_measured_sphere_is_a_design_like_any_other(tmp_path, shared_data):
    # Open data: BRAS, doi 10.14279/depositonce-6726.3, a measured two-way loudspeaker, through the sofar library.
    shutil.copy(shared_data / "two-way-pa-loudspeaker.sofa", tmp_path / "measured.sofa")
    bar = BAR.replace("point: {omni: {}}", "point: {measured: measured.sofa}")
    bar = bar.replace("{width: 0.9, height: 0.07, depth: 0.09}", "{width: 0.9, height: 0.4, depth: 0.3}")
    path = write_study(tmp_path, bar=bar)
    (tmp_path / "omni.yaml").write_text(BAR, encoding="utf-8")
    path.write_text(STUDY.replace("{bar: {loudspeaker: bar.yaml}}",
                                  "{measured: {loudspeaker: bar.yaml}, point: {loudspeaker: omni.yaml}}"))
    result = roomsim.predict(roomsim.load(path), jobs=1)
    direct = roomsim.seat_average_db(result["direct_level_db"]).sel(channel="left")
    late = roomsim.seat_average_db(result["late_level_db"]).sel(channel="left")
    balance = (direct - late).sel(frequency=slice(1800, 2200)).mean("frequency")
    # Its directivity index at 2 kHz is 10.6 dB (quadrature of the raw data, tests/loudspeaker/test_measured.py):
    # against a point it must send at least half of that more of its sound straight to the listener in front.
    assert (balance.sel(design="measured") - balance.sel(design="point")).item() > 5


def test_levels_are_absolute_where_the_drive_is_known_and_relative_elsewhere(result):
    # An uncalibrated design: 0 dB is its own mean free-field level at 1 m, channels summed in power, so the
    # direct sound of a point at 2.4 m without its wall image would lie at -20 lg 2.4 less 3 dB for two channels
    # of which one plays above 2 kHz only. At high frequency, wall image in anti-phase to in-phase: 0 to 6 dB more.
    level = roomsim.seat_average_db(roomsim.channel_sum_db(result["direct_level_db"]))
    mean = 10 * np.log10((10 ** (level.sel(frequency=slice(3000, 8000)) / 10)).mean().item())
    reference_db = result["reference_db"].item()
    left_and_right = 2 / (1 + 0.45)           # right plays in 0.45 of the octaves from 300 Hz to 10 kHz
    expected = 10 * np.log10(left_and_right * 2) - 20 * np.log10(np.hypot(2.4, 0.3))
    assert mean == pytest.approx(expected, abs=1.0)
    assert reference_db == pytest.approx(10 * np.log10(1.45 / REFERENCE_PRESSURE_PA**2), abs=0.3)
