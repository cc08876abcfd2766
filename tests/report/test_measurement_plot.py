"""Figures of measurements and corrections: what stands on them is what was measured."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pytest

from roomsim.definitions import load
from roomsim.loudspeaker.chamber import ChamberCorrection
from roomsim.loudspeaker.quality import measurement_quality
from roomsim.report.measurement_plot import MOST_PAIRS, correction_figure, measurement_figure
from roomsim.report.style import save

GOOD = Path(__file__).parents[1] / "definitions" / "good"


def texts(figure) -> list[str]:
    from matplotlib.text import Text

    return [text.get_text() for text in figure.findobj(Text) if text.get_text()]


def dots(axes) -> np.ndarray:
    """All markers without a line."""
    lines = [line for line in axes.lines if line.get_linestyle() == "None"]
    return np.vstack([np.column_stack(line.get_data()) for line in lines])


@pytest.fixture(scope="module")
def orbits():
    return load(GOOD / "orbits.yaml").as_measured


def test_every_direction_is_drawn_where_it_was(orbits, tmp_path):
    """Equal-area projection: a direction at the angle θ from the axis lies at √2 sin(θ/2)."""
    quality = measurement_quality(orbits)
    figure = measurement_figure(orbits, quality, "A box $x$")
    front, behind = figure.axes[:2]
    x = orbits.directions[:, 0]
    assert len(dots(front)) == np.sum(x >= -1e-6) and len(dots(behind)) == np.sum(x <= 1e-6)
    radius = np.sort(np.hypot(*dots(front).T))
    expected = np.sort(np.sqrt(2) * np.sin(np.arccos(np.clip(x[x >= -1e-6], -1, 1)) / 2))
    np.testing.assert_allclose(radius, expected, atol=1e-9)
    said = texts(figure)
    assert {"In front", "Behind", "A box $x$", "not to be trusted\nbelow 100 Hz"} <= set(said)
    assert any(text.startswith("14 directions measured") for text in said)
    assert any(text.startswith("386 filled: orbits blended") for text in said)
    assert "far field at 2 m up to 3810 Hz" in said
    save(figure, tmp_path / "figure.png")
    assert (tmp_path / "figure.png").stat().st_size > 10_000


def test_left_is_left_seen_from_either_side(orbits):
    """Seen from in front, the loudspeaker's own left (+y) is at the right of the page; from behind, at the left."""
    from dataclasses import replace

    only = np.array([[0.7, 0.7, 0.1], [-0.7, 0.7, 0.1], [0.7, -0.7, -0.1], [-0.7, -0.7, -0.1]])
    only /= np.linalg.norm(only, axis=1, keepdims=True)
    data = replace(orbits, directions=only, values=orbits.values[:4], filled=np.array([False, False, True, True]))
    front, behind = measurement_figure(data, measurement_quality(orbits), "x").axes[:2]
    up_front, up_behind = (dots(axes)[dots(axes)[:, 1] > 0][0] for axes in (front, behind))
    assert up_front[0] > 0 > up_behind[0]


def test_half_sphere_has_no_back(orbits):
    from dataclasses import replace

    keep = orbits.directions[:, 0] > -1e-9
    half = replace(orbits, directions=orbits.directions[keep], values=orbits.values[keep], filled=orbits.filled[keep],
                   half_space=True)
    assert "Behind" not in texts(measurement_figure(half, measurement_quality(orbits), "x"))


def test_the_correction_drawn_is_the_one_that_is_subtracted(tmp_path):
    definition = load(GOOD / "chamber.yaml")
    figure = correction_figure(definition.correction, definition.pairs)
    axes = figure.axes[0]
    curve = max(axes.lines, key=lambda line: len(line.get_xdata()))
    np.testing.assert_allclose(curve.get_ydata(), definition.correction.correction_db(curve.get_xdata()))
    said = texts(figure)
    assert {"small box", "tall box", "whole below\n80 Hz", "gone above\n160 Hz", "North chamber"} <= set(said)
    save(figure, tmp_path / "figure.png")


def test_stored_and_large_corrections_are_drawn_too(tmp_path):
    f = np.geomspace(10, 500, 60)
    alone = ChamberCorrection(name="x" * 100, frequency_hz=f, mean_db=-25 / f * 10, spread_db=np.ones(60), count=9)
    save(correction_figure(alone, ()), tmp_path / "alone.png")
    folder = tmp_path / "job"
    shutil.copytree(GOOD, folder)
    lines = ["correction: Many", "pairs:"]
    lines += [f"  box {k}: {{free: chamber/small-free.txt, chamber: chamber/small-chamber.txt}}" for k in range(9)]
    (folder / "many.yaml").write_text("\n".join(lines), "utf-8")
    many = load(folder / "many.yaml")
    assert f"+ {9 - MOST_PAIRS} not drawn" in texts(correction_figure(many.correction, many.pairs))
