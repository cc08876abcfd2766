"""In-room response with its spread over the seats, the direct sound beside it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from .cases import FRACTION, CurveBook, Curves, level_label, room_detail, variant_name
from .style import (
    QUIET,
    drawing,
    fit,
    frequency_axis,
    heading,
    key,
    level_axis,
    new_figure,
    pen,
    plain_label,
    shade_untrusted,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from xarray import Dataset

DB_PER_DECADE = (25.0, 50.0)
"""One decade is as long as this many dB, the proportions of the standard for such graphs [iec60263]; the
second where more than 35 dB have to be shown."""


MOST_DESIGNS = 6
"""More curves in one panel cannot be told apart."""


def level_range_db(all_curves: Sequence[Curves]) -> tuple[float, float]:
    """A range of levels for every figure of a result: all curves from 80 Hz to 16 kHz are inside.

    Below, a small loudspeaker's roll-off may leave the panel; the range is 25 to 50 dB.
    """
    high = max(float(np.nanmax(c.high_db)) for c in all_curves)
    low = min(
        float(np.nanmin(np.minimum(c.low_db, c.direct_db)[(c.frequency_hz > 80) & (c.frequency_hz < 16000)]))
        for c in all_curves
    )
    top = np.ceil((high + 0.5) / 5) * 5
    return float(np.clip(np.floor((low - 0.5) / 5) * 5, top - 50, top - 25)), float(top)


def response_figure(
    result: Dataset, room: Any, variant: dict[str, Any], range_db: tuple[float, float] | None = None,
    book: CurveBook | None = None,
) -> Figure:
    """One room: the designs at the seats above, their direct sound below, on the same axes."""
    designs, more = _drawn(result)
    book = book or CurveBook(result)
    found = [book(design, room, variant) for design in designs]
    low_db, high_db = range_db or level_range_db(found)
    f = found[0].frequency_hz
    width_in, left_in, right_in = 9.6, 0.95, 0.3
    per_decade = DB_PER_DECADE[high_db - low_db > 35]
    panel_in = (width_in - left_in - right_in) / np.log10(f[-1] / f[0]) / per_decade * (high_db - low_db)
    bottom_in, between_in, top_in = 0.6, 0.75, 1.25
    height_in = bottom_in + between_in + top_in + 2 * panel_in
    with drawing():
        figure = new_figure(width_in, height_in)
        left, width, height = left_in / width_in, 1 - (left_in + right_in) / width_in, panel_in / height_in
        below = figure.add_axes((left, bottom_in / height_in, width, height))
        above = figure.add_axes((left, (bottom_in + panel_in + between_in) / height_in, width, height))
        name = variant_name(result, variant)
        _headline(figure, left, 1 - 0.33 / height_in, plain_label(room, 60), room_detail(result, room), name)
        _seat_panel(above, found, result, low_db, high_db)
        heading(above, "At the seats", _seat_note(result))
        _direct_panel(below, found, result, low_db, high_db)
        heading(below, "Direct sound alone", "with its image in the wall behind it, mean of the same seats")
        below.set_xlabel("Frequency in Hz")
        _shade(result, room, variant, [above, below])
        entries = [(str(d), pen(k)) for k, d in enumerate(designs)]
        key(figure, entries, left, 1 - 0.71 / height_in, more)
    return figure


def overview_figure(
    result: Dataset, variant: dict[str, Any], rooms: Sequence[Any], range_db: tuple[float, float] | None = None,
    book: CurveBook | None = None,
) -> Figure:
    """Rooms side by side: at the seats, direct sound, decay time; the same axes everywhere."""
    from .decay_plot import decay_panel, method_note

    designs, more = _drawn(result)
    book = book or CurveBook(result)
    found = {room: [book(design, room, variant) for design in designs] for room in rooms}
    low_db, high_db = range_db or level_range_db([c for row in found.values() for c in row])
    f = found[rooms[0]][0].frequency_hz
    width_in, height_in = max(1.25 + 4.1 * len(rooms), 9.6), 9.8
    rows = {"At the seats": _seat_note(result, short=True), "Direct sound alone": "", "Decay time": method_note(result)}
    with drawing():
        figure = new_figure(width_in, height_in)
        grid = figure.subplots(
            3, len(rooms), squeeze=False,
            gridspec_kw={
                "left": 0.95 / width_in, "right": 1 - 0.3 / width_in, "top": 1 - 1.72 / height_in,
                "bottom": 0.6 / height_in, "hspace": 0.3, "wspace": 0.07, "height_ratios": (1.1, 1.1, 0.75),
            },
        )
        for column, room in enumerate(rooms):
            seat, direct, decay = grid[:, column]
            _seat_panel(seat, found[room], result, low_db, high_db)
            _direct_panel(direct, found[room], result, low_db, high_db)
            decay_panel(decay, result, room, variant, (f[0], f[-1]))
            decay.set_xlabel("Frequency in Hz")
            _shade(result, room, variant, [seat, direct])
            column_head(seat, plain_label(room, 22), room_detail(result, room))
            for axes, (row, detail) in zip((seat, direct, decay), rows.items(), strict=True):
                if column == 0:
                    heading(axes, row, detail)
                else:
                    axes.tick_params(labelleft=False)
                    axes.set_ylabel("")
        title = plain_label(result.attrs.get("title", ""), 100)
        name = variant_name(result, variant)
        text = figure.text(0.95 / width_in, 1 - 0.38 / height_in, title + (f" ({name})" if name else ""),
                           fontsize=15, fontweight="bold", va="center")
        fit(figure, text, 1 - 0.3 / width_in)
        key(figure, [(str(d), pen(k)) for k, d in enumerate(designs)], 0.95 / width_in, 1 - 0.78 / height_in, more)
    return figure


def column_head(axes: Axes, name: str, detail: str) -> None:
    """The name of a room above its column, with its size behind it."""
    title = axes.annotate(name, xy=(0, 1), xytext=(0, 30), xycoords="axes fraction", textcoords="offset points",
                          fontweight="bold", fontsize=12, va="bottom")
    axes.annotate(detail, xy=(1, 0), xytext=(9, 1), xycoords=title, textcoords="offset points", color=QUIET,
                  fontsize=9.5, va="bottom")


def _headline(figure: Figure, x: float, y: float, title: str, detail: str, name: str) -> None:
    text = figure.text(x, y, title, fontsize=15, fontweight="bold", va="baseline")
    end = fit(figure, text, 0.55)
    rest = figure.text(end + 0.015, y, "   ".join(t for t in (detail, name) if t), color=QUIET, va="baseline",
                       fontsize=10)
    fit(figure, rest, 0.975)


def _drawn(result: Dataset) -> tuple[list[Any], int]:
    """The designs that are drawn, and how many are not."""
    designs = list(result["design"].values)
    return designs[:MOST_DESIGNS], max(len(designs) - MOST_DESIGNS, 0)


def _seat_note(result: Dataset, short: bool = False) -> str:
    seats = result.sizes["listener"]
    if seats < 2:
        return f"one seat, 1/{FRACTION} octave"
    deviation = "σ" if short else "standard deviation"
    return f"mean of {seats} seats ± {deviation}, 1/{FRACTION} octave"


def _seat_panel(
    axes: Axes, found: Sequence[Curves], result: Dataset, low_db: float, high_db: float
) -> None:
    _axes(axes, found, low_db, high_db)
    for k, c in enumerate(found):
        style = pen(k)
        axes.fill_between(c.frequency_hz, c.low_db, c.high_db, color=style.colour, alpha=0.18, linewidth=0, zorder=2)
    for k, c in enumerate(found):
        _curve(axes, c.frequency_hz, c.level_db, k, len(found))
    axes.set_ylabel(level_label(result))


def _direct_panel(
    axes: Axes, found: Sequence[Curves], result: Dataset, low_db: float, high_db: float
) -> None:
    _axes(axes, found, low_db, high_db)
    for k, c in enumerate(found):
        _curve(axes, c.frequency_hz, c.direct_db, k, len(found))
    axes.set_ylabel(level_label(result))


def _axes(axes: Axes, found: Sequence[Curves], low_db: float, high_db: float) -> None:
    f = found[0].frequency_hz
    frequency_axis(axes, f[0], f[-1])
    level_axis(axes, low_db, high_db, 5)


def _curve(axes: Axes, f: np.ndarray, level: np.ndarray, index: int, count: int) -> None:
    style = pen(index)
    axes.plot(f, level, zorder=3 + 0.01 * index, **style.line())
    start = 31.25 * 2 ** (index / max(count, 1))   # markers of unlike designs stand side by side
    at = np.array([start * 2.0**k for k in range(10)])
    at = at[(at > f[0]) & (at < f[-1])]
    axes.plot(at, np.interp(np.log(at), np.log(f), level), zorder=4 + 0.01 * index, **style.points())


def _shade(result: Dataset, room: Any, variant: dict[str, Any], panels: Sequence[Axes]) -> None:
    if "trusted_from_hz" not in result:
        return
    limit = float(result["trusted_from_hz"].sel(room=room, **variant).max())
    for k, axes in enumerate(panels):
        shade_untrusted(axes, limit, f"not yet trustworthy below {limit:.0f} Hz" if k == 0 else "")
