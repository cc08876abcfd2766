"""Drawings to scale as data: shapes in metres, drawn as SVG in the page and with matplotlib for papers."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from markupsafe import Markup, escape
from numpy.typing import ArrayLike, NDArray

from .style import COLOURS, HAIRLINE, INK, PAPER, QUIET, drawing, new_figure

if TYPE_CHECKING:
    from matplotlib.figure import Figure

TEXT_EM = 0.56
"""Mean width of a character re the size of its type, for keeping texts apart."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Shape:
    """One shape.

    Attributes
    ----------
    kind : class of the look: see LOOKS
    points : on the page, x to the right and y down, metres, shape (n, 2)
    closed : a polygon; else a line
    text : written at the only point
    anchor : "mid", "start" or "end"
    name : for assistive techniques and pointers; a path with a name can be focused
    key : number of the reflection it belongs to, 0 for none
    """

    kind: str
    points: NDArray[np.float64]
    closed: bool = False
    text: str = ""
    anchor: str = "mid"
    name: str = ""
    key: int = 0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sketch:
    """A drawing: metres per unit are the same across and up.

    Attributes
    ----------
    key, title, words : short name, heading, what is to be seen
    size_m : width and height
    shapes : the last on top
    unit : page units per metre
    """

    key: str
    title: str
    words: str
    size_m: tuple[float, float]
    shapes: tuple[Shape, ...]
    unit: float


LOOKS: dict[str, dict[str, Any]] = {
    "wall": {"edgecolor": INK, "linewidth": 2.0}, "hard": {"facecolor": "#cfd3d8", "edgecolor": QUIET},
    "panel": {"facecolor": "#e6d3ad", "edgecolor": QUIET}, "porous": {"facecolor": "#bfd8c6", "edgecolor": QUIET},
    "curtain": {"facecolor": "#d6c6e6", "edgecolor": QUIET}, "opening": {"facecolor": PAPER, "edgecolor": QUIET},
    "above": {"edgecolor": QUIET, "linestyle": (0, (4, 2))}, "furniture": {"facecolor": PAPER, "edgecolor": INK},
    "speaker": {"facecolor": COLOURS[0], "edgecolor": COLOURS[0]}, "plate": {"edgecolor": COLOURS[0], "linewidth": 1.6},
    "seat": {"facecolor": COLOURS[1]}, "other-seat": {"facecolor": PAPER, "edgecolor": COLOURS[1]},
    "path": {"edgecolor": COLOURS[2], "linewidth": 1.1},
    "direct": {"edgecolor": INK, "linewidth": 1.3, "linestyle": (0, (5, 3))},
    "measure": {"edgecolor": QUIET, "linewidth": 0.8}, "bar": {"edgecolor": INK, "linewidth": 3},
}
"""How the kinds look on paper; the page has the same in CSS."""

SIZES = {"number": 9.0, "label": 10.0, "caption": 11.0}
"""Size of type on the page by kind of text."""


def shape(kind: str, points: ArrayLike, **more: Any) -> Shape:
    """A shape of points (n, 2)."""
    return Shape(kind=kind, points=np.atleast_2d(np.asarray(points, float)), **more)


def sketch_svg(sketch: Sketch) -> Markup:
    """The drawing at its scale."""
    u = sketch.unit
    width, height = sketch.size_m[0] * u, sketch.size_m[1] * u
    body = "".join(_svg(one, u) for one in sketch.shapes)
    return Markup(f'<svg class="sketch" viewBox="0 0 {width:.0f} {height:.0f}" role="group" '
                  f'aria-label="{escape(sketch.words)}">{body}</svg>')


def _svg(one: Shape, unit: float) -> str:
    at = one.points * unit
    if one.text:
        x, y = at[0]
        disc = f'<circle class="disc" cx="{x:.1f}" cy="{y:.1f}" r="7.5"/>' if one.kind == "number" else ""
        key = f' data-path="{one.key}"' if one.key else ""
        return (f'<g{key}>{disc}<text class="{one.kind} {one.anchor}" x="{x:.1f}" y="{y + 3.4:.1f}">'
                f'{escape(one.text)}</text></g>')
    if one.kind in ("seat", "other-seat"):
        r = 3.6 if one.kind == "seat" else 2.2
        return "".join(f'<circle class="{one.kind}" cx="{x:.1f}" cy="{y:.1f}" r="{r}"/>' for x, y in at)
    d = "M" + " ".join(f"{x:.1f},{y:.1f}" for x, y in at) + ("z" if one.closed else "")
    if one.key:
        return (f'<g class="ray" data-path="{one.key}" tabindex="0" role="img" aria-label="{escape(one.name)}">'
                f'<title>{escape(one.name)}</title><path class="hit" d="{d}"/><path class="{one.kind}" d="{d}"/></g>')
    title = f"<title>{escape(one.name)}</title>" if one.name else ""
    return f'<path class="{one.kind}" d="{d}">{title}</path>'


def sketch_figure(sketch: Sketch) -> Figure:
    """The same on paper."""
    from matplotlib.patches import Polygon

    width_in = sketch.size_m[0] * sketch.unit / 72
    height_in = sketch.size_m[1] * sketch.unit / 72
    with drawing():
        figure = new_figure(width_in, height_in + 0.35)
        axes = figure.add_axes((0, 0, 1, height_in / (height_in + 0.35)))
        axes.set_axis_off()
        axes.set_xlim(0, sketch.size_m[0])
        axes.set_ylim(sketch.size_m[1], 0)
        figure.text(0.02, 1 - 0.18 / (height_in + 0.35), sketch.title, fontweight="bold", va="center")
        for k, one in enumerate(sketch.shapes):
            order = 2 + 0.01 * k
            if one.text:
                box = {"boxstyle": "circle,pad=0.2", "facecolor": PAPER, "edgecolor": COLOURS[2], "linewidth": 0.7}
                axes.text(*one.points[0], one.text, ha={"mid": "center", "start": "left", "end": "right"}[one.anchor],
                          va="center", fontsize=SIZES[one.kind] * 0.75, zorder=order,
                          bbox=box if one.kind == "number" else None, color=QUIET if one.kind == "label" else INK)
            elif one.kind in ("seat", "other-seat"):
                look = LOOKS[one.kind]
                axes.plot(*one.points.T, "o", markersize=4.5 if one.kind == "seat" else 3, zorder=order,
                          markerfacecolor=look["facecolor"], markeredgecolor=look.get("edgecolor", look["facecolor"]))
            else:
                style = {"facecolor": "none", "linewidth": 0.9, **LOOKS.get(one.kind, {"edgecolor": HAIRLINE})}
                axes.add_patch(Polygon(one.points, closed=one.closed, fill=style["facecolor"] != "none", zorder=order,
                                       **style))
    return figure


class Kept:
    """Boxes of texts on the page, so that the next ones keep clear of them."""

    def __init__(self, unit: float, size_m: tuple[float, float]) -> None:
        self.unit, self.size = unit, np.asarray(size_m) * unit
        self.boxes: list[tuple[float, float, float, float]] = []

    def free(self, at_m: ArrayLike, text: str, kind: str, anchor: str = "mid") -> bool:
        """Whether a text may stand there."""
        x0, y0, x1, y1 = self._box(at_m, text, kind, anchor)
        inside = x0 >= 0 and y0 >= 0 and x1 <= self.size[0] and y1 <= self.size[1]
        return inside and all(x1 <= a or x0 >= c or y1 <= b or y0 >= d for a, b, c, d in self.boxes)

    def take(self, at_m: ArrayLike, text: str, kind: str, anchor: str = "mid") -> None:
        """A text stands there."""
        self.boxes.append(self._box(at_m, text, kind, anchor))

    def first_free(self, places: Sequence[ArrayLike], text: str, kind: str) -> ArrayLike | None:
        """The first of the places where a text may stand, which it then takes."""
        for place in places:
            if self.free(place, text, kind):
                self.take(place, text, kind)
                return place
        return None

    def _box(self, at_m: ArrayLike, text: str, kind: str, anchor: str) -> tuple[float, float, float, float]:
        x, y = np.asarray(at_m, float) * self.unit
        size = SIZES[kind]
        width = max(len(text) * size * TEXT_EM * 1.12, 15.0 if kind == "number" else 0.0)
        half = 8.0 if kind == "number" else size * 0.72
        left = {"mid": width / 2, "start": 0.0, "end": width}[anchor]
        return float(x - left), float(y - half), float(x - left + width), float(y + half)
