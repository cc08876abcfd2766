"""The look: designs stay apart for every eye, labels are shown as written."""

from __future__ import annotations

import itertools

import matplotlib
import numpy as np
import pytest
from colours import BLINDNESS, cielab, contrast, linear

from roomsim.report import style


def test_the_matrices_keep_white_white() -> None:
    for matrix in BLINDNESS.values():
        np.testing.assert_allclose(np.sum(matrix, axis=1), 1, atol=2e-6)


@pytest.mark.parametrize("eye", BLINDNESS)
def test_colours_stay_apart(eye: str) -> None:
    """20 in CIELAB is plain to see across a figure (2.3 is just noticeable; common practice, no source)."""
    seen = [cielab(np.asarray(BLINDNESS[eye]) @ linear(c)) for c in style.COLOURS]
    distance = {pair: np.linalg.norm(seen[pair[0]] - seen[pair[1]]) for pair in itertools.combinations(range(6), 2)}
    assert min(distance.values()) > 20, min(distance, key=distance.get)
    assert distance[0, 1] > 40                     # the two designs of most studies


def test_lines_and_texts_stand_out_from_the_paper() -> None:
    """3:1 for graphics, 4.5:1 for text (WCAG 2.1, 1.4.11 and 1.4.3)."""
    assert min(contrast(c, style.PAPER) for c in style.COLOURS) >= 3
    assert contrast(style.INK, style.PAPER) >= 4.5 and contrast(style.QUIET, style.PAPER) >= 4.5


def test_designs_differ_in_more_than_colour() -> None:
    pens = [style.pen(k) for k in range(6)]
    assert len({str(p.dash) for p in pens}) == len({p.marker for p in pens}) == len({p.colour for p in pens}) == 6
    assert len({(p.colour, str(p.dash), p.marker) for p in map(style.pen, range(24))}) == 24


@pytest.mark.parametrize(
    ("label", "shown"),
    [("plain", "plain"), ("two\nlines", "two lines"), ("\x1b[31mred", "[31mred"), ("", "(no name)"),
     ("\t ", "(no name)"), ("$x^2$", "$x^2$"), ("x" * 50, "x" * 39 + "…"), ("a\u202eb", "a b"), (0.5, "0.5")],
)
def test_labels_are_shown_on_one_line(label: object, shown: str) -> None:
    assert style.plain_label(label) == shown


def test_mathtext_and_the_users_settings_stay_out() -> None:
    with matplotlib.rc_context({"axes.facecolor": "red", "text.usetex": False, "lines.linewidth": 9}):
        with style.drawing():
            figure = style.new_figure(2, 1)
            text = figure.text(0.1, 0.5, r"$\frac{1}{$")      # would raise as mathtext
            assert not text.get_parse_math()
            assert matplotlib.rcParams["axes.facecolor"] == style.PAPER
            figure.canvas.draw()
        assert matplotlib.rcParams["axes.facecolor"] == "red"


def test_ends_of_lines_are_spread_out() -> None:
    wanted = [0.5, 0.51, 0.505, 0.9]
    got = style.spread_out(wanted, 0.05)
    assert np.diff(np.sort(got)).min() >= 0.05 - 1e-6
    assert list(np.argsort(got)) == list(np.argsort(wanted)) and got[3] == pytest.approx(0.9)


def test_short_names_get_all_they_want_and_long_ones_share_the_rest() -> None:
    assert style._shared([0.1, 0.5, 0.9], 1.0) == pytest.approx([0.1, 0.45, 0.45])
    assert style._shared([0.1, 0.2], 1.0) == pytest.approx([0.1, 0.2])
