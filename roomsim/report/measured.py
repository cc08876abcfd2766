"""What `roomsim analyse` shows and writes of measured rooms."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

import numpy as np

from ..bands import nominal
from ..files.output import OutputFolder, safe_names
from ..files.table_csv import write_rows
from .decay_curves import decay_curves_figure, energy_time_figure, parameters_figure
from .style import plain_label, save

if TYPE_CHECKING:
    from ..studies.measured import MeasuredDecay

_COLUMNS = (("EDT s", "edt_s", ".2f"), ("T20 s", "t20_s", ".2f"), ("T30 s", "t30_s", ".2f"),
            ("C50 dB", "c50_db", ".1f"), ("C80 dB", "c80_db", ".1f"), ("D50", "d50", ".2f"), ("Ts s", "ts_s", ".3f"))
MOST_FIGURES = 12
"""Decay curves of so many responses are drawn; the parameters of all of them stand in the table."""


def measured_lines(measured: MeasuredDecay) -> list[str]:
    """The means over the responses as a table in plain text, and below it why values are missing."""
    mean = measured.mean
    bands = ["all" if np.isnan(f) else nominal(float(f)) for f in measured.analysis.band_hz]
    lines = [f"Mean of {len(measured.labels)} response{'s' * (len(measured.labels) > 1)} at {measured.rate_hz:g} Hz",
             "", "band Hz  " + "  ".join(f"{title:>7}" for title, _, _ in _COLUMNS)]
    reasons: dict[str, list[str]] = {}
    for b, band in enumerate(bands):
        cells = []
        for title, name, form in _COLUMNS:
            value = float(mean.mean[name][b])
            cells.append(f"{format(value, form) if np.isfinite(value) else '-':>7}")
            for r in range(len(measured.labels)):
                for reason in measured.analysis.reasons(name, r, b):
                    where = f"{title.split()[0]} {band}"
                    if where not in reasons.setdefault(reason, []):
                        reasons[reason].append(where)
        lines.append(f"{band:>7}  " + "  ".join(cells))
    if reasons:
        lines.append("")
    for reason, where in reasons.items():
        shown = ", ".join(where[:6]) + (f" and {len(where) - 6} more" if len(where) > 6 else "")
        lines.append(f"{reason}: {shown}")
    return lines


def write_measured(measured: MeasuredDecay, folder: str | os.PathLike[str]) -> list[str]:
    """Write parameters.csv, parameters.png and a figure per response; the names of the files."""
    with OutputFolder(folder) as output:
        rows = [{**row, "flags": "; ".join(row["flags"])} for row in measured.rows()]
        write_rows(_even(rows), output.path("parameters.csv"))
        save(parameters_figure(measured.analysis, measured.mean), output.path("parameters.png"))
        shown = measured.labels[:MOST_FIGURES]
        for index, name in enumerate(safe_names(list(shown))):
            figure = decay_curves_figure(measured.analysis, plain_label(shown[index]), index)
            save(figure, output.path(f"decay-{name}.png"))
        save(energy_time_figure(measured.responses, measured.rate_hz, measured.labels), output.path("energy-time.png"))
        names = output.names
    return names


def _even(rows: list[dict]) -> list[dict]:
    """The same rows, all with the same columns."""
    columns = dict.fromkeys(key for row in rows for key in row)
    return [{key: row.get(key) for key in columns} for row in rows]
