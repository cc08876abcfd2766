"""What the settings of rooms do: at the seats, in the late sound, to the decay."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from ..analysis.seats import channel_sum_db, seat_average_db, smoothed_db
from .cases import FRACTION, curves, level_label, room_detail
from .decay_plot import band_of_data, decay_axes
from .response_plot import column_head
from .style import Pen, drawing, fit, frequency_axis, heading, key, level_axis, new_figure, pen, plain_label

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from xarray import Dataset

MOST_SETTINGS = 6


def settings_figure(result: Dataset, variant: dict[str, Any], rooms: Sequence[Any]) -> Figure:
    """Rooms side by side, a line per setting: level at the seats, late sound, decay time with its band.

    Parameters
    ----------
    variant : place and varied keys that are drawn; its setting does not count
    rooms : those that are drawn

    Notes
    -----
    Of the first design.
    """
    settings = list(result["setting"].values)[:MOST_SETTINGS]
    design = result["design"].values[0]
    pens = {setting: setting_pen(k) for k, setting in enumerate(settings)}
    drawn = {(room, setting): _drawn(result, design, room, {**variant, "setting": setting})
             for room in rooms for setting in settings}
    f = result["frequency"].values
    ranges = [_range([one[k] for one in drawn.values()], f) for k in range(2)]
    width_in, height_in = max(1.25 + 4.1 * len(rooms), 9.6), 9.8
    rows = {f"At the seats, 1/{FRACTION} octave": "", "Late sound": "",
            "Decay time": "shaded: what the absorption data leave open"}
    with drawing():
        figure = new_figure(width_in, height_in)
        grid = figure.subplots(
            3, len(rooms), squeeze=False,
            gridspec_kw={
                "left": 0.95 / width_in, "right": 1 - 0.3 / width_in, "top": 1 - 1.72 / height_in,
                "bottom": 0.6 / height_in, "hspace": 0.3, "wspace": 0.07, "height_ratios": (1.1, 1.1, 0.9),
            },
        )
        for column, room in enumerate(rooms):
            for k in range(2):
                _levels(grid[k, column], f, [(drawn[room, s][k], pens[s]) for s in settings], ranges[k])
                grid[k, column].set_ylabel(level_label(result))
            _decays(grid[2, column], result, room, variant, pens)
            grid[2, column].set_xlabel("Frequency in Hz")
            column_head(grid[0, column], plain_label(room, 22), room_detail(result, room))
            for axes, (row, detail) in zip(grid[:, column], rows.items(), strict=True):
                if column == 0:
                    heading(axes, row, detail)
                else:
                    axes.tick_params(labelleft=False)
                    axes.set_ylabel("")
        title = figure.text(0.95 / width_in, 1 - 0.38 / height_in, f"Settings ({plain_label(design, 40)})", fontsize=15,
                            fontweight="bold", va="center")
        fit(figure, title, 1 - 0.3 / width_in)
        key(figure, [(str(s), style) for s, style in pens.items()], 0.95 / width_in, 1 - 0.78 / height_in,
            result.sizes["setting"] - len(settings))
    return figure


def setting_pen(index: int) -> Pen:
    """The pen of a setting; the first ones are not those of the first designs."""
    return pen(index + 2)


def _drawn(result: Dataset, design: Any, room: Any, variant: dict[str, Any]) -> tuple[np.ndarray, np.ndarray]:
    """Level at the seats and of the late sound, seat averages, smoothed."""
    case = result.sel(design=design, room=room, **variant).reset_coords(drop=True)
    late = smoothed_db(seat_average_db(channel_sum_db(case["late_level_db"])), FRACTION).values
    return curves(result, design, room, variant).level_db, late


def _range(levels: Sequence[np.ndarray], f: np.ndarray) -> tuple[float, float]:
    """The same levels for all rooms: from 50 Hz to 16 kHz nothing is cut."""
    inside = (f >= 50) & (f <= 16000)
    values = np.concatenate([level[inside] for level in levels])
    top = np.ceil(values.max() / 5) * 5
    return float(max(np.floor(values.min() / 5) * 5, top - 45)), float(top)


def _levels(axes: Axes, f: np.ndarray, lines: Sequence[tuple[np.ndarray, Pen]], range_db: tuple[float, float]) -> None:
    frequency_axis(axes, f[0], f[-1])
    level_axis(axes, *range_db, 5)
    for level, style in lines:
        axes.plot(f, level, **style.line(linewidth=1.6))


def _decays(axes: Axes, result: Dataset, room: Any, variant: dict[str, Any], pens: dict[Any, Pen]) -> None:
    f = result["frequency"].values
    decay_axes(axes, result, (f[0], f[-1]))
    for setting, style in pens.items():
        at = {**variant, "setting": setting}
        decay = result["decay_s"].sel(room=room, **at).median("design")
        band_of_data(axes, result, room, setting, decay.values, style.colour)
        axes.plot(decay["band"].values, decay.values, **style.line(linewidth=1.6))
        axes.plot(decay["band"].values, decay.values, **style.points())
