"""One line per room and design: what the numbers say at a glance."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import IO, TYPE_CHECKING, Any

import numpy as np

from ..analysis.blocks import by_blocks
from ..analysis.seats import band_level_db, channel_sum_db, seat_average_db, seat_spread_db
from ..analysis.tonality import BALANCE_RANGE_HZ, fit_line
from ..bands import nominal
from ..errors import InvalidValue
from .cases import variant_dimensions, variants
from .style import plain_label

if TYPE_CHECKING:
    from xarray import Dataset

MOST_LINES = 30
"""Of a longer table the screen shows the lines that stand out most; the file has all of it."""
STAND_OUT = ("mean_deviation_db", "slope_db_per_octave", "seat_spread_db")
"""By these figures a line stands out."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """One column of the table.

    Attributes
    ----------
    key : name in files
    title, unit : heading on the screen; without one it shares the column before it
    form : how a number is written
    """

    key: str
    title: str = ""
    unit: str = ""
    form: str = ""


COLUMNS = (
    Column(key="volume_m3", title="volume", unit="m³", form=".0f"),
    Column(key="length_m", title="length × width × height", unit="m", form=".2f"),
    Column(key="width_m", form=".2f"),
    Column(key="height_m", form=".2f"),
    Column(key="decay_mid_s", title="decay", unit="s", form=".2f"),
    Column(key="decay_mid_uncertainty_s", title="±", unit="s", form=".2f"),
    Column(key="transition_hz", title="transition", unit="Hz", form=".0f"),
    Column(key="mean_deviation_db", title="deviation", unit="dB", form=".1f"),
    Column(key="slope_db_per_octave", title="slope", unit="dB/oct", form="+.1f"),
    Column(key="seat_spread_db", title="seat spread", unit="dB", form=".1f"),
)

_TITLES = {column.key: column.title for column in COLUMNS}

EXPLANATION = (
    "decay: mean of the 500 Hz and 1 kHz octaves; ±: what the absorption data leave open (ISO 12999-2, coverage "
    "factor 2). transition: above it many modes overlap (Schroeder).",
    "deviation, slope: seat-averaged third octaves, {low}Hz to {high}Hz, about their own straight line.",
    "seat spread: standard deviation of third-octave levels over {seats} seats, root mean square of the same bands.",
)


def table_rows(result: Dataset) -> list[dict[str, Any]]:
    """The table's lines: room, design, setting, place, vary keys, then the COLUMNS; plain Python numbers.

    The seat spread is the root mean square over the bands of BALANCE_RANGE_HZ; NaN becomes None.

    Examples
    --------
    >>> rows = roomsim.table(quick_result())
    >>> rows[0]["room"], round(rows[0]["volume_m3"])
    ('typical', 58)
    """
    low, high = BALANCE_RANGE_HZ
    f = result["frequency"].values
    low, high = max(low, f[0]), min(high, f[-1])
    level = by_blocks(
        result["level_db"], lambda some: band_level_db(seat_average_db(channel_sum_db(some)), 3, low, high))
    spread = by_blocks(result, lambda some: np.sqrt((seat_spread_db(some, 3, low, high) ** 2).mean("band")))
    rows = []
    for room in result["room"].values:
        for design in result["design"].values:
            for variant in variants(result):
                at = {"design": design, "room": room, **variant}
                labels = {"room": _plain(room), "design": _plain(design), **variant}
                rows.append(labels | _numbers(result, level, spread, at))
    return rows


def explanation(result: Dataset) -> list[str]:
    """What the columns mean, in lines for people."""
    low, high = BALANCE_RANGE_HZ
    words = {"low": _hz(low), "high": _hz(high), "seats": result.sizes["listener"]}
    return [line.format(**words) for line in EXPLANATION]


def outstanding(rows: Sequence[dict[str, Any]], most: int = MOST_LINES) -> list[tuple[dict[str, Any], str, float]]:
    """The lines that stand out most, the farthest first, each with the figure by which it does and how far.

    How far: the distance of the figure from the middle (the median) of all lines, in multiples of the usual (the
    median) distance; the largest over STAND_OUT. Lines that are equally far keep their order.
    """
    best: list[tuple[float, str]] = [(-1.0, "")] * len(rows)
    for key in STAND_OUT:
        values = np.array([np.nan if row[key] is None else row[key] for row in rows], float)
        if not np.isfinite(values).any():
            continue
        distance = np.abs(values - np.nanmedian(values))
        usual = np.nanmedian(distance)
        if usual == 0:                              # more than half of the lines are alike
            usual = np.nanmean(distance)
        if usual > 0:
            best = [max(one, (float(times), key)) if np.isfinite(times) else one
                    for one, times in zip(best, distance / usual, strict=True)]
    order = sorted(range(len(rows)), key=lambda k: -best[k][0])[:most]
    return [(rows[k], best[k][1], best[k][0]) for k in order]


def print_table(
    result: Dataset, file: IO[str] | None = None, rows: Sequence[dict[str, Any]] | None = None
) -> None:
    """Print the table: fitted to a terminal, aligned plain lines of full width anywhere else.

    `rows` are those of `table_rows` where they are at hand.
    """
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    rows = table_rows(result) if rows is None else rows
    shown_dims = [d for d in variant_dimensions(result) if result.sizes[d] > 1]
    console = Console(file=file, highlight=False, markup=False, emoji=False)
    if not console.is_terminal:
        console = Console(file=file, highlight=False, markup=False, emoji=False, color_system=None, width=400)
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="bold")
    for name in ("room", "design", *shown_dims):
        table.add_column(Text(f"{name}\n"), no_wrap=not console.is_terminal)
    for column in (c for c in COLUMNS if c.title):
        table.add_column(Text(f"{column.title}\n{column.unit}"), justify="right", no_wrap=True)
    long, before = len(rows) > MOST_LINES, None
    if long:
        table.add_column(Text("stands out by\n"), no_wrap=True)
    shown = outstanding(rows) if long else [(row, "", 0.0) for row in rows]
    for row, why, times in shown:
        again = not long and row["room"] == before
        cells = [Text("" if again else plain_label(row["room"], 30))]
        cells += [Text(_label(row[d])) for d in ("design", *shown_dims)]
        cells += [Text("" if again and k < 2 else text) for k, text in enumerate(_cells(row))]
        if long:
            cells.append(Text(f"{_TITLES[why]} {times:.1f} ×" if why else "–"))
        table.add_row(*cells)
        before = row["room"]
    console.print(Text(plain_label(result.attrs.get("title", ""), 100), style="bold"), soft_wrap=True)
    console.print()
    console.print(table)
    if long:
        console.print(f"The {MOST_LINES} of {len(rows)} lines that stand out most, the farthest first: by how many "
                      "times the usual (median) distance deviation, slope or seat spread lies from the middle of all "
                      "lines.\nAll lines, room by room, are in table.csv.", soft_wrap=True)
    console.print()
    for line in explanation(result):
        console.print(line, style="dim", soft_wrap=True)


def _cells(row: dict[str, Any]) -> list[str]:
    """The numbers of a line as the screen shows them."""
    cells: list[str] = []
    for column in COLUMNS:
        value = row[column.key]
        text = "–" if value is None else format(value, column.form).replace("-", "−")
        if column.title:
            cells.append(text)
        else:
            cells[-1] += f" × {text}"
    return cells


def _numbers(result: Dataset, level: Any, spread: Any, at: dict[str, Any]) -> dict[str, float | None]:
    bands = level.sel(at)
    try:
        line = fit_line(bands.values, bands["band"].values)
        tonal = (line.mean_deviation_db, line.slope_db_per_octave)
    except InvalidValue:
        tonal = (np.nan, np.nan)
    room = result.sel(room=at["room"])
    state = room.sel(setting=at["setting"])
    values = {
        **{name: room[name] for name in ("volume_m3", "length_m", "width_m", "height_m")},
        "decay_mid_s": state["decay_mid_s"],
        "decay_mid_uncertainty_s": state["decay_mid_s"] * state["decay_mid_uncertainty"]
        if "decay_mid_uncertainty" in state else np.nan,
        "transition_hz": state["transition_hz"],
        "mean_deviation_db": tonal[0], "slope_db_per_octave": tonal[1], "seat_spread_db": spread.sel(at),
    }
    return {key: round(float(v), 4) if np.isfinite(float(v)) else None for key, v in values.items()}


def _plain(label: Any) -> Any:
    return label.item() if isinstance(label, np.generic) else label


def _label(label: Any) -> str:
    return f"{label:g}" if isinstance(label, float) else plain_label(label, 30)


def _hz(frequency: float) -> str:
    name = nominal(frequency)
    return f"{name[:-1]} k" if name.endswith("k") else f"{name} "
