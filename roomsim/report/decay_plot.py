"""Decay time per band."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from .cases import room_detail, variant_name
from .style import (
    HAIRLINE,
    INK,
    QUIET,
    drawing,
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
    _decay_axes(axes, result, range_hz)
    middle, low, high = at.median("design").values, at.min("design").values, at.max("design").values
    axes.plot(band, middle, color=INK, linewidth=1.4)
    axes.vlines(band, low, high, color=INK, linewidth=3)
    axes.plot(band, middle, "o", color=INK, markersize=5)
    for f, t, top in zip(band, middle, high, strict=True):
        axes.annotate(f"{t:.2f}", (f, top), xytext=(0, 7), textcoords="offset points", ha="center", fontsize=8,
                      color=QUIET)


def decay_figure(result: Dataset, variant: dict[str, Any]) -> Figure:
    """Decay times of all rooms in one panel, named at the ends of their lines."""
    rooms = list(result["room"].values)
    with drawing():
        figure = new_figure(9.6, 5.0)
        axes = figure.add_axes((0.085, 0.125, 0.70, 0.72))
        _decay_axes(axes, result)
        ends = []
        for k, room in enumerate(rooms):
            at = result["decay_s"].sel(room=room, **variant).median("design")
            style = room_pen(k)
            axes.plot(at["band"].values, at.values, **style.line())
            axes.plot(at["band"].values, at.values, **style.points(markersize=6.5))
            ends.append(float(at.values[-1]))
        top = decay_top_s(result)
        for room, y in zip(rooms, spread_out(ends, top * 0.055), strict=True):
            volume = room_detail(result, room).split("   ")[0]
            axes.annotate(
                f"{plain_label(room, 18)}, {volume}", (axes.get_xlim()[1], y), xytext=(4, 0), va="center",
                textcoords="offset points", fontsize=10, annotation_clip=False,
            )
        axes.set_xlabel("Octave band, midband in Hz")
        name = variant_name(result, variant)
        figure.text(0.085, 0.93, "Decay time of the rooms" + (f" ({name})" if name else ""), fontsize=15,
                    fontweight="bold", va="center")
        figure.text(0.975, 0.93, _methods(result, variant), ha="right", va="center", color=QUIET, fontsize=9)
    return figure


def _decay_axes(axes: Axes, result: Dataset, range_hz: tuple[float, float] | None = None) -> None:
    band = result["band"].values
    frequency_axis(axes, *(range_hz or (band[0] / 1.3, band[-1] * 1.3)))
    top = decay_top_s(result)
    axes.set_ylim(0, top)
    axes.set_yticks(np.arange(0, top + 1e-9, 0.2 if top < 1.7 else 0.5))
    axes.grid(axis="y", color=HAIRLINE, linewidth=0.8)
    axes.set_axisbelow(True)
    axes.set_ylabel("Decay time in s")


def _methods(result: Dataset, variant: dict[str, Any]) -> str:
    found = np.unique(result["decay_method"].sel(**variant).values.astype(str))
    return plain_label("; ".join(m for m in found if m), 90)
