"""What stands on the report page is what the result says; the browser's part is test_page_browser.py."""

from __future__ import annotations

import itertools
import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from colours import BLINDNESS, cielab, contrast, linear
from made_studies import STUDY, write_study

import roomsim
from roomsim.air import Air
from roomsim.cli import main
from roomsim.report.page import build, trust
from roomsim.report.page.build import build_page
from roomsim.report.page.changes import changes
from roomsim.report.page.paths import length_m, path_points, planes_of
from roomsim.report.page.selection import MAIN, select
from roomsim.report.page.speakers import _width
from roomsim.report.page.summary import summary

CSS = (Path(build.__file__).parent / "page.css").read_text("utf-8")


@pytest.fixture(scope="module")
def predicted(tmp_path_factory: pytest.TempPathFactory) -> Any:
    folder = tmp_path_factory.mktemp("page")
    return roomsim.predict(roomsim.load(write_study(folder)), jobs=1)


@pytest.fixture(scope="module")
def predicted_states(tmp_path_factory: pytest.TempPathFactory) -> Any:
    """One room, bright (no rug) and ordinary (a rug), two places."""
    folder = tmp_path_factory.mktemp("states")
    text = STUDY.replace("per_octave: 12", "per_octave: 6").replace(
        "height_m: 0.8}}", "height_m: 0.8}, shelf: {gap_m: 0.2, height_m: 1.2}}")
    path = write_study(folder, study=text + "settings: [bright, ordinary]\n")
    with (folder / "room.yaml").open("a") as room:
        room.write("adjustable:\n  - {name: rug, absorber: heavy carpet on underlay, surface: floor, area_m2: [0, 9], "
                   "usual_m2: 6}\nsettings: {bright: {area_m2: {rug: 0}}, ordinary: {}}\n")
    return roomsim.predict(roomsim.load(path), jobs=1)


@pytest.fixture(scope="module")
def made(made_result: Any) -> Any:
    return made_result(per_octave=12, seats=3)


def test_drawn_paths_are_as_long_as_the_reflections_are_late(predicted: Any) -> None:
    """Every listed reflection of a predicted result: (path − direct) / c is its delay [allen-berkley1979].

    Tolerance: recorded coordinates are rounded to 1 mm (seats, faces) and 0.1 mm (drivers), each hit adds twice that:
    0.02 ms is 7 mm.
    """
    import json

    meta = json.loads(predicted.attrs["metadata"])
    scene, room = meta["scenes"][0], meta["rooms"][0]
    planes, speed = planes_of(room), Air().speed_m_s
    assert len(meta["reflections"]) > 20
    for one in meta["reflections"]:
        source, seat = scene["channels"][one["channel"]], scene["seats"][one["listener"]]
        points = path_points(source, seat, one["faces"], planes)
        assert points is not None, one
        late = (length_m(points) - length_m([source, seat])) / speed * 1e3
        assert late == pytest.approx(one["delay_ms"], abs=0.02), one
        low, high = points.min(axis=0), points.max(axis=0)
        assert np.all(low >= -1e-6) and np.all(high <= np.array(room["size"]) + 1e-6)      # inside the room


def test_a_path_off_its_face_is_not_drawn() -> None:
    square = {"name": "front", "corners": [[0, 0, 0], [0, 4, 0], [0, 4, 3], [0, 0, 3]]}
    planes = planes_of({"faces": [square]})
    points = path_points([1, 1, 1], [1, 3, 1], ["front"], planes)
    np.testing.assert_allclose(points, [[1, 1, 1], [0, 2, 1], [1, 3, 1]], atol=1e-12)       # by symmetry
    assert path_points([1, 1, 1], [1, 3, 1], ["nowhere"], planes) is None
    assert path_points([1, 1, 1], [-1, 3, 1], ["front"], planes) is None                    # listener behind the face


def test_the_table_holds_the_judgements_numbers(made: Any) -> None:
    judgement = roomsim.judge(made)
    told = summary(select(made, judgement))
    group = told.opening[0]
    means = judgement.measures[MAIN].mean(["setting", "place"])
    for row in group.rows:
        for room, cell in zip(told.rooms, row.cells, strict=True):
            assert cell == f"{float(means.sel(design=row.design, room=room)):.1f}"
        assert row.mean == f"{float(means.sel(design=row.design).mean()):.1f}"
    best = next(one.design for one in judgement.ranking if one.measure == MAIN and one.rank == 1)
    assert group.rows[0].design == best and best in told.verdict[0]


def test_the_verdict_says_whether_a_difference_is_real(made: Any) -> None:
    """A design against its own copy wins nothing; against one that is 12 dB louder in half of its bands it does."""
    same = made.copy(deep=True)
    for name in ("level_db", "direct_level_db", "early_level_db", "late_level_db"):
        same[name].values[1] = same[name].values[0]
    told = summary(select(same, roomsim.judge(same)))
    assert "no design wins" in told.verdict[0] and not told.certain
    assert not any(any(row.best) for group in told.opening for row in group.rows)
    worse = same.copy(deep=True)
    bump = 12 * (np.sin(3 * np.log(same["frequency"].values)) > 0)
    for name in ("level_db", "direct_level_db", "early_level_db", "late_level_db"):
        worse[name].values[1] = worse[name].values[0] + bump
    told = summary(select(worse, roomsim.judge(worse)))
    assert told.verdict[0].startswith("narrow comes closest to the target") and "real" in told.verdict[0]
    assert all(told.opening[0].rows[0].best) and not any(told.opening[0].rows[1].best)


def test_the_page_stands_by_itself(made: Any) -> None:
    """No address of anything outside: nothing that a browser would fetch, and a policy that forbids it."""
    html = build_page(made).html
    assert not re.search(r"""(?:src|href)\s*=\s*["'](?!#|data:)""", html) and "url(http" not in html
    assert "default-src 'none'" in html and html.count("<script>") == 1 and "@import" not in html
    assert html.lstrip().startswith("<!doctype html>")


def test_the_same_result_gives_the_same_page_stored_or_not(predicted: Any, tmp_path: Path) -> None:
    files = roomsim.report(predicted, tmp_path / "out")
    page = tmp_path / "out" / "report.html"
    assert page in files
    again = roomsim.open_result(tmp_path / "out" / "result.nc")
    assert build_page(again).html == page.read_text("utf-8") == build_page(predicted).html


def test_figures_come_in_the_kinds_that_are_asked_for(predicted: Any, tmp_path: Path, capsys: Any) -> None:
    roomsim.report(predicted, tmp_path / "out")
    stored = tmp_path / "out" / "result.nc"
    assert main(["report", str(stored), "--figures", "svg,pdf", "--out", str(tmp_path / "again")]) == 0
    assert "report.html" in capsys.readouterr().out
    page = build_page(predicted)
    names = {p.name for p in (tmp_path / "again").iterdir()}
    for kind, start in (("svg", b"<?xml"), ("pdf", b"%PDF")):
        figures = [name for name in names if name.startswith("figure-") and name.endswith(kind)]
        assert len(figures) == len(page.charts) + len(page.sketches)
        assert (tmp_path / "again" / figures[0]).read_bytes().startswith(start)
    seats = (tmp_path / "again" / "figure-seats-1-one.svg").read_text("utf-8")
    assert "Level in dB" in seats and ">Frequency in Hz<" in seats               # text stays text
    assert "overview.pdf" in names and not any(name.startswith("figure-") and name.endswith("png") for name in names)
    assert main(["report", str(stored), "--figures", "gif"]) == 2
    assert "must be one of png, svg, pdf" in capsys.readouterr().err


def test_one_of_everything_and_old_results(made_result: Any) -> None:
    """A single design, room, seat and channel; nothing recorded of rooms and loudspeakers."""
    one = made_result(per_octave=6, seats=1, designs=("only",), rooms={"one": (4.0, 3.0, 2.5)}, channels=("mono",))
    page = build_page(one)
    assert "One design: there is nothing to compare it with." in page.html and not page.sketches
    assert "What changes" not in page.html and "only stays" in page.html
    narrow = made_result(per_octave=6, seats=2, high_hz=1000.0)
    assert "At the seats" in build_page(narrow).html


def test_what_changes_most_is_the_root_mean_square_of_differences(made_result: Any) -> None:
    """Recomputed here pair by pair from the third octaves."""
    result = made_result(per_octave=24, seats=2, designs=("a", "b", "c"))
    found = {one.dimension: one for one in changes(select(result, roomsim.judge(result)))}
    level = roomsim.band_level_db(roomsim.seat_average_db(roomsim.channel_sum_db(result["level_db"])), 3)
    level = level.sel(band=slice(95, 10500))
    for dimension in ("design", "room"):
        pairs = [level.isel({dimension: a}).values - level.isel({dimension: b}).values
                 for a, b in itertools.combinations(range(3), 2)]
        assert found[dimension].rms_db == pytest.approx(float(np.sqrt(np.mean(np.square(pairs)))), rel=1e-9)
    chart = found["room"].chart
    line = next(one for one in chart.lines if one.name == "large less small")
    apart = level_of(result, "large") - level_of(result, "small")                # (design, setting, place, band)
    np.testing.assert_allclose(line.y, apart.mean(axis=(0, 1, 2)), atol=1e-9)
    np.testing.assert_allclose(line.high, apart.max(axis=(0, 1, 2)), atol=1e-9)


def level_of(result: Any, room: str) -> np.ndarray:
    one = result["level_db"].sel(room=room)
    return roomsim.band_level_db(roomsim.seat_average_db(roomsim.channel_sum_db(one)), 3).values


def test_every_source_that_is_named_has_its_entry() -> None:
    for _, _, keys in trust.SOURCES_OF:
        for key in keys:
            assert trust._bibliography()[key].endswith((".", ")")), key
    one = trust._bibliography()["schroeder1962"]
    assert one.startswith("Schroeder, M. R.; Kuttruff, K. H. On frequency response curves in rooms. ")
    assert not any(mark in text for text in trust._bibliography().values() for mark in "{}\\")


def test_beam_width_between_samples() -> None:
    """A level that falls by 0.2 dB per degree on both sides crosses −6 dB at ±30°; nothing falls: all round."""
    angle = np.arange(-180.0, 181, 10)
    assert _width(angle, -0.2 * np.abs(angle)) == "60°"
    assert _width(angle, 0 * angle) == "all round"
    assert _width(angle, np.where(angle >= 0, -0.2 * angle, -0.4 * -angle)) == "45°"


def dark(name: str) -> str:
    block = CSS[CSS.index("prefers-color-scheme: dark"):]
    return re.search(rf"--{name}:\s*(#[0-9a-f]{{6}})", block)[1]


@pytest.mark.parametrize("eye", BLINDNESS)
def test_dark_colours_stay_apart(eye: str) -> None:
    """As the light ones do (test_style.py): 20 in CIELAB is plain to see, 40 for the two designs of most studies."""
    seen = [cielab(np.asarray(BLINDNESS[eye]) @ linear(dark(f"p{k}"))) for k in range(6)]
    apart = {pair: np.linalg.norm(seen[pair[0]] - seen[pair[1]]) for pair in itertools.combinations(range(6), 2)}
    assert min(apart.values()) > 20 and apart[0, 1] > 40


def test_dark_lines_and_texts_stand_out() -> None:
    """3:1 for graphics, 4.5:1 for text (WCAG 2.1, 1.4.11 and 1.4.3)."""
    assert min(contrast(dark(f"p{k}"), dark("paper")) for k in range(6)) >= 3
    assert min(contrast(dark(name), dark("paper")) for name in ("ink", "quiet", "accent", "best")) >= 4.5


def test_light_colours_are_those_of_the_other_figures() -> None:
    from roomsim.report import style

    for k, colour in enumerate(style.COLOURS):
        assert f"--p{k}: {colour};" in CSS
    assert f"--paper: {style.PAPER};" in CSS


@pytest.fixture(scope="module")
def systems(made_result: Any) -> Any:
    """Two designs, one of them with a subwoofer, a programme, three settings and two places; lists by hand."""
    import json

    result = made_result(per_octave=12, seats=2, settings=("bright", "ordinary"), places=("wall", "shelf"))
    meta = json.loads(result.attrs["metadata"])
    cases = [dict(zip(("room", "setting", "design", "place"), labels, strict=True)) for labels in itertools.product(
        ("small", "typical", "large"), ("bright", "ordinary"), ("narrow", "wide"), ("wall", "shelf"))]
    row = {"loudspeaker": "Sub", "at_m": [1, 2, 0.2], "distance_m": 2.5, "azimuth_deg": -20.0, "elevation_deg": -12.0,
           "delay_ms": 1.25, "polarity": "reversed", "highpass_hz": None, "lowpass_hz": 90.0}
    meta["receivers"] = [{**case, "channel": "subwoofer", **row,
                          "gain_db": -3.5 if case["setting"] == "ordinary" else 2.5}
                         for case in cases if case["design"] == "wide"]
    levels = {"Z": 78.0, "A": 75.0, "C": 77.5}
    meta["programme"] = {
        "signal": "pink noise, 20 to 20000 Hz, crest 12 dB", "level_db": 75.0, "weighting": "A", "drive_v": None,
        "channels_db": {}, "cases": [
            {**case, "power_sum": levels, "coherent_sum": levels, "alone": {"left": levels}, "drive_v": 3.0,
             "loads": [{"channel": "left", "driver": "woofer", "cause": "excursion", "headroom_db": -2.25}]}
            for case in cases]}
    return result.assign_attrs(metadata=json.dumps(meta))


def test_receivers_and_levels_have_sections_with_the_drawn_setting_first(systems: Any) -> None:
    from roomsim.report.page.systems import FIRST, listings

    chosen = select(systems, roomsim.judge(systems))
    receiver, programme = listings(chosen)
    assert receiver.head[:4] == ("room", "design", "setting", "place") and receiver.file == "receiver.csv"
    assert len(receiver.rows) == 12 and receiver.more == 0
    assert receiver.rows[0] == ("small", "wide", "ordinary", "wall", "subwoofer", "2.50", "−20", "−12", "−3.5", "1.25",
                                "reversed", "below 90 Hz")
    assert [row[2] for row in receiver.rows] == 6 * ["ordinary"] + 6 * ["bright"]
    assert programme.words.startswith("Pink noise, 20 to 20000 Hz, crest 12 dB; 75 dB(A) from all channels together")
    assert programme.first == FIRST and len(programme.rows) == 24 * 3
    assert programme.rows[0][4:] == ("all, power sum", "78.0", "75.0", "77.5", "−2.2", "left/woofer: excursion")
    html = build_page(systems).html
    for text in ('id="receiver"', 'href="#programme"', "−3.5", "left/woofer: excursion", "programme.csv"):
        assert text in html
    assert build_page(systems.assign_attrs(metadata="{}")).html.count('id="receiver"') == 0


def test_rooms_show_the_setting_of_the_figures_and_lead_to_the_others(predicted_states: Any) -> None:
    """Numbers beside a drawing are those of the ordinary setting; every other channel and place has a line."""
    import json

    from roomsim.report.balance import early_reflections
    from roomsim.report.page.rooms import room_views

    chosen = select(predicted_states, roomsim.judge(predicted_states))
    view = room_views(chosen)[0]
    assert view.subject.endswith("middle seat, ordinary, wall")
    labels = {"design": "bar", "room": "one", "setting": "ordinary", "place": "wall"}
    found = early_reflections(predicted_states, labels)[0]
    bright = early_reflections(predicted_states, labels | {"setting": "bright"})[0]
    strongest = float(found.high_level_db.max())
    assert abs(strongest - float(bright.high_level_db.max())) > 0.1          # the rug lies where the floor reflects
    assert view.rows[0].levels[0] == f"{strongest:.1f}".replace("-", "−")
    assert [line[0] for line in view.others] == ["right, ordinary, wall", "left, ordinary, shelf",
                                                 "right, ordinary, shelf"] and view.more == 0
    assert [key for _, key, _ in view.key] == ["heavy carpet on underlay on the floor"]     # bright has no rug
    assert len(json.loads(predicted_states.attrs["metadata"])["rooms"]) == 2
