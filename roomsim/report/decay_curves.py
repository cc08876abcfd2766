"""Plots of a decay analysis: decay curves with the fitted lines, energy over time, parameters per band."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from ..analysis.decay import FIT_RANGES_DB, MEANING, DecayAnalysis, DecayCurve, Flag
from ..analysis.impulse_response import SpatialMean
from ..bands import nominal
from .style import (
    COLOURS,
    DASHES,
    HAIRLINE,
    INK,
    PAPER,
    QUIET,
    drawing,
    fit,
    frequency_axis,
    heading,
    level_axis,
    new_figure,
    pen,
    plain_label,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from numpy.typing import ArrayLike

TRACE = "#b9b3a6"
FLOOR_DB = -65.0
MOST_PANELS = 24
LINES = {"edt_s": ("EDT", 2, 3), "t20_s": ("T20", 1, 0), "t30_s": ("T30", 0, 1)}
"""Parameter -> name, index of colour, index of dash pattern."""

PANELS = (
    (("edt_s", "t20_s", "t30_s"), "Decay time in s", 1.0),
    (("c50_db", "c80_db"), "Clarity in dB", 1.0),
    (("d50",), "Definition in %", 100.0),
    (("ts_s",), "Centre time in ms", 1000.0),
)
NAMES = {"edt_s": "EDT", "t20_s": "T20", "t30_s": "T30", "c50_db": "C50", "c80_db": "C80", "d50": "D50", "ts_s": "Ts"}


def decay_curves_figure(analysis: DecayAnalysis, label: str = "", response: int = 0) -> Figure:
    """Every band of one response: energy over time, its backward integral, the lines of T20 and T30."""
    bands = min(analysis.band_hz.size, MOST_PANELS)
    columns = min(4, bands)
    rows = -(-bands // columns)
    wide, high = max(3.0 * columns + 0.9, 9.4), (2.25 if columns > 1 else 3.2) * rows + 1.5
    with drawing():
        figure = new_figure(wide, high)
        ends = [_shown_s(analysis.curves[response][b]) for b in range(bands)]
        grid = figure.add_gridspec(
            rows, columns, left=0.75 / wide, right=1 - 0.25 / wide, bottom=0.62 / high, top=1 - 1.15 / high,
            hspace=0.5, wspace=0.12,
        )
        for b in range(bands):
            axes = figure.add_subplot(grid[b // columns, b % columns])
            row_end = max(ends[b // columns * columns : (b // columns + 1) * columns])
            _curve_panel(axes, analysis, response, b, row_end)
            if b % columns:
                axes.set_yticklabels([])
            else:
                axes.set_ylabel("Level in dB")
            if b + columns >= bands:
                axes.set_xlabel("Time after the direct sound in s")
        title = figure.text(0.75 / wide, 1 - 0.32 / high, plain_label(f"Decay, {label}" if label else "Decay", 80),
                            fontsize=15, fontweight="bold", va="center")
        fit(figure, title, 0.98)
        _curve_key(figure, 0.75 / wide, 1 - 0.66 / high)
        if analysis.band_hz.size > bands:
            figure.text(1 - 0.25 / wide, 1 - 0.66 / high, f"{analysis.band_hz.size - bands} more bands not drawn",
                        ha="right", va="center", color=QUIET, fontsize=9)
    return figure


def energy_time_figure(samples: ArrayLike | Sequence[ArrayLike], rate_hz: float, labels: Sequence[str] = ()) -> Figure:
    """Energy over time of up to six whole responses: the first 100 ms of the first one, then all of all.

    Parameters
    ----------
    samples : the responses as they were measured, of any lengths
    rate_hz : sample rate
    labels : names of the responses
    """
    several = samples if np.ndim(samples[0]) else [samples]           # of any lengths
    responses = [np.asarray(one, float) for one in several][: len(COLOURS)]
    with drawing():
        figure = new_figure(9.6, 6.6)
        early = figure.add_axes((0.085, 0.575, 0.89, 0.30))
        whole = figure.add_axes((0.085, 0.09, 0.89, 0.36))
        for k, x in enumerate(responses):
            start = max(int(np.argmax(np.abs(x) >= 0.1 * np.abs(x).max())), 0)
            t = (np.arange(x.size) - start) / rate_hz
            level = 10 * np.log10(np.maximum(x**2 / max((x**2).max(), 1e-300), 1e-12))
            near = (t > -0.004) & (t < 0.1)
            if k == 0:
                early.plot(1e3 * t[near], level[near], color=INK, linewidth=0.7)
            block = max(int(0.002 * rate_hz), 1)
            count = x.size // block
            mean = (x[: count * block] ** 2).reshape(count, block).mean(axis=1)
            middle = ((np.arange(count) + 0.5) * block - start) / rate_hz
            smooth = 10 * np.log10(np.maximum(mean / max(mean.max(), 1e-300), 1e-12))
            name = plain_label(labels[k]) if k < len(labels) else ""
            whole.plot(middle, smooth, color=pen(k).colour, linestyle=pen(k).dash, linewidth=1.3, label=name)
        level_axis(early, -60, 2, 10)
        level_axis(whole, -90, 2, 10)
        early.set_xlim(-4, 100)
        whole.set_xlim(left=-0.01)
        early.set_xlabel("Time after the direct sound in ms", labelpad=1)
        whole.set_xlabel("Time after the direct sound in s")
        for axes in (early, whole):
            axes.set_ylabel("Level in dB")
        first = f"{plain_label(labels[0])}: " if labels and len(responses) > 1 else ""
        heading(early, "First 100 ms", f"{first}every sample, re the largest")
        heading(whole, "All of it", "means over 2 ms, re the largest")
        title = figure.text(0.085, 0.955, "Energy over time", fontsize=15, fontweight="bold", va="center")
        fit(figure, title, 0.6)
        if labels and len(responses) > 1:
            whole.legend(loc="upper right", frameon=False, fontsize=9, ncols=2)
    return figure


def parameters_figure(analysis: DecayAnalysis, mean: SpatialMean, title: str = "Room acoustic parameters") -> Figure:
    """All parameters over the bands: positions as points, their mean as a line, its standard deviation as bars."""
    with drawing():
        figure = new_figure(9.6, 8.6)
        grid = figure.add_gridspec(2, 2, left=0.08, right=0.975, bottom=0.115, top=0.85, hspace=0.33, wspace=0.2)
        for k, (names, label, scale) in enumerate(PANELS):
            axes = figure.add_subplot(grid[k // 2, k % 2])
            _parameter_panel(axes, analysis, mean, names, scale)
            axes.set_ylabel(label)
            if k > 1:
                axes.set_xlabel("Band, midband in Hz")
        text = figure.text(0.08, 0.955, plain_label(title, 80), fontsize=15, fontweight="bold", va="center")
        fit(figure, text, 0.98)
        count = len(analysis.curves)
        figure.text(0.08, 0.913, f"{count} position{'s' if count > 1 else ''}"
                    + ("; lines: mean, bars: standard deviation" if count > 1 else ""), color=QUIET, va="center")
        figure.text(0.08, 0.03, _missing_text(analysis), color=QUIET, fontsize=8.5, va="center", linespacing=1.4)
    return figure


# ----- panels


def _curve_panel(axes: Axes, analysis: DecayAnalysis, response: int, band: int, end_s: float) -> None:
    curve = analysis.curves[response][band]
    name = "Broadband" if np.isnan(analysis.band_hz[band]) else f"{nominal(float(analysis.band_hz[band]))} Hz"
    axes.set_xlim(-0.04 * end_s, end_s)
    level_axis(axes, FLOOR_DB, 3, 10)
    axes.set_yticks(np.arange(-60, 1, 20))
    heading(axes, name)
    if not curve.time_s.size:
        reason = "; ".join(analysis.reasons("t20_s", response, band)) or "no decay"
        axes.text(0.5, 0.5, _folded(reason), transform=axes.transAxes, ha="center", va="center", color=QUIET,
                  fontsize=9)
        return
    axes.plot(curve.energy_s, curve.energy_db, color=TRACE, linewidth=0.6)
    shown = curve.time_s >= 0
    axes.plot(curve.time_s[shown], curve.level_db[shown], color=INK, linewidth=1.7)
    for parameter in ("t30_s", "t20_s"):
        if parameter in curve.fits and np.isfinite(analysis[parameter][response, band]):
            _line(axes, curve, parameter)
    if curve.end_db > FLOOR_DB:
        axes.plot(curve.end_s, curve.end_db, "o", color=INK, markerfacecolor=PAPER, markersize=5, clip_on=True)
    values = [f"{LINES[p][0]} {_seconds(analysis[p][response, band])}" for p in ("t20_s", "t30_s")]
    axes.annotate(
        "   ".join(values), xy=(1, 1), xytext=(0, 7), xycoords="axes fraction", textcoords="offset points",
        ha="right", va="bottom", fontsize=9, color=INK,
    )
    reasons = [*analysis.reasons("t20_s", response, band), *analysis.reasons("t30_s", response, band)]
    if reasons:
        axes.text(0.97, 0.95, _folded(reasons[0]), transform=axes.transAxes, ha="right", va="top", fontsize=8,
                  color=QUIET, bbox={"facecolor": PAPER, "edgecolor": "none", "alpha": 0.85, "pad": 1.5})


def _line(axes: Axes, curve: DecayCurve, parameter: str) -> None:
    """A fitted line: bold over its evaluation range, thin beyond."""
    slope, start = curve.fits[parameter]
    _, colour, dash = LINES[parameter]
    high, low = FIT_RANGES_DB[parameter]
    for top, bottom, width, alpha in ((0.0, FLOOR_DB, 0.9, 0.8), (high, low, 2.4, 1.0)):
        t = (np.array([top, bottom]) - start) / slope
        axes.plot(t, [top, bottom], color=COLOURS[colour], linestyle=DASHES[dash], linewidth=width, alpha=alpha)


def _parameter_panel(
    axes: Axes, analysis: DecayAnalysis, mean: SpatialMean, names: Sequence[str], scale: float
) -> None:
    broadband = np.isnan(analysis.band_hz).any()
    band = np.where(np.isnan(analysis.band_hz), 1000.0, analysis.band_hz)
    several = len(analysis.curves) > 1
    spread = 1.045 if analysis.fraction != 3 else 1.015
    for k, name in enumerate(names):
        style = pen(k)
        x = band * spread ** (2 * k - len(names) + 1)
        if several:
            for row in analysis[name]:
                axes.plot(x, scale * row, ".", color=style.colour, markersize=2.6, alpha=0.55)
            axes.errorbar(x, scale * mean.mean[name], scale * mean.standard_deviation[name], fmt="none",
                          ecolor=style.colour, elinewidth=1.1, capsize=2)
        axes.plot(x, scale * mean.mean[name], **style.line(linewidth=1.4))
        axes.plot(x, scale * mean.mean[name], label=NAMES[name], **style.points(markersize=4.6))
        missing = ~np.isfinite(mean.mean[name])
        if missing.any():
            axes.plot(x[missing], np.full(missing.sum(), 0.03), "x", color=style.colour, markersize=5,
                      transform=axes.get_xaxis_transform(), clip_on=False)
    frequency_axis(axes, band[0] / 1.35, band[-1] * 1.35)
    axes.margins(y=0.12)
    if broadband:
        axes.set_xticks([1000.0], ["broadband"])
    axes.grid(axis="y", color=HAIRLINE, linewidth=0.8)
    axes.set_axisbelow(True)
    if names[0] != "c50_db":
        axes.set_ylim(bottom=0)
    if names == ("d50",):
        axes.set_ylim(0, 100)
    if len(names) > 1:
        axes.legend(loc="lower left", bbox_to_anchor=(0, 1), frameon=False, ncols=3, fontsize=9.5, borderaxespad=0.2,
                    handletextpad=0.3, columnspacing=1.2)


def _curve_key(figure: Figure, x: float, y: float) -> None:
    from matplotlib.lines import Line2D

    width = figure.get_figwidth()
    entries = [
        ("energy, re its largest", TRACE, "solid", 1.2), ("energy still to come", INK, "solid", 1.7),
        *((f"line of {LINES[p][0]}", COLOURS[LINES[p][1]], DASHES[LINES[p][2]], 2.2) for p in ("t20_s", "t30_s")),
    ]
    for text, colour, dash, thick in entries:
        figure.add_artist(Line2D([x, x + 0.35 / width], [y, y], transform=figure.transFigure, color=colour,
                                 linestyle=dash, linewidth=thick))
        label = figure.text(x + 0.43 / width, y, text, va="center", fontsize=9)
        x = fit(figure, label, 0.99) + 0.25 / width
    figure.add_artist(Line2D([x], [y], transform=figure.transFigure, color=INK, marker="o", markerfacecolor=PAPER,
                             markersize=5, linestyle="none"))
    fit(figure, figure.text(x + 0.1 / width, y, "end: noise or end of data", va="center", fontsize=9), 0.995)


def _shown_s(curve: DecayCurve) -> float:
    """How much of a curve is worth showing."""
    if not curve.time_s.size:
        return 0.1
    deep = np.flatnonzero(curve.level_db < FLOOR_DB)
    end = curve.time_s[deep[0]] if deep.size else curve.time_s[-1] * 1.15
    return float(max(end, 0.05))


def _seconds(value: float) -> str:
    return f"{value:.2f} s" if np.isfinite(value) else "–"


def _folded(text: str, width: int = 30) -> str:
    import textwrap

    return "\n".join(textwrap.wrap(text, width))


def _missing_text(analysis: DecayAnalysis) -> str:
    """Why values are missing, with the bands where that is so for any position."""
    said = []
    for flag in (Flag.RANGE, Flag.BANDWIDTH, Flag.NO_DECAY, Flag.BAND, Flag.CLIPPED, Flag.CUT_OFF):
        found = [name for name in NAMES if np.any(analysis.flags[name] & flag)]
        if found:
            said.append(f"{', '.join(NAMES[name] for name in found)}: {MEANING[flag]}")
    return _folded("× no value at any position.  In places, " + "; ".join(said), 125) if said else ""
