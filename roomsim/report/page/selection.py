"""What a page shows of a study of any size: everything where it fits, else what matters most."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from ..cases import metadata, variant_name, variants
from ..style import plain_label

if TYPE_CHECKING:
    from xarray import Dataset

    from ...analysis.verdict import Judgement

MOST_DESIGNS = 6
"""Curves in one panel that can be told apart."""
MOST_CASES = 12
"""Rooms (and settings, places, …) side by side."""
MAIN = "target_deviation_db"
"""The measure by which designs are ordered and rooms picked where not all can be shown."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Selection:
    """What is drawn.

    Attributes
    ----------
    result, judgement : the study
    designs : labels that are drawn; their place here is their pen
    cases : (room, variant) pairs that are drawn
    every : how many (room, variant) pairs there are
    why : how designs and cases were picked, empty where all are drawn
    """

    result: Dataset
    judgement: Judgement
    designs: tuple[Any, ...]
    cases: tuple[tuple[Any, dict[str, Any]], ...]
    every: int
    why: tuple[str, ...]

    @property
    def rooms(self) -> tuple[Any, ...]:
        """Rooms of the cases that are drawn, in the order of the study."""
        return tuple(dict.fromkeys(room for room, _ in self.cases))

    def case_name(self, room: Any, variant: dict[str, Any]) -> str:
        """What a case is called: its room, and what tells it from others of that room."""
        name = variant_name(self.result, variant)
        return plain_label(room, 60) + (f" · {name}" if name else "")

    def metadata(self) -> dict[str, Any]:
        return metadata(self.result)


def select(result: Dataset, judgement: Judgement) -> Selection:
    """Everything, or the designs that rank best and the cases in which they differ most."""
    every_design = [plain(d) for d in result["design"].values]
    cases = [(plain(room), variant) for room in result["room"].values for variant in variants(result)]
    why = []
    designs = every_design
    if len(every_design) > MOST_DESIGNS:
        ranked = [one.design for one in judgement.ranking if one.measure == MAIN]
        best = set([*ranked, *every_design][:MOST_DESIGNS]) if ranked else set(every_design[:MOST_DESIGNS])
        designs = [d for d in every_design if d in best][:MOST_DESIGNS]
        why.append(f"Figures draw {len(designs)} of {len(every_design)} designs: those closest to the target.")
    every = len(cases)
    if every > MOST_CASES:
        cases, how = _most_telling(judgement, cases)
        why.append(f"Figures show {len(cases)} of {every} rooms and states: {how}.")
    return Selection(result=result, judgement=judgement, designs=tuple(designs), cases=tuple(cases), every=every,
                     why=tuple(why))


def plain(label: Any) -> Any:
    """A label as a plain Python value."""
    return label.item() if isinstance(label, np.generic) else label


def _most_telling(
    judgement: Judgement, cases: list[tuple[Any, dict[str, Any]]]
) -> tuple[list[tuple[Any, dict[str, Any]]], str]:
    """The cases in which designs differ most (a single design: is worst), a third of them where they differ least."""
    values = judgement.measures[MAIN].transpose("design", "room", ...).values
    flat = values.reshape(values.shape[0], -1)                          # the order of `cases`
    with np.errstate(invalid="ignore"):
        weight = np.ptp(np.nan_to_num(flat), axis=0) if flat.shape[0] > 1 else np.nan_to_num(flat[0])
    order = np.argsort(-weight, kind="stable")
    least = MOST_CASES // 3
    picked = np.sort(np.concatenate([order[: MOST_CASES - least], order[-least:]]))
    how = ("those in which the designs' deviation from the target differs most, and four in which it differs least"
           if flat.shape[0] > 1 else "those furthest from the target, and the four closest to it")
    return [cases[k] for k in picked], how
