"""What comes of good files: rooms, loudspeakers, studies, their variants and hashes."""

from __future__ import annotations

import os
import pickle
import re
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import jsonschema
import numpy as np
import pytest
import yaml

from roomsim.definitions import check, load, schema, shipped_rooms
from roomsim.errors import DefinitionError, InvalidValue
from roomsim.loudspeaker.boxes import Boxed, ClosedBox
from roomsim.loudspeaker.drivers import Cap, Omni, Piston
from roomsim.loudspeaker.filters import Filter, Section
from roomsim.placing import Place, Seats
from roomsim.room.materials import catalogue

GOOD = Path(__file__).parent / "good"
CASES = yaml.safe_load((Path(__file__).parent / "bad_files.yaml").read_text("utf-8"))

Edit = Callable[..., Path]


@pytest.fixture
def edit(tmp_path: Path) -> Edit:
    """Copy the good files and replace text in one of them; returns its path."""
    folder = tmp_path / "job"
    shutil.copytree(GOOD, folder)

    def edited(name: str, *changes: tuple[str, str]) -> Path:
        text = (folder / name).read_text("utf-8")
        for old, new in changes:
            assert old in text
            text = text.replace(old, new, 1)
        (folder / name).write_text(text, "utf-8")
        return folder / name

    return edited


def test_room(edit: Edit):
    definition = load(edit("room.yaml"))
    assert definition.name == "Flat with a bay"
    assert definition.settings == ("bright", "ordinary")
    room = definition.room("ordinary")
    assert room.geometry.volume_m3 == pytest.approx(4.2 * 5.4 * 2.5, rel=1e-12)   # rounding only
    assert room.geometry.size_m.tolist() == [5.4, 4.2, 2.5]                       # length, width, height
    assert room.materials["floor"] is catalogue()["oak on joists"]
    assert (room.air.temperature_c, room.air.humidity_percent, room.air.pressure_kpa) == (20, 50, 101.325)
    with pytest.raises(InvalidValue, match="it has bright, ordinary"):
        definition.room("dead")


def test_room_without_settings_or_air_is_ordinary(edit: Edit):
    path = edit("room.yaml", ("air: {temperature_c: 20, humidity_percent: 50}\n", ""),
                ("settings:\n  bright: {}\n  ordinary: {}\n", ""))
    definition = load(path, "room")
    assert definition.settings == ("ordinary",)
    assert definition.room("ordinary").air.temperature_c == 20


def test_room_with_finishes_of_its_own(edit: Edit):
    path = edit("room.yaml", ("surfaces:", "materials: finishes.yaml\nsurfaces:"),
                ("left: plaster on brick", "left: felt board"))
    definition = load(path)
    felt = definition.room("ordinary").materials["left"]
    assert (felt.name, felt.kind, felt.assumed_bands) == ("felt board", "porous", ("125",))
    np.testing.assert_array_equal(felt.table, [0.05, 0.15, 0.4, 0.7, 0.8, 0.85])
    assert felt.construction == {"thickness_m": 0.025}
    assert [file.name for file in definition.files] == ["room.yaml", "finishes.yaml"]


def test_loudspeaker(edit: Edit):
    definition = load(edit("bar.yaml"))
    bar = definition.loudspeaker()
    assert (bar.name, bar.mounting) == ("Two-way bar sketch", "free")
    assert (bar.width_m, bar.height_m, bar.depth_m) == (1.0, 0.06, 0.1)
    assert list(bar.channels) == ["left", "right"]
    woofer, tweeter = bar.channels["left"]
    assert isinstance(woofer.directivity, Cap) and woofer.directivity.radius_m == 0.026
    assert isinstance(tweeter.directivity, Omni)
    assert woofer.position_m.tolist() == [0, -0.35, 0]        # the listener's left is the bar's right
    assert woofer.filter == Filter(lowpass_hz=2500) and tweeter.filter == Filter(highpass_hz=2500)
    assert len(definition.assumptions) == 1 and definition.assumptions[0].startswith("woofer: ")


def test_every_kind_of_driver_and_filter(edit: Edit):
    drivers = (
        "tweeter: {omni:}\n"
        "  a: {cap: {radius_m: 0.02, sphere_radius_m: 0.05}}\n"
        "  b: {dipole: {}}\n"
        "  c: {line: {length_m: 0.3, axis: horizontal}}\n"
        "  d: {piston: {radius_m: 0.02}, closed_box: {resonance_hz: 90, q: 0.8}}\n"
        "  e: {omni: {}, vented_box: {tuning_hz: 60, driver_resonance_hz: 55, driver_q: 0.4, compliance_ratio: 1.4}}"
    )
    chain = ("{gain_db: -3, delay_ms: 0.2, polarity: inverted, lowpass_hz: 3e3, lowpass_order: 3, "
             "lowpass_shape: butterworth, equaliser: [{kind: peak, frequency_hz: 1000, gain_db: 2, q: 3}]}")
    placed = "".join(f"    - {{driver: {name}, at_m: [0, 0, 0], aim: {{elevation_deg: 70}}, filter: {chain}}}\n"
                     for name in "abcde")
    path = edit("bar.yaml", ("tweeter: {omni: {}}", drivers), ("  right:\n", "  centre:\n" + placed + "  right:\n"))
    bar = load(path)
    centre = bar.loudspeaker().channels["centre"]
    assert [type(driver.directivity).__name__ for driver in centre] == ["Cap", "Dipole", "Line", "Boxed", "Boxed"]
    assert isinstance(centre[3].directivity, Boxed)
    assert centre[3].directivity.box == ClosedBox(resonance_hz=90, q=0.8)
    assert centre[0].elevation_deg == 70
    assert centre[0].filter == Filter(
        gain_db=-3, delay_ms=0.2, invert=True, lowpass_hz=3000, lowpass_order=3, lowpass_shape="butterworth",
        equaliser=(Section(kind="peak", frequency_hz=1000, gain_db=2, q=3),),
    )


def test_on_wall_pistons_are_baffled(edit: Edit):
    bar = load(edit("bar.yaml", ("mounting: free", "mounting: on-wall"))).loudspeaker()
    assert isinstance(bar.channels["left"][0].directivity, Piston)


def test_study(edit: Edit):
    path = edit("study.yaml")
    study = load(path, "study")
    assert study.title == "A bar near the wall of one flat"
    assert list(study.rooms) == ["flat"] and list(study.designs) == ["sketch"]
    assert study.settings == ("bright", "ordinary")
    assert study.places["wall"] == Place(wall="front", across_fraction=0.5, gap_m=0.05, height_m=0.75)
    assert study.seats == Seats(distance_m=3, ear_height_m=1.1, count=15, depth_m=0.8, across_m=1.2, rise_m=0.3)
    assert study.vary == {"place.gap_m": (0.03, 0.1, 0.3), "seats.distance_m": (2.0, 3.0)}
    assert tuple(study.frequency) == (20, 20000, 48)
    assert study.crossfade_hz == (400, 800)
    assert study.source == path and [file.name for file in study.files] == ["study.yaml", "room.yaml", "bar.yaml"]
    assert list(study.assumptions) == ["sketch"]


def test_defaults_of_a_study(edit: Edit):
    study = load(edit(
        "study.yaml", ("settings: [bright, ordinary]\n", ""),
        ("ear_height_m: 1.1, count: 15, spread_m: {depth: 0.8, across: 1.2, height: 0.3}", ""),
        ("vary: {place.gap_m: [0.03, 0.1, 0.3], seats.distance_m: [2, 3]}\n", ""),
        ("wall: front, across_fraction: 0.5, ", ""),
    ))
    assert study.settings == ("ordinary",)
    assert study.seats == Seats(distance_m=3)
    assert study.places["wall"] == Place(gap_m=0.05, height_m=0.75)
    assert study.vary == {}
    ((combination, same),) = study.varied()
    assert combination == {} and same is study


def test_chosen_grid_and_crossfade(edit: Edit):
    chosen = "frequency: {low_hz: 30, per_octave: 12}\ncrossfade_hz: [300, 600]\nseats:"
    study = load(edit("study.yaml", ("seats:", chosen)))
    assert tuple(study.frequency) == (30, 20000, 12)
    assert study.crossfade_hz == (300, 600)


def test_every_combination_in_order(edit: Edit):
    study = load(edit("study.yaml"))
    variants = study.varied()
    assert [tuple(combination.values()) for combination, _ in variants] == [
        (0.03, 2), (0.03, 3), (0.1, 2), (0.1, 3), (0.3, 2), (0.3, 3),
    ]
    for combination, variant in variants:
        assert list(combination) == ["place.gap_m", "seats.distance_m"]
        assert {place.gap_m for place in variant.places.values()} == {combination["place.gap_m"]}   # every place
        assert variant.seats.distance_m == combination["seats.distance_m"]
        assert variant.seats.ear_height_m == study.seats.ear_height_m
        assert variant.rooms is study.rooms and variant.vary == {}
    assert len({variant.content_hash for _, variant in variants}) == 6
    assert study.places["wall"].gap_m == 0.05, "the study itself stays as it was"


def test_one_place_and_nested_keys(edit: Edit):
    varied = "places.side.gap_m: [0.2], seats.spread_m.depth: [0.1], place.wall: [front, left]"
    study = load(edit("study.yaml", ("place.gap_m: [0.03, 0.1, 0.3], seats.distance_m: [2, 3]", varied)))
    (_, first), (_, second) = study.varied()
    assert (first.places["wall"].gap_m, first.places["side"].gap_m) == (0.05, 0.2)
    assert first.seats.depth_m == 0.1
    assert first.places["side"].wall == "front" and second.places["wall"].wall == "left"


def test_labels_with_dots(edit: Edit):
    study = load(edit("study.yaml", ("  wall: {wall: front", "  on.the wall: {wall: front"),
                      ("place.gap_m:", "places.on.the wall.gap_m:")))
    assert study.varied()[0][1].places["on.the wall"].gap_m == 0.03


@pytest.mark.parametrize("label", ["on", "1", "<script>alert(1)</script>", "null", "Küche", "a/b", "=1+1"])
def test_labels_stay_as_written(label: str, edit: Edit):
    study = load(edit("study.yaml", ("{flat: room.yaml}", "{'" + label + "': room.yaml}")))
    assert list(study.rooms) == [label]
    if label.isalnum():
        assert list(load(edit("study.yaml", (f"'{label}'", label))).rooms) == [label]


# hashes ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "change"),
    [
        ("study.yaml", ("settings: [bright, ordinary]", "# a comment\nsettings: [bright,   ordinary]")),
        ("study.yaml", ("distance_m: 3.0", "distance_m: 3")),
        ("study.yaml", ("count: 15, ", "")),                                  # the default, not said
        ("study.yaml", ("[2, 3]", "[2.0, 3e0]")),
        ("room.yaml", ("width_m: 4.2\nlength_m: 5.4\n", "length_m: 5.4\nwidth_m: 4.20\n")),
        ("bar.yaml", ("aim: {azimuth_deg: 0, elevation_deg: 0}, ", "")),
    ],
)
def test_hash_stays_where_nothing_is_said_differently(name: str, change: tuple[str, str], edit: Edit):
    before = load(edit("study.yaml")).content_hash
    edit(name, change)
    assert load(edit("study.yaml")).content_hash == before


@pytest.mark.parametrize(
    ("name", "change"),
    [
        ("study.yaml", ("A bar near", "The bar near")),
        ("study.yaml", ("distance_m: 3.0", "distance_m: 3.0001")),
        ("study.yaml", ("{flat:", "{home:")),
        ("study.yaml", ("[2, 3]", "[3, 2]")),                                 # the order of the result
        ("study.yaml", ("seats:", "crossfade_hz: [300, 600]\nseats:")),
        ("room.yaml", ("width_m: 4.2", "width_m: 4.21")),
        ("room.yaml", ("left: plaster on brick", "left: oak on joists")),
        ("bar.yaml", ("lowpass_hz: 2500", "lowpass_hz: 2600")),
    ],
)
def test_hash_changes_with_what_is_said(name: str, change: tuple[str, str], edit: Edit):
    before = load(edit("study.yaml")).content_hash
    edit(name, change)
    assert load(edit("study.yaml")).content_hash != before


def test_hash_follows_materials_and_not_places_on_disk(edit: Edit, tmp_path: Path):
    path = edit("room.yaml", ("surfaces:", "materials: finishes.yaml\nsurfaces:"))
    before = load(path).content_hash
    shutil.copytree(path.parent, tmp_path / "elsewhere")
    assert load(tmp_path / "elsewhere" / "room.yaml").content_hash == before
    edit("finishes.yaml", ("500: 0.4,", "500: 0.41,"))
    assert load(path).content_hash != before


def test_records_hold_no_place_on_disk(edit: Edit):
    path = edit("study.yaml")
    assert str(path.parent) not in str(load(path).inputs)


# files that name files ------------------------------------------------------------------------------------


def test_outside_only_if_allowed(edit: Edit, tmp_path: Path):
    path = edit("study.yaml", ("room.yaml", "../room.yaml"))
    shutil.copy(GOOD / "room.yaml", tmp_path / "room.yaml")
    with pytest.raises(DefinitionError, match="lies outside the folder job/"):
        load(path)
    assert load(path, allow_outside=True).files[1].resolve() == (tmp_path / "room.yaml").resolve()
    assert check([path], allow_outside=True) == []


def test_a_link_does_not_lead_outside(edit: Edit, tmp_path: Path):
    path = edit("study.yaml")
    shutil.copy(GOOD / "room.yaml", tmp_path / "room.yaml")
    (path.parent / "room.yaml").unlink()
    os.symlink(tmp_path / "room.yaml", path.parent / "room.yaml")
    with pytest.raises(DefinitionError, match="lies outside"):
        load(path)


def test_files_below_the_folder(edit: Edit, monkeypatch: pytest.MonkeyPatch):
    path = edit("study.yaml", ("room.yaml", "homes/../homes/room.yaml"))
    (path.parent / "homes").mkdir()
    (path.parent / "room.yaml").rename(path.parent / "homes" / "room.yaml")
    assert load(path).rooms["flat"].source.name == "room.yaml"
    (path.parent / "homes" / "room.yaml").write_text("room: 5\n", "utf-8")
    monkeypatch.chdir(path.parent.parent)
    assert check(["job/study.yaml"])[0].file == os.path.join("job", "homes", "room.yaml")


def test_a_file_that_names_itself(edit: Edit):
    path = edit("room.yaml", ("surfaces:", "materials: room.yaml\nsurfaces:"))
    (problem,) = check([path])
    assert problem.rule == "is a room file, but a materials file is wanted here"


def test_shipped_rooms_by_name(edit: Edit, tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    from roomsim.definitions import references

    monkeypatch.setattr(references, "shipped_rooms", lambda: {"palace": GOOD / "room.yaml"})
    study = load(edit("study.yaml", ("room.yaml", "palace")))
    assert study.rooms["flat"].name == "Flat with a bay"
    (problem,) = check([edit("study.yaml", ("palace", "palais"))])
    assert problem.cure == "nearest: palace; the path of a file of your own ends in .yaml"


def test_every_shipped_room_is_right():
    for name, path in shipped_rooms().items():
        assert check([path]) == [], name


def test_demo_files_are_right():
    import roomsim

    folder = Path(roomsim.__file__).parent / "demo" / "files"
    assert check(sorted(folder.glob("*.yaml"))) == []


def test_measured_sphere(edit: Edit, shared_data: Path):
    path = edit("bar.yaml", ("tweeter: {omni: {}}", "tweeter: {measured: box.sofa}"))
    shutil.copy(shared_data / "two-way-pa-loudspeaker.sofa", path.parent / "box.sofa")
    definition = load(path)
    before = definition.content_hash
    assert definition.loudspeaker().channels["left"][1].directivity.name == "tweeter"
    assert [file.name for file in definition.files] == ["bar.yaml", "box.sofa"]
    edit("bar.yaml", ("mounting: free", "mounting: on-wall"))
    (problem,) = check([path])
    assert problem.key == "drivers.tweeter.measured"
    assert problem.rule == "holds a full sphere, but the loudspeaker's mounting is on-wall"
    edit("bar.yaml", ("mounting: on-wall", "mounting: free"))
    (path.parent / "box.sofa").write_bytes((path.parent / "box.sofa").read_bytes()[:5000])
    (problem,) = check([path])
    assert problem.key == "drivers.tweeter.measured" and "damaged" in problem.rule
    assert definition.content_hash == before


def test_wrong_kind_and_unknown_file(edit: Edit, tmp_path: Path):
    with pytest.raises(DefinitionError, match="is a room file, but a study file is wanted here"):
        load(edit("room.yaml"), "study")
    with pytest.raises(DefinitionError, match="there is no such file"):
        load(tmp_path / "none.yaml")


def test_definitions_travel_to_other_processes(edit: Edit):
    study = pickle.loads(pickle.dumps(load(edit("study.yaml"))))
    assert study.varied()[-1][1].seats.distance_m == 3


# schema ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["room", "furnished", "alcove", "bar", "study", "finishes", "orbits", "chamber"])
def test_schema_takes_the_good_files(name: str):
    text = (GOOD / f"{name}.yaml").read_text("utf-8")
    data = yaml.safe_load(re.sub(r"\b(125|250|500|1000):", r"'\1':", text))     # JSON knows only texts as keys
    kind = next(iter(data))
    jsonschema.Draft202012Validator.check_schema(schema(kind))
    jsonschema.validate(data, schema(kind))


@pytest.mark.parametrize("name", [
    "unknown key", "key without its unit", "text for a number", "boolean for a number", "number for text",
    "millimetres", "face without a material", "unknown mounting", "radius in millimetres", "two coordinates",
    "setting as a word", "no designs", "a billion seats", "unknown kind of finish", "channel without drivers",
    "unknown orbit", "distance in millimetres", "elevation beyond the pole", "unknown key beside a measured file",
    "pair without its chamber", "excursion in millimetres",
])
def test_schema_refuses_what_is_wrong_in_shape(name: str):
    case = next(case for case in CASES if case["name"] == name)
    text = (GOOD / case["in"]).read_text("utf-8")
    for old, new in case["change"]:
        text = text.replace(old, new, 1)
    data = yaml.safe_load(text)
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(data, schema(next(iter(data))))


def test_every_key_is_described():
    def keys(node: object):
        if isinstance(node, dict):
            for key, item in node.get("properties", {}).items():
                yield key, item
            for item in node.values():
                yield from keys(item)
        elif isinstance(node, list):
            for item in node:
                yield from keys(item)

    for kind in ("room", "loudspeaker", "study", "materials", "measurement", "correction"):
        for key, item in keys(schema(kind)):
            assert item.get("description"), (kind, key)


def test_unknown_schema():
    with pytest.raises(InvalidValue, match="one of room, loudspeaker, study, materials, measurement, correction"):
        schema("cabin")


def test_importing_definitions_loads_no_heavy_library():
    code = "import sys, roomsim.definitions as d; assert not {'pydantic', 'yaml', 'scipy'} & set(sys.modules)"
    subprocess.run([sys.executable, "-c", code], check=True, cwd=Path(__file__).parents[2])
    code = ("import sys; from roomsim.definitions import load; load(sys.argv[1]); "
            "assert not {'numba', 'xarray', 'matplotlib', 'sofar'} & set(sys.modules), sorted(sys.modules)")
    subprocess.run([sys.executable, "-c", code, str(GOOD / "room.yaml")], check=True, cwd=Path(__file__).parents[2])
