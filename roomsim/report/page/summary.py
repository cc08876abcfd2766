"""The first screen: question, verdict in words, one table of designs and rooms, what is certain and what is not."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from ...analysis.measures import Measure
from ...analysis.verdict import Difference, Judgement, Standing
from ...analysis.words import number
from ..cases import variant_dimensions
from ..style import plain_label
from .selection import MAIN, Selection, plain

MOST_ROWS, MOST_COLUMNS = 12, 6
OPENING = ("target_deviation_db", "narrow_band_deviation_db", "bass_extension_hz", "clarity_db", "seat_difference_db")
"""Measures of the table on the first screen; the others follow in the next one."""
MOST_SENTENCES = 6


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """A design in the table: cells of the rooms that are shown, then the mean and the worst over all rooms."""

    design: str
    pen: int | None
    cells: tuple[str, ...]
    best: tuple[bool, ...]
    mean: str
    mean_best: bool
    worst: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Group:
    """One measure in the table."""

    title: str
    unit: str
    better: str
    definition: str
    source: str
    remark: str
    rows: tuple[Row, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Summary:
    """What stands on the first screen.

    Attributes
    ----------
    compared : what was compared, in words
    verdict : one or two sentences
    certain, small, open : differences that are real and matter, that are too small to matter, that are not shown
    opening, rest : the table's measures: those that have a better end, and the others
    rooms : columns
    left_out : what the table leaves out
    """

    compared: str
    verdict: tuple[str, ...]
    certain: tuple[str, ...]
    small: str
    open: tuple[str, ...]
    opening: tuple[Group, ...]
    rest: tuple[Group, ...]
    rooms: tuple[str, ...]
    left_out: str


def summary(chosen: Selection) -> Summary:
    """The first screen of a study."""
    judgement = chosen.judgement
    rooms = [plain(r) for r in chosen.result["room"].values]
    columns = rooms if len(rooms) <= MOST_COLUMNS else list(chosen.rooms)[:MOST_COLUMNS]
    designs = _ordered(chosen)
    shown = designs[:MOST_ROWS]
    groups = {one.key: _group(chosen, one, shown, columns) for one in judgement.definitions}
    known = {key: group for key, group in groups.items() if group is not None}
    left = []
    if len(shown) < len(designs):
        left.append(f"{len(designs) - len(shown)} designs further from the target")
    if len(columns) < len(rooms):
        left.append(f"{len(rooms) - len(columns)} rooms (mean and worst are over all of them)")
    return Summary(
        compared=_compared(chosen), verdict=_verdict(judgement, designs, rooms), certain=_certain(judgement, designs),
        small=_small(judgement), open=_open(judgement, designs),
        opening=tuple(known[key] for key in OPENING if key in known),
        rest=tuple(group for key, group in known.items() if key not in OPENING),
        rooms=tuple(plain_label(r) for r in columns),
        left_out=("Not in this table: " + " and ".join(left) + "; see table.csv.") if left else "",
    )


def _ordered(chosen: Selection) -> list[Any]:
    """All designs, best first by the main measure."""
    ranked = [one.design for one in chosen.judgement.ranking if one.measure == MAIN]
    return [*ranked, *(d for d in map(plain, chosen.result["design"].values) if d not in ranked)]


def _compared(chosen: Selection) -> str:
    result = chosen.result
    parts = [_counted(result, "design"), _counted(result, "room")]
    parts += [_counted(result, d) for d in variant_dimensions(result) if result.sizes[d] > 1]
    single = [f"{d} {plain_label(result[d].values[0])}" for d in ("setting", "place") if result.sizes.get(d) == 1]
    low, high = (float(result["frequency"].values[k]) for k in (0, -1))
    seats, channels = result.sizes["listener"], result.sizes["channel"]
    about = [*single, f"{seats} seat{'s' if seats > 1 else ''}", f"{channels} channel{'s' if channels > 1 else ''}",
             f"{low:.0f} Hz to {high / 1000:.3g} kHz" if high >= 1000 else f"{low:.0f} to {high:.0f} Hz"]
    return " × ".join(parts) + "; " + ", ".join(about) + "."


def _counted(result: Any, dimension: str) -> str:
    labels = [plain_label(v, 30) if not isinstance(v, float) else f"{v:g}" for v in result[dimension].values.tolist()]
    named = ", ".join(labels[:6]) + (", …" if len(labels) > 6 else "")
    word = dimension if dimension in ("design", "room", "setting", "place") else f"value of {dimension}"
    many = {"value": "values"}.get(word.split(" ")[0], f"{word}s")
    plural = word if len(labels) == 1 else many if " " not in word else word.replace("value", "values", 1)
    return f"{len(labels)} {plural} ({named})"


def _verdict(judgement: Judgement, designs: list[Any], rooms: list[Any]) -> tuple[str, ...]:
    """Who comes closest to the target, and whether that is real."""
    standing = {one.design: one for one in judgement.ranking if one.measure == MAIN}
    if not standing:
        return ("The result does not reach far enough to be measured against the target.",)
    main = next(one for one in judgement.definitions if one.key == MAIN)
    best = standing[designs[0]]
    said = f"{number(main, best.mean)} from the target on average"
    worst = f"{number(main, best.worst)} in {plain_label(best.worst_room)}, its worst room"
    if len(standing) == 1:
        return (f"{plain_label(best.design)} stays {said}" + (f", {worst}." if len(rooms) > 1 else "."),)
    pair = _pair(judgement, designs[0], designs[1])
    second = standing[designs[1]]
    against = f"{number(main, best.mean)} against {number(main, second.mean)} for {plain_label(second.design)}"
    name = plain_label(best.design)
    if pair is not None and pair.real:
        where = "in these rooms and in rooms like these" if pair.verdict == "general" else (
            "in these rooms" + ("; for other rooms that is not shown" if len(rooms) > 1 else ""))
        first = f"{name} comes closest to the target: {against}, mean deviation. The difference is real {where}."
    elif pair is not None and pair.verdict == "too small":
        first = (f"By deviation from the target no design wins: {name} is ahead, {against}, a difference that is real "
                 "but too small to matter.")
    else:
        first = f"By deviation from the target no design wins: {against} for {name} is no difference that is shown."
    last = standing[designs[-1]] if len(designs) > 2 else None
    return (first, *([f"Furthest: {plain_label(last.design)}, {number(main, last.mean)}."] if last is not None else []))


def _pair(judgement: Judgement, a: Any, b: Any, measure: str = MAIN) -> Difference | None:
    return next((d for d in judgement.differences if d.measure == measure and {d.first, d.second} == {a, b}), None)


def _relevant(judgement: Judgement, designs: list[Any]) -> list[Difference]:
    """Those of the best design against the others; all of them where there are few."""
    if len(designs) <= 3:
        return list(judgement.differences)
    return [d for d in judgement.differences if designs[0] in (d.first, d.second)]


def _certain(judgement: Judgement, designs: list[Any]) -> tuple[str, ...]:
    found = [d for d in _relevant(judgement, designs) if d.real]
    found.sort(key=lambda d: (d.better is None, d.verdict != "general"))
    words = [_upper(d.words) for d in found[:MOST_SENTENCES]]
    if len(found) > MOST_SENTENCES:
        words.append(f"… and {len(found) - MOST_SENTENCES} more real differences, listed below the table.")
    return tuple(words)


def _small(judgement: Judgement) -> str:
    titles = {one.key: one.title for one in judgement.definitions}
    keys = dict.fromkeys(d.measure for d in judgement.differences if d.verdict == "too small")
    never = [key for key in keys
             if not any(d.real for d in judgement.differences if d.measure == key)]
    return ", ".join(titles[key] for key in never)


def _open(judgement: Judgement, designs: list[Any]) -> tuple[str, ...]:
    found = [d for d in _relevant(judgement, designs) if d.verdict == "not shown" and np.isfinite(d.here.value)]
    words = [_upper(d.words) for d in found[:MOST_SENTENCES]]
    if len(found) > MOST_SENTENCES:
        words.append(f"… and {len(found) - MOST_SENTENCES} more comparisons that show no real difference.")
    return tuple(words)


def _group(chosen: Selection, one: Measure, designs: list[Any], rooms: list[Any]) -> Group | None:
    """Means per design and room, over settings, places and what varies."""
    values = chosen.judgement.measures[one.key]
    others = [d for d in values.dims if d not in ("design", "room")]
    table = values.mean(others, skipna=True).transpose("design", "room")
    if not np.isfinite(table.values).any():
        return None
    standings: dict[Any, Standing] = {s.design: s for s in chosen.judgement.ranking if s.measure == one.key}
    means = {d: float(np.nanmean(table.sel(design=d).values)) if np.isfinite(table.sel(design=d).values).any()
             else float("nan") for d in map(plain, table["design"].values)}
    real = any(d.real for d in chosen.judgement.differences if d.measure == one.key)
    every_mean = np.array(list(means.values()))
    rows = []
    for design in designs:
        cells = [float(table.sel(design=design, room=room)) for room in rooms]
        rows.append(Row(
            design=plain_label(design), pen=chosen.designs.index(design) if design in chosen.designs else None,
            cells=tuple(_text(one, v) for v in cells),
            best=tuple(real and _is_best(one, v, table.sel(room=room).values)
                       for v, room in zip(cells, rooms, strict=True)),
            mean=_text(one, means[design]), mean_best=real and _is_best(one, means[design], every_mean),
            worst=_worst(one, standings.get(design)),
        ))
    better = {"low": "less is better", "high": "more is better", "": "only describes"}[one.better]
    return Group(title=_upper(one.title), unit=one.unit, better=better, definition=one.definition,
                 source=one.source, remark=_remark(chosen, one, designs), rows=tuple(rows))


def _remark(chosen: Selection, one: Measure, designs: list[Any]) -> str:
    """Whether the differences of a measure are real, in a few words."""
    found = [d for d in chosen.judgement.differences if d.measure == one.key]
    if not found:
        return ""
    kinds = {d.verdict for d in found}
    if len(found) == 1:
        return {"none": "alike", "not shown": "no difference shown", "too small": "too small to matter",
                "real": "real in these rooms", "general": "real, here and elsewhere"}[found[0].verdict]
    real = sum(d.real for d in found)
    if real:
        return f"{real} of {len(found)} pairs really differ"
    return "too small to matter" if "too small" in kinds else "no difference shown"


def _is_best(one: Measure, value: float, of: np.ndarray) -> bool:
    """Best of several as far as the written digits tell; a draw has no best."""
    known = of[np.isfinite(of)]
    if one.better == "" or known.size < 2 or not np.isfinite(value):
        return False
    best = known.min() if one.better == "low" else known.max()
    written = [_text(one, float(v)) for v in known]
    return _text(one, value) == _text(one, float(best)) and len(set(written)) > 1


def _worst(one: Measure, standing: Standing | None) -> str:
    return "" if standing is None else f"{_text(one, standing.worst)} in {plain_label(standing.worst_room, 30)}"


def _text(one: Measure, value: float) -> str:
    return "–" if not np.isfinite(value) else f"{value:{one.form}}".replace("-", "−")


def _upper(text: str) -> str:
    return text[:1].upper() + text[1:]
