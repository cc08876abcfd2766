"""Decay time of one room by every formula, side by side."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ..room.predictors import Predictors
from .style import HAIRLINE, INK, QUIET, SHADE, drawing, fit, frequency_axis, new_figure, pen, plain_label, spread_out

if TYPE_CHECKING:
    from matplotlib.figure import Figure


def formulas_figure(found: Predictors, title: str) -> Figure:
    """A line per formula, named at its end; the one to believe is thick."""
    with drawing():
        figure = new_figure(9.6, 5.2)
        axes = figure.add_axes((0.08, 0.12, 0.68, 0.72))
        f = found.frequency_hz
        frequency_axis(axes, f[0] / 1.3, f[-1] * 1.3)
        top = 1.1 * max(float(np.percentile(times, 100)) for times in found.decay_s.values())
        axes.set_ylim(0, top)
        axes.grid(axis="y", color=HAIRLINE, linewidth=0.8)
        axes.set_axisbelow(True)
        if found.transition_hz > axes.get_xlim()[0]:
            axes.axvspan(axes.get_xlim()[0], found.transition_hz, color=SHADE, zorder=0, linewidth=0)
            axes.text(axes.get_xlim()[0] * 1.04, top * 0.03, f"below {found.transition_hz:.0f} Hz single modes decide",
                      fontsize=8.5, color=QUIET)
        ends = spread_out([times[-1] for times in found.decay_s.values()], top * 0.055)
        for k, ((name, times), y) in enumerate(zip(found.decay_s.items(), ends, strict=True)):
            believed = name == found.believed
            style = pen(k)
            axes.plot(f, times, **style.line(linewidth=3.2 if believed else 1.4))
            axes.plot(f, times, **style.points(markersize=5))
            text = axes.annotate(f"{name}{' (believe)' if believed else ''}", (f[-1] * 1.3, y), xytext=(8, 0),
                                 textcoords="offset points", va="center", fontsize=9.5, annotation_clip=False,
                                 color=style.colour, fontweight="bold" if believed else "normal")
            fit(figure, text, 0.99)
        axes.set_xlabel("Octave band, midband in Hz")
        axes.set_ylabel("Decay time in s")
        heading = figure.text(0.08, 0.93, f"{plain_label(title, 60)}: decay time by formula", fontsize=15,
                              fontweight="bold", va="center", color=INK)
        fit(figure, heading, 0.98)
    return figure
