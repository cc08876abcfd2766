"""How well a prediction is known: bands of responses and decay times as lines, files and a figure."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from ..files.netcdf import write_netcdf
from ..files.output import OutputFolder
from ..files.table_csv import write_rows
from ..studies.draws import Uncertainty
from .cases import level_label
from .style import HAIRLINE, QUIET, drawing, frequency_axis, key, level_axis, new_figure, pen, plain_label, save
from .text_table import aligned

if TYPE_CHECKING:
    from matplotlib.figure import Figure

MOST_ROOMS = 3
BASS_HZ, MID_HZ = (31.0, 250.0), (315.0, 4000.0)


def uncertainty_lines(found: Uncertainty) -> list[str]:
    """Half widths of the bands per design and room, and of the decay time; then what was drawn."""
    data = found.bands
    over = [d for d in data["level_db"].dims if d not in ("design", "room", "band")]
    half = ((data["level_high_db"] - data["level_low_db"]) / 2).mean(over)
    band = half["band"]
    rows = []
    for room in data["room"].values:
        for k, design in enumerate(data["design"].values):
            at = half.sel(room=room, design=design)
            parts = [float(at.sel(band=(band > low * 0.97) & (band < high * 1.03)).mean())
                     for low, high in (BASS_HZ, MID_HZ)]
            decay = [data[name].sel(room=room, design=design).sel(octave=1000, method="nearest").mean().item()
                     for name in ("decay_s", "decay_low_s", "decay_high_s")]
            rows.append(["" if k else plain_label(room), plain_label(design), *(f"±{part:.1f}" for part in parts),
                         f"{decay[0]:.2f}", f"{decay[1]:.2f} to {decay[2]:.2f}"])
    head = ["room", "design", "31 to 250 Hz, dB", "315 Hz to 4 kHz, dB", "decay 1 kHz, s", "from to"]
    lines = aligned(head, rows, left=2)
    inputs = found.inputs
    drawn = [
        ("absorption of finishes and furniture (ISO 12999-2)", inputs.absorption),
        (f"place of the loudspeaker (standard deviation {inputs.placement_m * 100:g} cm)", inputs.placement_m > 0),
        ("levels of measured drivers where their chamber was corrected", inputs.levels),
    ]
    part = f"{found.confidence:.0%}".replace("%", " %")
    lines += ["", f"{part} bands of the seat-averaged third octaves and of the decay time, {found.draws} draws of:",
              *(f"  {what}" for what, used in drawn if used),
              f"Ends of the level bands are known to {found.precision_db:.2f} dB (standard error)."]
    return lines


def uncertainty_rows(found: Uncertainty) -> list[dict[str, Any]]:
    """A line per case and third octave."""
    return _rows(found, "level", "band", "db")


def decay_rows(found: Uncertainty) -> list[dict[str, Any]]:
    """A line per case and octave."""
    return _rows(found, "decay", "octave", "s")


def _rows(found: Uncertainty, name: str, axis: str, unit: str) -> list[dict[str, Any]]:
    data = found.bands
    dims = [d for d in data[f"{name}_{unit}"].dims if d != axis]
    rows = []
    for at in np.ndindex(*(data.sizes[d] for d in dims)):
        case = data.isel(dict(zip(dims, at, strict=True)))
        labels = {d: data[d].values[k].item() for d, k in zip(dims, at, strict=True)}
        for k, f in enumerate(data[axis].values):
            rows.append({**labels, f"{axis}_hz": round(float(f), 2), **{
                f"{name}{part}_{unit}": round(float(case[f"{name}{part}_{unit}"].values[k]), 4)
                for part in ("", "_low", "_high", "_sd")}})
    return rows


def uncertainty_figure(found: Uncertainty) -> Figure:
    """Responses of the first setting and place with their bands, a panel per room."""
    data = found.bands
    first = {d: 0 for d in data["level_db"].dims if d not in ("design", "room", "band")}
    rooms, designs = list(data["room"].values)[:MOST_ROOMS], list(data["design"].values)[:4]
    shown = data.isel(first).sel(room=rooms, design=designs)
    band = data["band"].values
    low = 5 * np.floor(float(shown["level_low_db"].quantile(0.02)) / 5)
    high = 5 * np.ceil(float(shown["level_high_db"].max()) / 5)
    width = 3.9 * len(rooms) + 1.0
    with drawing():
        figure = new_figure(width, 4.8)
        for k, room in enumerate(rooms):
            axes = figure.add_axes(((0.8 + 3.9 * k) / width, 0.13, 3.4 / width, 0.62))
            frequency_axis(axes, band[0], band[-1])
            level_axis(axes, low, high)
            axes.grid(axis="y", color=HAIRLINE, linewidth=0.8)
            for n, design in enumerate(designs):
                at, drawn = shown.sel(room=room, design=design), pen(n)
                axes.fill_between(band, at["level_low_db"], at["level_high_db"], color=drawn.colour, alpha=0.22,
                                  linewidth=0)
                axes.plot(band, at["level_db"], **drawn.line())
            axes.set_title(plain_label(room), loc="left", fontsize=11)
            axes.set_xlabel("Frequency in Hz")
            if k == 0:
                axes.set_ylabel(level_label(found.result))
        left = 0.8 / width
        figure.text(left, 0.93, "How well the prediction is known", fontsize=15, fontweight="bold", va="center")
        about = f"{found.confidence:.0%} bands of seat-averaged third octaves, {found.draws} draws".replace("%", " %")
        figure.text(left, 0.86, about, fontsize=9.5, color=QUIET, va="center")
        key(figure, [(plain_label(design), pen(n)) for n, design in enumerate(designs)], 0.55, 0.93)
    return figure


def write_uncertainty(found: Uncertainty, folder: str | os.PathLike[str]) -> list[Path]:
    """Write bands.csv, decay-bands.csv, uncertainty.png and result.nc with every draw, all or none.

    Raises
    ------
    OutputError : as `roomsim.report`
    """
    with OutputFolder(folder) as output:
        write_rows(uncertainty_rows(found), output.path("bands.csv"))
        write_rows(decay_rows(found), output.path("decay-bands.csv"))
        save(uncertainty_figure(found), output.path("uncertainty.png"))
        write_netcdf(found.result, output.path("result.nc"))
        names = output.names
    return [output.folder / name for name in names]
