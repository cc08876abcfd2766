"""Walking through a result: its cases, the curves of each, and what a label is called."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np

from ..analysis.seats import band_level_db, channel_sum_db, seat_average_db, seat_spread_db, smoothed_db
from .style import plain_label

if TYPE_CHECKING:
    from xarray import Dataset

FRACTION = 6
"""Figures smooth over a sixth of an octave, tables use third octaves."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Curves:
    """What the figures show of one design in one room, setting, place and variation; arrays over frequency.

    Attributes
    ----------
    frequency_hz : shape (n_frequency,)
    level_db : seat average, channels summed in power, smoothed
    low_db, high_db : that less and plus the spread over the seats
    direct_db : seat average of the direct sound, smoothed
    """

    frequency_hz: np.ndarray
    level_db: np.ndarray
    low_db: np.ndarray
    high_db: np.ndarray
    direct_db: np.ndarray


def variant_dimensions(result: Dataset) -> tuple[str, ...]:
    """Dimensions beside design and room: setting, place and the vary keys, in the result's order."""
    return tuple(
        str(d) for d in result["level_db"].dims
        if d not in ("design", "room", "channel", "listener", "frequency")
    )


def variants(result: Dataset) -> Iterator[dict[str, Any]]:
    """Every combination of the labels of `variant_dimensions`."""
    dims = variant_dimensions(result)
    sizes = [result.sizes[d] for d in dims]
    for index in np.ndindex(*sizes):
        yield {d: result[d].values[k].item() if hasattr(result[d].values[k], "item") else result[d].values[k]
               for d, k in zip(dims, index, strict=True)}


def main_setting(result: Dataset) -> Any:
    """The setting of figures and lists that show a single one: ordinary, or else the first."""
    settings = [s.item() if hasattr(s, "item") else s for s in result["setting"].values]
    return "ordinary" if "ordinary" in settings else settings[0]


def main_variant(result: Dataset) -> dict[str, Any]:
    """The variant of figures and lists that show a single one: the first of the main setting."""
    main = main_setting(result)
    return next(variant for variant in variants(result) if variant["setting"] == main)


def variant_name(result: Dataset, variant: dict[str, Any], always: bool = False) -> str:
    """The labels that tell a variant from others in one line; empty where there is only one of each."""
    parts = []
    for d, label in variant.items():
        if result.sizes[d] > 1 or always:
            plain = f"{label:g}" if isinstance(label, float) else plain_label(label, 24)
            parts.append(plain if d in ("setting", "place") else f"{d} {plain}")
    return ", ".join(parts)


class CurveBook:
    """The curves of a result, each case computed once."""

    def __init__(self, result: Dataset) -> None:
        self.result = result
        self._known: dict[tuple, Curves] = {}

    def __call__(self, design: Any, room: Any, variant: dict[str, Any]) -> Curves:
        case = (design, room, *variant.values())
        if case not in self._known:
            self._known[case] = curves(self.result, design, room, variant)
        return self._known[case]


def curves(result: Dataset, design: Any, room: Any, variant: dict[str, Any]) -> Curves:
    """The curves of one case."""
    case = result.sel(design=design, room=room, **variant).reset_coords(drop=True)   # xarray compares them
    f = case["frequency"].values
    level = smoothed_db(seat_average_db(channel_sum_db(case["level_db"])), FRACTION).values
    direct = smoothed_db(seat_average_db(channel_sum_db(case["direct_level_db"])), FRACTION).values
    spread = seat_spread_db(case, FRACTION, 20.0, 20000.0)
    width = np.nan_to_num(np.interp(np.log(f), np.log(spread["band"].values), spread.values))   # NaN: one seat
    return Curves(
        frequency_hz=f, level_db=level, low_db=level - width, high_db=level + width, direct_db=direct
    )


def third_octave_db(result: Dataset, name: str = "level_db") -> Any:
    """Seat average of third-octave bands, channels summed in power; `band` last."""
    return band_level_db(seat_average_db(channel_sum_db(result[name])), 3)


def room_detail(result: Dataset, room: Any) -> str:
    """Volume and sizes of a room in one short line."""
    at = result.sel(room=room)
    sides = [float(at[name]) for name in ("length_m", "width_m", "height_m")]
    return f"{float(at['volume_m3']):.0f} m³   {sides[0]:.1f} × {sides[1]:.1f} × {sides[2]:.1f} m"


def level_label(result: Dataset) -> str:
    """Axis label of levels with their reference."""
    reference = result["level_db"].attrs.get("reference", "")
    if "free-field" in reference:
        return "Level in dB re own mean\nfree-field level at 1 m"
    return f"Level in dB {reference}".strip()


def metadata(result: Dataset) -> dict[str, Any]:
    """What a result records beside its arrays; read only."""
    return _parsed(result.attrs.get("metadata", "{}"))


@lru_cache(maxsize=4)
def _parsed(text: str) -> dict[str, Any]:
    return json.loads(text)


def of_case(rows: list[dict[str, Any]], **labels: Any) -> list[dict[str, Any]]:
    """Those entries of the metadata that carry these labels."""
    return [row for row in rows if all(row.get(dim) == label for dim, label in labels.items())]
