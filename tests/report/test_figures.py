"""What the figures show is what the result says, and all of it can be read."""

from __future__ import annotations

import itertools
from pathlib import Path

import numpy as np
import pytest
from matplotlib.text import Text
from scipy.integrate import trapezoid

from roomsim.report.cases import curves, variant_name, variants
from roomsim.report.decay_plot import decay_figure, decay_top_s
from roomsim.report.response_plot import level_range_db, overview_figure, response_figure
from roomsim.report.style import drawing, save
from roomsim.report.write import notes, write_report

HOSTILE_ROOMS = {
    "<script>alert(1)</script>": (4.0, 3.3, 2.5),
    "[bold]$very$ long name of a room that goes on and on": (5.2, 4.5, 2.5),
    "_hidden": (6.0, 5.0, 2.6), "../../up": (6.5, 5.0, 2.6),
}
LONG_DESIGNS = (
    "narrow $a_b$", "[red]wide[/red]", "third with a very long name indeed, really", "=four", "5", "_six", "7",
)


@pytest.fixture(scope="module")
def result(made_result):
    return made_result(per_octave=24, seats=5)


@pytest.fixture(scope="module")
def hostile(made_result):
    return made_result(per_octave=12, seats=3, rooms=HOSTILE_ROOMS, designs=LONG_DESIGNS, settings=("bright", "dead"),
                       vary={"place.gap_m": [0.03, 0.3]}, title="Which of these is best? " * 8)


def lines(axes) -> list:
    return [line for line in axes.lines if len(line.get_xdata()) > 20]


def test_curves_are_energy_means(result) -> None:
    """Recomputed here without the package: mean over seats of the channels' summed p², over 1/6 octave."""
    case = result.sel(design="wide", room="large", setting="as built", place="wall")
    p2 = (10 ** (case["level_db"].values / 10)).sum(axis=0).mean(axis=0)
    f = case["frequency"].values
    c = curves(result, "wide", "large", {"setting": "as built", "place": "wall"})
    for target in (200.0, 1000.0, 5000.0):
        fine = np.linspace(np.log(target) - 0.05 * np.log(10), np.log(target) + 0.05 * np.log(10), 400)
        fine = np.log(target) + (fine - np.log(target)) / 2     # 1/6 octave = 10^0.05 in all
        window = trapezoid(np.interp(fine, np.log(f), p2), fine) / np.ptp(fine)
        got = np.interp(np.log(target), np.log(f), c.level_db)
        assert got == pytest.approx(10 * np.log10(window), abs=0.3)     # steps of the grid against straight lines
    assert np.all(c.high_db >= c.level_db) and np.all(c.low_db <= c.level_db)


def test_the_figure_draws_these_curves(result) -> None:
    variant = next(variants(result))
    figure = response_figure(result, "small", variant)
    above = next(axes for axes in figure.axes if axes.collections)
    for line, design in zip(lines(above), ("narrow", "wide"), strict=True):
        np.testing.assert_array_equal(line.get_ydata(), curves(result, design, "small", variant).level_db)


def test_a_decade_is_as_long_as_25_or_50_db(result) -> None:
    """IEC 60263 (from memory)."""
    figure = response_figure(result, "small", next(variants(result)))
    for axes in figure.axes:
        box = axes.get_window_extent()
        per_decade = box.width / np.log10(np.divide(*axes.get_xlim()[::-1]))
        per_db = box.height / np.ptp(axes.get_ylim())
        assert per_decade / per_db in (pytest.approx(25, rel=0.01), pytest.approx(50, rel=0.01))


def test_axes_name_quantity_and_unit_and_are_the_same_everywhere(result) -> None:
    figure = overview_figure(result, next(variants(result)), list(result["room"].values))
    grid = np.array(figure.axes).reshape(3, 3)
    assert "dB re" in grid[0, 0].get_ylabel() and "in s" in grid[2, 0].get_ylabel()
    assert all("in Hz" in axes.get_xlabel() for axes in grid[2])
    assert len({axes.get_ylim() for axes in grid[:2].ravel()}) == 1
    assert len({axes.get_xlim() for axes in grid.ravel()}) == 1
    assert [t.get_text() for t in grid[0, 0].get_xticklabels()][3:6] == ["250", "500", "1k"]


def test_the_range_holds_every_curve(result) -> None:
    variant = next(variants(result))
    found = [curves(result, d, r, variant) for d in ("narrow", "wide") for r in result["room"].values]
    low, high = level_range_db(found)
    for c in found:
        inside = (c.frequency_hz > 80) & (c.frequency_hz < 16000)
        assert c.high_db.max() < high and min(c.low_db[inside].min(), c.direct_db[inside].min()) > low
    assert 25 <= high - low <= 50 and low % 5 == high % 5 == 0


def test_absolute_levels_say_so(made_result) -> None:
    result = made_result(per_octave=12, seats=2, absolute=True)
    figure = response_figure(result, "small", next(variants(result)))
    assert {axes.get_ylabel() for axes in figure.axes} == {"Level in dB re 20 µPa"}


def test_the_range_not_to_be_trusted_is_marked(result) -> None:
    variant = next(variants(result))
    figure = response_figure(result, "small", variant)
    texts = [t.get_text() for axes in figure.axes for t in axes.texts]
    assert "not yet trustworthy below 220 Hz" in texts       # 2000 √(0.4 / 33 m³)
    trusted = result.copy()
    trusted["trusted_from_hz"] = result["trusted_from_hz"] * 0 + float(result["frequency"][0])
    figure = response_figure(trusted, "small", variant)
    assert not any("trust" in t.get_text() for axes in figure.axes for t in axes.texts)


def test_points_from_the_modes_are_open(result) -> None:
    mixed = result.copy()
    mixed["decay_method"] = result["decay_method"].where(result["band"] > 300, "modes")
    figure = overview_figure(mixed, next(variants(mixed)), ["small"])
    points = [line for line in figure.axes[2].lines if line.get_marker() == "o"]
    assert [line.get_markerfacecolor() == line.get_color() for line in points] == [False] * 3 + [True] * 5
    assert any("open: from the modes, filled: Eyring" in t.get_text() for t in figure.axes[2].texts)
    texts = [t.get_text() for t in decay_figure(mixed, next(variants(mixed))).texts]
    assert "63 to 250 Hz: modes; 500 to 8k Hz: Eyring" in texts


def test_decay_axis_holds_every_band(result) -> None:
    assert decay_top_s(result) > float(result["decay_s"].max())


def visible_texts(figure) -> list[Text]:
    return [t for t in figure.findobj(Text) if t.get_visible() and t.get_text().strip()]


def figures(result):
    variant = next(variants(result))
    rooms = list(result["room"].values)
    yield overview_figure(result, variant, rooms[:4])
    yield overview_figure(result, variant, rooms[:1])
    yield from (response_figure(result, room, variant) for room in rooms)
    yield decay_figure(result, variant)


@pytest.fixture(scope="module")
def result_figures(result):
    return list(figures(result))


@pytest.fixture(scope="module")
def hostile_figures(hostile):
    return list(figures(hostile))


@pytest.mark.parametrize("which", ["result_figures", "hostile_figures"])
def test_no_text_is_cut_off_or_overprinted(which: str, request: pytest.FixtureRequest) -> None:
    """Boxes of all texts lie inside the figure and do not meet (ticks of one axis are left to matplotlib)."""
    for figure in request.getfixturevalue(which):
        with drawing():
            figure.canvas.draw()
        renderer = figure.canvas.get_renderer()
        boxes = [(t, t.get_window_extent(renderer)) for t in visible_texts(figure)]
        numbers = {id(t) for axes in figure.axes for t in [*axes.get_xticklabels(), *axes.get_yticklabels()]}
        for text, box in boxes:
            assert min(box.x0, box.y0) >= -1, text.get_text()
            assert box.x1 <= figure.bbox.width + 1 and box.y1 <= figure.bbox.height + 1, text.get_text()
        headings = [(t, b) for t, b in boxes if id(t) not in numbers and t.get_fontsize() > 8.4]
        for (a, box_a), (b, box_b) in itertools.combinations(headings, 2):
            across = min(box_a.x1, box_b.x1) - max(box_a.x0, box_b.x0)
            up = min(box_a.y1, box_b.y1) - max(box_a.y0, box_b.y0)
            assert min(across, up) <= 1.0, (a.get_text(), b.get_text())     # one pixel: boxes are wider than ink


def test_labels_are_shown_as_written(hostile_figures) -> None:
    shown = " ".join(t.get_text() for f in hostile_figures for t in visible_texts(f))
    for text in ("<script>alert(1)</script>", "_hidden", "narrow $a_b$", "=four", "[red]wide[/red]"):
        assert text in shown
    assert "+ 1 not drawn" in shown


def test_variants_are_named_by_what_varies(hostile, result) -> None:
    assert variant_name(hostile, next(variants(hostile))) == "bright, place.gap_m 0.03"
    assert variant_name(result, next(variants(result))) == ""
    assert len(list(variants(hostile))) == 4


def test_the_same_result_gives_the_same_picture(result, tmp_path: Path) -> None:
    for name in ("a.png", "b.png"):
        save(response_figure(result, "small", next(variants(result))), tmp_path / name)
    assert (tmp_path / "a.png").read_bytes() == (tmp_path / "b.png").read_bytes()
    assert (tmp_path / "a.png").read_bytes()[:8] == b"\x89PNG\r\n\x1a\n"


def test_the_report_is_whole_and_stays_in_its_folder(hostile, tmp_path: Path) -> None:
    files = write_report(hostile.isel(design=[0, 1]), tmp_path / "out")
    assert {f.name for f in files} >= {"result.nc", "result.csv", "table.csv", "overview.png", "decay-time.png"}
    assert all(f.parent == tmp_path / "out" and f.stat().st_size > 0 for f in files)
    assert [p.name for p in tmp_path.iterdir()] == ["out"]
    assert sum(f.name.startswith("response-") for f in files) == 8        # of 16: those of one setting of two


def test_one_seat_and_one_design(made_result, tmp_path: Path) -> None:
    result = made_result(per_octave=12, seats=1, designs=("only",), rooms={"one": (4.0, 3.0, 2.5)}, channels=("mono",))
    names = {path.name for path in write_report(result, tmp_path / "out")}
    assert names >= {"result.nc", "result.csv", "table.csv", "overview.png", "decay-time.png", "response-one.png"}


def test_notes_say_the_range_and_count_what_is_alike(result) -> None:
    import json

    noted = result.copy()
    noted.attrs["metadata"] = json.dumps({"notes": [
        {"code": "a", "text": "first", "low_hz": None, "high_hz": 42.4},
        {"code": "a", "text": "more", "low_hz": None, "high_hz": 30},
        {"code": "b", "text": "se\x1bcond", "low_hz": 400, "high_hz": 800},
        {"code": "c", "text": "third", "low_hz": 400, "high_hz": None},
    ]})
    assert notes(noted) == [
        "below 42 Hz: first (and 1 more of this kind in result.nc)", "400 to 800 Hz: se cond", "above 400 Hz: third",
    ]
