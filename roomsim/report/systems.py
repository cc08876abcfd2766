"""What the receiver of a system set, and how loud a programme is at the seats: for people and as flat rows."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from .cases import main_variant, metadata, variant_dimensions, variant_name
from .style import plain_label
from .text_table import aligned

if TYPE_CHECKING:
    from xarray import Dataset

MOST_PRINTED = 16
"""Lines of each table on the screen; all stand in the files."""


def receiver_rows(result: Dataset) -> list[dict[str, Any]]:
    """What stands where in every case of a system, and what its receiver set: flat rows, empty without systems."""
    rows = []
    for row in metadata(result).get("receivers", []):
        at = dict(zip(("x_m", "y_m", "z_m"), row["at_m"], strict=True))
        labels = {name: row[name] for name in _labels(result)}
        rows.append({**labels, "channel": row["channel"], "loudspeaker": row["loudspeaker"], **at,
                     **{key: value for key, value in row.items()
                        if key not in (*labels, "channel", "loudspeaker", "at_m")}})
    return rows


def programme_rows(result: Dataset) -> list[dict[str, Any]]:
    """The programme at the seats (means of p²) in every case: a flat row per channel and sum; empty without one.

    A channel's headroom is that of its driver with the least; of a sum, that of the whole design.
    """
    rows: list[dict[str, Any]] = []
    for case in metadata(result).get("programme", {}).get("cases", []):
        labels = {name: case[name] for name in _labels(result)}
        loads = {load["channel"]: load for load in case["loads"]}
        least = min(case["loads"], key=lambda load: load["headroom_db"], default=None)
        played = [("all, power sum", case["power_sum"], least), ("all, coherent sum", case["coherent_sum"], None)]
        played += [(name, levels, loads.pop(name, None)) for name, levels in case["alone"].items()]
        played += [(name, {}, load) for name, load in loads.items()]
        for name, levels, load in played:
            load = load or {}
            rows.append({
                **labels, "played": name, "level_db": levels.get("Z"), "level_dba": levels.get("A"),
                "level_dbc": levels.get("C"), "headroom_db": load.get("headroom_db"),
                "limited_by": f"{load['channel']}/{load['driver']}: {load['cause']}" if load else None,
                "drive_v": case.get("drive_v"),
            })
    return rows


def receiver_lines(result: Dataset) -> list[str]:
    """What receivers set in the variant that figures show, for people."""
    rows = _first(result, receiver_rows(result))
    if not rows:
        return []
    head, cells = receiver_cells(rows)
    return _table("Loudspeakers as the centre of the seats sees them, and what the receiver set", result,
                  ["room", "design", *head], [[*_names(row), *some] for row, some in zip(rows, cells, strict=True)],
                  "receiver.csv", "azimuth, elevation: degrees, positive left and up. "
                  "gain, delay, polarity: aligned at the average of the seats.")


def receiver_cells(rows: list[dict[str, Any]]) -> tuple[list[str], list[list[str]]]:
    """Headings and the text of each row of `receiver_rows`, without its labels."""
    head = ["channel", "away m", "azimuth", "elevation", "gain dB", "delay ms", "polarity", "plays"]
    return head, [[
        plain_label(row["channel"], 30), f"{row['distance_m']:.2f}", _signed(row["azimuth_deg"], 0),
        _signed(row["elevation_deg"], 0), _signed(row["gain_db"], 1), f"{row['delay_ms']:.2f}", row["polarity"],
        f"above {row['highpass_hz']:g} Hz" if row["highpass_hz"] else
        f"below {row['lowpass_hz']:g} Hz" if row["lowpass_hz"] else "all",
    ] for row in rows]


def programme_lines(result: Dataset) -> list[str]:
    """How loud the programme is in the variant that figures show, and what headroom is left, for people."""
    said = metadata(result).get("programme")
    if said is None:
        return []
    rows = _first(result, programme_rows(result))
    several = result.sizes["channel"] > 1
    rows = [row for row in rows if several or not row["played"].startswith("all, coherent")]
    head, cells = programme_cells(rows)
    return _table(f"Level at the seats: {programme_words(said)}", result, ["room", "design", *head],
                  [[*_names(row), *some] for row, some in zip(rows, cells, strict=True)], "programme.csv",
                  "power sum: channels with unlike signals. coherent: the same signal in all. headroom: until a "
                  "driver's limit; negative: too loud for it.")


def programme_cells(rows: list[dict[str, Any]]) -> tuple[list[str], list[list[str]]]:
    """Headings and the text of each row of `programme_rows`, without its labels."""
    return ["played", "dB", "dB(A)", "dB(C)", "headroom dB", "limited by"], [[
        plain_label(row["played"], 40), *(_number(row[key]) for key in ("level_db", "level_dba", "level_dbc")),
        _number(row["headroom_db"]), plain_label(row["limited_by"] or "–", 60),
    ] for row in rows]


def programme_words(said: dict[str, Any]) -> str:
    """What is played and how loud, from the metadata's `programme`."""
    if said["level_db"] is not None:
        unit = {"Z": "dB", "A": "dB(A)", "C": "dB(C)"}[said["weighting"]]
        what = f"{said['level_db']:g} {unit} from all channels together"
    else:
        what = f"{said['drive_v']:g} V at the input of each channel of 0 dB"
    levels = ", ".join(f"{name} {_signed(level, 0)} dB" for name, level in said["channels_db"].items())
    return f"{said['signal']}; {what}" + (f"; {levels}" if levels else "")


def _table(title: str, result: Dataset, head: list[str], cells: list[list[str]], file: str, below: str) -> list[str]:
    name = variant_name(result, main_variant(result))
    shown = cells[:MOST_PRINTED]
    before: tuple[str, str] | None = None
    for row in shown:
        now = (row[0], row[1])
        if before is not None:
            row[0] = "" if row[0] == before[0] else row[0]
            row[1] = "" if now == before else row[1]
        before = now
    lines = [title + (f" ({name}):" if name else ":"), *(f"  {line}" for line in aligned(head, shown, 3))]
    if len(cells) > len(shown):
        lines.append(f"  … and {len(cells) - len(shown)} more lines in {file}")
    return [*lines, f"  {below}"]


def _first(result: Dataset, rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Rows of the first variant, room by room."""
    variant = main_variant(result)
    own = [row for row in rows if all(row[name] == label for name, label in variant.items())]
    order = [room.item() if hasattr(room, "item") else room for room in result["room"].values]
    return sorted(own, key=lambda row: order.index(row["room"]))


def _labels(result: Dataset) -> tuple[str, ...]:
    return ("room", "design", *variant_dimensions(result))


def _names(row: dict[str, Any]) -> list[str]:
    return [plain_label(row[name], 30) for name in ("room", "design")]


def _number(value: float | None) -> str:
    return "–" if value is None else f"{value:.1f}".replace("-", "−")


def _signed(value: float, digits: int) -> str:
    rounded = round(value, digits) + 0.0
    return (f"{rounded:+.{digits}f}" if rounded else f"{0:.{digits}f}").replace("-", "−")
