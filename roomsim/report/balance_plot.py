"""Direct, early and late sound at the seats, and the first reflections one by one."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from ..analysis.balance import REFERENCE_LIMIT_DB
from ..conventions import EARLY_WINDOW_MS, LISTED_DB
from .balance import RECOMMENDATION, EarlyReflections, case_balance, early_reflections, surface_name
from .cases import level_label, room_detail, variant_name
from .style import (
    INK,
    QUIET,
    SHADE,
    drawing,
    fit,
    frequency_axis,
    heading,
    level_axis,
    new_figure,
    pen,
    plain_label,
    shade_untrusted,
    spread_out,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from xarray import Dataset

    from ..analysis.balance import Balance

MOST_DESIGNS = 3
"""Designs side by side."""

LAST_MS = 20.0
"""Reflections are drawn so far."""

MOST_NAMED = 7
"""Reflections above the limit that carry their surfaces' names, the strongest."""

_KEY_SHARE = 0.5
"""Of a panel's width, for the names of its channels."""

_TRIED = (0, 0.4, 0.9, 1.4, 1.9, 2.4, 2.9, 3.4, -0.6, 3.9, 4.4, 4.9, 5.4, 5.9, -1.4)
"""Where a name is tried, in line heights above its marker."""

DASHES: dict[str, Any] = {"direct": "solid", "early": (0, (5, 1.6)), "late": (0, (1.4, 1.3))}


def balance_figure(result: Dataset, room: Any, variant: dict[str, Any]) -> Figure:
    """One room, designs side by side: levels of the parts per third octave above, early reflections below."""
    designs = list(result["design"].values)
    shown = designs[:MOST_DESIGNS]
    cases = [{"design": _plain(design), "room": _plain(room), **variant} for design in shown]
    found = [case_balance(result, labels) for labels in cases]
    top, bottom = _range(found)
    width_in, height_in = max(1.25 + 4.1 * len(shown), 6.6), 7.4
    left_in, right_in = 0.95, 0.3
    with drawing():
        figure = new_figure(width_in, height_in)
        grid = figure.subplots(
            2, len(shown), squeeze=False,
            gridspec_kw={"left": left_in / width_in, "right": 1 - right_in / width_in, "top": 1 - 1.3 / height_in,
                         "bottom": 0.6 / height_in, "hspace": 0.36, "wspace": 0.1, "height_ratios": (1.25, 1.0)},
        )
        for k, (design, labels) in enumerate(zip(shown, cases, strict=True)):
            above, below = grid[:, k]
            colour = pen(designs.index(design)).colour
            _parts(above, found[k], colour, bottom, top)
            limit = _transition_hz(result, room, variant)
            shade_untrusted(above, limit, f"below {limit:.0f} Hz\nthe modes decide" if k == 0 else "")
            _reflections(below, early_reflections(result, labels), colour)
            heading(above, design, limit=30)
            below.set_xlabel("Delay after the direct sound in ms")
            above.set_xlabel("Frequency in Hz")
            for axes, label in ((above, level_label(result)), (below, "Level re direct sound in dB")):
                axes.set_ylabel(label if k == 0 else "")
                axes.tick_params(labelleft=k == 0)
        heading(grid[1, 0], "Early reflections")
        name = variant_name(result, variant)
        title = figure.text(left_in / width_in, 1 - 0.38 / height_in, f"Direct, early, late: {plain_label(room, 50)}",
                            fontsize=15, fontweight="bold", va="baseline")
        end = fit(figure, title, 0.7)
        rest = figure.text(end + 0.015, 1 - 0.38 / height_in,
                           "   ".join(t for t in (room_detail(result, room), name) if t), color=QUIET, fontsize=10)
        fit(figure, rest, 0.985)
        more = f"   + {len(designs) - len(shown)} designs not drawn" if len(designs) > len(shown) else ""
        text = figure.text(left_in / width_in, 1 - 0.72 / height_in,
                           f"above: mean over {result.sizes['listener']} seats. below: middle seat, 1 to 8 kHz; "
                           f"shaded: over {RECOMMENDATION}{more}", color=QUIET, fontsize=9.5, va="baseline")
        fit(figure, text, 0.985)
    return figure


def _range(found: list[Balance]) -> tuple[float, float]:
    """Upper and lower end of the level axis: everything from 100 Hz to 10 kHz is inside."""
    levels = np.concatenate([
        level[(one.band_hz > 90) & (one.band_hz < 11000)]
        for one in found for level in (one.direct_db, one.early_db, one.late_db)
    ])
    levels = levels[np.isfinite(levels)]
    if not levels.size:
        return 0.0, -40.0
    top = np.ceil((levels.max() + 1) / 5) * 5
    return float(top), float(np.clip(np.floor((levels.min() - 1) / 5) * 5, top - 50, top - 20))


def _parts(axes: Axes, found: Balance, colour: str, bottom: float, top: float) -> None:
    frequency_axis(axes, found.band_hz[0], found.band_hz[-1] * 1.9)
    level_axis(axes, bottom, top, 5)
    levels = {"direct": found.direct_db, "early": found.early_db, "late": found.late_db}
    for name, level in levels.items():
        axes.plot(found.band_hz, level, color=colour, linestyle=DASHES[name], linewidth=1.9, zorder=3)
    ends = [float(np.clip(level[-1], bottom + 1, top - 1)) for level in levels.values()]
    for name, y in zip(levels, spread_out(ends, 0.055 * (top - bottom)), strict=True):
        axes.annotate(name, (found.band_hz[-1], y), xytext=(5, 0), textcoords="offset points", va="center", fontsize=9)


def _reflections(axes: Axes, channels: list[EarlyReflections], colour: str) -> None:
    from matplotlib.patches import Rectangle

    top = 0.0
    strongest = [one.judgement.strongest_db for one in channels if one.judgement.strongest_db is not None]
    if strongest:
        top = max(top, np.ceil((max(strongest) + 2) / 5) * 5)
    axes.set_xlim(0, LAST_MS)
    level_axis(axes, LISTED_DB - 2, top, 5)
    axes.set_xticks(np.arange(0, LAST_MS + 1, 5))
    axes.add_patch(Rectangle((0, REFERENCE_LIMIT_DB), EARLY_WINDOW_MS, top - REFERENCE_LIMIT_DB, facecolor=SHADE,
                             edgecolor="none", alpha=0.6, zorder=0.5))
    axes.plot([0, EARLY_WINDOW_MS, EARLY_WINDOW_MS], [REFERENCE_LIMIT_DB, REFERENCE_LIMIT_DB, top], color=QUIET,
              linewidth=0.9, zorder=0.6)
    for k, one in enumerate(channels):
        style = pen(k)
        inside = (one.delay_ms <= LAST_MS) & (one.high_level_db >= LISTED_DB)
        axes.vlines(one.delay_ms[inside], LISTED_DB - 2, one.high_level_db[inside], color=colour, linewidth=1,
                    alpha=0.45, zorder=2)
        axes.plot(one.delay_ms[inside], one.high_level_db[inside], linestyle="none", marker=style.marker, color=colour,
                  markerfacecolor=colour if k == 0 else "none", markersize=5.2, markeredgewidth=1.2, zorder=4)
    _names(axes, channels)
    if len(channels) > 1:
        _channel_key(axes, [one.channel for one in channels], colour)


def _channel_key(axes: Axes, names: list[str], colour: str) -> None:
    """Markers and names of the channels in one row above the panel, at its right; what does not fit is counted."""
    from matplotlib.lines import Line2D

    renderer = axes.figure.canvas.get_renderer()   # type: ignore[attr-defined]
    panel = axes.get_window_extent(renderer)
    points = axes.figure.dpi / 72
    entries = [(k, plain_label(name, 14)) for k, name in enumerate(names)]
    texts = [axes.annotate(name, (0, 1), xycoords="axes fraction", xytext=(0, 7), textcoords="offset points",
                           va="bottom", fontsize=9) for _, name in entries]
    widths = [text.get_window_extent(renderer).width + 22 * points for text in texts]
    shown = max((n for n in range(1, len(names) + 1) if sum(widths[:n]) < _KEY_SHARE * panel.width), default=1)
    if shown < len(names):
        texts[shown].set_text(f"+ {len(names) - shown}")
    end = panel.x1
    for k in reversed(range(min(shown + 1, len(names)))):
        start = end - texts[k].get_window_extent(renderer).width
        texts[k].xyann = ((start - panel.x0) / points, 7)
        if k < shown:
            at = ((start - 7 * points - panel.x0) / panel.width, 1 + 11.5 * points / panel.height)
            axes.add_artist(Line2D([at[0]], [at[1]], transform=axes.transAxes, clip_on=False, linestyle="none",
                                   color=colour, marker=pen(k).marker, markersize=5.2, markeredgewidth=1.2,
                                   markerfacecolor=colour if k == 0 else "none"))
        end = start - 22 * points
    for text in texts[shown + 1 :]:
        text.remove()


def _names(axes: Axes, channels: list[EarlyReflections]) -> None:
    """The strongest reflections above the limit, named once each, so that no two names lie on each other."""
    best: dict[str, tuple[float, float]] = {}
    for one in channels:
        for k in one.judgement.too_strong:
            level, delay = float(one.high_level_db[k]), float(one.delay_ms[k])
            name = surface_name(one.faces[k])
            if name not in best or level > best[name][0]:
                best[name] = level, delay
    named = sorted(best.items(), key=lambda item: -item[1][0])[:MOST_NAMED]
    low, high = axes.get_ylim()
    step = 0.07 * (high - low)
    taken = [(delay - 0.25, delay + 0.25, level) for one in channels
             for delay, level in zip(one.delay_ms.tolist(), one.high_level_db.tolist(), strict=True)]
    for name, (level, delay) in named:
        wide = 0.026 * LAST_MS * len(name)
        start = min(delay + 0.35, LAST_MS - wide)
        y = next((y for y in (level + k * step for k in _TRIED) if low + step < y < high - step / 2 and not any(
            abs(y - other) < 0.95 * step and start < last and first < start + wide for first, last, other in taken)),
            None)
        if y is None:               # too crowded to read; all of them stand in reflections.csv
            continue
        taken.append((start, start + wide, y))
        if abs(y - level) > step:
            axes.plot([delay, start], [level, y], color=QUIET, linewidth=0.7, zorder=5)
        axes.annotate(name, (start, y), fontsize=8, color=INK, va="center", zorder=6, annotation_clip=False)


def _transition_hz(result: Dataset, room: Any, variant: dict[str, Any]) -> float:
    """Below it the parts are no separate events."""
    if "transition_hz" not in result:
        return 0.0
    return float(result["transition_hz"].sel(room=room, setting=variant["setting"]))


def _plain(label: Any) -> Any:
    return label.item() if isinstance(label, np.generic) else label
