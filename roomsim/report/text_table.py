"""Plain tables for terminals and files."""

from __future__ import annotations

from collections.abc import Sequence


def aligned(head: Sequence[str], rows: Sequence[Sequence[str]], left: int = 1) -> list[str]:
    """Lines of a table; the first `left` columns start at the left, the others end at the right."""
    table = [list(head), *map(list, rows)]
    widths = [max(len(row[k]) for row in table) for k in range(len(head))]
    return [
        "  ".join(cell.ljust(width) if k < left else cell.rjust(width)
                  for k, (cell, width) in enumerate(zip(row, widths, strict=True))).rstrip()
        for row in table
    ]
