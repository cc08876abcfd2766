"""The modes of a room: how loud each is at the seats, how long it rings, how seats and channels couple to it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from .cases import room_detail, variant_name
from .modes import SHAPING, RoomModes, room_modes
from .style import (
    HAIRLINE,
    INK,
    PAPER,
    QUIET,
    drawing,
    fit,
    heading,
    level_axis,
    new_figure,
    pen,
    plain_label,
    spread_out,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from xarray import Dataset

LOWEST_DB = -40.0
"""Weaker modes are not drawn in the panel of levels."""

COUPLING_DB = (-20.0, 9.0)
"""Range of the bars of coupling; +9 is an oblique mode in a rigid corner."""

MOST_DESIGNS = 3
"""Designs whose channels get a row."""

MOST_ROWS = 9

SHAPES = {"axial": "o", "tangential": "s", "oblique": "^", "uniform": "D", "level": "o", "mixed": "^", "upright": "s"}
"""Marker of each type of mode."""

SHADES = {"axial": INK, "tangential": "#6c7480", "oblique": "#b3b7bd", "uniform": INK,
          "level": INK, "mixed": "#b3b7bd", "upright": "#6c7480"}


def mode_figure(result: Dataset, room: Any, variant: dict[str, Any]) -> Figure | None:
    """Modes of a room in one variant; None where the result knows none."""
    modes = room_modes(result, room, variant)
    if modes is None:
        return None
    rows = _coupling_rows(result, modes)
    width_in, left_in, right_in = 9.6, 1.75, 0.3
    heights = (2.7, 1.6, 0.27 * len(rows))
    bottom_in, between_in, top_in = 0.6, 0.5, 1.3
    height_in = bottom_in + 2 * between_in + top_in + sum(heights)
    left, width = left_in / width_in, 1 - (left_in + right_in) / width_in
    with drawing():
        figure = new_figure(width_in, height_in)
        panels = []
        for k in range(3):
            base = bottom_in + sum(heights[k + 1 :]) + between_in * (2 - k)
            panels.append(figure.add_axes((left, base / height_in, width, heights[k] / height_in)))
        top_hz = float(np.ceil(modes.frequency_hz.max() / 20) * 20)
        bottom_hz = float(np.floor((modes.frequency_hz.min() - 3) / 10) * 10)
        for axes in panels:
            axes.set_xlim(bottom_hz, top_hz + 2)
            axes.set_xticks(np.arange(np.ceil(bottom_hz / 20) * 20, top_hz + 1, 20))
            axes.tick_params(labelbottom=axes is panels[-1])
        _levels(panels[0], modes)
        _decays(panels[1], modes)
        _couplings(panels[2], modes, rows)
        several = " (bar: range over the designs)" if result.sizes["design"] > 1 else ""
        heading(panels[0], "Level at the seats", f"of each mode alone, re the strongest{several}")
        heading(panels[1], "Decay time")
        heading(panels[2], "Coupling", "re the mean over the room: full height +9 dB, no bar −20 dB or less")
        panels[2].set_xlabel("Frequency in Hz")
        name = variant_name(result, variant)
        title = figure.text(0.3 / width_in, 1 - 0.4 / height_in, f"Modes: {plain_label(room, 60)}", fontsize=15,
                            fontweight="bold", va="baseline")
        end = fit(figure, title, 0.55)
        rest = figure.text(end + 0.015, 1 - 0.4 / height_in,
                           "   ".join(t for t in (room_detail(result, room), name) if t), color=QUIET, fontsize=10)
        fit(figure, rest, 0.975)
        _key(figure, modes, 0.3 / width_in, 1 - 0.78 / height_in)
    return figure


def _coupling_rows(result: Dataset, modes: RoomModes) -> list[tuple[str, np.ndarray, str]]:
    """Name, coupling of each mode [dB] and colour of every row: the seats, then the channels of the designs."""
    designs = list(result["design"].values)
    shown = list(dict.fromkeys(design for design, _, _ in modes.channels))[:MOST_DESIGNS]
    rows = [("seats", modes.seats_db, INK)]
    for design, channel, coupling in modes.channels:
        if design in shown:
            name = f"{design}: {channel}" if len(designs) > 1 else channel
            rows.append((name, coupling, pen(designs.index(design)).colour))
    return rows[:MOST_ROWS]


def _draw(axes: Axes, modes: RoomModes, y: np.ndarray) -> None:
    """Markers by type; those of the strongest modes are larger and filled."""
    main = np.isin(np.arange(y.size), modes.strongest)
    kinds = np.array(modes.kind)
    for kind in (kind for kind in SHAPES if kind in modes.kind):
        for chosen, size, face in ((~main, 5.2, PAPER), (main, 8.5, SHADES[kind])):
            shown = (kinds == kind) & chosen & np.isfinite(y)
            axes.plot(modes.frequency_hz[shown], y[shown], SHAPES[kind], color=SHADES[kind], zorder=5 + (size > 6),
                      markersize=size, markerfacecolor=face, markeredgewidth=1.2)


def _levels(axes: Axes, modes: RoomModes) -> None:
    level_axis(axes, LOWEST_DB, 8, 10)
    axes.set_yticks([-40, -30, -20, -10, 0])
    axes.set_ylabel("Level in dB")
    shown = np.where(modes.level_db >= LOWEST_DB, modes.level_db, np.nan)
    axes.vlines(modes.frequency_hz, LOWEST_DB, shown, color=HAIRLINE, linewidth=1, zorder=2)
    axes.vlines(modes.frequency_hz, np.maximum(modes.low_db, LOWEST_DB), modes.high_db, color=QUIET, linewidth=2.4,
                zorder=3)
    _draw(axes, modes, shown)
    order = sorted(modes.strongest, key=lambda n: modes.frequency_hz[n])
    span = np.ptp(axes.get_xlim())
    places = spread_out([float(modes.frequency_hz[n]) for n in order], 0.095 * span)
    low, high = axes.get_xlim()
    shift = max(places[-1] + 0.045 * span - high, 0) - max(low + 0.045 * span - places[0], 0)
    for n, x in zip(order, places, strict=True):
        axes.plot([x - shift, modes.frequency_hz[n]], [3.4, modes.high_db[n]], color=QUIET, linewidth=0.8, zorder=4)
        axes.annotate(
            f"{modes.frequency_hz[n]:.0f} Hz\n{' '.join(map(str, modes.indices[n]))}",
            (modes.frequency_hz[n], modes.high_db[n]), xytext=(x - shift, 8.6), textcoords="data", ha="center",
            va="top", fontsize=8, color=INK, zorder=7,
            bbox={"facecolor": PAPER, "edgecolor": "none", "alpha": 0.85, "pad": 0.6},
        )


def _decays(axes: Axes, modes: RoomModes) -> None:
    """On a logarithmic axis: one mode between hard walls may ring ten times as long as the rest."""
    from matplotlib.ticker import FixedLocator, NullLocator

    known = modes.decay_s[np.isfinite(modes.decay_s)]
    low, high = (float(known.min()) / 1.3, float(known.max()) * 1.3) if known.size else (0.1, 1.0)
    axes.set_yscale("log")
    axes.set_ylim(low, high)
    ticks = [n * 10.0**k for k in range(-3, 4) for n in (1, 1.5, 2, 3, 5, 7) if low <= n * 10.0**k <= high]
    axes.yaxis.set_major_locator(FixedLocator(ticks))
    axes.yaxis.set_minor_locator(NullLocator())
    axes.set_yticklabels([f"{tick:g}" for tick in ticks])
    axes.grid(axis="y", color=HAIRLINE, linewidth=0.8)
    axes.set_axisbelow(True)
    axes.set_ylabel("Decay in s")
    _draw(axes, modes, modes.decay_s)


def _couplings(axes: Axes, modes: RoomModes, rows: Sequence[tuple[str, np.ndarray, str]]) -> None:
    low, high = COUPLING_DB
    axes.set_ylim(len(rows) - 0.02, -0.02)
    for k, (_, coupling, colour) in enumerate(rows):
        tall = 0.84 * (np.clip(coupling, low, high) - low) / (high - low)
        axes.vlines(modes.frequency_hz, k + 0.92 - tall, k + 0.92, color=colour, linewidth=2.2, zorder=3)
        axes.axhline(k + 0.92, color=HAIRLINE, linewidth=0.8, zorder=1)
    axes.set_yticks([k + 0.55 for k in range(len(rows))])
    axes.set_yticklabels([plain_label(name, 22) for name, _, _ in rows])
    axes.spines["bottom"].set_visible(False)


def _key(figure: Figure, modes: RoomModes, x: float, y: float) -> None:
    """The types that occur, with their markers, in one row."""
    from matplotlib.lines import Line2D

    width = figure.get_figwidth()
    for kind in (kind for kind in SHAPES if kind in modes.kind):
        figure.add_artist(Line2D([x + 0.07 / width], [y], transform=figure.transFigure, color=SHADES[kind],
                                 marker=SHAPES[kind], linestyle="none", markersize=6.5, markerfacecolor=PAPER,
                                 markeredgewidth=1.2))
        text = figure.text(x + 0.2 / width, y, kind, va="center", fontsize=10)
        x = fit(figure, text, 1.0) + 0.3 / width
    what = (f"filled: the {SHAPING} that are strongest at the seats; indices are half waves along length, width, height"
            if len(modes.indices[0]) == 3 else
            f"filled: the {SHAPING} strongest at the seats; level: alike at all heights; upright: up and down")
    figure.text(x, y, what, va="center", fontsize=9, color=QUIET)
