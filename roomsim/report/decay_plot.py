"""Decay time per band."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from ..bands import nominal
from .cases import room_detail, variant_name
from .style import (
    HAIRLINE,
    INK,
    PAPER,
    QUIET,
    drawing,
    fit,
    frequency_axis,
    new_figure,
    plain_label,
    room_pen,
    spread_out,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from xarray import Dataset


MODAL = "modes"
"""Name of the method that reads the decay off the exact field; its points are drawn open."""


MOST_ROOMS = 12
"""More lines in one panel cannot be told apart."""


def decay_top_s(result: Dataset) -> float:
    """Upper end of the decay axis, the same for all figures of a result [s]."""
    top = float(np.nanmax(result["decay_s"].values))
    step = 0.2 if top < 1.6 else 0.5
    return float(np.ceil(top * 1.08 / step) * step)


def decay_panel(
    axes: Axes, result: Dataset, room: Any, variant: dict[str, Any], range_hz: tuple[float, float] | None = None
) -> None:
    """Decay time of one room in one variant: a point per octave band, a bar where designs differ."""
    at = result["decay_s"].sel(room=room, **variant)
    band = at["band"].values
    decay_axes(axes, result, range_hz)
    middle, low, high = at.median("design").values, at.min("design").values, at.max("design").values
    band_of_data(axes, result, room, variant["setting"], middle, INK)
    axes.plot(band, middle, color=INK, linewidth=1.4)
    axes.vlines(band, low, high, color=INK, linewidth=3)
    modal = _modal(result, room, variant)
    for f, t, top, open_point in zip(band, middle, high, modal, strict=True):
        axes.plot(f, t, "o", color=INK, markersize=5, markerfacecolor=PAPER if open_point else INK)
        axes.annotate(f"{t:.2f}", (f, top), xytext=(0, 6), textcoords="offset points", ha="center", fontsize=8,
                      color=QUIET, bbox={"facecolor": PAPER, "edgecolor": "none", "alpha": 0.8, "pad": 0.4})


def decay_figure(result: Dataset, variant: dict[str, Any]) -> Figure:
    """Decay times of all rooms in one panel, named at the ends of their lines."""
    rooms = list(result["room"].values)[:MOST_ROOMS]
    with drawing():
        figure = new_figure(9.6, 5.0)
        axes = figure.add_axes((0.085, 0.125, 0.70, 0.72))
        decay_axes(axes, result)
        ends = []
        for k, room in enumerate(rooms):
            at = result["decay_s"].sel(room=room, **variant).median("design")
            style = room_pen(k)
            band_of_data(axes, result, room, variant["setting"], at.values, style.colour)
            axes.plot(at["band"].values, at.values, **style.line())
            axes.plot(at["band"].values, at.values, **style.points(markersize=6.5))
            ends.append(float(at.values[-1]))
        top = decay_top_s(result)
        beyond = axes.get_xlim()[1] * 1.06
        for k, (room, y) in enumerate(zip(rooms, spread_out(ends, top * 0.055), strict=True)):
            volume = room_detail(result, room).split("   ")[0]
            axes.plot(beyond, y, clip_on=False, **room_pen(k).points(markersize=6.5))
            text = axes.annotate(
                f"{volume}  {plain_label(room)}", (beyond, y), xytext=(8, 0), va="center",
                textcoords="offset points", fontsize=10, annotation_clip=False,
            )
            fit(figure, text, 0.99)
        axes.set_xlabel("Octave band, midband in Hz")
        name = variant_name(result, variant)
        title = figure.text(0.085, 0.93, "Decay time of the rooms" + (f" ({name})" if name else ""), fontsize=15,
                            fontweight="bold", va="center")
        fit(figure, title, 0.55 if "decay_uncertainty" in result else 0.75)
        if "decay_uncertainty" in result:
            figure.text(0.975, 0.93, "shaded: what the absorption data leave open (ISO 12999-2, coverage factor 2)",
                        ha="right", va="center", color=QUIET, fontsize=9)
        figure.text(0.975, 0.87, _methods(result, variant), ha="right", va="center", color=QUIET, fontsize=9)
    return figure


def band_of_data(axes: Axes, result: Dataset, room: Any, setting: Any, decay_s: np.ndarray, colour: str) -> None:
    """Shade what the uncertainty of the absorption data leaves open about a decay time (coverage factor 2)."""
    if "decay_uncertainty" not in result:
        return
    at = result["decay_uncertainty"].sel(room=room, setting=setting)
    factor = 1 + at.values
    axes.fill_between(at["band"].values, decay_s / factor, decay_s * factor, color=colour, alpha=0.13, linewidth=0,
                      zorder=1.5)


def decay_axes(axes: Axes, result: Dataset, range_hz: tuple[float, float] | None = None) -> None:
    """Empty axes for decay times, the same in all figures of a result."""
    band = result["band"].values
    frequency_axis(axes, *(range_hz or (band[0] / 1.3, band[-1] * 1.3)))
    top = decay_top_s(result)
    axes.set_ylim(0, top)
    axes.set_yticks(np.arange(0, top + 1e-9, 0.2 if top < 1.7 else 0.5))
    axes.grid(axis="y", color=HAIRLINE, linewidth=0.8)
    axes.set_axisbelow(True)
    axes.set_ylabel("Decay time in s")


def method_note(result: Dataset) -> str:
    """What the open and filled points of decay panels mean, empty where there is one kind only."""
    methods = result["decay_method"].values.astype(str)
    others = [plain_label(m, 30) for m in np.unique(methods) if m not in ("", MODAL)]
    if MODAL not in methods or not others:
        return ""
    return f"open: from the modes, filled: {', '.join(others)}" + (
        "; shaded: absorption data" if "decay_uncertainty" in result else "")


def _modal(result: Dataset, room: Any, variant: dict[str, Any]) -> np.ndarray:
    """Which bands' decay comes from the modes, shape (n_band,)."""
    at = result["decay_method"].sel(room=room, **variant).values.astype(str)
    return (at == MODAL).any(axis=0)


def _methods(result: Dataset, variant: dict[str, Any]) -> str:
    """The methods with the bands they stand for where all rooms agree, else their names."""
    at = result["decay_method"].sel(**variant).transpose("band", ...).values.astype(str)
    per_band = [np.unique(row) for row in at]
    if any(names.size != 1 for names in per_band):
        return plain_label("; ".join(m for m in np.unique(at) if m), 90)
    names = [str(n[0]) for n in per_band]
    starts = [k for k, name in enumerate(names) if k == 0 or name != names[k - 1]]
    bands = result["band"].values
    said = []
    for start, end in zip(starts, [*starts[1:], len(names)], strict=True):
        span = nominal(bands[start]) if end - start == 1 else f"{nominal(bands[start])} to {nominal(bands[end - 1])}"
        said.append(f"{span} Hz: {names[start]}")
    return plain_label("; ".join(said), 90)
