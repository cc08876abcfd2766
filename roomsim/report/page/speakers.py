"""The loudspeakers by themselves: standard curves, their indices, and maps over frequency and angle."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ...bands import midbands_hz, nominal
from ..chart import OUTLINE, Area, Chart, Line, even_axis, frequency_axis, level_limits
from ..style import plain_label
from .selection import Selection

CURVES = (("on axis", "on_axis_db"), ("listening window", "listening_window_db"),
          ("early reflections", "early_reflections_db"), ("sound power", "sound_power_db"))
INDICES = (("listening window less early reflections", "early_index_db", 2),
           ("listening window less sound power", "power_index_db", 3))
EDGES_DB = (-31.5, -28.5, -25.5, -22.5, -19.5, -16.5, -13.5, -10.5, -7.5, -4.5, -1.5, 1.5, 7.5)
"""Edges of the shades; the last two are above the level on the axis."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SpeakerView:
    """One channel of a design.

    Attributes
    ----------
    design, channel : labels
    title : for people
    curves, indices, horizontal, vertical : charts
    widths : (band, horizontal, vertical) beam width to −6 dB in words
    more : other channels that are not drawn
    notes : assumptions and departures from the standard
    """

    design: Any
    channel: str
    title: str
    curves: Chart
    indices: Chart
    horizontal: Chart
    vertical: Chart
    widths: tuple[tuple[str, str, str], ...]
    more: tuple[str, ...]
    notes: tuple[str, ...]


def speaker_views(chosen: Selection) -> list[SpeakerView]:
    """The first channel of every drawn design, as far as the result records them; the same axes for all."""
    recorded = chosen.metadata().get("loudspeakers", [])
    first: dict[Any, dict[str, Any]] = {}
    for one in recorded:
        if one["design"] in chosen.designs:
            first.setdefault(one["design"], one)
    shown = [first[d] for d in chosen.designs if d in first]
    if not shown:
        return []
    f = np.asarray(shown[0]["frequency_hz"])
    inside = (f > 80) & (f < 16000)
    levels = [np.asarray(one[key])[inside] for one in shown for _, key in CURVES]
    limits = level_limits(levels, least=25)
    indices = [np.asarray(one[key])[inside] for one in shown for _, key, _ in INDICES]
    low, top = level_limits(indices, least=15, most=30)
    views = []
    said = {note.get("text") for note in chosen.metadata().get("notes", [])}
    for k, one in enumerate(shown):
        channels = [other["channel"] for other in recorded if other["design"] == one["design"]]
        views.append(_view(k + 1, one, limits, (min(low, 0.0), top), tuple(channels[1:]),
                           tuple(note for note in one.get("notes", ()) if note not in said)))
    return views


def shared_notes(views: Sequence[SpeakerView]) -> list[str]:
    """What applies to every channel that is drawn, to be said once."""
    return [note for note in views[0].notes if all(note in view.notes for view in views)] if views else []


def _view(
    number: int, one: dict[str, Any], limits: tuple[float, float], index_limits: tuple[float, float],
    more: tuple[str, ...], notes: tuple[str, ...],
) -> SpeakerView:
    f = np.asarray(one["frequency_hz"], float)
    name = f"{plain_label(one['design'])}, {plain_label(one['channel'])}"
    x, zones = frequency_axis(f[0], f[-1]), _zones(one, f)
    reference = "dB re 20 µPa at 1 m" if one["calibrated"] else "dB re own mean free-field level at 1 m"
    y = even_axis(f"Level in {reference}", "dB", *limits, 10 if limits[1] - limits[0] > 30 else 5, "dB")
    lines = [Line(name=title, x=f, y=np.asarray(one[key]), pen=k) for k, (title, key) in enumerate(CURVES)]
    curves = Chart(key=f"speaker-{number}-curves", title="Standard curves", detail=name, x=x, y=y, lines=tuple(lines),
                   zones=zones)
    below = tuple(Line(name=title, x=f, y=np.asarray(one[key]), pen=pen) for title, key, pen in INDICES)
    indices = Chart(key=f"speaker-{number}-indices", title="Indices", detail=name, x=x,
                    y=even_axis("Index in dB", "dB", *index_limits, 5, "dB"), lines=below, zones=zones, level_at=(0.0,))
    maps = {
        orbit: _map(f"speaker-{number}-{orbit}", f"{orbit.capitalize()} directivity", name, one, orbit, zones)
        for orbit in ("horizontal", "vertical")
    }
    return SpeakerView(
        design=one["design"], channel=one["channel"], title=name, curves=curves, indices=indices, **maps,
        widths=_widths(one), more=more, notes=notes,
    )


def _zones(one: dict[str, Any], f: NDArray[np.float64]) -> tuple[tuple[float, float, str], ...]:
    low, high = float(one["low_hz"]), float(one["high_hz"] or np.inf)
    zones = []
    if low > f[0] * 1.02:
        zones.append((float(f[0]), low, f"not to be trusted below {low:.0f} Hz"))
    if high < f[-1] / 1.02:
        zones.append((high, float(f[-1]), f"not to be trusted above {high:.0f} Hz"))
    return tuple(zones)


def _map(
    key: str, title: str, name: str, one: dict[str, Any], orbit: str, zones: tuple[tuple[float, float, str], ...]
) -> Chart:
    """Areas of equal level re the axis in steps of 3 dB, and the line at −6 dB."""
    from contourpy import contour_generator

    f, angle = np.asarray(one["map_frequency_hz"], float), np.asarray(one["map_angle_deg"], float)
    level = np.asarray(one[f"{orbit}_db"], float)
    x = np.log(f)
    lows = (-1e9, *EDGES_DB)
    field = contour_generator(x, angle, np.clip(level, -60, 30), fill_type="OuterOffset")
    areas = []
    for shade, (low, high) in enumerate(zip(lows, (*EDGES_DB[:-1], 1e9), strict=False)):
        polygons, offsets = field.filled(low, high)
        rings = tuple(
            _back(points[a:b]) for points, at in zip(polygons, offsets, strict=True)
            for a, b in itertools.pairwise(at)
        )
        if rings:
            areas.append(Area(name=_shade_name(shade), shade=shade, rings=rings))
    lines = contour_generator(x, angle, level).lines(-6.0)
    areas.append(Area(name="−6 dB", shade=OUTLINE, rings=tuple(_back(points) for points in lines)))
    reach = float(angle[-1])
    up = "left" if orbit == "horizontal" else "up"
    y = even_axis(f"Angle in °, positive {up}", f"°, positive {up}", -reach, reach, 60 if reach > 90 else 30, "°", 0)
    return Chart(key=key, title=title, detail=name, x=frequency_axis(f[0], f[-1]), y=y, lines=(), zones=zones,
                 areas=tuple(areas))


def shade_names() -> list[str]:
    """What each shade of a map stands for, the quietest first."""
    return [_shade_name(k) for k in range(len(EDGES_DB))]


def _shade_name(shade: int) -> str:
    if shade == 0:
        return "below −31 dB"
    middle = EDGES_DB[shade - 1] + 1.5
    if shade == len(EDGES_DB) - 1:
        return "+3 dB and more"
    return "0 dB" if abs(middle) < 0.1 else f"{middle:+.0f} dB".replace("-", "−")


def _back(points: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.stack([np.exp(points[:, 0]), points[:, 1]], axis=1)


def _widths(one: dict[str, Any]) -> tuple[tuple[str, str, str], ...]:
    """Full angle over which the level stays above −6 dB around the axis, per octave."""
    f, angle = np.asarray(one["map_frequency_hz"], float), np.asarray(one["map_angle_deg"], float)
    rows = []
    for band in midbands_hz(1, max(125.0, f[0]), min(16000.0, f[-1])):
        k = int(np.argmin(np.abs(np.log(f / band))))
        rows.append((nominal(float(band)), *(
            _width(angle, np.asarray(one[f"{orbit}_db"], float)[:, k]) for orbit in ("horizontal", "vertical"))))
    return tuple(rows)


def _width(angle: NDArray[np.float64], level: NDArray[np.float64]) -> str:
    total = 0.0
    for side in (angle >= 0, angle <= 0):
        a, values = np.abs(angle[side]), level[side]
        order = np.argsort(a)
        a, values = a[order], values[order]
        below = np.flatnonzero(values < -6)
        if not below.size:
            total += float(a[-1])
        elif (k := int(below[0])) > 0:
            total += float(a[k - 1] + (a[k] - a[k - 1]) * (values[k - 1] + 6) / (values[k - 1] - values[k]))
    reach = float(angle[-1] - angle[0])
    return "all round" if total >= reach - 1e-6 else f"{total:.0f}°"
