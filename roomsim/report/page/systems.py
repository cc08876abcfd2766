"""Systems and programme levels on the page: what the receiver set, how loud it is at the seats, what is left."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from ..cases import main_setting, metadata, variant_dimensions
from ..style import plain_label
from ..systems import programme_cells, programme_rows, programme_words, receiver_cells, receiver_rows
from .selection import Selection

FIRST, MOST = 16, 300
"""Lines in sight, and lines on the page; all stand in the files."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Listing:
    """A section that is a table.

    Attributes
    ----------
    key, link, title : of the section, of the link to it, and its heading
    words, caption : what it shows
    head, rows : columns and lines; the first lines stand in sight
    first : how many
    more : lines that stand in the file only
    file : that has all of them
    """

    key: str
    link: str
    title: str
    words: str
    caption: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    first: int
    more: int
    file: str


def listings(chosen: Selection) -> list[Listing]:
    """The sections that a study has: of receivers where there are systems, of levels where a programme is played."""
    result, found = chosen.result, []
    if rows := receiver_rows(result):
        head, cells = receiver_cells(rows)
        found.append(_listing(
            chosen, rows, head, cells, key="receiver", link="Receiver", title="What the receiver set",
            caption="Per case and channel", file="receiver.csv",
            words="Loudspeakers as the centre of the seats sees them; azimuth and elevation in degrees, positive to "
                  "the left and up. Gain, delay and polarity are aligned at the average of the seats, as a receiver "
                  "does."))
    if rows := programme_rows(result):
        head, cells = programme_cells(rows)
        said = programme_words(metadata(result)["programme"])
        found.append(_listing(
            chosen, rows, head, cells, key="programme", link="Level and headroom", title="How loud, and what is left",
            caption="Levels at the seats, re 20 µPa", file="programme.csv",
            words=f"{said[:1].upper()}{said[1:]}. Power sum: channels with unlike signals; coherent sum: the same "
                  "signal in all. Headroom: until a driver's limit; negative: too loud for it. "
                  "Loud playback harms hearing."))
    return found


def _listing(
    chosen: Selection, rows: list[dict[str, Any]], head: list[str], cells: list[list[str]], **words: str
) -> Listing:
    """The lines of drawn cases, those of the main setting first."""
    result = chosen.result
    named = [d for d in ("room", "design", *variant_dimensions(result)) if result.sizes[d] > 1]
    drawn = {(room, *variant.values()): k for k, (room, variant) in enumerate(chosen.cases)}
    dims, main = variant_dimensions(result), main_setting(result)
    order = []
    for k, row in enumerate(rows):
        case = drawn.get((row["room"], *(row[d] for d in dims)))
        if case is not None and row["design"] in chosen.designs:
            order.append((row["setting"] != main, case, chosen.designs.index(row["design"]), k))
    lines = tuple(
        (*(f"{rows[k][d]:g}" if isinstance(rows[k][d], float) else plain_label(rows[k][d], 30) for d in named),
         *cells[k])
        for *_, k in sorted(order)[:MOST])
    first = FIRST if len(lines) > FIRST + 4 else len(lines)
    return Listing(head=(*named, *head), rows=lines, first=first, more=len(rows) - len(lines), **words)
