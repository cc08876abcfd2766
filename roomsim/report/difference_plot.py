"""Difference curves of two designs: one panel per room and one for all of them together, intervals as bands."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ..analysis.comparing import MATCH_HZ, Curves
from .style import COLOURS, HAIRLINE, INK, QUIET, drawing, frequency_axis, new_figure, plain_label

if TYPE_CHECKING:
    from matplotlib.figure import Figure

MOST_ROOMS = 3


def difference_figure(found: Curves) -> Figure:
    """First less second, level-matched; up to MOST_ROOMS rooms and the mean of all cases."""
    over = [d for d in found.curves["difference_db"].dims if d not in ("room", "band")]
    rooms = list(found.curves["room"].values)[:MOST_ROOMS]
    count = found.curves.sizes["room"]
    panels = [(f"all {count} rooms" if count > 1 else str(rooms[0]), found.mean)]
    if count > 1:
        panels += [(str(room), found.curves.sel(room=room).mean(over)) for room in rooms]
    band = found.curves["band"].values
    extent = max(float(np.nanmax(np.abs(p[name].values))) for _, p in panels for name in ("low_db", "high_db"))
    top = max(np.ceil(extent * 1.1), 1.0)
    with drawing():
        width = 3.4 * len(panels) + 1.0
        figure = new_figure(width, 4.6)
        for k, (title, data) in enumerate(panels):
            axes = figure.add_axes(((0.75 + 3.4 * k) / width, 0.14, 3.0 / width, 0.60))
            frequency_axis(axes, band[0], band[-1])
            axes.set_ylim(-top, top)
            axes.set_yticks(np.arange(-top, top + 0.1, 1 if top <= 4 else 2 if top <= 8 else 5))
            axes.grid(axis="y", color=HAIRLINE, linewidth=0.8)
            axes.axhline(0, color=INK, linewidth=1.0)
            axes.fill_between(band, data["low_db"], data["high_db"], color=COLOURS[0], alpha=0.25, linewidth=0)
            axes.plot(band, data["difference_db"], color=COLOURS[0], linewidth=1.9)
            axes.set_title(plain_label(title), loc="left", fontsize=11)
            axes.set_xlabel("Frequency in Hz")
            if k == 0:
                axes.set_ylabel("Difference in dB")
        left = 0.75 / width
        figure.text(left, 0.93, f"{plain_label(found.first)} less {plain_label(found.second)}", fontsize=15,
                    fontweight="bold", va="center")
        about = (f"seat-averaged third octaves, levels matched from {MATCH_HZ[0]:.0f} to {MATCH_HZ[1]:.0f} Hz; band: "
                 f"{found.confidence:.0%} interval of each third octave").replace("%", " %")
        figure.text(left, 0.855, about, fontsize=9.5, color=QUIET, va="center")
    return figure
