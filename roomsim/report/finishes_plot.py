"""Finishes: the table of each, the impedance model that follows it, and what rests on an assumption."""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from ..bands import OCTAVES_HZ, nominal
from ..room.fitting import band_absorption
from ..room.materials import AbsorptionClipped
from .style import COLOURS, HAIRLINE, INK, PAPER, QUIET, drawing, new_figure, plain_label

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

ACROSS, MOST_ROWS = 5, 8
_CURVE = COLOURS[1]
_EXPLANATION = (
    "points: table, open where assumed;  line: what the impedance of the engines absorbs, at most 0.951\n"
    "in the corner: their largest difference in a band, up to that limit"
)


def finishes_figures(finishes: Sequence[Any]) -> dict[str, Figure]:
    """One figure per kind (more where a kind has more than 40 finishes), a small panel per finish."""
    kinds: dict[str, list[Any]] = {}
    for finish in finishes:
        kinds.setdefault(finish.kind, []).append(finish)
    figures = {}
    for kind, members in kinds.items():
        pages = [members[k : k + ACROSS * MOST_ROWS] for k in range(0, len(members), ACROSS * MOST_ROWS)]
        for number, page in enumerate(pages, 1):
            name = kind if len(pages) == 1 else f"{kind}-{number}"
            figures[name] = _figure(kind, page)
    return figures


def _figure(kind: str, finishes: Sequence[Any]) -> Figure:
    rows = -(-len(finishes) // ACROSS)
    with drawing(), warnings.catch_warnings():
        warnings.simplefilter("ignore", AbsorptionClipped)
        height = 1.5 + 1.42 * rows
        figure = new_figure(12.0, height)
        figure.text(0.04, 1 - 0.3 / height, f"Absorption of finishes: {kind}", fontsize=15, fontweight="bold",
                    va="center")
        figure.text(0.04, 1 - 0.64 / height, _EXPLANATION, va="center", fontsize=9, color=QUIET)
        for k, finish in enumerate(finishes):
            row, column = divmod(k, ACROSS)
            box = (0.04 + column * 0.192, 1 - (1.12 + 1.42 * row + 0.95) / height, 0.165, 0.95 / height)
            _panel(figure.add_axes(box), finish, named=row == rows - 1 or k + ACROSS >= len(finishes))
    return figure


def _panel(axes: Axes, finish: Any, named: bool) -> None:
    band = getattr(finish, "band_hz", OCTAVES_HZ)
    fraction = getattr(finish, "fraction", 1)
    fine = np.geomspace(63 / 1.3, 8000 * 1.3, 160)
    model = band_absorption(finish.impedance, fine, fraction)
    axes.set_xscale("log")
    axes.set_xlim(fine[0], fine[-1])
    axes.set_ylim(0, 1.3 if getattr(finish, "table", np.zeros(1)).max() > 1 else 1.05)
    axes.plot(fine, model, color=_CURVE, linewidth=1.3)
    if hasattr(finish, "table"):
        assumed = np.asarray(finish.assumed, bool)
        axes.plot(band[~assumed], finish.table[~assumed], "o", color=INK, markersize=3.6)
        axes.plot(band[assumed], finish.table[assumed], "o", color=INK, markersize=3.6, markerfacecolor=PAPER)
        worst = float(np.abs(finish.fit_residual()).max())
        low = model[-40:].max() < 0.5                    # keep clear of the curve
        axes.text(0.985, 0.93 if low else 0.05, f"{worst:.2f}", transform=axes.transAxes, ha="right",
                  va="top" if low else "bottom", fontsize=7.5, color=QUIET)
    axes.set_title(plain_label(finish.name, 34), fontsize=8.8, loc="left", pad=3)
    axes.set_xticks([63, 250, 1000, 4000])
    axes.set_xticklabels([nominal(f) for f in (63, 250, 1000, 4000)] if named else [], fontsize=7.5)
    axes.minorticks_off()
    axes.set_yticks([0, 0.5, 1])
    axes.tick_params(axis="y", labelsize=7.5)
    axes.grid(axis="y", color=HAIRLINE, linewidth=0.7)
    axes.set_axisbelow(True)
    if named:
        axes.set_xlabel("Hz", fontsize=7.5, labelpad=1)
