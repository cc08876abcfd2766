"""What `roomsim speaker` shows and writes of designs, measurements and chamber corrections."""

from __future__ import annotations

import math
import os
from collections.abc import Iterable, Iterator
from typing import Any

import numpy as np

from ..bands import midbands_hz, nominal
from ..definitions.correction_definition import CorrectionDefinition
from ..files.output import OutputFolder, safe_names
from ..files.table_csv import write_rows
from ..loudspeaker.overview import ChannelOverview, overview_rows
from ..loudspeaker.quality import MeasurementQuality
from ..studies.speaker import ChannelView, SpeakerView
from .speaker_plot import rounded_hz
from .style import plain_label, save
from .text_table import aligned

MOST_FIGURES = 12
"""Channels that are drawn; the numbers of all of them stand in the table."""

LIMITS_CAUTION = (
    "Limits are linear: no compression, no distortion, no amplifier. Such levels can hurt ears and destroy drivers."
)


# tables ---------------------------------------------------------------------------------------------------

def speaker_lines(view: SpeakerView) -> list[str]:
    """A table per channel, what a stated level takes, what the measurements are worth, what was assumed."""
    lines = [plain_label(view.name, 100)]
    lines.append(
        f"Levels at 1 m in dB re 20 µPa for {view.drive_v:g} V" if view.drive_v is not None
        else "Levels in dB re own mean free-field level at 1 m"
    )
    for name, channel in view.channels.items():
        lines += ["", *([f"Channel {plain_label(name)}"] if name else []), *_channel_lines(channel)]
        if channel.load is not None:
            lines += ["", *_load_lines(channel, view.drive_v)]
    if any(channel.maximum for channel in view.channels.values()):
        lines += ["", LIMITS_CAUTION]
    if view.measurements:
        lines += ["", *_quality_lines(view)]
    return [*lines, "", "Assumed, or not to be relied on:", *(f"  {line}" for line in _notes(view))]


def _channel_lines(channel: ChannelView) -> list[str]:
    overview, with_limits = channel.overview, channel.maximum is not None
    head = ["band Hz", "on axis", "window", "power", "index", "width horiz. °", "width vert. °"]
    head += ["max. level", "limited by"] if with_limits else []
    table = []
    for row in overview_rows(overview, channel.maximum):
        cells = [nominal(row["band_hz"]) + ("" if row["trusted"] else " *")]
        cells += [f"{row[key]:.1f}" for key in ("on_axis_db", "listening_window_db", "sound_power_db",
                                                "directivity_index_db")]
        cells += [f"{row[f'{orbit}_width_deg']:.0f}" for orbit in ("horizontal", "vertical")]
        if with_limits:
            level = row.get("maximum_level_db", math.inf)
            cells += [f"{level:.1f}" if math.isfinite(level) else "–", plain_label(row.get("limited_by") or "–", 30)]
        table.append(cells)
    lines = aligned(head, table)
    if any(not row["trusted"] for row in overview_rows(overview)):
        lines.append(f"* outside the trusted range, {_range(overview.low_hz, overview.high_hz)}")
    if overview.half_space:
        lines.append("half sphere before a large wall: power is its mean; the index of a small source is 3 dB")
    return lines


def _load_lines(channel: ChannelView, drive_v: float | None) -> list[str]:
    load = channel.load
    assert load is not None
    nominal_drive = f"{drive_v:g} V" if drive_v is not None else "the nominal drive"
    lines = [f"Pink noise of {load.level_db:g} dB on axis at 1 m takes {load.drive_db:+.1f} dB re {nominal_drive}; "
             f"headroom {load.headroom_db:.1f} dB" + (": it cannot play that loud" if load.headroom_db < 0 else "")]
    rows = [
        (plain_label(one.name, 30), "–" if one.power_w is None else f"{one.power_w:.3g}",
         "–" if one.peak_excursion_m is None else f"{1e3 * one.peak_excursion_m:.2f}", f"{one.headroom_db:.1f}",
         one.cause)
        for one in load.drivers
    ]
    return [*lines, *aligned(("driver", "power W", "peak excursion mm", "headroom dB", "by"), rows)]


def _quality_lines(view: SpeakerView) -> list[str]:
    head = ("measured", "directions", "filled", "apart °", "phase", "trusted", "far field to", "distance removed to")
    rows = []
    for name, (definition, quality) in view.measurements.items():
        data = definition.as_measured
        removed = "–" if not quality.removed_hz else rounded_hz(quality.removed_hz)
        rows.append((
            plain_label(name, 30), str(quality.measured), str(quality.filled), f"{quality.spacing_deg:.1f}",
            "yes" if data.has_phase else "no", _range(data.low_hz, data.high_hz), rounded_hz(quality.far_field_hz),
            "all" if data.far_field else removed,
        ))
    lines = aligned(head, rows)
    lines += ["", "Level error in dB rms at directions that were left out and interpolated"
              + (", and uncertainty of a corrected level" if any(q.uncertainty_db is not None for _, q in
                                                                 view.measurements.values()) else "")]
    bands = midbands_hz(1, 31.5, 16000)
    table = []
    for name, (_, quality) in view.measurements.items():
        table.append((plain_label(name, 30), *_per_band(quality, quality.leave_out_db, bands)))
        if quality.uncertainty_db is not None:
            table.append(("  chamber ±", *_per_band(quality, quality.uncertainty_db, bands)))
    return [*lines, *aligned(("band Hz", *map(nominal, bands)), table)]


def _per_band(quality: MeasurementQuality, values: np.ndarray, bands: np.ndarray) -> list[str]:
    known = dict(zip(map(nominal, quality.band_hz), values, strict=True))
    found = [known.get(nominal(band), math.nan) for band in bands]
    return [f"{value:.1f}" if math.isfinite(value) else "–" for value in found]


def _range(low_hz: float, high_hz: float) -> str:
    if low_hz <= 0 and math.isinf(high_hz):
        return "everywhere"
    if math.isinf(high_hz):
        return f"from {rounded_hz(low_hz)}"
    return f"{rounded_hz(low_hz).removesuffix(' Hz')} to {rounded_hz(high_hz)}" if low_hz > 0 else \
        f"to {rounded_hz(high_hz)}"


def _notes(view: SpeakerView) -> list[str]:
    curves = (note for channel in view.channels.values() for note in channel.overview.curves.notes)
    return list(dict.fromkeys([*view.assumptions, *curves]))


def correction_lines(definition: CorrectionDefinition) -> list[str]:
    """A correction as a table in third octaves."""
    correction = definition.correction
    f = _third_octaves(correction.frequency_hz[0], correction.cut_off_hz * 2**correction.blend_octaves)
    rows = [
        (nominal(band), f"{correction.correction_db(band):+.1f}", f"{correction.uncertainty_db(band):.1f}")
        for band in f
    ]
    return [
        f"{plain_label(correction.name, 100)}: what the chamber adds to a level, from {correction.count} loudspeakers",
        f"whole below {correction.cut_off_hz:g} Hz, gone above {_top(correction):.0f} Hz", "",
        *aligned(("band Hz", "to subtract dB", "uncertainty dB"), rows), "",
        "uncertainty: standard uncertainty of one more loudspeaker's corrected level, from the spread of the pairs",
    ]


def _top(correction: Any) -> float:
    return correction.cut_off_hz * 2**correction.blend_octaves


def _third_octaves(low_hz: float, high_hz: float) -> np.ndarray:
    bands = midbands_hz(3, 1, 20000)
    return bands[(bands >= low_hz * 0.97) & (bands <= high_hz * 1.03)]


# for machines ---------------------------------------------------------------------------------------------

def speaker_record(view: SpeakerView) -> dict[str, Any]:
    """A design or a measurement for machines."""
    return {
        "name": view.name, "drive_v": view.drive_v,
        "channels": [_channel_record(name, channel) for name, channel in view.channels.items()],
        "measurements": [
            {"name": name, "directions": quality.measured, "filled": quality.filled,
             "filled_share": quality.filled_share, "coverage": one.as_measured.coverage,
             "half_sphere": one.as_measured.half_space, "spacing_deg": quality.spacing_deg,
             "phase": one.as_measured.has_phase, "low_hz": one.as_measured.low_hz, "high_hz": one.as_measured.high_hz,
             "distance_m": one.as_measured.distance_m, "radius_m": one.as_measured.radius_m,
             "far_field_hz": quality.far_field_hz, "distance_removed_hz": quality.removed_hz, "order": quality.order,
             "leave_out_db": _banded(quality.band_hz, quality.leave_out_db),
             "uncertainty_db": None if quality.uncertainty_db is None
             else _banded(quality.band_hz, quality.uncertainty_db)}
            for name, (one, quality) in view.measurements.items()
        ],
        "assumed": _notes(view),
    }


def _channel_record(name: str, channel: ChannelView) -> dict[str, Any]:
    overview, load = channel.overview, channel.load
    return {
        "channel": name, "calibrated": overview.calibrated, "half_sphere": overview.half_space,
        "low_hz": overview.low_hz, "high_hz": _number(overview.high_hz),
        "bands": [{key: _number(value) for key, value in row.items()}
                  for row in overview_rows(overview, channel.maximum)],
        "load": None if load is None else {
            "level_db": load.level_db, "drive_db": load.drive_db, "headroom_db": load.headroom_db,
            "drivers": [{"driver": one.name, "power_w": one.power_w, "peak_excursion_m": one.peak_excursion_m,
                         "headroom_db": one.headroom_db, "cause": one.cause} for one in load.drivers],
        },
    }


def correction_record(definition: CorrectionDefinition) -> dict[str, Any]:
    """A correction for machines."""
    one = definition.correction
    return {
        "name": one.name, "count": one.count, "cut_off_hz": one.cut_off_hz, "blend_octaves": one.blend_octaves,
        "pairs": [pair.label for pair in definition.pairs], "frequency_hz": one.frequency_hz.tolist(),
        "mean_db": one.mean_db.tolist(), "spread_db": one.spread_db.tolist(),
        "correction_db": one.correction_db(one.frequency_hz).tolist(),
        "uncertainty_db": one.uncertainty_db(one.frequency_hz).tolist(),
    }


def _banded(band_hz: np.ndarray, values: Iterable[float]) -> dict[str, float | None]:
    return {nominal(band): _number(float(value)) for band, value in zip(band_hz, values, strict=True)}


def _number(value: Any) -> Any:
    return None if isinstance(value, float) and not math.isfinite(value) else value


# files ----------------------------------------------------------------------------------------------------

def write_speaker(view: SpeakerView, folder: str | os.PathLike[str]) -> list[str]:
    """Write figures per channel and measurement, table.csv and curves.csv; the names of the files."""
    from .measurement_plot import measurement_figure
    from .speaker_plot import curves_figure, map_figure, maximum_figure, power_figure

    with OutputFolder(folder) as output:
        shown = dict(list(view.channels.items())[:MOST_FIGURES])
        for name, file in zip(shown, _file_names(shown), strict=True):
            channel = shown[name]
            save(curves_figure(channel.overview), output.path(f"curves{file}.png"))
            save(map_figure(channel.overview), output.path(f"directivity{file}.png"))
            save(power_figure(channel.overview), output.path(f"power{file}.png"))
            if channel.maximum is not None:
                save(maximum_figure(channel.overview, channel.maximum), output.path(f"maximum{file}.png"))
        measured = dict(list(view.measurements.items())[:MOST_FIGURES])
        for name, file in zip(measured, _file_names(measured), strict=True):
            definition, quality = measured[name]
            save(measurement_figure(definition.as_measured, quality, name), output.path(f"measured{file}.png"))
        write_rows(_table(view), output.path("table.csv"))
        write_rows(list(_curves(view)), output.path("curves.csv"))
        return output.names


def write_correction_figures(definition: CorrectionDefinition, folder: str | os.PathLike[str]) -> list[str]:
    """Write correction.png and correction.csv; the names of the files."""
    from .measurement_plot import correction_figure

    one = definition.correction
    columns = {"frequency_hz": one.frequency_hz, "mean_db": one.mean_db, "spread_db": one.spread_db,
               "correction_db": one.correction_db(one.frequency_hz),
               "uncertainty_db": one.uncertainty_db(one.frequency_hz)}
    with OutputFolder(folder) as output:
        save(correction_figure(one, definition.pairs), output.path("correction.png"))
        write_rows([dict(zip(columns, map(float, row), strict=True)) for row in zip(*columns.values(), strict=True)],
                   output.path("correction.csv"))
        return output.names


def _file_names(labels: Iterable[str]) -> list[str]:
    """Endings of file names, empty where there is only one thing to name."""
    named = list(labels)
    return [""] if len(named) == 1 else [f"-{name}" for name in safe_names(named)]


def _table(view: SpeakerView) -> list[dict[str, Any]]:
    rows = [{"channel": name, **{key: _number(value) for key, value in row.items()}}
            for name, channel in view.channels.items() for row in overview_rows(channel.overview, channel.maximum)]
    columns = dict.fromkeys(key for row in rows for key in row)
    return [{key: row.get(key) for key in columns} for row in rows]


def _curves(view: SpeakerView) -> Iterator[dict[str, Any]]:
    for name, channel in view.channels.items():
        overview: ChannelOverview = channel.overview
        curves = overview.curves
        columns = {
            "frequency_hz": overview.frequency_hz, "on_axis_db": curves.on_axis_db,
            "listening_window_db": curves.listening_window_db, "early_reflections_db": curves.early_reflections_db,
            "sound_power_db": curves.sound_power_db, "in_room_db": curves.in_room_db,
            "directivity_index_db": overview.index_db, "horizontal_width_deg": overview.horizontal_width_deg,
            "vertical_width_deg": overview.vertical_width_deg,
        }
        for k in range(overview.frequency_hz.size):
            yield {"channel": name, **{key: None if values is None else float(values[k])
                                       for key, values in columns.items()}}
