"""What `roomsim check --against` prints."""

from __future__ import annotations

from collections.abc import Sequence

from ..analysis.recommendations import Item
from ..studies.recommended import Held
from .style import plain_label
from .text_table import aligned

MOST_PRINTED = 24
"""Tables on the screen; --json has all."""

MOST_NAMED = 3
"""Items that share a note and are named with it."""

HOW_KNOWN = ("known: how sure we are of the limit, from memory: the texts of the recommendations were not at hand.",
             "Ours: the text gives a value, the tolerance is our choice. Look a limit up before you rely on it.",
             "Homes need not meet any of this: it says what sets them apart from rooms in which sound is judged.")


def held_lines(held: Sequence[Held]) -> list[str]:
    """A table per room and recommendation, then how the limits are known."""
    lines: list[str] = []
    for one in held[:MOST_PRINTED]:
        name = ", ".join(plain_label(str(label), 30) for label in one.labels.values())
        counts = ", ".join(f"{one.count(status)} {status}" for status in ("met", "missed", "not known"))
        lines += [f"{name}, beside {one.recommendation}: {counts}", ""]
        rows = [(item.status, item.title, _value(item), limits(item), missed(item),
                 item.known.removeprefix("memory, ")) for item in one.items]
        table = aligned(("", "", "here", "asked for", "missed by", "known"), rows, 2)
        lines += [f"  {line}" for line in table]
        lines += ["", *(f"  {line}" for line in _notes(one.items)), ""]
    if (more := len(held) - MOST_PRINTED) > 0:
        lines += [f"… and {more} more with --json", ""]
    return [*lines, *HOW_KNOWN]


def limits(item: Item) -> str:
    """Limits of an item in words."""
    unit = f" {item.unit}" if item.unit else ""
    if item.low is not None and item.high is not None:
        return f"{_text(item, item.low)} to {_text(item, item.high)}{unit}"
    if item.high is not None:
        return f"at most {_text(item, item.high)}{unit}"
    return "–" if item.low is None else f"at least {_text(item, item.low)}{unit}"


def missed(item: Item) -> str:
    """By how much it is missed, with its sign; empty where it is not."""
    if item.status != "missed":
        return ""
    amount, unit = item.missed_by or 0.0, f" {item.unit}" if item.unit else ""
    said = _text(item, amount, "+")
    return f"{said}{unit}" if said.strip("+−0.") else f"under {said[1:-1]}1{unit}"


def _value(item: Item) -> str:
    return "–" if item.value is None else _text(item, item.value) + (f" {item.unit}" if item.unit else "")


def _text(item: Item, value: float, sign: str = "") -> str:
    digits = {"s": 2, "m": 2, "": 2}.get(item.unit, 1)
    return f"{value:{sign}.{digits}f}".replace("-", "−")


def _notes(items: Sequence[Item]) -> list[str]:
    """Notes, once for all items that share them."""
    shared: dict[str, list[str]] = {}
    for item in items:
        if item.note:
            shared.setdefault(item.note, []).append(item.title)
    return [f"{'; '.join(titles) if len(titles) <= MOST_NAMED else f'{len(titles)} of these'}: {note}"
            for note, titles in shared.items()]
