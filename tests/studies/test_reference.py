"""The reference system stands at the standard's angles around the same seats, and is compared like any design."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from made_studies import STUDY, write_study

import roomsim
from roomsim.cli import main
from roomsim.errors import InvalidValue
from roomsim.studies.plan import make_plan
from roomsim.studies.reference import LAYOUTS, with_reference

# Azimuth and elevation of system J (4+7+0) in ITU-R BS.2051, nominal values as transcribed, azimuth to the left
SYSTEM_J = {"M+030": (30, 0), "M-030": (-30, 0), "M+000": (0, 0), "M+090": (90, 0), "M-090": (-90, 0),
            "M+135": (135, 0), "M-135": (-135, 0), "U+045": (45, 30), "U-045": (-45, 30), "U+135": (135, 30),
            "U-135": (-135, 30)}


@pytest.mark.parametrize("wall", ["front", "left"])
def test_angles_and_seats(tmp_path: Path, wall: str):
    text = STUDY.replace("{gap_m: 0.05,", f"{{wall: {wall}, gap_m: 0.05,").replace("distance_m: 2.4", "distance_m: 2.0")
    study = roomsim.load(write_study(tmp_path, study=text))
    plan = with_reference(study, "4+7+0")
    bar, system = plan.cases[0].scene(), plan.cases[-1].scene()
    np.testing.assert_allclose(system.listeners_m, bar.listeners_m, atol=1e-12)
    centre, source = system.listeners_m[0], bar.loudspeakers[0].position_m
    ahead = (source - centre) * [1, 1, 0]                       # where the listener looks
    ahead = ahead / np.linalg.norm(ahead)
    left = np.cross([0, 0, 1], ahead)
    radii = set()
    for k, name in enumerate(system.channels):
        emitter = system.channel_emitters(k)[0]
        way = emitter.position_m - centre
        radii.add(round(float(np.linalg.norm(way)), 9))
        way = way / np.linalg.norm(way)
        found = (np.degrees(np.arctan2(way @ left, way @ ahead)), np.degrees(np.arcsin(way[2])))
        np.testing.assert_allclose(found, SYSTEM_J[name], atol=1e-9)
        np.testing.assert_allclose(emitter.rotation[:, 0], -way, atol=1e-9)          # aimed at the seats' centre
    assert set(system.channels) == set(SYSTEM_J) == set(LAYOUTS["4+7+0"]) and len(radii) == 1


def test_refuses(tmp_path: Path):
    study = roomsim.load(write_study(tmp_path))
    with pytest.raises(InvalidValue, match="must be one of"):
        with_reference(study, "9.1.6")
    near = replace(study, seats=replace(study.seats, distance_m=4.2))         # a back wall 0.8 m behind, 0.6 m wanted
    assert len(make_plan(near).cases) == 1
    with pytest.raises(InvalidValue, match="all around the seats"):
        with_reference(replace(study, seats=replace(study.seats, distance_m=4.5)), "4+7+0")


def test_the_command(tmp_path: Path, capsys):
    study = write_study(tmp_path, study=STUDY.replace("low_hz: 50, high_hz: 8000", "low_hz: 100, high_hz: 4000"))
    assert main(["reference", str(study), "--layout", "0+2+0", "--json", "--jobs", "1"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert {row["design"] for row in told["measures"]} == {"bar", "reference 0+2+0"}
    assert any(
        name.startswith("difference-bar") for name in told["files"])
    assert "result.nc" in told["files"]
    assert main(["reference", str(study), "--layout", "x"]) == 2
