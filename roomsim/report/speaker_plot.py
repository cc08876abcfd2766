"""Figures of one loudspeaker channel: standard curves, power and index, maps of its directivity."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ..loudspeaker.output import MaximumLevels
from ..loudspeaker.overview import ChannelOverview
from .response_plot import DB_PER_DECADE
from .style import (
    HAIRLINE,
    INK,
    PAPER,
    QUIET,
    SHADE,
    drawing,
    frequency_axis,
    heading,
    key,
    level_axis,
    new_figure,
    pen,
    plain_label,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

MAP_STEP_DB = 3.0
MAP_LOW_DB, MAP_HIGH_DB = -31.5, 7.5
"""Range of the maps: shades stand for -30, -27 … 0 … +6 dB, each 1.5 dB to both sides; beyond, the last shade."""

_LABELS_APART = 45
"""Pixels between the middles of two labels, at least."""

FINER = 4
"""Steps of the drawn map for one of the computed one."""

_QUIET_SHADE, _LOUD_SHADE, _ABOVE_SHADE = "#f3efe6", "#123f6d", "#d9731a"


def curves_figure(overview: ChannelOverview) -> Figure:
    """Standard curves above, the two indices of the standard below."""
    curves, f = overview.curves, overview.frequency_hz
    rows = [
        ("On axis", curves.on_axis_db), ("Listening window", curves.listening_window_db),
        ("Early reflections", curves.early_reflections_db), ("Sound power", curves.sound_power_db),
    ]
    if curves.in_room_db is not None:
        rows.append(("In-room estimate", curves.in_room_db))
    low, high = _level_range([level for _, level in rows], f)
    with drawing():
        figure, (above, below) = _two_panels(f, (high - low, 20.0))
        _title(figure, overview, "standard curves", 0.33)
        _frequency(above, overview)
        level_axis(above, low, high, 5)
        for index, (_, level) in enumerate(rows):
            _curve(above, f, level, index)
        above.set_ylabel(_level_name(overview))
        entries = [(name, pen(index)) for index, (name, _) in enumerate(rows)]
        for line in (0, 1):
            key(figure, entries[3 * line : 3 * line + 3], above.get_position().x0,
                1 - (0.70 + 0.26 * line) / figure.get_figheight())
        _frequency(below, overview)
        level_axis(below, -5, 15, 5)
        # The pens of the curves that are taken from the listening window.
        _curve(below, f, curves.early_index_db, 2)
        _curve(below, f, curves.power_index_db, 3)
        heading(below, "Indices", "listening window minus early reflections and minus sound power")
        below.set_ylabel("Index in dB")
        below.set_xlabel("Frequency in Hz")
        _marks(overview, above, below)
    return figure


def power_figure(overview: ChannelOverview) -> Figure:
    """Level on the axis and sound power above; directivity index; beam width below."""
    f = overview.frequency_hz
    axis, power = overview.curves.on_axis_db, overview.mean_db
    low, high = _level_range([axis, power], f)
    top = float(np.clip(np.ceil((overview.index_db[f > 100].max() + 0.5) / 5) * 5, 10, 30))
    bottom = float(np.clip(np.floor((overview.index_db[f > 100].min() - 0.5) / 5) * 5, -10, 0))
    with drawing():
        figure, (above, middle, below) = _two_panels(f, (high - low, top - bottom, 20.0))
        _title(figure, overview, "sound power and directivity", 0.33)
        _frequency(above, overview)
        level_axis(above, low, high, 5)
        _curve(above, f, axis, 0)
        _curve(above, f, power, 3)
        above.set_ylabel(_level_name(overview))
        where = "half sphere" if overview.half_space else "sphere"
        key(figure, [("On axis", pen(0)), (f"Sound power (mean of {where})", pen(3))],
            above.get_position().x0, 1 - 0.74 / figure.get_figheight())
        _frequency(middle, overview)
        level_axis(middle, bottom, top, 5)
        _curve(middle, f, overview.index_db, 0)
        heading(middle, "Directivity index on the axis", "re a point source in free field")
        middle.set_ylabel("Index in dB")
        _frequency(below, overview)
        _curve(below, f, overview.horizontal_width_deg, 1)
        _curve(below, f, overview.vertical_width_deg, 4)
        reach = 180 if overview.half_space else 360
        below.set_ylim(0, reach * 1.02)
        below.set_yticks(np.arange(0, reach + 1, reach // 6))
        below.grid(axis="y", color=HAIRLINE, linewidth=0.8)
        below.set_axisbelow(True)
        below.set_ylabel("Beam width in °")
        below.set_xlabel("Frequency in Hz")
        heading(below, "Beam width to \u22126 dB")
        height = below.get_position().y1 + 0.16 / figure.get_figheight()
        key(figure, [("Horizontal", pen(1)), ("Vertical", pen(4))], 0.44, height)
        _marks(overview, above, middle, below)
    return figure


def map_figure(overview: ChannelOverview) -> Figure:
    """Level re the axis over frequency and angle, horizontal above, vertical below, in steps of 3 dB.

    Darker is louder, in even steps of lightness; more than 1.5 dB louder than on the axis is orange. Lines with
    their level stand at -6, -12 and -18 dB.
    """
    from matplotlib.colors import BoundaryNorm, LinearSegmentedColormap, ListedColormap

    f, angle = overview.frequency_hz, overview.angle_deg
    edges = np.arange(MAP_LOW_DB, MAP_HIGH_DB + 0.1, MAP_STEP_DB)
    centres = (edges[1:] + edges[:-1]) / 2
    blue = LinearSegmentedColormap.from_list("level", [_QUIET_SHADE, "#9db7cd", _LOUD_SHADE])
    warm = ("#f0b27a", _ABOVE_SHADE)
    shades = [blue(1 - c / centres[0]) if c < 1 else warm[int(c > 4)] for c in centres]
    colours, norm = ListedColormap(shades), BoundaryNorm(edges, len(shades))
    with drawing():
        figure = new_figure(9.6, 7.9)
        left, width, height = 0.95 / 9.6, 0.77, 0.355
        _title(figure, overview, "directivity", 0.33)
        panels = []
        for k, (name, level, up) in enumerate((
            ("Horizontal", overview.horizontal_db, "to its left"), ("Vertical", overview.vertical_db, "up"),
        )):
            axes = figure.add_axes((left, 0.085 + (1 - k) * 0.445, width, height))
            _frequency(axes, overview)
            f_fine, angle_fine, fine = _finer(f, angle, np.clip(level, MAP_LOW_DB + 0.01, MAP_HIGH_DB - 0.01))
            image = axes.pcolormesh(f_fine, angle_fine, fine, cmap=colours, norm=norm, shading="nearest",
                                    rasterized=True)
            _lines(axes, f, angle, level, (max(overview.low_hz, f[0]), min(overview.high_hz, f[-1])))
            axes.set_xlim(f[0], f[-1])
            reach = angle[-1]
            axes.set_ylim(-reach, reach)
            axes.set_yticks(np.arange(-reach, reach + 1, reach / 6 if reach > 90 else 30))
            axes.set_ylabel(f"Angle in °, positive {up}")
            heading(axes, name, "level re the axis at each frequency")
            panels.append(axes)
        panels[1].set_xlabel("Frequency in Hz")
        bar = figure.colorbar(image, cax=figure.add_axes((0.895, 0.085, 0.02, 0.8)), ticks=centres)
        bar.ax.set_yticklabels([f"{c:+.0f}".replace("-", "\u2212") if abs(c) > 1 else "0" for c in centres])
        bar.ax.tick_params(length=0)
        bar.minorticks_off()
        bar.set_label("Level re the axis in dB")
        bar.outline.set_edgecolor(QUIET)
        _marks(overview, *panels, cover=True)
    return figure


def maximum_figure(overview: ChannelOverview, maximum: MaximumLevels) -> Figure:
    """Highest level of a steady sine per third octave, and which limit of which driver sets it."""
    limited = np.isfinite(maximum.level_db)
    f, level = maximum.band_hz[limited], maximum.level_db[limited]
    causes = [f"{driver}: {cause}" for driver, cause, known in zip(maximum.driver, maximum.cause, limited, strict=True)
              if known]
    with drawing():
        top = np.ceil((level.max(initial=100.0) + 1) / 5) * 5
        low = np.clip(np.floor((level.min(initial=100.0) - 1) / 5) * 5, top - 50, top - 25)
        figure, (axes,) = _two_panels(overview.frequency_hz, (float(top - low),))
        _title(figure, overview, "highest level of a steady sine on the axis", 0.33)
        _frequency(axes, overview)
        level_axis(axes, low, top, 5)
        axes.plot(f, level, color=QUIET, linewidth=1.2, zorder=2)
        names = list(dict.fromkeys(causes))
        for index, name in enumerate(names):
            here = np.array([cause == name for cause in causes])
            axes.plot(f[here], level[here], zorder=3, **pen(index).points(markersize=6.5))
        key(figure, [(name, pen(index)) for index, name in enumerate(names[:6])], axes.get_position().x0,
            1 - 0.74 / figure.get_figheight(), max(len(names) - 6, 0))
        axes.set_ylabel("Level at 1 m in dB re 20 µPa")
        axes.set_xlabel("Frequency in Hz")
        heading(axes, "What each band reaches", "limited by what the marks say; linear, without compression")
    return figure


def _finer(f: np.ndarray, angle: np.ndarray, level: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """A map with FINER steps for each, straight in log frequency, angle and decibels, so that shades have smooth edges;
    every FINER-th value is one of the map."""
    steps = [np.arange(FINER * (n - 1) + 1) / FINER for n in (angle.size, f.size)]
    rows, columns = (np.arange(n) for n in (angle.size, f.size))
    wide = np.array([np.interp(steps[1], columns, row) for row in level])
    fine = np.array([np.interp(steps[0], rows, column) for column in wide.T]).T
    return np.exp(np.interp(steps[1], columns, np.log(f))), np.interp(steps[0], rows, angle), fine


def _lines(
    axes: Axes, f: np.ndarray, angle: np.ndarray, level: np.ndarray, trusted: tuple[float, float]
) -> None:
    """Lines of equal level, each with its level where there is room in the trusted range."""
    inside = [value for value in (-18.0, -12.0, -6.0) if (level < value).any() and (level > value).any()]
    if not inside:
        return
    widths = [1.3 if value == -6 else 0.7 for value in inside]
    lines = axes.contour(f, angle, np.clip(level, -60, 20), levels=inside, colors=[INK], linewidths=widths,
                         linestyles="solid")
    edge = 0.06 * (angle[-1] - angle[0])
    kept: list[np.ndarray] = []
    for name in axes.clabel(lines, fmt=lambda value: f"\u2212{-value:.0f}", fontsize=8, inline=False):
        x, y = name.get_position()
        place = axes.transData.transform((x, y))
        inside = angle[0] + edge < y < angle[-1] - edge and trusted[0] * 1.1 < x < trusted[1] / 1.1
        if inside and all(np.hypot(*(place - other)) > _LABELS_APART for other in kept):
            name.set(color=INK, bbox={"facecolor": PAPER, "edgecolor": "none", "alpha": 0.9, "pad": 0.8})
            kept.append(place)
        else:
            name.remove()                                # it would be cut, or cover another


def _two_panels(f: np.ndarray, heights_db: tuple[float, ...]) -> tuple[Figure, list[Axes]]:
    """Panels one above the other; a decade is as long as 25 dB in all of them, or 50 dB where that is too high."""
    width_in, left_in, right_in = 9.6, 0.95, 0.3
    bottom_in, between_in, top_in = 0.6, 0.62, 1.25
    scale = (width_in - left_in - right_in) / np.log10(f[-1] / f[0]) / DB_PER_DECADE[heights_db[0] > 35]
    panels_in = [scale * h for h in heights_db]
    height_in = bottom_in + top_in + between_in * (len(panels_in) - 1) + sum(panels_in)
    figure = new_figure(width_in, height_in)
    axes, y = [], height_in - top_in
    for panel in panels_in:
        axes.append(figure.add_axes((left_in / width_in, (y - panel) / height_in,
                                     1 - (left_in + right_in) / width_in, panel / height_in)))
        y -= panel + between_in
    return figure, axes


def _title(figure: Figure, overview: ChannelOverview, what: str, down_in: float) -> None:
    y = 1 - down_in / figure.get_figheight()
    text = figure.text(0.95 / 9.6, y, plain_label(overview.name, 60), fontsize=15, fontweight="bold", va="baseline")
    right = text.get_window_extent(figure.canvas.get_renderer()).x1 / figure.bbox.width   # type: ignore[attr-defined]
    detail = what + (", in a large wall" if overview.half_space else ", in free field")
    figure.text(right + 0.015, y, detail, color=QUIET, va="baseline", fontsize=10)


def _frequency(axes: Axes, overview: ChannelOverview) -> None:
    frequency_axis(axes, overview.frequency_hz[0], overview.frequency_hz[-1])


def _marks(overview: ChannelOverview, *panels: Axes, cover: bool = False) -> None:
    """Where the data are not to be trusted: hatched and said; in a map they are covered as well."""
    first, last = overview.frequency_hz[0], overview.frequency_hz[-1]
    for k, axes in enumerate(panels):
        shade_ends(axes, (first, min(overview.low_hz, last)), (max(overview.high_hz, first), last), cover, k == 0)


def shade_ends(
    axes: Axes, below: tuple[float, float], above: tuple[float, float], cover: bool = False, said: bool = False
) -> None:
    """Hatch what lies below and above the trusted range (empty where it ends before it starts); `cover` hides it."""
    for (start, stop), word, edge, side in ((below, "below", below[1], 0), (above, "above", above[0], 1)):
        if stop <= start * 1.01:
            continue
        axes.axvspan(start, stop, facecolor=PAPER if cover else SHADE, hatch="///", edgecolor="#c9c3b6", linewidth=0,
                     alpha=0.8 if cover else 0.55, zorder=3 if cover else 0.5)
        axes.axvline(edge, color=QUIET, linewidth=0.9, zorder=3.1 if cover else 0.6)
        if said:
            low, high = axes.get_xlim()
            narrow = np.log(stop / start) < 0.13 * np.log(high / low)
            axes.annotate(f"not to be trusted{' ' if narrow else chr(10)}{word} {rounded_hz(edge)}", xy=(side, 0),
                          xycoords="axes fraction", xytext=(4 - 8 * side, 4), textcoords="offset points",
                          ha="right" if side else "left", va="bottom", fontsize=8.5, color=INK, zorder=6,
                          rotation=90 if narrow else 0,
                          bbox={"facecolor": PAPER, "edgecolor": "none", "alpha": 0.85, "pad": 1.5})


def rounded_hz(frequency_hz: float) -> str:
    """A frequency to three digits: 63 Hz, 15800 Hz."""
    digits = 2 - int(np.floor(np.log10(frequency_hz)))
    return f"{round(frequency_hz, digits):.{max(min(digits, 1), 0)}f} Hz".replace(".0 Hz", " Hz")


def _curve(axes: Axes, f: np.ndarray, values: np.ndarray, index: int) -> None:
    style = pen(index)
    axes.plot(f, values, zorder=3 + 0.01 * index, **style.line())
    at = 31.25 * 2.0 ** (np.arange(10) + index / 6)
    at = at[(at > f[0]) & (at < f[-1])]
    axes.plot(at, np.interp(np.log(at), np.log(f), values), zorder=4 + 0.01 * index, **style.points())


def _level_range(levels: list[np.ndarray], f: np.ndarray) -> tuple[float, float]:
    """All curves from 80 Hz to 16 kHz are inside; 25 to 50 dB high."""
    inside = (f > 80) & (f < 16000)
    inside = inside if inside.any() else np.ones(f.size, bool)
    top = np.ceil((max(level[inside].max() for level in levels) + 0.5) / 5) * 5
    low = np.floor((min(level[inside].min() for level in levels) - 0.5) / 5) * 5
    return float(np.clip(low, top - 50, top - 25)), float(top)


def _level_name(overview: ChannelOverview) -> str:
    if overview.calibrated:
        return "Level at 1 m in dB re 20 µPa"
    return "Level in dB re own mean\nfree-field level at 1 m"
