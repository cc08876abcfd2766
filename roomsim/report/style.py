"""The look shared by all figures: paper, ink, and how designs and rooms are told apart.

Every design has a colour, a dash pattern and a marker of its own, so that figures read the same in grey
print and to the colour-blind. Labels are shown as written: no mathtext, no control characters.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from ..bands import OCTAVE, nominal
from ..files.output import writing

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from matplotlib.text import Text

PAPER = "#fdfcf9"
INK = "#20262e"
QUIET = "#6b7280"
HAIRLINE = "#d9d6cf"
SHADE = "#e9e5dc"

COLOURS = ("#123f6d", "#d9731a", "#2f8f79", "#6a1730", "#a87bd0", "#735d26")
"""Line colours in order of use; a test holds them apart for colour-blind eyes and in lightness."""
DASHES: tuple[Any, ...] = ("solid", (0, (5, 1.6)), (0, (7, 1.6, 1.4, 1.6)), (0, (1.4, 1.3)),
                           (0, (9, 2)), (0, (4, 1.3, 1.3, 1.3, 1.3, 1.3)))
MARKERS = ("o", "s", "^", "D", "v", "P")

_RC = {
    "font.family": "sans-serif", "font.sans-serif": ["DejaVu Sans"], "font.size": 9.5,
    "text.color": INK, "axes.labelcolor": INK, "axes.edgecolor": QUIET, "axes.linewidth": 0.8,
    "xtick.color": INK, "ytick.color": INK, "xtick.labelsize": 9, "ytick.labelsize": 9,
    "xtick.major.size": 3.5, "ytick.major.size": 0, "xtick.minor.size": 0, "ytick.major.pad": 5,
    "axes.spines.top": False, "axes.spines.right": False, "axes.spines.left": False,
    "figure.facecolor": PAPER, "axes.facecolor": PAPER, "savefig.facecolor": PAPER,
    "text.parse_math": False, "axes.formatter.use_mathtext": False, "text.usetex": False,
    "axes.unicode_minus": True, "hatch.color": "#c9c3b6", "hatch.linewidth": 0.7,
    "lines.solid_capstyle": "round", "path.simplify": True, "svg.hashsalt": "roomsim",
    "svg.fonttype": "none", "pdf.fonttype": 42,
}
DPI = 150
_UNDATED: dict[str, dict[str, Any]] = {
    ".png": {"Software": None}, ".svg": {"Date": None}, ".pdf": {"CreationDate": None},
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Pen:
    """How one design (or room) is drawn everywhere."""

    colour: str
    dash: Any
    marker: str
    filled: bool

    def line(self, **more: Any) -> dict[str, Any]:
        """Keywords for a curve."""
        return {"color": self.colour, "linestyle": self.dash, "linewidth": 1.9, **more}

    def points(self, **more: Any) -> dict[str, Any]:
        """Keywords for markers on a curve."""
        face = self.colour if self.filled else PAPER
        return {"color": self.colour, "marker": self.marker, "linestyle": "none", "markersize": 5.2,
                "markerfacecolor": face, "markeredgewidth": 1.3, **more}


def pen(index: int) -> Pen:
    """The pen of the design with this index; they repeat with other dashes after six."""
    size = len(COLOURS)
    turn = index // size
    return Pen(
        colour=COLOURS[index % size],
        dash=DASHES[(index + turn) % size],
        marker=MARKERS[(index + 2 * turn) % size],
        filled=index % 2 == 0,
    )


def room_pen(index: int) -> Pen:
    """The pen of a room where rooms are drawn together: ink and greys, so that none looks like a design."""
    greys = (INK, "#8b9099", "#565d68")
    return Pen(
        colour=greys[index % 3], dash=DASHES[(index + index // 6) % 6], marker=MARKERS[index % 6],
        filled=index % 2 == 0,
    )


def spread_out(wanted: Sequence[float], distance: float) -> list[float]:
    """Heights near `wanted`, at least `distance` apart, in the same order: for labels at line ends."""
    order = np.argsort(wanted, kind="stable")
    out = np.asarray(wanted, float).copy()
    for _ in range(200):
        gap = np.diff(out[order])
        close = np.flatnonzero(gap < distance - 1e-9)
        if not close.size:
            break
        for k in close:
            push = (distance - (out[order[k + 1]] - out[order[k]])) / 2
            out[order[k]] -= push
            out[order[k + 1]] += push
    return [float(y) for y in out]


def plain_label(label: object, limit: int = 40) -> str:
    """A label on one line, without control characters, cut at `limit` characters."""
    text = "".join(c if c.isprintable() else " " for c in str(label))
    text = " ".join(text.split()) or "(no name)"
    return text if len(text) <= limit else text[: limit - 1] + "…"


@contextmanager
def drawing() -> Iterator[None]:
    """Everything drawn inside has the project's look, whatever the user's own settings are."""
    import warnings

    import matplotlib

    with matplotlib.rc_context(), warnings.catch_warnings():
        matplotlib.rcdefaults()
        matplotlib.rcParams.update(_RC)
        warnings.filterwarnings("ignore", message="Glyph .* missing from")
        yield


def new_figure(width_in: float, height_in: float) -> Figure:
    """An empty figure that needs no window system."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(width_in, height_in))
    FigureCanvasAgg(figure)
    return figure


def save(figure: Figure, path: str | Path) -> None:
    """Save as PNG, SVG or PDF, by the suffix, without a date in it; text stays text.

    Raises
    ------
    OutputError : the file cannot be written
    """
    with drawing(), writing(path):
        figure.savefig(path, dpi=DPI, metadata=_UNDATED.get(Path(path).suffix.lower()))


def frequency_axis(axes: Axes, low_hz: float, high_hz: float) -> None:
    """Logarithmic frequency axis with a tick at every octave midband."""
    from matplotlib.ticker import FixedLocator, NullFormatter, NullLocator

    octaves = 1000 * OCTAVE ** np.arange(-6.0, 5)
    ticks = octaves[(octaves >= low_hz * 0.999) & (octaves <= high_hz * 1.001)]
    axes.set_xscale("log")
    axes.set_xlim(low_hz, high_hz)
    axes.xaxis.set_major_locator(FixedLocator(list(ticks)))
    axes.xaxis.set_minor_locator(NullLocator())
    axes.xaxis.set_minor_formatter(NullFormatter())
    axes.set_xticklabels([nominal(t) for t in ticks])


def level_axis(axes: Axes, low_db: float, high_db: float, step_db: float = 5) -> None:
    """Level axis with a hairline at every step."""
    axes.set_ylim(low_db, high_db)
    axes.set_yticks(np.arange(np.ceil(low_db / step_db) * step_db, high_db + 1e-9, step_db))
    axes.grid(axis="y", color=HAIRLINE, linewidth=0.8)
    axes.set_axisbelow(True)


def heading(axes: Axes, text: str, detail: str = "", limit: int = 46) -> None:
    """Heading above a panel: bold name, quiet detail behind it."""
    axes.annotate(
        plain_label(text, limit), xy=(0, 1), xytext=(0, 7), xycoords="axes fraction",
        textcoords="offset points", fontweight="bold", fontsize=10.5, ha="left", va="bottom",
    )
    if detail:
        axes.annotate(
            detail, xy=(1, 1), xytext=(0, 7), xycoords="axes fraction", textcoords="offset points",
            color=QUIET, fontsize=9, ha="right", va="bottom",
        )


def fit(figure: Figure, text: Text, right: float) -> float:
    """Cut a text until it ends left of the figure fraction `right`; returns where it ends."""
    renderer = figure.canvas.get_renderer()   # type: ignore[attr-defined]
    limit, whole = right * figure.bbox.width, text.get_text()

    def end(length: int) -> float:
        text.set_text(whole if length == len(whole) else whole[:length].rstrip() + "…")
        return float(text.get_window_extent(renderer).x1)

    low, high = 1, len(whole)      # the longest that fits, at least one letter
    if end(high) > limit:
        while high - low > 1:
            middle = (low + high) // 2
            low, high = (middle, high) if end(middle) <= limit else (low, middle)
        high = low
    return end(high) / figure.bbox.width


def key(figure: Figure, entries: Sequence[tuple[str, Pen]], x: float, y: float, more: int = 0) -> None:
    """Line samples with their names in one row from figure fraction (x, y); `more` designs are not drawn."""
    from matplotlib.lines import Line2D

    width = figure.get_figwidth()
    sample, gap, after = 0.42 / width, 0.09 / width, 0.3 / width
    texts = [figure.text(0, y, plain_label(name, 32), va="center", fontsize=10) for name, _ in entries]
    if more:
        texts.append(figure.text(0, y, f"+ {more} not drawn", va="center", fontsize=9, color=QUIET))
    renderer = figure.canvas.get_renderer()   # type: ignore[attr-defined]
    wanted = [text.get_window_extent(renderer).width / figure.bbox.width for text in texts]
    named = len(entries)
    free = 1 - x - named * (sample + gap) - len(texts) * after - sum(wanted[named:])
    rooms = [*_shared(wanted[:named], free), *wanted[named:]]
    for text, room, entry in zip(texts, rooms, [*entries, None][: len(texts)], strict=True):
        if entry is not None:
            style = entry[1]
            figure.add_artist(Line2D([x, x + sample], [y, y], transform=figure.transFigure, **style.line()))
            figure.add_artist(Line2D([x + sample / 2], [y], transform=figure.transFigure, **style.points()))
            x += sample + gap
        text.set_x(x)
        x = fit(figure, text, x + room * 1.001) + after


def _shared(wanted: Sequence[float], free: float) -> list[float]:
    """What each may have of `free`: short ones all they want, the long ones the same rest."""
    out, left = list(wanted), free
    for rank, k in enumerate(np.argsort(wanted, kind="stable")):
        out[k] = min(wanted[k], left / (len(wanted) - rank))
        left -= out[k]
    return out


def shade_untrusted(axes: Axes, up_to_hz: float, text: str = "") -> None:
    """Hatch the range below `up_to_hz`, where the prediction is not yet to be trusted."""
    low, high = axes.get_xlim()
    if not np.isfinite(up_to_hz) or up_to_hz <= low * 1.01:
        return
    edge = min(up_to_hz, high)
    axes.axvspan(low, edge, facecolor=SHADE, hatch="///", edgecolor="#c9c3b6", linewidth=0, alpha=0.55, zorder=0.5)
    axes.axvline(edge, color=QUIET, linewidth=0.9, zorder=0.6)
    if text:
        axes.annotate(
            text, xy=(0, 1), xycoords="axes fraction", xytext=(4, -4), textcoords="offset points",
            ha="left", va="top", fontsize=8.5, color=INK, zorder=6,
            bbox={"facecolor": PAPER, "edgecolor": "none", "alpha": 0.85, "pad": 1.5},
        )
