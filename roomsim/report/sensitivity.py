"""What moves the response at the seats: table, figure and files of a sensitivity study."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from ..files.output import OutputFolder
from ..files.table_csv import write_rows
from ..studies.sensitivity import KINDS, Sensitivity
from .style import COLOURS, DASHES, HAIRLINE, INK, QUIET, drawing, new_figure, save, spread_out
from .text_table import aligned

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_WORD = {"out": "out from the wall", "along": "along the wall", "height": "up and down", "corner": "into the corner",
         "cabinet": "into an open cabinet", "back": "back and forth", "across": "to the sides"}


def sensitivity_lines(found: Sensitivity) -> list[str]:
    """The printed table: half a metre each, below and above where the modes decide."""
    rows: dict[str, list[str]] = {}
    summary = found.summary()
    ranges = list(dict.fromkeys(row["range"] for row in summary))
    rooms = [key for key in summary[0] if key.endswith("_db") and key != "change_db"]
    for row in summary:
        by = "" if row["step_m"] is None else f"{row['step_m']:g} m"
        line = rows.setdefault(row["kind"], [row["moves"], row["how"], by])
        line.append(_db(row["change_db"]))
        values = [row[room] for room in rooms if row[room] is not None]
        line.append("" if len(values) < 2 else f"{min(values):.1f} to {max(values):.1f}")
    head = ["moves", "how", "by"]
    for name in ranges:
        head += [name, "rooms"]
    lines = aligned(head, list(rows.values()), left=2)
    lines += ["", "Change of the seat average, dB, root mean square over third octaves: mean over rooms, designs and",
              "settings, and the least and most of the rooms. The zone stays when the loudspeaker moves."]
    designs = found.designs_db.isel(design=slice(1, None)).mean([d for d in found.designs_db.dims if d != "range"])
    if found.designs_db.sizes["design"] > 1:
        said = ", ".join(f"{float(v):.1f} dB at {name}" for name, v in zip(ranges, designs.values, strict=True))
        lines.append(f"For comparison, the designs differ from the first, levels matched, by {said}.")
    return lines


def _db(value: float | None) -> str:
    return "–" if value is None else f"{value:.1f}"


def sensitivity_rows(found: Sensitivity) -> list[dict[str, Any]]:
    """Every move of every case, a line per range."""
    dims = [d for d in found.change_db.dims if d not in ("move", "range")]
    rows = []
    stacked = found.change_db.transpose(*dims, "move", "range")
    for at in np.ndindex(*(stacked.sizes[d] for d in dims)):
        case = stacked.isel(dict(zip(dims, at, strict=True)))
        labels = {d: stacked[d].values[k].item() for d, k in zip(dims, at, strict=True)}
        for k, move in enumerate(found.moves):
            for n, name in enumerate(case["range"].values):
                rows.append({**labels, "moves": KINDS[move.kind][0], "kind": move.kind, "by_m": move.by_m or None,
                             "range": str(name), "change_db": round(float(case.values[k, n]), 3)})
    return rows


def sensitivity_figure(found: Sensitivity) -> Figure:
    """Change over distance moved, below and above where the modes decide, side by side."""
    with drawing():
        figure = new_figure(11.5, 5.6)
        names = list(found.change_db["range"].values)
        everything = [d for d in found.change_db.dims if d not in ("move", "range")]
        mean = found.change_db.mean(everything)
        top = max(float(np.nanmax(mean.values)) * 1.12, 1.0)
        for n, name in enumerate(names):
            axes = figure.add_axes((0.06 + 0.485 * n, 0.13, 0.27, 0.66))
            _panel(axes, found, top, name)
            if n == 0:
                axes.set_ylabel("Change of the seat average in dB, rms over third octaves")
        figure.text(0.06, 0.93, "What moves the response at the seats", fontsize=15, fontweight="bold", va="center")
        figure.text(0.06, 0.875, "dark: the loudspeaker moves; orange: the listening zone. "
                    "Mean over rooms, settings and designs; numbers are for half a metre, or for the move as a whole.",
                    fontsize=9.5, color=QUIET, va="center")
    return figure


def _panel(axes: Axes, found: Sensitivity, top: float, name: str) -> None:
    furthest = max((abs(move.by_m) for move in found.moves), default=1.0) or 1.0
    axes.set_xlim(0, furthest * 1.02)
    axes.set_ylim(0, top)
    axes.grid(axis="y", color=HAIRLINE, linewidth=0.8)
    axes.set_xlabel("Moved by, in m (mean of both directions)")
    axes.set_title(str(name), loc="left", fontsize=11, color=INK)
    ends = []
    for k, kind in enumerate(kind for kind in KINDS if any(move.kind == kind for move in found.moves)):
        colour = COLOURS[0] if KINDS[kind][0] == "loudspeaker" else COLOURS[1]
        steps = sorted({abs(move.by_m) for move in found.moves if move.kind == kind})
        values = [float(found.at_step(kind, step).sel(range=name).mean()) for step in steps]
        if not np.isfinite(values).any():
            continue
        if steps == [0.0]:
            axes.plot(furthest, values[0], marker="D", color=colour, markersize=6, clip_on=False, linestyle="none")
        else:
            axes.plot([0, *steps], [0, *values], color=colour, linestyle=DASHES[k % 4], linewidth=1.8, marker="o",
                      markersize=4)
        half = float(found.at_step(kind).sel(range=name).mean())
        ends.append((values[-1], steps[-1] or furthest, f"{_WORD[kind]}  {_db(half if np.isfinite(half) else None)} dB",
                     colour))
    for y, (value, x, text, colour) in zip(spread_out([e[0] for e in ends], top * 0.062), ends, strict=True):
        axes.annotate(text, (furthest * 1.03, y), xytext=(14, 0), textcoords="offset points", va="center", fontsize=9.5,
                      color=colour, annotation_clip=False)
        axes.annotate("", (x, value), xytext=(furthest * 1.085, y), annotation_clip=False,
                      arrowprops={"arrowstyle": "-", "color": QUIET, "linewidth": 0.6, "shrinkA": 0, "shrinkB": 4})


def write_sensitivity(found: Sensitivity, folder: str | os.PathLike[str]) -> list[Path]:
    """Write sensitivity.png, sensitivity.csv (half a metre) and moves.csv (every move), all or none.

    Raises
    ------
    OutputError : as `roomsim.report`
    """
    with OutputFolder(folder) as output:
        save(sensitivity_figure(found), output.path("sensitivity.png"))
        write_rows(found.summary(), output.path("sensitivity.csv"))
        write_rows(sensitivity_rows(found), output.path("moves.csv"))
        names = output.names
    return [output.folder / name for name in names]
