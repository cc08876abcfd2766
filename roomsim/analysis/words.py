"""Verdicts in words."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Any

from .measures import Measure
from .pairing import Estimate

if TYPE_CHECKING:
    from .verdict import Standing


def number(measure: Measure, value: float, sign: bool = False) -> str:
    """A value of a measure with its unit; one more digit than the table has, for differences."""
    digits = int(measure.form[-2]) if measure.form[-2].isdigit() else 0
    text = f"{value:+.{digits}f}" if sign else f"{value:{measure.form}}"
    return f"{text.replace('-', '−')} {measure.unit}".rstrip()


def difference_words(
    measure: Measure, first: Any, second: Any, here: Estimate, verdict: str, better: Any, rooms: int, confidence: float
) -> str:
    """One sentence on a difference."""
    what = f"{measure.title}, {first} less {second}"
    if verdict == "none":
        return f"{what}: exactly 0, no real difference"
    if here.low != here.low:                                       # NaN: a single seat, or nothing to compare
        if here.value != here.value:
            return f"{what}: cannot be compared"
        return f"{what}: {number(measure, here.value, True)}; one seat does not show whether it is real"
    interval = f"{number(measure, here.value, True)} ({confidence:.0%}: {_range(measure, here)})".replace("%", " %")
    where = "in this room" if rooms == 1 else "in these rooms"
    if verdict == "not shown":
        return f"{what}: {interval}, no real difference shown"
    if verdict == "too small":
        return f"{what}: {interval}, real but too small to matter (below {number(measure, measure.least).lstrip('+')})"
    end = f"; {better} is better" if better is not None else ""
    scope = f"real {where} and in rooms like these" if verdict == "general" else f"real {where}"
    if verdict == "real" and rooms > 1:
        scope += ", not shown for others"
    return f"{what}: {interval}, {scope}{end}"


def ranking_words(ranking: Iterable[Standing], measures: Mapping[str, Measure]) -> list[str]:
    """One sentence per measure: the order by the mean over the rooms, and the worst room of each."""
    lines: dict[str, list[str]] = {}
    for one in ranking:
        measure = measures[one.measure]
        lines.setdefault(one.measure, []).append(
            f"{one.rank} {one.design} {number(measure, one.mean)} "
            f"(worst {number(measure, one.worst)} in {one.worst_room})"
        )
    return [f"{measures[key].title}: " + ", ".join(parts) for key, parts in lines.items() if len(parts) > 1]


def _range(measure: Measure, here: Estimate) -> str:
    low, high = number(measure, here.low, True), number(measure, here.high, True)
    return f"{low.removesuffix(' ' + measure.unit)} to {high}"
