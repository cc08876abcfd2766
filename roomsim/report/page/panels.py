"""Small multiples of rooms: at the seats with spread and target, direct, early and late sound, decay time."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ...bands import band_means, db, from_db, midbands_hz
from ..balance import case_balance
from ..cases import CurveBook, level_label
from ..chart import TARGET, Axis, Chart, Line, even_axis, frequency_axis, level_limits, sampled
from ..decay_plot import MODAL, decay_top_s
from ..response_plot import level_range_db
from ..style import plain_label
from .selection import Selection

MOST_POINTS = 200
PARTS = (("direct", "solid"), ("early", "long"), ("late", "short"))


def response_charts(chosen: Selection, book: CurveBook) -> list[Chart]:
    """A chart per case: every design's mean over the seats with its spread, and the target; the same axes."""
    result, target = chosen.result, chosen.judgement.target
    curves = {(d, k): book(d, room, variant) for k, (room, variant) in enumerate(chosen.cases) for d in chosen.designs}
    low, high = level_range_db([c for c in curves.values() if np.isfinite(c.level_db).any()])
    y = level_axis(chosen, low, high)
    charts = []
    for k, (room, variant) in enumerate(chosen.cases):
        lines, fits = [], []
        for pen, design in enumerate(chosen.designs):
            c = curves[design, k]
            at = sampled(c.frequency_hz, MOST_POINTS)
            f = c.frequency_hz[at]
            fits.append(_fitted_level(c.frequency_hz, c.level_db, target))
            band = {} if result.sizes["listener"] < 2 else {"low": c.low_db[at], "high": c.high_db[at]}
            lines.append(Line(name=plain_label(design), x=f, y=c.level_db[at], pen=pen, **band))
        f = lines[0].x
        if np.isfinite(fits).any():
            lines.insert(0, Line(name="target", x=f, y=target.at(f) + float(np.nanmean(fits)), pen=TARGET))
        charts.append(Chart(
            key=f"seats-{k + 1}", title=chosen.case_name(room, variant), detail=room_words(chosen, room),
            x=frequency_axis(f[0], f[-1]), y=y, lines=tuple(lines), zones=untrusted(chosen, room, variant, f),
        ))
    return charts


def balance_charts(chosen: Selection, most_designs: int = 3) -> list[tuple[str, list[Chart]]]:
    """Per design a chart per case: direct, early and late sound per third octave; the same axes."""
    found: list[tuple[int, int, Any]] = []
    for pen, design in enumerate(chosen.designs[:most_designs]):
        for k, (room, variant) in enumerate(chosen.cases):
            found.append((k, pen, case_balance(chosen.result, {"design": design, "room": room, **variant})))
    inside = [
        level[(one.band_hz > 90) & (one.band_hz < 11000)]
        for _, _, one in found for level in (one.direct_db, one.early_db, one.late_db)
    ]
    low, high = level_limits(inside, least=20, most=50)
    y = level_axis(chosen, low, high)
    charts: dict[int, list[Chart]] = {}
    for k, pen, one in found:
        room, variant = chosen.cases[k]
        lines = [
            Line(name=f"{plain_label(chosen.designs[pen])}, {part}", x=one.band_hz, y=getattr(one, f"{part}_db"),
                 pen=pen, dash=dash, points="none")
            for part, dash in PARTS
        ]
        state = chosen.result["transition_hz"].sel(room=room, setting=variant["setting"])
        limit = float(state)
        charts.setdefault(pen, []).append(Chart(
            key=f"parts-{k + 1}-{pen + 1}", title=chosen.case_name(room, variant),
            detail=plain_label(chosen.designs[pen]), x=frequency_axis(one.band_hz[0], one.band_hz[-1]), y=y,
            lines=tuple(lines),
            zones=((one.band_hz[0], limit, f"below {limit:.0f} Hz single modes decide"),) if limit > 0 else (),
        ))
    return [(plain_label(chosen.designs[pen]), some) for pen, some in charts.items()]


def decay_charts(chosen: Selection) -> list[Chart]:
    """A chart per case: decay time per octave, a line per design where they differ; the same axes."""
    result = chosen.result
    top = max(decay_top_s(result), 0.4)
    y = even_axis("Decay time in s", "s", 0, top, 0.2 if top <= 1.2 else 0.5 if top <= 3 else 1.0, "s", 2)
    charts = []
    for k, (room, variant) in enumerate(chosen.cases):
        at = result["decay_s"].sel(room=room, **variant)
        how = result["decay_method"].sel(room=room, **variant).values.astype(str)
        band = at["band"].values
        spread = _spread(chosen, room, variant)
        lines = []
        for pen, design in enumerate(chosen.designs):
            values = at.sel(design=design).values.astype(float)
            if np.isfinite(values).any():
                about = {} if pen or spread is None else {"low": values * (1 - spread), "high": values * (1 + spread)}
                lines.append(Line(name=plain_label(design), x=band, y=values, pen=pen, points="filled", **about))
        charts.append(Chart(
            key=f"decay-{k + 1}", title=chosen.case_name(room, variant), detail=_methods(band, how),
            x=frequency_axis(band[0] / 1.3, band[-1] * 1.3), y=y, lines=tuple(lines),
        ))
    return charts


def _spread(chosen: Selection, room: Any, variant: dict[str, Any]) -> NDArray[np.float64] | None:
    """Relative uncertainty of the decay times from the absorption data, where the result has it."""
    if "decay_uncertainty" not in chosen.result:
        return None
    spread = chosen.result["decay_uncertainty"].sel(room=room, setting=variant["setting"]).values.astype(float)
    return spread if np.isfinite(spread).any() else None


def untrusted(
    chosen: Selection, room: Any, variant: dict[str, Any], f: NDArray[np.float64]
) -> tuple[tuple[float, float, str], ...]:
    """The range below the lowest trusted frequency, where there is one."""
    if "trusted_from_hz" not in chosen.result:
        return ()
    limit = float(chosen.result["trusted_from_hz"].sel(room=room, **variant).max())
    return ((float(f[0]), limit, f"not yet to be trusted below {limit:.0f} Hz"),) if limit > f[0] * 1.02 else ()


def level_axis(chosen: Selection, low: float, high: float) -> Axis:
    """Levels with their reference."""
    return even_axis(level_label(chosen.result).replace("\n", " "), "dB", low, high, 10 if high - low > 30 else 5, "dB")


def room_words(chosen: Selection, room: Any) -> str:
    """Size of a room."""
    at = chosen.result.sel(room=room)
    sides = " × ".join(f"{float(at[name]):.1f}" for name in ("length_m", "width_m", "height_m"))
    return f"{sides} m, {float(at['volume_m3']):.0f} m³"


def _fitted_level(f: NDArray[np.float64], level_db: NDArray[np.float64], target: Any) -> float:
    """Level of the target fitted to a response as the deviation's measure does it: mean over third octaves."""
    from ...analysis.measures import TARGET_RANGE_HZ

    mids = midbands_hz(3, max(TARGET_RANGE_HZ[0], f[0] * 1.1), min(TARGET_RANGE_HZ[1], f[-1] / 1.1))
    if not mids.size or not np.isfinite(level_db).all():
        return float("nan")
    return float(np.mean(db(band_means(from_db(level_db), f, mids, 3)) - target.at(mids)))


def _methods(band: NDArray[np.float64], how: NDArray[np.str_]) -> str:
    """Up to which band the modes give the decay."""
    modal = [float(f) for k, f in enumerate(band) if (how[..., k] == MODAL).any()]
    others = _distinct(how[..., k] for k, f in enumerate(band) if float(f) not in modal)
    if not modal:
        return ", ".join(others)
    from ...bands import nominal

    return f"to {nominal(max(modal))} Hz from the modes" + (f", above: {', '.join(others)}" if others else "")


def _distinct(groups: Iterable[NDArray[np.str_]]) -> list[str]:
    return list(dict.fromkeys(str(name) for group in groups for name in group.ravel() if name))
