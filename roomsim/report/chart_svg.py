"""Charts as SVG for the page: real text, colours by CSS, curves that can be focused and read.

Sizes are user units of a view box that the page scales to the width at hand. Every curve is a slider for
assistive techniques: it has a name, and the script moves its reading along the curve (page/page.js).
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence

import numpy as np
from markupsafe import Markup, escape
from numpy.typing import NDArray

from .chart import Area, Axis, Chart, Line
from .style import plain_label

WIDTH, HEIGHT = 360.0, 226.0
LEFT, RIGHT, TOP, BOTTOM = 36.0, 8.0, 18.0, 34.0
MARKS = ("M-3.2,0a3.2,3.2 0 1 0 6.4,0a3.2,3.2 0 1 0 -6.4,0z", "M-3,-3h6v6h-6z", "M0,-3.8L3.8,3h-7.6z",
         "M0,-4L4,0L0,4L-4,0z", "M0,3.8L3.8,-3h-7.6z", "M-1.2,-3.6h2.4v2.4h2.4v2.4h-2.4v2.4h-2.4v-2.4h-2.4v-2.4h2.4z")
"""The markers of style.MARKERS as paths."""
_FIRST_MARK_HZ = 31.25


class Frame:
    """Where values come to lie."""

    def __init__(self, x: Axis, y: Axis, width: float = WIDTH, height: float = HEIGHT) -> None:
        self.x, self.y, self.width, self.height = x, y, width, height
        self.left, self.right, self.top, self.bottom = LEFT, width - RIGHT, TOP, height - BOTTOM

    def across(self, values: object) -> NDArray[np.float64]:
        return self.left + self.x.fraction(np.asarray(values, float)) * (self.right - self.left)

    def up(self, values: object) -> NDArray[np.float64]:
        return self.bottom - self.y.fraction(np.asarray(values, float)) * (self.bottom - self.top)


def chart_svg(chart: Chart) -> Markup:
    """The panel without its title, which stands in the page's own text."""
    frame = Frame(chart.x, chart.y)
    clip = f"clip-{chart.key}"
    drawn = "".join(_area(frame, one) for one in chart.areas)
    areas = f'<g clip-path="url(#{clip})">{drawn}</g>' if drawn else ""
    parts = [
        f'<clipPath id="{clip}"><rect x="{frame.left:.0f}" y="{frame.top - 2:.0f}" '
        f'width="{frame.right - frame.left:.0f}" height="{frame.bottom - frame.top + 4:.0f}"/></clipPath>',
        areas, *_axes(frame, chart), *_zones(frame, chart),
    ]
    bands = [_band(frame, line, k) for k, line in enumerate(chart.lines) if line.low is not None]
    curves = [_curve(frame, line, k, len(chart.lines)) for k, line in enumerate(chart.lines)]
    parts.append(f'<g clip-path="url(#{clip})">{"".join(bands)}</g>')
    parts.append(f'<g clip-path="url(#{clip})" class="curves">{"".join(curves)}</g>')
    parts.append('<g class="cursor" aria-hidden="true"></g>')
    x, y = chart.x, chart.y
    label = f"{chart.title}. {chart.detail}" if chart.detail else chart.title
    return Markup(
        f'<svg class="chart" viewBox="0 0 {WIDTH:.0f} {HEIGHT:.0f}" role="group" aria-label="{escape(label)}" '
        f'data-x="{x.low:.6g} {x.high:.6g} {int(x.log)} {escape(x.unit)} {x.digits}" '
        f'data-y="{y.low:.6g} {y.high:.6g} {int(y.log)} {escape(y.unit or "-")} {y.digits}" '
        f'data-box="{frame.left:.0f} {frame.right:.0f} {frame.top:.0f} {frame.bottom:.0f}">{"".join(parts)}</svg>'
    )


def sample_svg(pen: int | str, dash: str = "", points: str = "") -> Markup:
    """A short sample of a pen for a legend."""
    mark = "" if isinstance(pen, str) or points == "none" else _mark(17, 7, pen)
    return Markup(f'<svg class="sample" viewBox="0 0 34 14" width="34" height="14" aria-hidden="true">'
                  f'<path class="{_classes(pen, dash)}" d="M1,7H33"/>{mark}</svg>')


def _axes(frame: Frame, chart: Chart) -> list[str]:
    parts = []
    for value, text in chart.y.ticks:
        y = float(frame.up(value))
        if chart.areas:
            parts.append(f'<text class="tick end" x="{frame.left - 4:.0f}" y="{y + 3.6:.1f}">{escape(text)}</text>')
            continue
        strong = " zero" if any(abs(value - at) < 1e-9 for at in chart.level_at) else ""
        parts.append(f'<path class="grid{strong}" d="M{frame.left:.0f},{y:.1f}H{frame.right:.0f}"/>')
        parts.append(f'<text class="tick end" x="{frame.left - 4:.0f}" y="{y + 3.6:.1f}">{escape(text)}</text>')
    parts.append(f'<path class="axis" d="M{frame.left:.0f},{frame.bottom:.1f}H{frame.right:.0f}"/>')
    for value, text in _apart(frame, chart.x.ticks):
        x = float(frame.across(value))
        parts.append(f'<path class="axis" d="M{x:.1f},{frame.bottom:.1f}v3"/>')
        parts.append(f'<text class="tick mid" x="{min(x, frame.width - 3 - 3.1 * len(text)):.1f}" '
                     f'y="{frame.bottom + 14:.1f}">{escape(text)}</text>')
    parts.append(f'<text class="unit" x="2" y="10">{escape(chart.y.short)}</text>')
    parts.append(f'<text class="unit end" x="{frame.right:.0f}" y="{frame.height - 4:.1f}">'
                 f'{escape(chart.x.label)}</text>')
    return parts


def _apart(frame: Frame, ticks: Sequence[tuple[float, str]]) -> list[tuple[float, str]]:
    """Those ticks whose texts stand clear of each other: all, or every second, third…"""
    for step in range(1, max(len(ticks), 2)):
        kept = list(ticks)[::step]
        ends = [(float(frame.across(v)) - 3.4 * len(t), float(frame.across(v)) + 3.4 * len(t)) for v, t in kept]
        if all(b[0] - a[1] >= 3 for a, b in itertools.pairwise(ends)):
            return kept
    return list(ticks)[:1]


def _zones(frame: Frame, chart: Chart) -> list[str]:
    parts = []
    for low, high, text in chart.zones:
        a, b = (float(np.clip(frame.across(v), frame.left, frame.right)) for v in (low, high))
        if b - a < 1:
            continue
        parts.append(f'<rect class="zone" x="{a:.1f}" y="{frame.top:.0f}" width="{b - a:.1f}" '
                     f'height="{frame.bottom - frame.top:.0f}"><title>{escape(text)}</title></rect>')
        edge = b if a <= frame.left + 1 else a
        parts.append(f'<path class="edge" d="M{edge:.1f},{frame.top:.0f}V{frame.bottom:.0f}"/>')
    return parts


def _area(frame: Frame, area: Area) -> str:
    rings = []
    for ring in area.rings:
        x, y = frame.across(ring[:, 0]), frame.up(ring[:, 1])
        points = " ".join(f"{a:.1f},{b:.1f}" for a, b in zip(x, y, strict=True))
        rings.append(f"M{points}{'z' if area.shade >= 0 else ''}")
    kind = f"area a{area.shade}" if area.shade >= 0 else "outline"
    return f'<path class="{kind}" d="{"".join(rings)}"><title>{escape(area.name)}</title></path>' if rings else ""


def _band(frame: Frame, line: Line, index: int) -> str:
    assert line.low is not None and line.high is not None
    x, low, high = frame.across(line.x), frame.up(line.low), frame.up(line.high)
    good = np.isfinite(low) & np.isfinite(high)
    if not good.any():
        return ""
    forth = " ".join(f"{a:.1f},{b:.1f}" for a, b in zip(x[good], high[good], strict=True))
    back = " ".join(f"{a:.1f},{b:.1f}" for a, b in zip(x[good][::-1], low[good][::-1], strict=True))
    return f'<path class="band {_pen_class(line.pen)}" data-of="{index}" d="M{forth} {back}z"/>'


def _curve(frame: Frame, line: Line, index: int, count: int) -> str:
    x, y = frame.across(line.x), frame.up(line.y)
    good = np.isfinite(y) & np.isfinite(x)
    y = np.clip(y, -2000, 2000)
    path, fresh = [], True
    for a, b, here in zip(x, y, good, strict=True):
        if here:
            path.append(f"{'M' if fresh else ''}{a:.2f},{b:.2f}")
        fresh = not here
    steps = " ".join(path)
    marks = ""
    if isinstance(line.pen, int) and line.points != "none":
        marks = "".join(_mark(a, b, line.pen, line.points) for a, b in _marked(frame, line, index, count))
    name = escape(plain_label(line.name, 80))
    stroke = _classes(line.pen, line.dash) if line.joined else "line none"
    tab = 0 if index == 0 else -1
    return (f'<g class="curve" role="slider" tabindex="{tab}" aria-label="{name}" aria-valuemin="0" '
            f'aria-valuemax="{max(int(good.sum()) - 1, 1)}" aria-valuenow="0" aria-valuetext="{name}" '
            f'data-name="{name}">'
            f'<path class="hit" d="{steps}"/><path class="{stroke}" d="{steps}"/>{marks}</g>')


def _marked(frame: Frame, line: Line, index: int, count: int) -> list[tuple[float, float]]:
    """Where marks stand: on every value, or once an octave on a long curve, unlike ones side by side."""
    x, y = frame.across(line.x), frame.up(line.y)
    if line.points:
        at = np.flatnonzero(np.isfinite(y))
        return [(float(x[k]), float(y[k])) for k in at]
    start = _FIRST_MARK_HZ * 2 ** (index / max(count, 1))
    at = np.array([start * 2.0**k for k in range(10)])
    at = at[(at > line.x[0]) & (at < line.x[-1])]
    return [(float(frame.across(f)), float(np.interp(math.log(f), np.log(line.x), y))) for f in at]


def _mark(x: float, y: float, pen: int, points: str = "") -> str:
    filled = points == "filled" or (points != "open" and pen % 2 == 0)
    shape = MARKS[(pen + 2 * (pen // len(MARKS))) % len(MARKS)]
    return (f'<path class="mark {_pen_class(pen)}{"" if filled else " open"}" '
            f'transform="translate({x:.1f},{y:.1f})" d="{shape}"/>')


def _classes(pen: int | str, dash: str) -> str:
    return f"line {_pen_class(pen)}{f' d-{dash}' if dash else _own_dash(pen)}"


def _own_dash(pen: int | str) -> str:
    return "" if isinstance(pen, str) else f" d{(pen + pen // 6) % 6}"


def _pen_class(pen: int | str) -> str:
    return pen if isinstance(pen, str) else f"p{pen % 6}"
