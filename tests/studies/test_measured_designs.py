"""From measured files to predictions: text sets, half spheres, and the measured sphere of the open data as a design."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import numpy as np
import pytest
import yaml
from independent.point_sources import even_grid, pressure, sixth_octaves
from independent.point_sources import level as level_of
from made_studies import write_study

import roomsim
from roomsim.files.response_text import write_response_text
from roomsim.sphere import angles_deg

STUDY = """\
study: Measured and sketched
rooms: {one: room.yaml}
designs: {sketch: {loudspeaker: bar.yaml}, measured: {loudspeaker: box.yaml}}
places: {wall: {gap_m: 0.05, height_m: 0.8}}
seats: {distance_m: 2.4, ear_height_m: 1.1, count: 3}
frequency: {low_hz: 40, high_hz: 8000, per_octave: 6}
"""
POINT = """\
loudspeaker: {name}
cabinet_m: {{width: 0.3, height: 0.3, depth: 0.2}}
mounting: {mounting}
drivers:
  point: {driver}
channels:
  main: [{{driver: point, at_m: [0, 0, 0]}}]
"""
REFERENCE = 20e-6


def point(name: str, driver: str, mounting: str = "free") -> str:
    return POINT.format(name=name, driver=driver, mounting=mounting)


def text_set(folder: Path, grid: np.ndarray, gain: float = 1.0, **keys) -> None:
    """A point source at the origin of 1 Pa m times gain for 2.83 V, measured at 1.5 m with phase, as text files."""
    f = sixth_octaves(40, 8000)
    p = gain * pressure(f, grid, 1.5, np.zeros((1, 3)), np.ones(1))
    az, el = angles_deg(grid)
    entries = []
    for i, row in enumerate(p):
        write_response_text(folder / f"{i:03}.txt", f, level_of(row / REFERENCE), np.degrees(np.angle(row)))
        entries.append({"file": f"{i:03}.txt", "azimuth_deg": round(float(az[i]), 6),
                        "elevation_deg": round(float(el[i]), 6)})
    said = {"measurement": "A point", "distance_m": 1.5, "drive_v": 2.83, "radius_m": 0.05, **keys, "files": entries}
    (folder / "point.yaml").write_text(yaml.safe_dump(said, sort_keys=False), "utf-8")


def notes(result) -> list[dict]:
    return json.loads(result.attrs["metadata"])["notes"]


def test_a_measured_point_predicts_as_a_sketched_one(tmp_path: Path):
    """The same source twice, once measured in text files on a 30° grid: the same prediction at every seat.

    0.02 dB is what single precision of the image tables and the files' digits leave; late sound comes from the same
    rays. The sketch has 1 Pa at 1 m, which is 93.98 dB for 2.83 V.
    """
    text_set(tmp_path, even_grid(30))
    study = write_study(tmp_path, study=STUDY, bar=point("Sketch", "{omni: {}, sensitivity_db: 93.9794}"))
    (tmp_path / "box.yaml").write_text(point("Measured", "{measured: point.yaml}"), "utf-8")
    result = roomsim.predict(roomsim.load(study), jobs=1)
    sketch, measured = (result.sel(design=name).squeeze() for name in ("sketch", "measured"))
    assert result.level_db.attrs["reference"] == "re 20 µPa"
    for name in ("level_db", "direct_level_db", "early_level_db", "late_level_db"):
        np.testing.assert_allclose(measured[name], sketch[name], atol=0.02, err_msg=name)
    texts = [note["text"] for note in notes(result)]
    assert any("point: measured in 62 directions (a full sphere) at 1.5 m with phase" in text for text in texts)
    assert any("measuring distance 1.5 m removed up to" in text for text in texts)


def test_a_half_sphere_on_a_wall_predicts_as_its_free_twin_before_it(tmp_path: Path):
    """A small source in a large rigid wall has twice the pressure of a free one (physics of half-space data): measured
    so on a half sphere and hung on the wall, it is the free one right before that wall.

    The free one's cabinet is 5 mm deep, so that its wall image is late by 10 mm at most: cos(kh) = -0.04 dB at 1 kHz
    for the direct sound. Reverberant levels differ with what the walls absorb along the way: 0.25 dB."""
    text_set(tmp_path, even_grid(15)[even_grid(15)[:, 0] > -1e-9], gain=2.0, mounting="on-wall", coverage="half")
    study = write_study(
        tmp_path, bar=point("Sketch", "{omni: {}, sensitivity_db: 93.9794}").replace("depth: 0.2", "depth: 0.005"),
        study=STUDY.replace("{wall: {gap_m: 0.05", "{wall: {gap_m: 0"))
    wall = point("Measured", "{measured: point.yaml}", "on-wall").replace("depth: 0.2", "depth: 0.005")
    (tmp_path / "box.yaml").write_text(wall, "utf-8")
    result = roomsim.predict(roomsim.load(study), jobs=1)
    sketch, measured = (result.sel(design=name).squeeze() for name in ("sketch", "measured"))
    low = result.frequency < 1000
    apart = {name: (measured[name] - sketch[name]).values[:, low] for name in ("direct_level_db", "late_level_db")}
    assert np.abs(apart["direct_level_db"]).max() < 0.06
    assert np.abs(apart["late_level_db"]).max() < 0.25
    assert any("a half sphere" in note["text"] for note in notes(result))


@pytest.fixture(scope="module")
def sphere_study(tmp_path_factory: pytest.TempPathFactory, shared_data: Path):
    folder = tmp_path_factory.mktemp("sphere")
    shutil.copy(shared_data / "two-way-pa-loudspeaker.sofa", folder / "box.sofa")
    study = write_study(folder, study=STUDY.replace("gap_m: 0.05", "gap_m: 1.3"), bar=point("Sketch", "{omni: {}}"))
    (folder / "box.yaml").write_text(point("Measured", "{measured: box.sofa}"), "utf-8")
    return roomsim.predict(roomsim.load(study), jobs=1)


@pytest.mark.parametrize("frequency", [125.0, 500.0, 1000.0, 2000.0, 4000.0])
def test_the_measured_sphere_is_a_design_like_any_other(sphere_study, shared_data: Path, frequency: float):
    """Direct and late sound in the room against the raw file: its level towards the first seat (2.4 m away, 7.1° up,
    between the file's 0 and 10°), and its mean over the sphere by polar rings and Simpson's rule; both re that mean
    from 300 Hz to 10 kHz.

    Direct sound from 2 kHz: 1 dB, since what leaves the back (at most 15 % of the front's pressure) and returns from
    the wall belongs to it; lower down more of it does. Late sound above that of a point source: 1 dB for the
    noise of both (0.2 dB each) and what the wall does to a source that faces away from it.
    """
    import netCDF4

    with netCDF4.Dataset(str(shared_data / "two-way-pa-loudspeaker.sofa")) as raw:
        az, el, _ = np.array(raw["ReceiverPosition"][:]).T
        f, data = np.array(raw["N"][:]), np.array(raw["Data.Real"][0])
    rings = np.array([np.mean(data[np.abs(el - up) < 0.1] ** 2, axis=0) for up in np.arange(-90, 91, 10)])
    simpson = np.array([1, 4] + [2, 4] * 8 + [1]) * np.radians(10) / 3
    mean = (simpson * np.cos(np.radians(np.arange(-90, 91, 10))) / 2) @ rings
    own = mean[(f > 290) & (f < 10500)].mean()
    at = int(np.argmin(np.abs(f - frequency)))
    near = int(np.argmin(np.abs(sphere_study.frequency.values - frequency)))
    direct, late = (sphere_study[name].squeeze().values[..., near] for name in ("direct_level_db", "late_level_db"))
    if frequency >= 2000:
        level, up = (20 * np.log10(data[(az == 0) & (el == e), at][0]) for e in (0, 10))
        expected = level + 0.71 * (up - level) - 10 * np.log10(own) - 20 * np.log10(2.4)
        assert direct[1, 0] == pytest.approx(expected, abs=1.0)
    louder = 10 * np.log10(np.mean(10 ** (late[1] / 10)) / np.mean(10 ** (late[0] / 10)))
    assert louder == pytest.approx(10 * np.log10(mean[at] / own), abs=1.0)


def test_results_say_what_was_measured_and_where_it_is_not_to_be_trusted(sphere_study):
    result = sphere_study
    trusted = result.trusted_from_hz.squeeze()
    assert float(trusted.sel(design="measured")) == pytest.approx(63, rel=1e-6)
    assert float(trusted.sel(design="sketch")) < 45
    found = [note for note in notes(result) if "measured in 614 directions" in note["text"]]
    assert len(found) == 1 and found[0]["code"] == "measured-driver"
    assert "nothing filled in" in found[0]["text"] and "without phase" in found[0]["text"]
    texts = " ".join(note["text"] for note in notes(result))
    for word in ("minimum phase of its level", "below 63 Hz there is no trustworthy measurement", "levels are relative",
                 "radius of the source assumed"):
        assert word in texts, word
