"""Direct, early and late sound of a result, and its early reflections: tables, and lines for the screen."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from ..analysis.balance import REFERENCE_LIMIT_DB, Balance, EarlyJudgement, balance, judge_early, with_wall_images
from ..bands import from_db
from ..conventions import BOX_FACES, EARLY_WINDOW_MS, LISTED_DB
from .cases import main_variant, metadata, of_case, variant_dimensions, variant_name, variants
from .style import plain_label
from .text_table import aligned

if TYPE_CHECKING:
    from xarray import Dataset

PARTS = ("direct_level_db", "early_level_db", "late_level_db")
FRACTION = 3
MOST_ROWS = 300_000
"""Lines of balance.csv; a larger study has the first cases there and everything in its arrays."""

MOST_PRINTED = 12
"""Lines about early reflections on the screen."""

RECOMMENDATION = f"{REFERENCE_LIMIT_DB:.0f} dB within {EARLY_WINDOW_MS:g} ms".replace("-", "−")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class EarlyReflections:
    """Early reflections of one channel at one seat, each with its image in the wall behind the loudspeaker.

    Attributes
    ----------
    channel, listener : labels
    faces : what each reflection hits, from the loudspeaker to the listener
    delay_ms, level_db, high_level_db, azimuth_deg, elevation_deg : as in roomsim.response.Reflection, by delay
    judgement : beside the recommendation for reference rooms
    """

    channel: str
    listener: int
    faces: tuple[tuple[str, ...], ...]
    delay_ms: np.ndarray
    level_db: np.ndarray
    high_level_db: np.ndarray
    azimuth_deg: np.ndarray
    elevation_deg: np.ndarray
    judgement: EarlyJudgement


def case_balance(result: Dataset, labels: dict[str, Any]) -> Balance:
    """Third-octave levels of the three parts of one case: channels summed in power, then the mean over the seats."""
    parts = []
    for name in PARTS:
        one = result[name].sel(labels).transpose("channel", "listener", "frequency")
        energy = from_db(one.values.astype(float))
        energy = np.nansum(energy[~np.isnan(energy).all(axis=(1, 2))], axis=0)
        parts.append(energy[~np.isnan(one.values).all(axis=(0, 2))].mean(axis=0))
    return balance(*parts, result["frequency"].values, fraction=FRACTION)


def balance_rows(result: Dataset) -> list[dict[str, Any]]:
    """Every case's third octaves as flat rows; levels re what `level_db` of the result is re."""
    rows: list[dict[str, Any]] = []
    for labels in _cases(result):
        if len(rows) >= MOST_ROWS:
            break
        found = case_balance(result, labels)
        columns = {
            "direct_db": found.direct_db, "early_db": found.early_db, "late_db": found.late_db,
            "direct_to_rest_db": found.direct_to_rest_db, "early_to_late_db": found.early_to_late_db,
        }
        for k, band in enumerate(found.band_hz):
            numbers = {name: round(float(values[k]), 2) for name, values in columns.items()}
            rows.append({**labels, "band_hz": round(float(band), 1), **numbers})
    return rows


def early_reflections(result: Dataset, labels: dict[str, Any]) -> list[EarlyReflections]:
    """Early reflections of one case, per channel and listed seat."""
    rows = of_case(metadata(result).get("reflections", []), **labels)
    found = []
    for channel, listener in dict.fromkeys((row["channel"], row["listener"]) for row in rows):
        some = sorted((row for row in rows if (row["channel"], row["listener"]) == (channel, listener)),
                      key=lambda row: row["delay_ms"])
        arrays = {name: np.array([row[name] for row in some], float) for name in (
            "delay_ms", "level_db", "high_level_db", "azimuth_deg", "elevation_deg")}
        kept, (level, high) = with_wall_images(
            [row["faces"] for row in some], arrays["delay_ms"], arrays["level_db"], arrays["high_level_db"])
        found.append(EarlyReflections(
            channel=channel, listener=listener + 1, faces=tuple(tuple(some[k]["faces"]) for k in kept),
            delay_ms=arrays["delay_ms"][kept], level_db=level, high_level_db=high,
            azimuth_deg=arrays["azimuth_deg"][kept], elevation_deg=arrays["elevation_deg"][kept],
            judgement=judge_early(arrays["delay_ms"][kept], high),
        ))
    return found


def reflection_rows(result: Dataset) -> list[dict[str, Any]]:
    """Every listed reflection as a flat row, by rising delay in each case, channel and seat.

    Examples
    --------
    >>> first = roomsim.reflections(quick_result())[0]
    >>> sorted(first)[:4]
    ['azimuth_deg', 'channel', 'delay_ms', 'design']
    """
    rows = []
    for labels in _cases(result):
        for some in early_reflections(result, labels):
            for k, faces in enumerate(some.faces):
                rows.append({
                    **labels, "channel": some.channel, "listener": some.listener, "faces": " > ".join(faces),
                    "delay_ms": round(float(some.delay_ms[k]), 3), "level_db": round(float(some.level_db[k]), 2),
                    "level_1_to_8_khz_db": round(float(some.high_level_db[k]), 2),
                    "azimuth_deg": round(float(some.azimuth_deg[k]), 1),
                    "elevation_deg": round(float(some.elevation_deg[k]), 1),
                    "exceeds_recommendation": "yes" if k in some.judgement.too_strong else "no",
                })
    return rows


def early_rows(result: Dataset) -> list[dict[str, Any]]:
    """Every case, channel and listed seat beside the recommendation, for machines: None where nothing is that early."""
    return [
        {
            **labels, "channel": one.channel, "listener": one.listener, "gap_ms": one.judgement.gap_ms,
            "strongest_db": one.judgement.strongest_db,
            "above_recommendation": [list(one.faces[k]) for k in one.judgement.too_strong],
        }
        for labels in _cases(result) for one in early_reflections(result, labels)
    ]


def early_lines(result: Dataset) -> list[str]:
    """First reflections of every room and design in the main variant, beside the recommendation: for people."""
    variant = main_variant(result)
    rows: list[list[str]] = []
    more, before = 0, None
    for room in result["room"].values:
        for design in result["design"].values:
            found = early_reflections(result, {"design": _plain(design), "room": _plain(room), **variant})
            if found and len(rows) < MOST_PRINTED:
                shown = "" if room == before else plain_label(room, 30)
                rows.append([shown, plain_label(design, 30), *_cells(found)])
                before = room
            elif found:
                more += 1
    if not rows:
        return []
    name = variant_name(result, variant)
    table = aligned(["room", "design", "gap ms", "strongest dB"], [row[:4] for row in rows], 2)
    where = "in the middle of the seats" + (f" ({name})" if name else "")
    lines = [f"Early reflections {where}, 1 to 8 kHz re the direct sound:"]
    lines += [f"  {line.ljust(len(max(table, key=len)))}  {last}" for line, last in
              zip(table, ["above the recommendation", *(row[4] for row in rows)], strict=True)]
    if more:
        lines.append(f"  … and {more} more lines in reflections.csv")
    lines.append(f"  recommendation for reference listening rooms: {RECOMMENDATION}. gap: until the first of at least "
                 f"{LISTED_DB:.0f} dB.".replace("-", "−"))
    return lines


def surface_name(faces: tuple[str, ...]) -> str:
    """What a reflection is called: its surfaces in the order in which it hits them."""
    if len(faces) == 1 and faces[0] in BOX_FACES[:4]:
        return f"{faces[0]} wall"
    return "–".join(faces)


def _cells(found: list[EarlyReflections]) -> list[str]:
    """Shortest gap, strongest reflection, and what exceeds the recommendation in any channel, strongest first."""
    gaps = [one.judgement.gap_ms for one in found if one.judgement.gap_ms is not None]
    levels = [one.judgement.strongest_db for one in found if one.judgement.strongest_db is not None]
    strong: dict[str, float] = {}
    for one in found:
        for k in one.judgement.too_strong:
            name = surface_name(one.faces[k])
            strong[name] = max(strong.get(name, -np.inf), float(one.high_level_db[k]))
    names = sorted(strong, key=lambda name: -strong[name])
    said = ", ".join(names[:4]) + (f" and {len(names) - 4} more" if len(names) > 4 else "")
    return [f"{min(gaps):.1f}" if gaps else f"over {EARLY_WINDOW_MS:g}",
            f"{max(levels):.1f}".replace("-", "−") if levels else "–", said or "none"]


def _cases(result: Dataset) -> list[dict[str, Any]]:
    """Labels of every case: room, design, then the others."""
    dims = variant_dimensions(result)
    return [
        {"room": _plain(room), "design": _plain(design), **{d: variant[d] for d in dims}}
        for room in result["room"].values for design in result["design"].values for variant in variants(result)
    ]


def _plain(label: Any) -> Any:
    return label.item() if isinstance(label, np.generic) else label
