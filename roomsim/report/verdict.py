"""A judgement as rows for tables and files, and as lines for the screen."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from ..analysis.comparing import Curves
from ..analysis.peaks import Peak
from ..analysis.verdict import Judgement
from ..analysis.words import number
from .text_table import aligned

if TYPE_CHECKING:
    from xarray import Dataset

MOST_LINES = 40


def measure_rows(judged: Judgement) -> list[dict[str, Any]]:
    """A line per case: labels, then every measure; NaN becomes None."""
    data = judged.measures
    dims = list(data.dims)
    rows = []
    for at in np.ndindex(*(data.sizes[d] for d in dims)):
        case = data.isel(dict(zip(dims, at, strict=True)))
        values = {one.key: float(case[one.key]) for one in judged.definitions}
        if any(np.isfinite(v) for v in values.values()):
            rows.append({**{d: data[d].values[k].item() for d, k in zip(dims, at, strict=True)},
                         **{key: round(v, 4) if np.isfinite(v) else None for key, v in values.items()}})
    return rows


def ranking_rows(judged: Judgement) -> list[dict[str, Any]]:
    """A line per measure and design, best first."""
    titles = {one.key: one for one in judged.definitions}
    return [
        {"measure": s.measure, "unit": titles[s.measure].unit, "design": s.design, "rank": s.rank,
         "mean": round(s.mean, 4), "worst_rank": s.worst_rank, "worst": round(s.worst, 4), "worst_room": s.worst_room}
        for s in judged.ranking
    ]


def difference_rows(judged: Judgement) -> list[dict[str, Any]]:
    """A line per measure and pair of designs."""
    titles = {one.key: one for one in judged.definitions}
    return [
        {"measure": d.measure, "unit": titles[d.measure].unit, "first": d.first, "second": d.second,
         "difference": _value(d.here.value), "low": _value(d.here.low), "high": _value(d.here.high), "p": _value(d.p),
         "elsewhere_low": _value(d.elsewhere.low), "elsewhere_high": _value(d.elsewhere.high),
         "p_elsewhere": _value(d.p_elsewhere), "verdict": d.verdict, "better": d.better, "words": d.words}
        for d in judged.differences
    ]


def peak_rows(peaks: Sequence[Peak]) -> list[dict[str, Any]]:
    """A line per narrow peak."""
    return [
        {"design": p.design, "room": p.room, "frequency_hz": round(p.frequency_hz, 1), "owner": p.owner,
         "height_db": round(p.height_db, 2), "own_db": round(p.own_db, 2), "stays": round(p.stays, 3), "words": p.words}
        for p in peaks
    ]


def curve_rows(found: Curves) -> list[dict[str, Any]]:
    """A line per case and band of a difference curve, the mean over all cases last (its labels are empty)."""
    rows = _rows(found.curves, found)
    dims = [d for d in found.curves["difference_db"].dims if d != "band"]
    return rows + [{**row, **dict.fromkeys(dims, "")} for row in _rows(found.mean, found, dims)]


def _rows(data: Dataset, found: Curves, extra: Sequence[str] = ()) -> list[dict[str, Any]]:
    dims = [d for d in data["difference_db"].dims if d != "band"]
    names = ("difference_db", "low_db", "high_db", "seats_db", "rays_db", "inputs_db")
    rows = []
    for at in np.ndindex(*(data.sizes[d] for d in dims)):
        case = data.isel(dict(zip(dims, at, strict=True)))
        labels = {"first": found.first, "second": found.second,
                  **{d: data[d].values[k].item() for d, k in zip(dims, at, strict=True)}, **dict.fromkeys(extra, "")}
        for k, f in enumerate(data["band"].values):
            rows.append({**labels, "band_hz": round(float(f), 2),
                         **{name: _value(case[name].values[k]) for name in names}})
    return rows


def _value(x: Any) -> float | None:
    return round(float(x), 5) if x is not None and np.isfinite(x) else None


def verdict_lines(judged: Judgement, peaks: Sequence[Peak] = ()) -> list[str]:
    """What the screen shows: each measure's mean over the rooms per design, then what is real, then the peaks."""
    designs = [str(d) for d in judged.measures["design"].values]
    over = [d for d in judged.measures.dims if d not in ("design", "room")]
    rows = []
    for one in judged.definitions:
        per_room = judged.measures[one.key].mean(over)
        if not np.isfinite(per_room.values).any():
            continue
        cells = []
        for k in range(len(designs)):
            values = per_room.isel(design=k).values
            worst = _worst(values, one.better)
            mean = "–"
            if np.isfinite(values).any():
                mean = number(one, float(np.nanmean(values))).removesuffix(f" {one.unit}")
            cells.append(mean + (f"  ({number(one, worst).removesuffix(f' {one.unit}')})" if worst is not None else ""))
        rows.append([one.title, one.unit, *cells])
    lines = aligned(["mean of the rooms (worst room)", "", *designs], rows, left=2)
    real = [d.words for d in judged.differences if d.real]
    small = sum(d.verdict == "too small" for d in judged.differences)
    lines += ["", "Differences that are real:" if real else "No difference is real and large enough to matter."]
    lines += [f"  {words}" for words in real[:MOST_LINES]]
    if len(real) > MOST_LINES:
        lines.append(f"  … {len(real) - MOST_LINES} more in differences.csv")
    if small:
        lines.append(f"{small} more are real but too small to matter; all stand in differences.csv.")
    own = [p for p in peaks if p.owner == "loudspeaker"]
    rooms = [p for p in peaks if p.owner == "room"]
    if own:
        lines += ["", "Narrow peaks of the loudspeakers, which stay in every room:"]
        lines += [f"  {p.words}" for p in own[:MOST_LINES]]
    if rooms:
        highest = max(rooms, key=lambda p: p.height_db).words
        lines += ["", f"{len(rooms)} narrow peaks are the rooms'; the highest: {highest}"]
    return lines


def explanation_lines(judged: Judgement) -> list[str]:
    """Every measure's definition and source."""
    return [f"{one.title} [{one.unit}]: {one.definition}. Source: {one.source}." for one in judged.definitions]


def _worst(values: np.ndarray, better: str) -> float | None:
    if not better or np.isfinite(values).sum() < 2:
        return None
    return float(np.nanmax(values) if better == "low" else np.nanmin(values))


