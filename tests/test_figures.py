"""Figures for notebooks: each one drawn, wrong labels named."""

from __future__ import annotations

import numpy as np
import pytest

import roomsim
from roomsim.errors import InvalidValue


def test_figures_of_a_result(made_result):
    result = made_result(per_octave=12)
    room = result["room"].values[0]
    for figure in (roomsim.figures.overview(result), roomsim.figures.response(result, room),
                   roomsim.figures.decay(result)):
        assert figure.axes
    with pytest.raises(InvalidValue, match="must be one of"):
        roomsim.figures.overview(result, setting="no such setting")
    with pytest.raises(InvalidValue, match="must be one of"):
        roomsim.figures.overview(result, colour="blue")


def test_figures_of_definitions(tmp_path):
    study = roomsim.load(roomsim.write_demo(tmp_path / "demo"))
    assert roomsim.figures.room(study.rooms["typical"]).axes
    wide = study.designs["wide"]
    assert roomsim.figures.standard_curves(wide).axes and roomsim.figures.directivity(wide, "left").axes
    with pytest.raises(InvalidValue, match="is no channel"):
        roomsim.figures.directivity(wide, "middle")


def test_curves_are_drawn_and_named():
    f = np.geomspace(50, 8000, 30)
    figure = roomsim.figures.curves({"a": f / 8000, "b": np.full(30, np.nan), "measured": f[::3] / 9000},
                                    {"a": f, "b": f, "measured": f[::3]}, "Level in dB", (0, 1), points=("measured",))
    axes = figure.axes[0]
    assert axes.get_xscale() == "log" and axes.get_xlabel() == "Frequency in Hz"
    assert {text.get_text() for text in axes.texts} >= {"a", "b", "measured"}
    styles = [line.get_linestyle() for line in axes.lines]
    assert styles[0] != "None" and styles[2] == "None"
    np.testing.assert_array_equal(axes.lines[0].get_ydata(), f / 8000)
    assert roomsim.figures.curves({"a": [1, 2]}, [0, 1], "y", (0, 3), x_label="x in m").axes[0].get_xscale() == "linear"
    with pytest.raises(InvalidValue, match="1 to 8"):
        roomsim.figures.curves({}, f, "y", (0, 1))
