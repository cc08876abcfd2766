"""Values that stand instead of what files say."""

from __future__ import annotations

from pathlib import Path

import pytest

import roomsim
from roomsim.demo import write_demo


@pytest.fixture
def study_file(tmp_path: Path) -> Path:
    return write_demo(tmp_path / "demo")


def test_changes_reach_the_file_and_what_it_names(study_file):
    plain = roomsim.load(study_file)
    before = {path: path.read_bytes() for path in plain.files}
    study = roomsim.load(study_file, changes={
        "places.sideboard.gap_m": 0.3,
        "seats.count": 5,
        "rooms.typical.surfaces.left": "concrete",
        ("rooms", "typical", "height_m"): 2.4,
        "designs.wide.loudspeaker.drivers.woofer.piston.radius_m": 0.04,
        "designs.wide.loudspeaker.channels.left[1].filter.gain_db": 3,
    })
    assert study.places["sideboard"].gap_m == 0.3 and study.seats.count == 5
    room = study.rooms["typical"].room("ordinary")
    assert room.materials["left"].name.startswith("concrete") and room.geometry.size_m[2] == 2.4
    driver = study.designs["wide"].loudspeaker().channels["left"][0]
    assert driver.directivity.radius_m == 0.04
    assert study.designs["wide"].loudspeaker().channels["left"][1].filter.gain_db == 3
    # the others are untouched, and so are the files
    assert study.rooms["small"].content_hash == plain.rooms["small"].content_hash
    assert study.designs["narrow"].content_hash == plain.designs["narrow"].content_hash
    assert study.content_hash != plain.content_hash
    assert before == {path: path.read_bytes() for path in plain.files}


def test_what_a_file_says_may_be_taken_away_or_said_again(study_file):
    plain = roomsim.load(study_file)
    gap = plain.places["sideboard"].gap_m
    same = roomsim.load(study_file, changes={"places.sideboard.gap_m": gap, "seats.spread_m": None})
    assert same.places["sideboard"].gap_m == gap
    assert roomsim.load(study_file, changes={"places.sideboard.gap_m": gap}).content_hash == plain.content_hash


def test_a_shipped_room_takes_changes(tmp_path):
    (tmp_path / "bar.yaml").write_text(
        "loudspeaker: Small\ncabinet_m: {width: 0.2, height: 0.1, depth: 0.1}\nmounting: free\n"
        "drivers: {w: {piston: {radius_m: 0.03}}}\nchannels: {all: [{driver: w, at_m: [0, 0, 0]}]}\n")
    (tmp_path / "study.yaml").write_text(
        "study: s\nrooms: {home: typical}\ndesigns: {bar: {loudspeaker: bar.yaml}}\n"
        "places: {a: {gap_m: 0.2, height_m: 0.8}}\nseats: {distance_m: 2.0}\n")
    study = roomsim.load(tmp_path / "study.yaml", changes={"rooms.home.height_m": 2.7})
    assert study.rooms["home"].room(study.settings[0]).geometry.size_m[2] == 2.7


@pytest.mark.parametrize(("changes", "key", "rule"), [
    ({"places.sideboard.gap": 0.3}, "places.sideboard.gap", "not a key"),
    ({"seats.count": "many"}, "seats.count", "number"),
    ({"rooms.typical.surfaces.left": "marshmallow"}, "surfaces.left", "material"),
    ({"designs.wide.loudspeaker.channels.left[7].at_m": [0, 0, 0]}, "channels.left[7].at_m", "no entry 7 of 3"),
    ({"study.words": 1}, "study.words", "names no file"),
    ({"seats.count.more": 1}, "seats.count.more", "inside a number"),
    ({"": 1}, "", "names no key"),
])
def test_wrong_changes_are_problems_of_their_file(study_file, changes, key, rule):
    with pytest.raises(roomsim.DefinitionError) as caught:
        roomsim.load(study_file, changes=changes)
    found = [p for p in caught.value.problems if p.key == key]
    assert found and any(rule in p.rule for p in found), caught.value.problems
    assert all(p.file and p.line for p in found)
