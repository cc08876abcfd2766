"""The modes of a result's rooms: the whole table, and those that shape the bass most."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from .cases import main_variant, metadata, of_case, variant_dimensions, variant_name
from .style import plain_label
from .text_table import aligned

if TYPE_CHECKING:
    from xarray import Dataset

SHAPING = 5
"""So many modes are printed per room."""

MOST_PRINTED = 6
"""Rooms whose modes are printed; all stand in the file."""

MOST_COLUMNS = 60
"""Where designs have more drivers by name, the file leaves out the coupling of single ones."""


def mode_rows(result: Dataset) -> list[dict[str, Any]]:
    """Every mode of every case by rising frequency: flat rows with the same keys.

    `rank` 1 is the mode with the highest level at the seats; indices are half waves along length, width, height,
    none in rooms that are no box. Couplings are re the mean over the whole room, levels re each
    channel's free-field level at 1 m.
    """
    cases = metadata(result).get("modes", [])
    channels = list(dict.fromkeys(name for case in cases for name in case["channels"]))
    drivers = list(dict.fromkeys(name for case in cases for name in case["drivers"]))
    labels = ("room", "design", *variant_dimensions(result))
    rows = []
    for case in cases:
        ranked = list(enumerate(case["modes"], start=1))
        for rank, mode in sorted(ranked, key=lambda item: item[1]["frequency_hz"]):
            row = {name: case.get(name) for name in labels}
            row |= {
                "frequency_hz": mode["frequency_hz"], "kind": mode["kind"],
                **dict(zip(("n_length", "n_width", "n_height"), _half_waves(mode), strict=True)),
                "decay_s": mode["decay_s"], "rank": rank, "level_re_strongest_db": mode["share_db"],
                "seats_coupling_db": mode["seats_db"],
            }
            pairs = zip(mode["level_db"], mode["channel_db"], strict=True)
            of_channels = dict(zip(case["channels"], pairs, strict=True))
            for name in channels:
                row[f"{name} level_db"], row[f"{name} coupling_db"] = of_channels.get(name, (None, None))
            if len(drivers) <= MOST_COLUMNS:
                of_drivers = dict(zip(case["drivers"], mode["driver_db"], strict=True))
                row |= {f"{name} coupling_db": of_drivers.get(name) for name in drivers}
            rows.append(row)
    return rows


def _half_waves(mode: dict[str, Any]) -> tuple[int | None, ...]:
    return tuple(mode["indices"]) if len(mode["indices"]) == 3 else (None, None, None)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RoomModes:
    """Modes of one room in one variant, over its designs, by rising frequency; arrays of shape (n_mode,).

    Attributes
    ----------
    frequency_hz, decay_s : NaN for a mode that never decays
    kind, indices : type, half waves along length, width, height (its number in rooms that are no box)
    level_db, low_db, high_db : at the seats re the strongest mode of the same design: median, least and largest
        over the designs
    seats_db : coupling of the seats re the mean over the room
    channels : (design, channel, coupling of each mode), first design first
    strongest : positions of those that shape the bass most, strongest first
    """

    frequency_hz: np.ndarray
    decay_s: np.ndarray
    kind: tuple[str, ...]
    indices: tuple[tuple[int, ...], ...]
    level_db: np.ndarray
    low_db: np.ndarray
    high_db: np.ndarray
    seats_db: np.ndarray
    channels: tuple[tuple[str, str, np.ndarray], ...]
    strongest: tuple[int, ...]


def room_modes(result: Dataset, room: Any, variant: dict[str, Any]) -> RoomModes | None:
    """The modes that every design of a room lists; None where there are none."""
    cases = of_case(metadata(result).get("modes", []), room=room, **variant)
    found: dict[tuple, list[dict[str, Any]]] = {}
    for case in cases:
        for mode in case["modes"]:
            if mode["share_db"] is not None:
                found.setdefault(_name(mode), []).append(mode)
    shared = sorted((modes for modes in found.values() if len(modes) == len(cases)), key=lambda m: m[0]["frequency_hz"])
    if not shared:
        return None
    first = [modes[0] for modes in shared]
    levels = np.array([[mode["share_db"] for mode in modes] for modes in shared])
    level = np.median(levels, axis=1)
    channels = []
    for case in cases:
        of = {_name(mode): mode["channel_db"] for mode in case["modes"]}
        for k, channel in enumerate(case["channels"]):
            channels.append((case["design"], channel, _numbers([of[_name(mode)][k] for mode in first], -np.inf)))
    return RoomModes(
        frequency_hz=np.array([mode["frequency_hz"] for mode in first]),
        decay_s=_numbers([mode["decay_s"] for mode in first], np.nan),
        kind=tuple(mode["kind"] for mode in first), indices=tuple(tuple(mode["indices"]) for mode in first),
        level_db=level, low_db=levels.min(axis=1), high_db=levels.max(axis=1),
        seats_db=_numbers([mode["seats_db"] for mode in first], -np.inf), channels=tuple(channels),
        strongest=tuple(int(n) for n in np.argsort(-level, kind="stable")[:SHAPING]),
    )


def _name(mode: dict[str, Any]) -> tuple:
    """Indices and frequency: a resonant wall can give the same indices two modes."""
    return (*mode["indices"], mode["frequency_hz"])


def _numbers(values: list[float | None], instead: float) -> np.ndarray:
    return np.array([instead if value is None else value for value in values])


def shaping_modes(result: Dataset) -> list[dict[str, Any]]:
    """The modes that shape the bass most of every case: as the metadata holds them, SHAPING of each."""
    return [{**case, "modes": case["modes"][:SHAPING]} for case in metadata(result).get("modes", [])]


def mode_lines(result: Dataset) -> list[str]:
    """The modes that shape the bass most, per room, in the variant that figures show: lines for people."""
    variant = main_variant(result)
    rooms = list(result["room"].values)
    rows: list[list[str]] = []
    for room in rooms[:MOST_PRINTED]:
        modes = room_modes(result, room, variant)
        for k, n in enumerate(modes.strongest if modes else ()):
            decay = f"{modes.decay_s[n]:.2f}" if np.isfinite(modes.decay_s[n]) else "–"
            rows.append([
                plain_label(room, 30) if k == 0 else "", modes.kind[n], " ".join(map(str, modes.indices[n])),
                f"{modes.frequency_hz[n]:.0f}", decay, _signed(modes.level_db[n]), _signed(modes.seats_db[n]),
            ])
    if not rows:
        return []
    several = "median of the designs" if result.sizes["design"] > 1 else ""
    said = ", ".join(text for text in (variant_name(result, variant), several) if text)
    head = ["room", "type", "indices", "Hz", "decay s", "level dB", "seats dB"]
    lines = [f"Modes that shape the bass most{f' ({said})' if said else ''}, of all that stand in modes.csv:"]
    lines += [f"  {line}" for line in aligned(head, rows, left=3)]
    if len(rooms) > MOST_PRINTED:
        lines.append(f"  … and {len(rooms) - MOST_PRINTED} more rooms")
    lines.append("  level: at the seats, re the strongest. seats: their coupling, re the mean over the room.")
    return lines


def _signed(level_db: float) -> str:
    return f"{level_db:+.0f}".replace("-", "−").replace("+0", "0").replace("−0", "0") if np.isfinite(level_db) else "–"
