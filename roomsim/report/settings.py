"""What settings of rooms take and do: a shopping list, decay times, how well they are known."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from .cases import metadata
from .style import plain_label

if TYPE_CHECKING:
    from xarray import Dataset

MOST_LISTED = 24
"""Settings that are listed on the screen; settings.csv has all."""


def setting_records(result: Dataset) -> list[dict[str, Any]]:
    """The settings of all rooms that have something adjustable, as `SettingState.record` with `room`."""
    return metadata(result).get("settings", [])


def setting_rows(result: Dataset) -> list[dict[str, Any]]:
    """One flat row per room, setting and adjustable: areas, where, and the decay time of the setting."""
    return rows_of(setting_records(result))


def rows_of(records: Sequence[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """The same of records."""
    rows = []
    for one in records:
        target = one["target"]
        wanted = "; ".join(f"{b} Hz {t:g}" for b, t in target.items()) if isinstance(target, Mapping) else target
        for change in one["changes"]:
            rows.append({
                "room": one.get("room", ""), "setting": one["setting"], "name": change["name"],
                "finish": change["finish"], "surface": change["surface"], "area_m2": change["area_m2"],
                "usual_m2": change["usual_m2"],
                "change_m2": round(change["area_m2"] - change["usual_m2"], 2),
                "places": _at(change),
                "wanted_decay_s": wanted, "decay_mid_s": one["decay_mid_s"],
                "decay_mid_half_scattering_s": one["decay_mid_half_scattering_s"],
                "decay_mid_double_scattering_s": one["decay_mid_double_scattering_s"], "iterations": one["iterations"],
            })
    return rows


def _at(change: Mapping[str, Any]) -> str:
    if change["spread"]:
        return "spread evenly" if change["area_m2"] > 0 else ""
    places = "; ".join(where(place) for place in change["places_m"])
    return f"{places} m" if places else ""


def where(place: Sequence[float]) -> str:
    """A rectangle in its face's own two coordinates."""
    u0, v0, u1, v1 = place
    return f"{u0:.2f} to {u1:.2f} and {v0:.2f} to {v1:.2f}"


def setting_lines(result: Dataset) -> list[str]:
    """What every solved or changed setting takes, for people; empty where nothing is adjustable."""
    records = setting_records(result)
    if not records:
        return []
    from ..studies.settings import CAUTION

    lines = ["Settings: decay of the room by itself (500 and 1000 Hz), and what it takes"]
    told = [one for one in records
            if one["target"] is not None or any(abs(c["area_m2"] - c["usual_m2"]) > 0.005 for c in one["changes"])]
    for one in told[:MOST_LISTED]:
        lines += [f"  {plain_label(one['room'], 30)}, {line}" if k == 0 else f"  {line}"
                  for k, line in enumerate(lines_of(one))]
    if (more := len(told) - MOST_LISTED) > 0:
        lines.append(f"  … and {more} more in settings.csv")
    return [*lines, f"  Caution: {CAUTION}"]


def lines_of(one: Mapping[str, Any]) -> list[str]:
    """One setting: its decay time in one line, then a line per adjustable."""
    target, found = one["target"], one["decay_mid_s"]
    said = f"{plain_label(one['setting'], 30)}: {_seconds(found)}"
    if isinstance(target, Mapping):
        met = [f"{_band(b)} {t:g} s wanted, {_seconds(p)} found"
               for (b, t), p in zip(target.items(), one["predicted"], strict=True)]
        said += " (" + "; ".join(met) + f"; {one['iterations']} iterations)"
    elif target is not None:
        said += f" ({target:g} s wanted, {one['iterations']} iterations)"
    said += (f", with half the scattering {_seconds(one['decay_mid_half_scattering_s'])}, with double "
             f"{_seconds(one['decay_mid_double_scattering_s'])}; noise {100 * (one['noise'] or 0):.1f} %")
    lines = [said]
    if one.get("below_transition"):                        # results of earlier versions do not have it
        from ..studies.settings import below_transition

        lines.append(f"    Note: {below_transition(one)}")
    for change in one["changes"]:
        if change["area_m2"] == change["usual_m2"] == 0:
            continue
        less = change["area_m2"] - change["usual_m2"]
        moved = "as usual" if abs(less) < 0.005 else f"{less:+.2f} m²".replace("-", "−")
        name = change["name"] if change["name"] == change["finish"] else f"{change['name']} ({change['finish']})"
        at, on = _at(change), plain_label(change["surface"], 24)
        lines.append(f"    {plain_label(name, 60)}: {change['area_m2']:.2f} m² on {on}, "
                     f"{moved}" + (f"; {at}" if at else ""))
    return lines


def _seconds(value: float | None) -> str:
    return "–" if value is None else f"{value:.2f} s"


def _band(name: str) -> str:
    return f"{name[:-1]} kHz" if name.endswith("k") else f"{name} Hz"
