"""The figure of settings: a panel per room, a line per setting, told apart by more than colour, on the same axes."""

from __future__ import annotations

import numpy as np
import pytest
from made_result import made_result

from roomsim.report.cases import main_variant
from roomsim.report.settings_plot import setting_pen, settings_figure

SETTINGS = ("bright", "ordinary", "dead")


@pytest.fixture(scope="module")
def figure():
    result = made_result(settings=SETTINGS, seats=5, per_octave=12)
    return settings_figure(result, main_variant(result), list(result["room"].values))


def test_a_line_per_setting_in_every_panel(figure) -> None:
    assert len(figure.axes) == 9                                           # level, late sound, decay in three rooms
    for axes in figure.axes[:6]:
        lines = [line for line in axes.lines if len(line.get_xdata()) > 20]
        assert len(lines) == len(SETTINGS)
        assert len({str(line.get_color()) for line in lines}) == 3
    pens = [setting_pen(k) for k in range(3)]
    assert len({str(pen.dash) for pen in pens}) == 3               # not by colour alone


def test_rooms_share_their_axes_and_settings_are_named(figure) -> None:
    for row in range(3):
        limits = {axes.get_ylim() for axes in figure.axes[3 * row : 3 * row + 3]}
        assert len(limits) == 1
    said = " ".join(text.get_text() for text in figure.findobj(lambda one: hasattr(one, "get_text")))
    for word in (*SETTINGS, "Decay time", "Late sound", "Frequency in Hz"):
        assert word in said
    assert all(np.isfinite(axes.get_ylim()).all() for axes in figure.axes)
