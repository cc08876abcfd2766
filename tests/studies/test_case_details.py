"""Modes, early reflections and notes of a study, from files to what the result says."""

from __future__ import annotations

import json

import numpy as np
import pytest
from made_studies import STUDY, write_study

import roomsim
from roomsim.bands import OCTAVES_HZ
from roomsim.report.balance import balance_rows, early_reflections, reflection_rows
from roomsim.report.modes import mode_rows, room_modes, shaping_modes
from roomsim.report.write import notes
from roomsim.studies.case_notes import design_notes, ray_noise_note, uncertain_decay_note, unread_decay_note

LABELS = {"room": "one", "design": "bar", "setting": "ordinary", "place": "wall"}
VARIANT = {"setting": "ordinary", "place": "wall"}


@pytest.fixture(scope="module")
def study(tmp_path_factory):
    text = STUDY.replace("per_octave: 12", "per_octave: 24")
    return roomsim.load(write_study(tmp_path_factory.mktemp("study"), study=text, left="heavy curtain"))


@pytest.fixture(scope="module")
def result(study):
    return roomsim.predict(study, jobs=1)


@pytest.fixture(scope="module")
def metadata(result):
    return json.loads(result.attrs["metadata"])


# ----- modes


def test_the_result_lists_every_mode_of_the_room(result, metadata):
    (case,) = metadata["modes"]
    assert case["channels"] == ["left", "right"] and case["drivers"] == ["left/point", "right/point"]
    # Rigid-room counts: every index triple with (c/2)√Σ(n/L)² under 200 Hz, but the uniform one; real walls move a
    # mode by a few hertz, so those within 4 % of the end may be on either side.
    size, speed = np.array([5.2, 4.0, 2.5]), 343.2
    n = np.stack(np.meshgrid(*[np.arange(8)] * 3, indexing="ij"), -1).reshape(-1, 3)[1:]
    rigid = speed / 2 * np.linalg.norm(n / size, axis=1)
    listed = {tuple(mode["indices"]) for mode in case["modes"]}
    missing = {tuple(map(int, i)) for i, f in zip(n, rigid, strict=True) if f < 192} - listed
    assert not missing
    assert np.sum(rigid < 192) <= len(case["modes"]) <= np.sum(rigid < 215) + 3
    first = next(mode for mode in case["modes"] if mode["indices"] == [1, 0, 0])
    assert first["kind"] == "axial" and first["frequency_hz"] == pytest.approx(speed / 2 / 5.2, rel=0.05)
    # The bar stands at the front wall: near x = 0 an axial mode along the length has +3 dB.
    assert first["channel_db"] == pytest.approx([3.0, 3.0], abs=0.3)
    # The seats stand about x = 2.54 of 5.2 m, near its node.
    assert first["seats_db"] < -8


def test_the_strongest_come_first_and_rows_are_by_frequency(result, metadata):
    (case,) = metadata["modes"]
    share = [mode["share_db"] for mode in case["modes"]]
    assert share == sorted(share, reverse=True) and share[0] == 0
    rows = mode_rows(result)
    assert len(rows) == len(share)
    frequency = [row["frequency_hz"] for row in rows]
    assert frequency == sorted(frequency)
    best = min(rows, key=lambda row: row["rank"])
    assert [best["n_length"], best["n_width"], best["n_height"]] == case["modes"][0]["indices"]
    assert best["left level_db"] == case["modes"][0]["level_db"][0]
    assert best["right/point coupling_db"] == case["modes"][0]["driver_db"][1]
    (five,) = shaping_modes(result)
    assert five["modes"] == case["modes"][:5]
    modes = room_modes(result, "one", VARIANT)
    assert [list(modes.indices[n]) for n in modes.strongest] == [mode["indices"] for mode in five["modes"]]


def test_a_mode_rings_where_the_prediction_peaks(result, metadata):
    # The exact field at the seats, channels summed, has its highest sixth octave below 200 Hz within a sixth octave of
    # one of the five modes that are said to shape it most.
    level = roomsim.smoothed_db(roomsim.seat_average_db(roomsim.channel_sum_db(result["level_db"])), 6).squeeze()
    bass = level.sel(frequency=slice(50, 200))
    peak = float(bass["frequency"][int(bass.argmax())])
    strongest = [mode["frequency_hz"] for mode in metadata["modes"][0]["modes"][:5]]
    assert min(abs(np.log2(f / peak)) for f in strongest) < 1 / 6


# ----- direct, early, late


def test_balance_is_that_of_the_seats(result):
    rows = balance_rows(result)
    row = next(row for row in rows if abs(row["band_hz"] - 2000) < 10)
    f = result["frequency"].values
    # Each frequency stands for its cell of the logarithmic grid; the band is a third octave about 10^3.3 Hz.
    fine = 10 ** (3.3 + np.linspace(-0.05, 0.05, 20001))
    cell = np.argmin(np.abs(np.log(fine)[:, None] - np.log(f)), axis=1)
    for part in ("direct", "early", "late"):
        energy = 10 ** (result[f"{part}_level_db"].values.reshape(2, 3, -1) / 10)
        expected = energy.sum(axis=0).mean(axis=0)[cell].mean()
        assert row[f"{part}_db"] == pytest.approx(10 * np.log10(expected), abs=0.01)
    rest = row["direct_db"] - 10 * np.log10(10 ** (row["early_db"] / 10) + 10 ** (row["late_db"] / 10))
    assert row["direct_to_rest_db"] == pytest.approx(rest, abs=0.02)


def test_first_reflections_stand_where_geometry_puts_them(result):
    # Seat 2.4 m before the baffle at 0.8 m height, ears at 1.1 m; the left channel's driver 0.3 m aside. By hand:
    # floor: √(2.4² + 0.3² + 1.9²) - √(2.4² + 0.3² + 0.3²); ceiling 2.5 m: 3.1 m between the heights; c = 343.2 m/s.
    straight = np.sqrt(2.4**2 + 2 * 0.3**2)
    rows = {row["faces"]: row for row in reflection_rows(result) if row["channel"] == "left"}
    for face, between, side in (("floor", 1.9, -1), ("ceiling", 3.1, 1)):
        delay = (np.sqrt(2.4**2 + 0.3**2 + between**2) - straight) / 343.2 * 1e3
        assert rows[face]["delay_ms"] == pytest.approx(delay, abs=0.02)
        angle = np.degrees(np.arctan2(between, np.hypot(2.4, 0.3)))
        assert rows[face]["elevation_deg"] == pytest.approx(side * angle, abs=0.2)
    # A point over hard boards: 20 lg of the ratio of paths, less what oak and plasterboard take at an angle; the echo
    # keeps its image in the wall, as the direct sound does.
    lengths = {"floor": np.sqrt(2.4**2 + 0.3**2 + 1.9**2), "ceiling": np.sqrt(2.4**2 + 0.3**2 + 3.1**2)}
    for face, length in lengths.items():
        spread = 20 * np.log10(straight / length)
        assert spread - 2.5 < rows[face]["level_db"] < spread + 0.8
        assert rows[face]["exceeds_recommendation"] == "yes"
    assert not any(faces.startswith("front > ") and faces.count(">") == 1 for faces in rows)


def test_the_recommendation_is_judged_channel_by_channel(result):
    left, right = early_reflections(result, LABELS)
    assert (left.channel, left.listener, right.channel) == ("left", 1, "right")
    assert np.all(np.diff(left.delay_ms) >= 0)
    for one in (left, right):
        named = {one.faces[k][0] for k in one.judgement.too_strong if len(one.faces[k]) == 1}
        # The curtain takes the left wall's echo; floor, ceiling and the hard right wall stay.
        assert {"floor", "ceiling", "right"} <= named and "left" not in named
        assert one.judgement.gap_ms == pytest.approx(one.delay_ms[one.faces.index(("floor",))])


# ----- notes


def test_the_notes_say_why_the_decay_is_long_and_how_exact_the_rays_are(result, metadata):
    by_code = {note["code"]: note for note in metadata["notes"]}
    assert "dB of the rays' own noise" in by_code["ray-noise"]["text"]
    text = by_code["outlasts-diffuse-decay"]["text"]
    assert "diffuse-field formula" in text
    assert any("diffuse-field formula" in line for line in notes(result))


def test_a_note_on_noise_is_the_rms_over_the_seats_of_the_worst_octave():
    from types import SimpleNamespace

    noise = np.full((1, 3, 8), 0.1)
    noise[0, :, 5] = (0.3, 0.4, 0.5)                  # rms 0.408
    noise[0, :, 0] = 3.0                              # 63 Hz: below the crossfade nobody hears the rays
    response = SimpleNamespace(
        late_noise_db=noise, weight=np.array([1.0, 1, 0.5, 0]), frequency_hz=np.array([50.0, 200, 500, 9000]),
        energy_band_hz=OCTAVES_HZ,
    )
    note = ray_noise_note(response)
    assert "up to 0.5 dB" in note.text and "2k Hz octave" in note.text and note.low_hz == 500
    response.late_noise_db = None
    assert ray_noise_note(response) is None


def test_the_error_of_a_decay_time_is_its_scatter_over_seeds(study):
    # The stated standard error (jackknife over eight parts of one run's rays) against the standard deviation of the
    # decay time over twelve runs with rays of their own. Both are known to about 1/√(2·11) to 1/√(2·7) of themselves,
    # 0.2 to 0.27; the mean of the stated ones over runs and bands narrows that to 0.2 or so: within a factor of 1.6.
    from dataclasses import replace

    from roomsim.engines.hybrid import simulate
    from roomsim.studies.decay import FROM_RAYS, read_case_decay
    from roomsim.studies.plan import make_plan

    (case,) = make_plan(study).cases
    scene, few = case.scene(), np.array([500.0, 1000.0])
    read = [read_case_decay(scene, simulate(scene, few, replace(case.options, rays=4000, seed=k))) for k in range(12)]
    steady = [b for b in range(8) if all(one.method[b] == FROM_RAYS and np.isfinite(one.error[b]) for one in read)]
    assert len(steady) >= 3
    times = np.array([one.decay_s[steady] for one in read])
    scatter = times.std(axis=0, ddof=1) / times.mean(axis=0)
    stated = np.sqrt(np.mean([one.error[steady] ** 2 for one in read], axis=0))
    assert 1 / 1.6 < np.exp(np.mean(np.log(stated / scatter))) < 1.6
    assert all(one.error[0] == 0 for one in read)             # from the modes


def test_an_uncertain_decay_says_so():
    from types import SimpleNamespace

    error = np.array([0, 0, 0.01, 0.049, 0.06, 0.151, 0.02, 0.03])
    decay = SimpleNamespace(error=error, method=("modes", "modes", *["rays, T20"] * 6))
    note = uncertain_decay_note(decay)
    assert "1k, 2k Hz" in note.text and "up to ±16 %" in note.text and note.low_hz < 1001 and note.high_hz < 2000
    decay.error = np.where(error == 0.06, np.inf, error)
    assert "above ±50 %" in uncertain_decay_note(decay).text
    assert unread_decay_note(decay) is None
    decay.method = ("modes", "modes", *["rays, T20"] * 5, "Eyring–Kuttruff")
    assert "at 8k Hz is too uneven" in unread_decay_note(decay).text
    decay.error = np.zeros(8)
    assert uncertain_decay_note(decay) is None


def test_what_sketched_drivers_take_for_granted_stands_in_the_notes(tmp_path):
    found = design_notes({"a": ("one", "two"), "b": ("two",)}, 6)
    assert [(note["text"], note["cases"], note["count"]) for note in found] == [
        ("one", [{"design": "a"}], 3), ("two", "all", 6)]
    path = write_study(tmp_path)
    bar = (tmp_path / "bar.yaml").read_text("utf-8").replace("{omni: {}}", "{piston: {radius_m: 0.03}}")
    (tmp_path / "bar.yaml").write_text(bar, "utf-8")
    study = roomsim.load(path)
    (text,) = study.assumptions["bar"]
    metadata = json.loads(roomsim.predict(study, jobs=1).attrs["metadata"])
    assert [note["text"] for note in metadata["notes"] if note["code"] == "sketched-driver"] == [text]
