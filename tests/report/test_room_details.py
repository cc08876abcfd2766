"""Figures of modes and of direct, early and late sound show what the result says, and all of it can be read."""

from __future__ import annotations

import itertools
import json

import numpy as np
import pytest
from matplotlib.text import Text

from roomsim.report.balance import early_lines, reflection_rows, surface_name
from roomsim.report.balance_plot import balance_figure
from roomsim.report.cases import variants
from roomsim.report.mode_plot import SHAPES, mode_figure
from roomsim.report.modes import mode_lines, mode_rows, room_modes
from roomsim.report.style import drawing, save
from roomsim.report.write import write_report

KINDS = ("uniform", "axial", "tangential", "oblique")


def filled(result, seed: int = 2, count: int = 30):
    """A made-up result with made-up modes and reflections."""
    rng = np.random.default_rng(seed)
    metadata = json.loads(result.attrs["metadata"])
    metadata |= {"modes": [], "reflections": []}
    channels = [str(name) for name in result["channel"].values]
    names = ("front", "back", "left", "right", "floor", "ceiling")
    for room in result["room"].values.tolist():
        frequency = np.sort(rng.uniform(25, 200, count)).round(3)
        indices = [[*(int(i) for i in rng.integers(0, 4, 2)), 1 + int(k)] for k in range(count)]
        for design in result["design"].values.tolist():
            for variant in variants(result):
                labels = {"design": design, "room": room, **variant}
                share = np.sort(-rng.gamma(2, 6, count))[::-1]
                share = share - share[0]
                modes = [
                    {"frequency_hz": float(frequency[k]), "kind": KINDS[np.count_nonzero(indices[k])],
                     "indices": indices[k], "decay_s": None if k == 3 else float(rng.uniform(0.3, 0.9)),
                     "share_db": float(share[k]), "seats_db": -3.0, "level_db": [5.0] * len(channels),
                     "channel_db": [2.0] * len(channels), "driver_db": [1.0]}
                    for k in rng.permutation(count)
                ]
                metadata["modes"].append({
                    **labels, "channels": channels, "drivers": ["left/one"],
                    "modes": sorted(modes, key=lambda mode: -mode["share_db"])})
                for channel in channels:
                    for _ in range(25):
                        faces = [str(name) for name in rng.choice(names, rng.integers(1, 4))]
                        level = float(rng.uniform(-22, -2))
                        metadata["reflections"].append({
                            **labels, "channel": channel, "listener": 0, "faces": faces,
                            "delay_ms": float(rng.uniform(0.5, 25)), "level_db": level, "high_level_db": level - 1,
                            "azimuth_deg": 10.0, "elevation_deg": -5.0})
    return result.assign_attrs(metadata=json.dumps(metadata))


@pytest.fixture(scope="module")
def result(made_result):
    return filled(made_result(per_octave=12, seats=3))


@pytest.fixture(scope="module")
def hostile(made_result):
    return filled(made_result(
        per_octave=12, seats=2, rooms={"[bold]$very$ long name of a room that goes on and on": (5.2, 4.5, 2.5)},
        designs=("narrow $a_b$", "[red]wide[/red]", "third with a very long name indeed, really", "=four"),
        channels=("a channel with a very long name", "_b", "$c$", "d"), settings=("bright", "dead")))


def points(axes, kind=None, large=None) -> list[tuple[float, float]]:
    """Where markers stand, of one type, large or small ones."""
    shapes = {SHAPES[kind]} if kind else set(SHAPES.values())
    lines = [line for line in axes.lines if line.get_marker() in shapes and large in (None, line.get_markersize() > 7)]
    return sorted((float(x), float(y)) for line in lines for x, y in zip(*line.get_data(), strict=True))


def test_every_mode_is_drawn_by_its_type_and_the_five_strongest_are_filled(result) -> None:
    variant = next(variants(result))
    modes = room_modes(result, "small", variant)
    figure = mode_figure(result, "small", variant)
    level, decay, coupling = figure.axes
    shown = modes.level_db >= -40
    for kind in set(modes.kind):
        of_kind = np.array([k == kind for k in modes.kind])
        drawn = points(level, kind)
        assert drawn == sorted(zip(modes.frequency_hz[of_kind & shown], modes.level_db[of_kind & shown], strict=True))
    filled_at = [x for x, _ in points(level, large=True)]
    assert filled_at == sorted(float(modes.frequency_hz[n]) for n in modes.strongest)
    rings = np.isfinite(modes.decay_s)
    assert not rings.all()
    assert points(decay) == sorted(zip(modes.frequency_hz[rings], modes.decay_s[rings], strict=True))
    assert [t.get_text() for t in coupling.get_yticklabels()] == [
        "seats", "narrow: left", "narrow: right", "wide: left", "wide: right"]
    texts = [t.get_text() for t in level.texts]
    for n in modes.strongest:
        assert f"{modes.frequency_hz[n]:.0f} Hz\n{' '.join(map(str, modes.indices[n]))}" in texts


def test_levels_are_medians_over_the_designs(result) -> None:
    variant = next(variants(result))
    modes = room_modes(result, "large", variant)
    cases = [case for case in json.loads(result.attrs["metadata"])["modes"] if case["room"] == "large"]
    for n, indices in enumerate(modes.indices):
        found = [m["share_db"] for case in cases for m in case["modes"] if tuple(m["indices"]) == indices]
        assert modes.level_db[n] == pytest.approx(np.median(found))
        assert (modes.low_db[n], modes.high_db[n]) == (min(found), max(found))


def test_results_without_modes_have_no_figure_and_no_table(made_result, tmp_path) -> None:
    old = made_result(per_octave=12, seats=2)
    assert mode_figure(old, "small", next(variants(old))) is None
    assert mode_rows(old) == [] and mode_lines(old) == [] and early_lines(old) == [] and reflection_rows(old) == []
    names = {path.name for path in write_report(old, tmp_path / "out")}
    assert "balance.csv" in names and "balance-small.png" in names
    assert not any("modes" in name or "reflections" in name for name in names)


def test_the_lines_show_five_modes_of_each_room(result) -> None:
    lines = mode_lines(result)
    modes = room_modes(result, "typical", next(variants(result)))
    start = next(k for k, line in enumerate(lines) if "typical" in line)
    for line, n in zip(lines[start : start + 5], modes.strongest, strict=True):
        assert f"{modes.frequency_hz[n]:.0f}" in line.split() and modes.kind[n] in line
    assert max(map(len, lines)) < 110


def test_early_reflections_are_named_with_what_they_exceed(result) -> None:
    rows = [row for row in reflection_rows(result) if row["room"] == "small" and row["design"] == "wide"]
    loud = {row["faces"] for row in rows if row["exceeds_recommendation"] == "yes"}
    assert loud and all(row["delay_ms"] <= 15 and row["level_1_to_8_khz_db"] > -10 for row in rows
                        if row["exceeds_recommendation"] == "yes")
    lines = early_lines(result)
    line = lines[next(k for k, text in enumerate(lines) if text.strip().startswith("small")) + 1]
    best = max((row for row in rows if row["faces"] in loud and row["delay_ms"] <= 15),
               key=lambda row: row["level_1_to_8_khz_db"])
    assert surface_name(tuple(best["faces"].split(" > "))) in line
    assert f"{best['level_1_to_8_khz_db']:.1f}".replace("-", "−") in line


def test_the_balance_is_drawn_in_three_lines_per_design(result) -> None:
    figure = balance_figure(result, "small", next(variants(result)))
    assert len(figure.axes) == 4
    for axes in figure.axes[:2]:
        assert len([line for line in axes.lines if len(line.get_xdata()) > 20]) == 3
        assert {"direct", "early", "late"} <= {t.get_text() for t in axes.texts}
    assert "in ms" in figure.axes[2].get_xlabel() and "dB" in figure.axes[2].get_ylabel()


@pytest.mark.parametrize("which", ["result", "hostile"])
def test_no_text_is_cut_off_or_overprinted(which: str, request: pytest.FixtureRequest) -> None:
    result = request.getfixturevalue(which)
    variant, room = next(variants(result)), result["room"].values[0]
    for figure in (mode_figure(result, room, variant), balance_figure(result, room, variant)):
        with drawing():
            figure.canvas.draw()
        renderer = figure.canvas.get_renderer()
        texts = [t for t in figure.findobj(Text) if t.get_visible() and t.get_text().strip()]
        boxes = [(t, t.get_window_extent(renderer)) for t in texts]
        ticks = {id(t) for axes in figure.axes for t in [*axes.get_xticklabels(), *axes.get_yticklabels()]}
        for text, box in boxes:
            assert min(box.x0, box.y0) >= -1, text.get_text()
            assert box.x1 <= figure.bbox.width + 1 and box.y1 <= figure.bbox.height + 1, text.get_text()
        headings = [(t, b) for t, b in boxes if id(t) not in ticks and t.get_fontsize() > 8.9]
        for (a, box_a), (b, box_b) in itertools.combinations(headings, 2):
            across = min(box_a.x1, box_b.x1) - max(box_a.x0, box_b.x0)
            up = min(box_a.y1, box_b.y1) - max(box_a.y0, box_b.y0)
            assert min(across, up) <= 1.0, (a.get_text(), b.get_text())


def test_the_same_result_gives_the_same_pictures(result, tmp_path) -> None:
    variant = next(variants(result))
    for make in (mode_figure, balance_figure):
        for name in ("a.png", "b.png"):
            save(make(result, "small", variant), tmp_path / name)
        assert (tmp_path / "a.png").read_bytes() == (tmp_path / "b.png").read_bytes()
