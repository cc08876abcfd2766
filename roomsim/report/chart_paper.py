"""Charts of the page as matplotlib figures, for papers and slides: PNG, SVG or PDF."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from .chart import QUIET as QUIET_PEN
from .chart import TARGET, Chart, Line
from .style import HAIRLINE, INK, PAPER, QUIET, SHADE, drawing, fit, heading, new_figure, pen

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_DASHES: dict[str, Any] = {"solid": "solid", "long": (0, (5, 1.6)), "short": (0, (1.4, 1.3))}
MAP_SHADES = ("#f3efe6", "#e3e5e1", "#d4dbdd", "#c4d1d8", "#b4c6d4", "#a5bccf", "#90acc4", "#7797b3", "#5d80a1",
              "#446a90", "#2b557e", "#123f6d", "#d9731a")
"""Shades of maps, the quietest first; the last is louder than on the axis."""
_LINE_IN = 0.24
"""Height of a line of the legend."""


def chart_figure(chart: Chart) -> Figure:
    """One chart with its axes named in full and its curves named below."""
    lines = _named(chart)
    rows = -(-len(lines) // 2)
    width_in, height_in = 6.3, 3.75 + _LINE_IN * rows
    with drawing():
        figure = new_figure(width_in, height_in)
        bottom = 0.72 + _LINE_IN * rows
        axes = figure.add_axes((0.8 / width_in, bottom / height_in, 1 - 1.0 / width_in,
                                1 - (bottom + 0.62) / height_in))
        _set_axes(axes, chart)
        for low, high, _ in chart.zones:
            axes.axvspan(max(low, chart.x.low), min(high, chart.x.high), facecolor=SHADE, hatch="///",
                         edgecolor="#c9c3b6", linewidth=0, alpha=0.55, zorder=0.5)
        _areas(axes, chart)
        for k, line in enumerate(chart.lines):
            _draw(axes, line, 3 + 0.01 * k)
        heading(axes, chart.title, limit=70)
        if chart.detail:
            fit(figure, figure.text(0.8 / width_in, 1 - 0.16 / height_in, chart.detail, color=QUIET, fontsize=8.5,
                                    va="center"), 0.985)
        for k, (name, line) in enumerate(lines):
            _sample(figure, name, line, 0.5 * (k % 2) + 0.02, (rows - k // 2 - 0.45) * _LINE_IN / height_in)
    return figure


def _set_axes(axes: Axes, chart: Chart) -> None:
    from matplotlib.ticker import FixedLocator, NullFormatter, NullLocator

    for which, axis, name in ((chart.x, axes.xaxis, "x"), (chart.y, axes.yaxis, "y")):
        if which.log:
            getattr(axes, f"set_{name}scale")("log")
        getattr(axes, f"set_{name}lim")(which.low, which.high)
        axis.set_major_locator(FixedLocator([value for value, _ in which.ticks]))
        axis.set_minor_locator(NullLocator())
        axis.set_minor_formatter(NullFormatter())
        axis.set_ticklabels([text for _, text in which.ticks])
        getattr(axes, f"set_{name}label")(which.label.replace(" re own mean ", " re own mean\n"))
    axes.grid(axis="y", color=HAIRLINE, linewidth=0.8)
    axes.set_axisbelow(True)
    for value in chart.level_at:
        axes.axhline(value, color=QUIET, linewidth=0.9, zorder=0.8)


def _areas(axes: Axes, chart: Chart) -> None:
    from matplotlib.patches import PathPatch
    from matplotlib.path import Path

    for area in chart.areas:
        if not area.rings:
            continue
        codes = [[Path.MOVETO, *[Path.LINETO] * (len(ring) - 1)] for ring in area.rings]
        path = Path(np.concatenate(area.rings), np.concatenate(codes))
        filled = area.shade >= 0
        axes.add_patch(PathPatch(path, facecolor=MAP_SHADES[area.shade] if filled else "none", zorder=0.3,
                                 edgecolor="none" if filled else INK, linewidth=0 if filled else 1.1))


def _draw(axes: Axes, line: Line, order: float) -> None:
    style = _style(line)
    if line.low is not None and line.high is not None:
        axes.fill_between(line.x, line.low, line.high, color=style["color"], alpha=0.18, linewidth=0, zorder=2)
    if line.joined:
        axes.plot(line.x, line.y, zorder=order, **style)
    if isinstance(line.pen, int) and line.points != "none":
        points = pen(line.pen).points()
        if line.points:
            points["markerfacecolor"] = points["color"] if line.points == "filled" else PAPER
            axes.plot(line.x, line.y, zorder=order + 0.005, **points)
        else:
            at = np.array([31.25 * 2.0 ** (k + line.pen / 4) for k in range(10)])
            at = at[(at > line.x[0]) & (at < line.x[-1])]
            axes.plot(at, np.interp(np.log(at), np.log(line.x), line.y), zorder=order + 0.005, **points)


def _style(line: Line) -> dict[str, Any]:
    if isinstance(line.pen, str):
        colour = QUIET if line.pen == QUIET_PEN else INK
        dash = line.dash or ("short" if line.pen == TARGET else "solid")
        return {"color": colour, "linewidth": 1.1 if line.pen == TARGET else 1.6, "linestyle": _DASHES[dash]}
    style = pen(line.pen).line()
    return style | ({"linestyle": _DASHES[line.dash]} if line.dash else {})


def _named(chart: Chart) -> list[tuple[str, Line]]:
    return [(line.name, line) for line in chart.lines]


def _sample(figure: Figure, name: str, line: Line, x: float, y: float) -> None:
    from matplotlib.lines import Line2D

    width = 0.42 / figure.get_figwidth()
    if line.joined:
        figure.add_artist(Line2D([x, x + width], [y, y], transform=figure.transFigure, **_style(line)))
    if isinstance(line.pen, int) and line.points != "none":
        points = pen(line.pen).points()
        if line.points == "open":
            points["markerfacecolor"] = PAPER
        figure.add_artist(Line2D([x + width / 2], [y], transform=figure.transFigure, **points))
    fit(figure, figure.text(x + width + 0.012, y, name, va="center", fontsize=9), x + 0.475)
