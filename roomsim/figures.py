"""Figures for notebooks and scripts: the report's own, one at a time, and plain curves in the same look.

    import roomsim
    roomsim.figures.overview(result)
    roomsim.figures.response(result, "typical", place="shelf")
    roomsim.figures.curves({"5 cm": alpha}, frequency_hz, "Absorption", (0, 1))

Each returns a matplotlib figure, which notebooks show and `figure.savefig` writes.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike

from .errors import InvalidValue
from .report.cases import variants
from .report.style import QUIET, drawing, frequency_axis, heading, level_axis, new_figure, pen, plain_label, spread_out

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from xarray import Dataset

    from .definitions import LoudspeakerDefinition, MeasurementDefinition, RoomDefinition
    from .loudspeaker.overview import ChannelOverview

MOST_CURVES = 8
"""More in one panel cannot be told apart."""


def overview(result: Dataset, **labels: Any) -> Figure:
    """Rooms side by side: at the seats, direct sound, decay time.

    Parameters
    ----------
    result : of `roomsim.predict`
    labels : setting, place and vary keys; the first of each by default

    Raises
    ------
    InvalidValue : the result has no such label
    """
    from .report.response_plot import overview_figure

    return overview_figure(result, _variant(result, labels), list(result["room"].values)[:4])


def response(result: Dataset, room: Any, **labels: Any) -> Figure:
    """One room: the designs at the seats, and their direct sound; parameters as of `overview`."""
    from .report.response_plot import response_figure

    return response_figure(result, room, _variant(result, labels))


def balance(result: Dataset, room: Any, **labels: Any) -> Figure:
    """One room: direct, early and late sound, and the first reflections; parameters as of `overview`."""
    from .report.balance_plot import balance_figure

    return balance_figure(result, room, _variant(result, labels))


def modes(result: Dataset, room: Any, **labels: Any) -> Figure | None:
    """The modes of one room, None where the result knows none; parameters as of `overview`."""
    from .report.mode_plot import mode_figure

    return mode_figure(result, room, _variant(result, labels))


def decay(result: Dataset, **labels: Any) -> Figure:
    """Decay times of all rooms; parameters as of `overview`."""
    from .report.decay_plot import decay_figure

    return decay_figure(result, _variant(result, labels))


def room(definition: RoomDefinition, setting: str | None = None) -> Figure:
    """A room to scale, in one of its settings (its first by default)."""
    from .report.room_drawing import draw_room
    from .studies.settings import room_in

    return draw_room(room_in(definition, setting or definition.settings[0]), definition.name)


def standard_curves(definition: LoudspeakerDefinition | MeasurementDefinition, channel: str | None = None) -> Figure:
    """On axis, listening window, early reflections, sound power and their indices of a channel (its first by default).

    Raises
    ------
    InvalidValue : no such channel
    """
    from .report.speaker_plot import curves_figure

    return curves_figure(_overview(definition, channel))


def directivity(definition: LoudspeakerDefinition | MeasurementDefinition, channel: str | None = None) -> Figure:
    """Level over frequency and angle, horizontal and vertical, of a channel; parameters as of `standard_curves`."""
    from .report.speaker_plot import map_figure

    return map_figure(_overview(definition, channel))


def _overview(definition: LoudspeakerDefinition | MeasurementDefinition, channel: str | None) -> ChannelOverview:
    from .studies.speaker import speaker_view

    return next(iter(speaker_view(definition, channel=channel).channels.values())).overview


def curves(
    lines: Mapping[str, ArrayLike], x: ArrayLike | Mapping[str, ArrayLike], label: str, limits: tuple[float, float],
    *, title: str = "", detail: str = "", x_label: str = "Frequency in Hz", step: float | None = None,
    points: Sequence[str] = (),
) -> Figure:
    """Curves in one panel, named at their ends.

    Parameters
    ----------
    lines : name -> values, shape (n,), at most eight; NaN leaves a gap
    x : the abscissa of all of them, shape (n,), or of each by name; logarithmic where it is a frequency
    label, limits : of the ordinate, with its unit
    title, detail : above the panel, bold and quiet
    x_label : with its unit; "Frequency in Hz" makes the axis logarithmic
    step : between the lines of the grid; a fifth of the range by default
    points : names of lines that are drawn as points, such as published values

    Raises
    ------
    InvalidValue : no lines or too many

    Examples
    --------
    >>> figure = roomsim.figures.curves({"6 dB/oct": [60, 54, 48]}, [1000, 2000, 4000], "Level in dB", (40, 65))
    >>> figure.axes[0].get_xlabel()
    'Frequency in Hz'
    """
    if not 1 <= len(lines) <= MOST_CURVES:
        raise InvalidValue("lines", len(lines), f"must be 1 to {MOST_CURVES} curves")
    at = {name: np.asarray(x[name] if isinstance(x, Mapping) else x, float) for name in lines}
    with drawing():
        figure = new_figure(9.0, 4.4)
        axes = figure.add_axes((0.085, 0.14, 0.72, 0.74))
        low, high = min(float(v.min()) for v in at.values()), max(float(v.max()) for v in at.values())
        if x_label == "Frequency in Hz":
            frequency_axis(axes, low, high)
        else:
            axes.set_xlim(low, high)
        level_axis(axes, *limits, step or (limits[1] - limits[0]) / 5)
        heading(axes, title or label, detail, limit=70)
        axes.set_xlabel(x_label)
        axes.set_ylabel(label)
        ends = []
        for k, (name, values) in enumerate(lines.items()):
            y = np.asarray(values, float)
            style = pen(k)
            if name in points:
                axes.plot(at[name], y, **style.points(), zorder=4)
            else:
                axes.plot(at[name], y, **style.line(), zorder=3)
            seen = y[np.isfinite(y)]
            ends.append(float(np.clip(seen[-1], *limits)) if seen.size else limits[0])
        _name_ends(axes, list(lines), ends, limits)
    return figure


def _name_ends(axes: Axes, names: list[str], ends: list[float], limits: tuple[float, float]) -> None:
    """Names right of the panel, at the heights where their curves end, a hair line between."""
    places = spread_out(ends, (limits[1] - limits[0]) * 0.065)
    for k, (name, end, place) in enumerate(zip(names, ends, places, strict=True)):
        axes.annotate(
            plain_label(name, 26), xy=(1, end), xycoords=("axes fraction", "data"), xytext=(1.03, place),
            textcoords=("axes fraction", "data"), color=pen(k).colour, va="center", fontsize=9.5, annotation_clip=False,
            arrowprops={"arrowstyle": "-", "color": QUIET, "linewidth": 0.6, "relpos": (0, 0.5), "shrinkA": 2,
                        "shrinkB": 1},
        )


def _variant(result: Dataset, labels: dict[str, Any]) -> dict[str, Any]:
    variant = next(variants(result))
    for key, label in labels.items():
        if key not in variant:
            raise InvalidValue(key, label, f"must be one of {', '.join(variant)}")
        if label not in result[key].values.tolist():
            raise InvalidValue(key, label, f"must be one of {', '.join(map(str, result[key].values.tolist()))}")
    return variant | labels
