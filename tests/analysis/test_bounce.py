"""The bounce of up-firing and side-firing channels against image sources worked out by hand."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from made_studies import BAR, write_study
from scipy.special import j1

from roomsim.analysis.bounce import bounce
from roomsim.cli import main
from roomsim.loudspeaker.channels import Loudspeaker, PlacedDriver
from roomsim.loudspeaker.drivers import Omni, Piston
from roomsim.placing import Place, Seats, build_scene
from roomsim.room.geometry import box
from roomsim.room.materials import catalogue
from roomsim.room.room import Room


class Rigid:
    """Reflects all."""

    name = kind = "rigid"

    def impedance(self, frequency_hz):
        return np.full(np.shape(frequency_hz), 1e12 + 0j)


def emitters(driver: PlacedDriver):
    known = catalogue()["plaster on brick"]
    faces = ("front", "back", "left", "right", "floor", "ceiling")
    room = Room(name="r", geometry=box(6.0, 4.0, 2.5), materials=dict.fromkeys(faces, known))
    speaker = Loudspeaker(name="s", width_m=0.2, height_m=0.1, depth_m=0.1, mounting="free",
                          channels={"one": (driver,)})
    scene = build_scene(room, speaker, Place(gap_m=0.1, height_m=0.6), Seats(distance_m=3.0, count=1))
    return scene.channel_emitters(0), scene.listeners_m[0]


def test_an_omni_by_way_of_a_rigid_ceiling_is_a_matter_of_distance():
    found_emitters, ear = emitters(PlacedDriver(name="d", directivity=Omni(name="o"), position_m=np.zeros(3)))
    found = bounce(found_emitters, ear, [0, 0, 2.5], [0, 0, -1], Rigid(), 343.0)
    straight = np.hypot(3.0, 0.5)                                # ears 1.1 m, loudspeaker 0.6 m high
    image = np.hypot(3.0, (2.5 - 0.6) + (2.5 - 1.1))
    assert found.level_db == pytest.approx(20 * np.log10(straight / image), abs=1e-6)
    assert found.delay_ms == pytest.approx((image - straight) / 343.0 * 1e3, abs=1e-9)
    assert found.elevation_deg == pytest.approx(np.degrees(np.arctan2(3.3, 3.0)), abs=1e-6)
    assert found.verdict == "fails"


def test_a_sloping_ceiling_is_the_mirror_in_its_plane():
    found_emitters, ear = emitters(PlacedDriver(name="d", directivity=Omni(name="o"), position_m=np.zeros(3)))
    tilt = np.radians(20)
    normal = np.array([np.sin(tilt), 0, -np.cos(tilt)])
    found = bounce(found_emitters, ear, [0, 0, 2.5], normal, Rigid(), 343.0)
    source = found_emitters[0].position_m
    image = source - 2 * ((source - [0, 0, 2.5]) @ normal) * normal       # mirror the source instead of the listener
    far = np.linalg.norm(ear - image)
    assert found.delay_ms == pytest.approx((far - np.linalg.norm(ear - source)) / 343.0 * 1e3, abs=1e-9)
    arrives = (image - ear) / far
    assert found.elevation_deg == pytest.approx(np.degrees(np.arcsin(arrives[2])), abs=1e-6)


def test_a_piston_aimed_at_the_mirror_point_leaks_as_its_closed_form_says():
    aim = np.degrees(np.arctan2(3.3, 3.0))
    f = np.geomspace(1000, 8000, 500)
    off = np.radians(aim) - np.arctan2(0.5, 3.0)
    verdicts = []
    for radius in (0.03, 0.06, 0.3):
        piston = Piston(name="p", radius_m=radius)
        aimed, ear = emitters(
            PlacedDriver(name="d", directivity=piston, position_m=np.zeros(3), elevation_deg=float(aim)))
        found = bounce(aimed, ear, [0, 0, 2.5], [0, 0, -1], Rigid(), 343.0)
        x = 2 * np.pi * f / 343.0 * radius * np.sin(off)
        leak = np.trapezoid((2 * j1(x) / x) ** 2, np.log(f)) / np.log(8)        # [beranek-mellow2012], baffled piston
        straight, image = np.hypot(3.0, 0.5), np.hypot(3.0, 3.3)
        # sum on a grid of 24 per octave against an integral: 0.2 dB
        assert found.level_db == pytest.approx(20 * np.log10(straight / image) - 10 * np.log10(leak), abs=0.2)
        assert found.angle_deg == pytest.approx(0, abs=1e-3)
        verdicts.append(found.verdict)
    assert verdicts == ["fails", "weak", "holds"]


def test_no_bounce_through_the_surface():
    found_emitters, ear = emitters(PlacedDriver(name="d", directivity=Omni(name="o"), position_m=np.zeros(3)))
    assert bounce(found_emitters, ear, [0, 0, 0.9], [0, 0, -1], Rigid()) is None


def test_the_command(tmp_path: Path, capsys):
    bar = BAR.replace("point: {omni: {}}", "point: {piston: {radius_m: 0.04}}").replace(
        "at_m: [0, -0.3, 0]}", "at_m: [0, -0.3, 0], aim: {azimuth_deg: 0, elevation_deg: 60}}").replace(
        "at_m: [0, 0.3, 0],", "at_m: [0, 0.3, 0], aim: {azimuth_deg: 70, elevation_deg: 0},")
    study = write_study(tmp_path, bar=bar)
    assert main(["bounce", str(study), "--heights", "2.5,5", "--slopes", "0,15", "--out", str(tmp_path / "b.csv"),
                 "--json"]) == 0
    rows = json.loads(capsys.readouterr().out)["bounces"]
    up, aside = ([row for row in rows if row["channel"] == c] for c in ("left", "right"))
    assert len(up) == 4 and {row["surface"] for row in up} == {"ceiling"}
    assert [row["surface"] for row in aside] == ["right"]             # its own left is the room's right
    assert up[2]["delay_ms"] > up[0]["delay_ms"] and (tmp_path / "b.csv").exists()
    assert main(["bounce", str(study)]) == 0
    assert "verdict" in capsys.readouterr().out
    assert main(["bounce", str(study), "--heights", "high"]) == 2
    assert main(["bounce", str(study), "--slopes", "80"]) == 2
    (tmp_path / "plain").mkdir()
    assert main(["bounce", str(write_study(tmp_path / "plain"))]) == 0
    assert "No channel points up" in capsys.readouterr().out
