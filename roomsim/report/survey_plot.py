"""A survey of homes: how large they are, which shape they have, how they decay, and the target rooms among them."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ..studies.rooms import SurveyRooms
from .style import (
    COLOURS,
    HAIRLINE,
    INK,
    PAPER,
    QUIET,
    SHADE,
    drawing,
    fit,
    heading,
    new_figure,
    plain_label,
    spread_out,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

MOST_POINTS = 3000
"""Homes that are drawn one by one; of larger surveys every n-th, so that none is favoured."""

_MARK = COLOURS[1]


def survey_figure(rooms: SurveyRooms) -> Figure:
    """Histogram of the sizes with the percentiles, cumulative share with their confidence, shape, decay time."""
    decays = np.isfinite(rooms.survey.decay_s)
    with drawing():
        figure = new_figure(11.0, 7.6)
        title = figure.text(0.065, 0.95, f"{plain_label(rooms.source, 60)}: {len(rooms.survey)} homes", fontsize=15,
                            fontweight="bold", va="center")
        fit(figure, title, 0.97)
        boxes = [(0.065, 0.55, 0.40, 0.31), (0.565, 0.55, 0.40, 0.31), (0.065, 0.09, 0.40, 0.33),
                 (0.565, 0.09, 0.40, 0.33)]
        axes = [figure.add_axes(box) for box in boxes[: 4 if decays.any() else 3]]
        _histogram(axes[0], rooms)
        _cumulative(axes[1], rooms)
        _shape(axes[2], rooms)
        if decays.any():
            _decay(axes[3], rooms)
    return figure


def _quantity(by: str) -> tuple[str, str]:
    return ("Volume", "m³") if by == "volume" else ("Floor area", "m²")


def _histogram(axes: Axes, rooms: SurveyRooms) -> None:
    name, unit = _quantity(rooms.by)
    values = rooms.survey.measure(rooms.by)
    edges = _edges(values)
    axes.hist(values, bins=edges, color=SHADE, edgecolor=QUIET, linewidth=0.6)
    axes.set_xlim(edges[0], edges[-1])
    top = axes.get_ylim()[1] * 1.06
    axes.set_ylim(0, top)
    places = spread_out([target.size for target in rooms.targets], (edges[-1] - edges[0]) * 0.075)
    for target, x in zip(rooms.targets, places, strict=True):
        axes.axvline(target.size, color=_MARK, linewidth=1.5, zorder=3)
        axes.text(x, top * 0.99, target.label, color=_MARK, fontsize=9.5, fontweight="bold", ha="center", va="top",
                  bbox={"facecolor": PAPER, "edgecolor": "none", "pad": 1.2, "alpha": 0.9})
    _axes(axes, f"{name} in {unit}", "Homes")
    heading(axes, "How large they are", "lines: percentiles")


def _cumulative(axes: Axes, rooms: SurveyRooms) -> None:
    name, unit = _quantity(rooms.by)
    values = np.sort(rooms.survey.measure(rooms.by))
    share = 100 * (np.arange(values.size) + 0.5) / values.size
    step = max(1, values.size // MOST_POINTS)
    axes.plot(values[::step], share[::step], color=INK, linewidth=1.5)
    edges = _edges(values)
    for target in rooms.targets:
        axes.plot([target.low, target.high], [target.percentile] * 2, color=_MARK, linewidth=4, alpha=0.45,
                  solid_capstyle="butt")
        axes.plot(target.size, target.percentile, "o", color=_MARK, markersize=6)
        axes.annotate(f"{target.size:.1f} {unit}", (target.high, target.percentile), xytext=(7, -1), fontsize=9,
                      textcoords="offset points", va="center", color=_MARK)
    axes.set_xlim(edges[0], edges[-1])
    axes.set_ylim(0, 100)
    _axes(axes, f"{name} in {unit}", "Smaller homes in %")
    heading(axes, "How many are smaller", "bars: 90 % confidence")


def _shape(axes: Axes, rooms: SurveyRooms) -> None:
    survey = rooms.survey
    step = max(1, len(survey) // MOST_POINTS)
    axes.plot(survey.width_m[::step], survey.length_m[::step], "o", markersize=3.4, color=QUIET, alpha=0.45,
              markeredgewidth=0)
    low, high = (np.percentile(np.concatenate([survey.width_m, survey.length_m]), p) for p in (0.2, 99.8))
    axes.set_xlim(low * 0.93, high * 1.05)
    axes.set_ylim(low * 0.93, high * 1.05)
    for target in rooms.targets:
        axes.plot(target.width_m, target.length_m, "D", color=_MARK, markersize=7, markeredgecolor=PAPER, zorder=4)
        axes.annotate(target.label, (target.width_m, target.length_m), xytext=(8, 3), textcoords="offset points",
                      color=_MARK, fontweight="bold", fontsize=9.5,
                      bbox={"facecolor": PAPER, "edgecolor": "none", "pad": 0.8, "alpha": 0.85})
    axes.plot(axes.get_xlim(), axes.get_xlim(), color=HAIRLINE, linewidth=1, zorder=0)
    _axes(axes, "Width (wall of the loudspeaker) in m", "Length in m")
    heading(axes, "Which shape they have", "dots: homes, diamonds: target rooms")


def _decay(axes: Axes, rooms: SurveyRooms) -> None:
    name, unit = _quantity(rooms.by)
    survey, values = rooms.survey, rooms.survey.measure(rooms.by)
    known = np.flatnonzero(np.isfinite(survey.decay_s))
    kinds = _kinds(survey.furnishing[known])
    step = max(1, known.size // MOST_POINTS)
    for k, kind in enumerate(kinds):
        rows = known[(survey.furnishing[known] == kind)] if len(kinds) > 1 else known
        fill = {"markerfacecolor": (PAPER, QUIET, INK)[k % 3]}
        axes.plot(values[rows[::step]], survey.decay_s[rows[::step]], "os^D"[k % 4], markersize=4.6, color=INK,
                  markeredgewidth=0.9, linestyle="none", label=plain_label(kind or "homes", 24), **fill)
    for target in rooms.targets:
        if target.decay_s is not None:
            axes.plot(target.size, target.decay_s, "D", color=_MARK, markersize=7, markeredgecolor=PAPER, zorder=4)
    axes.set_xlim(*_edges(values)[[0, -1]])
    axes.set_ylim(0, float(np.percentile(survey.decay_s[known], 99.5)) * 1.2)
    _axes(axes, f"{name} in {unit}", "Decay time in s")
    if len(kinds) > 1:
        axes.legend(loc="lower right", fontsize=8.5, frameon=True, facecolor=PAPER, edgecolor="none", framealpha=0.85,
                    handletextpad=0.2)
    heading(axes, "How they decay", f"{known.size} measured; diamonds: median near a size")


def _kinds(words: np.ndarray) -> list[str]:
    """Up to four kinds of furnishing, the most frequent first; one where there are more or none."""
    kinds, count = np.unique(words, return_counts=True)
    if not 1 < kinds.size <= 4:
        return [""]
    return [str(kinds[k]) for k in np.argsort(-count, kind="stable")]


def _edges(values: np.ndarray) -> np.ndarray:
    """Rounded bin edges about all but the largest 0.3 % of the values."""
    low, high = float(values.min()), float(np.percentile(values, 99.7))
    wish = max((high - low) / 24, 1e-3 * high)
    step = next(s for s in np.outer(10.0 ** np.arange(-3, 6), [1, 2, 2.5, 5]).ravel() if s >= wish)
    return np.arange(np.floor(low / step), np.ceil(high / step) + 1.5) * step


def _axes(axes: Axes, across: str, up: str) -> None:
    axes.set_xlabel(across)
    axes.set_ylabel(up)
    axes.grid(axis="y", color=HAIRLINE, linewidth=0.8)
    axes.set_axisbelow(True)
