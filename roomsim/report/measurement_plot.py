"""Figures of measured data: where was measured and how well it is known between; a chamber's correction."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from ..loudspeaker.chamber import ChamberCorrection, ResponsePair, pair_differences
from ..loudspeaker.measured import MeasuredDirectivity
from ..loudspeaker.quality import MeasurementQuality
from .speaker_plot import rounded_hz, shade_ends
from .style import (
    COLOURS,
    HAIRLINE,
    INK,
    PAPER,
    QUIET,
    drawing,
    fit,
    frequency_axis,
    heading,
    key,
    level_axis,
    new_figure,
    pen,
    plain_label,
    room_pen,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

MOST_PAIRS = 6
"""Pairs that are drawn one by one."""

_WIDE = 9.6
_LEFT, _RIGHT = 0.95 / _WIDE, 1 - 0.3 / _WIDE


def measurement_figure(data: MeasuredDirectivity, quality: MeasurementQuality, name: str) -> Figure:
    """Directions that were measured and filled, before and behind; the error of interpolation over frequency."""
    high = 8.6
    with drawing():
        figure = new_figure(_WIDE, high)
        _title(figure, name, "what was measured", high)
        discs = [("In front", 1.0)] if data.half_space else [("In front", 1.0), ("Behind", -1.0)]
        size = 3.35
        for k, (label, side) in enumerate(discs):
            axes = figure.add_axes((_LEFT + k * 4.25 / _WIDE, (high - 1.45 - size) / high, size / _WIDE, size / high))
            _disc(axes, data, label, side)
        _disc_key(figure, data, quality, 1 - 0.74 / high)
        below = figure.add_axes((_LEFT, 0.6 / high, _RIGHT - _LEFT, 2.3 / high))
        _errors(figure, below, data, quality)
    return figure


def _disc(axes: Axes, data: MeasuredDirectivity, label: str, side: float) -> None:
    """One half of the sphere in Lambert's equal-area projection, seen from outside."""
    axes.set_aspect("equal")
    axes.set_xlim(-1.04, 1.04)
    axes.set_ylim(-1.04, 1.04)
    axes.axis("off")
    turn = np.linspace(0, 2 * np.pi, 181)
    for polar in (30, 60, 90):
        radius = np.sqrt(2) * np.sin(np.radians(polar) / 2)
        axes.plot(radius * np.cos(turn), radius * np.sin(turn), color=QUIET if polar == 90 else HAIRLINE,
                  linewidth=0.9 if polar == 90 else 0.8, zorder=1)
        if polar < 90:
            axes.text(radius * 0.707 + 0.01, radius * 0.707 + 0.01, f"{polar}°", color=QUIET, fontsize=8, zorder=1.5)
    here = data.directions[:, 0] * side >= -1e-6
    d, filled = data.directions[here], data.filled[here]
    away = np.sqrt(1 / np.maximum(1 + np.abs(d[:, 0]), 1e-9))
    x, y = side * d[:, 1] * away, d[:, 2] * away
    small = 3.2 if len(d) < 500 else 2.2 if len(d) < 2000 else 1.2
    axes.plot(x[filled], y[filled], linestyle="none", marker="o", markersize=small + 1, markerfacecolor="none",
              markeredgecolor=COLOURS[1], markeredgewidth=0.8, zorder=2)
    axes.plot(x[~filled], y[~filled], linestyle="none", marker="o", markersize=small, color=COLOURS[0], zorder=3)
    left = "right" if side > 0 else "left"
    other = "left" if left == "right" else "right"
    for word, place, across in (("up", (0, 1.0), "center"), ("its left", (1 if left == "right" else -1, 0), other),
                                ("its right", (-1 if left == "right" else 1, 0), left)):
        axes.annotate(word, xy=place, xytext=(0 if word == "up" else (-5 if across == "right" else 5), 3),
                      textcoords="offset points", color=QUIET, fontsize=8.5, zorder=5,
                      ha=across, va="bottom", bbox={"facecolor": PAPER, "edgecolor": "none", "alpha": 0.8, "pad": 0.6})
    heading(axes, label)


def _disc_key(figure: Figure, data: MeasuredDirectivity, quality: MeasurementQuality, y: float) -> None:
    from matplotlib.lines import Line2D

    entries = [(f"{quality.measured} directions measured, about {quality.spacing_deg:.0f}° apart", True)]
    if quality.filled:
        entries.append((f"{quality.filled} filled: {data.fill_method}", False))
    x = _LEFT
    for text, measured in entries:
        figure.add_artist(Line2D(
            [x + 0.008], [y], transform=figure.transFigure, linestyle="none", marker="o", markersize=5.5,
            markerfacecolor=COLOURS[0] if measured else "none", markeredgecolor=COLOURS[0 if measured else 1]))
        drawn = figure.text(x + 0.022, y, plain_label(text, 90), va="center", fontsize=9.5)
        x = fit(figure, drawn, _RIGHT) + 0.03


def _errors(figure: Figure, axes: Axes, data: MeasuredDirectivity, quality: MeasurementQuality) -> None:
    f = data.frequency_hz
    low, high = min(20.0, f[0]), max(20000.0, f[-1])
    frequency_axis(axes, low, high)
    entries = [("Between directions", pen(0))]
    shown = [quality.leave_out_db]
    axes.plot(quality.band_hz, quality.leave_out_db, zorder=3, **pen(0).line())
    axes.plot(quality.band_hz, quality.leave_out_db, zorder=4, **pen(0).points())
    if data.level_uncertainty_db is not None:
        axes.plot(f, data.level_uncertainty_db, zorder=3, **pen(1).line())
        at = np.geomspace(f[0], f[-1], 12)
        axes.plot(at, np.interp(np.log(at), np.log(f), data.level_uncertainty_db), zorder=4, **pen(1).points())
        entries.append(("Chamber correction, uncertainty", pen(1)))
        shown.append(data.level_uncertainty_db)
    largest = max(float(np.nanmax(values)) for values in shown if np.isfinite(values).any())
    level_axis(axes, 0, max(np.ceil(largest + 0.2), 2.0), 0.5 if largest < 2.5 else 1.0)
    axes.set_ylabel("Error in dB")
    axes.set_xlabel("Frequency in Hz")
    shade_ends(axes, (low, data.low_hz), (data.high_hz, high), said=True)
    limit = data.distance_m
    told = f"far field at {limit:g} m up to {rounded_hz(quality.far_field_hz)}"
    if low < quality.far_field_hz < high:
        axes.axvline(quality.far_field_hz, color=INK, linewidth=1.0, linestyle=(0, (2, 2)), zorder=2)
        right = quality.far_field_hz > 2500
        axes.annotate(told, xy=(quality.far_field_hz, axes.get_ylim()[1]), xytext=(-5 if right else 5, -4),
                      textcoords="offset points", ha="right" if right else "left", va="top", fontsize=8.5, color=INK,
                      zorder=6, bbox={"facecolor": PAPER, "edgecolor": "none", "alpha": 0.85, "pad": 1.2})
    heading(axes, "How well it is known")
    top = axes.get_position().y1
    key(figure, entries, axes.get_position().x0 + 0.24, top + 0.155 / figure.get_figheight())


def correction_figure(correction: ChamberCorrection, pairs: Sequence[ResponsePair]) -> Figure:
    """What the chamber adds: mean over the loudspeakers, its spread, and what is subtracted."""
    f = correction.frequency_hz
    top = correction.cut_off_hz * 2**correction.blend_octaves
    shown_to = max(min(f[-1], 4 * top), f[0] * 2)
    fine = np.geomspace(f[0], shown_to, 300)
    subtracted, sigma = correction.correction_db(fine), correction.uncertainty_db(fine)
    high = 5.6
    with drawing():
        figure = new_figure(_WIDE, high)
        _title(figure, correction.name, "what the chamber adds to a level", high)
        axes = figure.add_axes((_LEFT, 0.62 / high, _RIGHT - _LEFT, (high - 0.62 - 1.3) / high))
        frequency_axis(axes, f[0], shown_to)
        rows = pair_differences(pairs, f)[:MOST_PAIRS] if len(pairs) else []
        for k, row in enumerate(rows):
            axes.plot(f, row, zorder=2, **room_pen(k).line(linewidth=1.0))
            axes.plot(f, row, zorder=2.1, **room_pen(k).points(markersize=4))
        axes.fill_between(fine, subtracted - sigma, subtracted + sigma, color=COLOURS[0], alpha=0.16, linewidth=0,
                          zorder=1)
        axes.plot(fine, subtracted, zorder=4, **pen(0).line())
        at = np.geomspace(f[0] * 1.05, min(top, shown_to), 9)
        axes.plot(at, correction.correction_db(at), zorder=5, **pen(0).points())
        every = [subtracted + sigma, subtracted - sigma, *rows]
        low_db = np.floor(min(float(row[np.isfinite(row)].min()) for row in every) - 0.5)
        high_db = np.ceil(max(float(row[np.isfinite(row)].max()) for row in every) + 0.5)
        level_axis(axes, low_db, max(high_db, low_db + 4), 1 if high_db - low_db < 12 else 5)
        for where, word in ((correction.cut_off_hz, "whole below"), (top, "gone above")):
            if f[0] < where < shown_to:
                axes.axvline(where, color=INK, linewidth=1.0, linestyle=(0, (2, 2)), zorder=1.5)
                axes.annotate(f"{word}\n{where:.0f} Hz", xy=(where, 1), xycoords=("data", "axes fraction"),
                              xytext=(4, -4), textcoords="offset points", ha="left", va="top", fontsize=8.5, zorder=6,
                              bbox={"facecolor": PAPER, "edgecolor": "none", "alpha": 0.85, "pad": 1.2})
        axes.set_xlabel("Frequency in Hz")
        axes.set_ylabel("Chamber minus free space in dB")
        key(figure, [("Subtracted ± its uncertainty", pen(0))], _LEFT, 1 - 0.74 / high)
        key(figure, [(pair.label, room_pen(k)) for k, pair in enumerate(pairs[:MOST_PAIRS])], _LEFT, 1 - 1.02 / high,
            max(len(pairs) - MOST_PAIRS, 0))
    return figure


def _title(figure: Figure, name: str, detail: str, high: float) -> None:
    y = 1 - 0.33 / high
    text = figure.text(_LEFT, y, plain_label(name, 60), fontsize=15, fontweight="bold", va="baseline")
    right = fit(figure, text, 0.7)
    figure.text(right + 0.015, y, detail, color=QUIET, va="baseline", fontsize=10)
