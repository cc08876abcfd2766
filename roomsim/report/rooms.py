"""What `roomsim rooms` shows and writes: surveys, rooms, finishes, furniture."""

from __future__ import annotations

import os
import warnings
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

from ..bands import OCTAVES_HZ, nominal
from ..errors import DefinitionError, Problem
from ..files.output import OutputFolder, write_whole
from ..files.table_csv import write_rows
from ..room.assumptions import room_assumptions
from ..room.furniture import furniture_table
from ..room.materials import AbsorptionClipped, material_rows
from ..room.predictors import Predictors, predictors
from ..room.room import Room
from ..studies.rooms import SurveyRooms
from .style import plain_label
from .text_table import aligned

BANDS = tuple(nominal(f) for f in OCTAVES_HZ)
MOST_LISTED = 20


# surveys --------------------------------------------------------------------------------------------------

def survey_lines(rooms: SurveyRooms) -> list[str]:
    """The percentiles of a survey as a table, and homes that were questioned."""
    unit = "m³" if rooms.by == "volume" else "m²"
    what = "Volume" if rooms.by == "volume" else "Floor area"
    values = rooms.survey.measure(rooms.by)
    lines = [f"{plain_label(rooms.source, 100)}: {len(rooms.survey)} homes, {what.lower()} {values.min():.1f} to "
             f"{values.max():.1f} {unit}, mean {values.mean():.1f} {unit}", ""]
    lines += aligned(
        ("percentile", f"{what.lower()} {unit}", "90 % confidence", "length × width × height m", "homes like it",
         "decay s"),
        [(target.label, f"{target.size:.1f}", f"{target.low:.1f} to {target.high:.1f}",
          f"{target.length_m:.2f} × {target.width_m:.2f} × {target.height_m:.2f}", str(target.neighbours),
          "–" if target.decay_s is None else f"{target.decay_s:.2f}") for target in rooms.targets])
    if rooms.implausible:
        lines += ["", "Implausible rows, left out:" if rooms.left_out
                  else "Implausible rows, counted all the same; --leave-out-implausible leaves them out:"]
        lines += [f"  line {line}: {why}" for line, why in rooms.implausible[:MOST_LISTED]]
        if (more := len(rooms.implausible) - MOST_LISTED) > 0:
            lines.append(f"  and {more} more")
    return lines


def write_survey(rooms: SurveyRooms, files: Mapping[str, str], folder: str | os.PathLike[str]) -> list[str]:
    """Write the room files, survey.png and percentiles.csv; the names of the files.

    Raises
    ------
    DefinitionError : a room file is there and says something else, so that no edit is lost
    OutputError : the folder cannot be written
    """
    from .style import save
    from .survey_plot import survey_figure

    edited = [name for name, text in files.items() if _differs(Path(folder) / name, text)]
    if edited:
        raise DefinitionError(
            Problem(key="", file=str(Path(folder) / name), rule="is there and differs from what would be written",
                    cure="move it, or name another folder") for name in edited)
    with OutputFolder(folder) as output:
        write_rows(rooms.rows(), output.path("percentiles.csv"))
        save(survey_figure(rooms), output.path("survey.png"))
        names = output.names
    for name, text in files.items():           # room files are the user's from now on: no later run takes them away
        if not (Path(folder) / name).exists():
            write_whole(Path(folder) / name, text)
    return sorted([*names, *files])


def _differs(path: Path, text: str) -> bool:
    if not os.path.lexists(path):
        return False
    try:
        return path.read_text("utf-8") != text
    except (OSError, UnicodeDecodeError):
        return True


# rooms ----------------------------------------------------------------------------------------------------

def shipped_rows() -> list[dict[str, Any]]:
    """The rooms that come with roomsim: name, size, mid-band decay time."""
    from ..definitions import load, shipped_rooms

    rows = []
    for name, path in shipped_rooms().items():
        definition = load(path, "room")
        room = definition.as_usual()
        length, width, height = map(float, room.geometry.size_m)
        found = predictors(room, OCTAVES_HZ[3:5])
        rows.append({"name": name, "volume_m3": round(room.geometry.volume_m3, 2), "length_m": length, "width_m": width,
                     "height_m": height, "decay_mid_s": round(float(found.decay_s[found.believed].mean()), 3),
                     "source": definition.provenance})
    return sorted(rows, key=lambda row: row["volume_m3"])


def shipped_lines() -> list[str]:
    """The same as a table."""
    rows = [
        (row["name"], f"{row['volume_m3']:.1f}",
         " × ".join(f"{row[side]:.2f}" for side in ("length_m", "width_m", "height_m")), f"{row['decay_mid_s']:.2f}")
        for row in shipped_rows()
    ]
    return ["Rooms that come with roomsim; studies name them without .yaml", "",
            *aligned(("room", "m³", "length × width × height m", "decay s"), rows), "",
            "decay: 500 Hz and 1 kHz, by formula. roomsim rooms NAME shows one; --materials and --furniture list what",
            "rooms can name."]


def room_lines(room: Room, source: str = "") -> list[str]:
    """A room: size, surfaces, furniture, the decay time by every formula, the advice which to believe."""
    geometry = room.geometry
    length, width, height = geometry.size_m
    shape = "" if geometry.kind == "box" else f", a plan of {len(geometry.plan_m)} corners in"
    lines = [plain_label(room.name, 100),
             f"{geometry.volume_m3:.1f} m³{shape} {length:.2f} × {width:.2f} × {height:.2f} m (length, width, height), "
             f"floor {geometry.floor_m2:.1f} m², surface {geometry.surface_m2:.1f} m²"]
    lines += [f"Source: {plain_label(source, 400)}"] if source else []
    lines += ["", *_surface_lines(room)]
    if room.furniture:
        lines += ["", *_furniture_lines(room)]
    found = predictors(room)
    lines += ["", "Decay time in s by formula; * the one to believe", *_decay_lines(found), ""]
    lines += [f"* {line}" for line in found.advice]
    return [*lines, "", "Assumed:", *_assumed_lines(room)]


def _assumed_lines(room: Room) -> list[str]:
    """What is assumed, said once for all that share it."""
    shared: dict[str, list[str]] = {}
    for one in room_assumptions(room):
        name, colon, what = one.text.partition(": ")
        shared.setdefault(what if colon else one.text, []).append(name if colon else "")
    return [f"  {', '.join(names)}: {what}" if names[0] else f"  {what}" for what, names in shared.items()]


def _surface_lines(room: Room) -> list[str]:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", AbsorptionClipped)
        rows = [
            (plain_label(part.face, 24), plain_label(part.material.name, 44), f"{part.area_m2:.2f}",
             *(f"{alpha:.2f}" for alpha in part.material.absorption(OCTAVES_HZ)))
            for part in room.parts()
        ]
    return aligned(("surface", "finish", "m²", *BANDS), rows, left=2)


def _furniture_lines(room: Room) -> list[str]:
    rows = [(plain_label(item.name, 44), str(item.count), f"{item.count * item.volume_m3:.2f}",
             *(f"{area:.2f}" for area in item.absorption_m2(OCTAVES_HZ))) for item in room.furniture]
    return aligned(("furniture, absorption area in m²", "count", "m³", *BANDS), rows)


def _decay_lines(found: Predictors) -> list[str]:
    rows = [(f"{'*' if row['believed'] else ' '} {row['formula']}", *(f"{s:.2f}" for s in row["decay_s"].values()))
            for row in found.rows()]
    rows.append(("  mean absorption", *(f"{alpha:.2f}" for alpha in found.mean_absorption)))
    return aligned(("  octave band in Hz", *BANDS), rows)


def room_record(room: Room, source: str = "") -> dict[str, Any]:
    """The same for machines."""
    geometry, found = room.geometry, predictors(room)
    return {
        "room": room.name, "source": source, "kind": geometry.kind,
        "length_m": float(geometry.size_m[0]), "width_m": float(geometry.size_m[1]), "height_m": geometry.height_m,
        "volume_m3": geometry.volume_m3, "floor_m2": geometry.floor_m2, "surface_m2": geometry.surface_m2,
        "surfaces": [{"surface": part.face, "finish": part.material.name, "area_m2": part.area_m2,
                      "absorption": _per_band(part.material.absorption(OCTAVES_HZ))} for part in room.parts()],
        "furniture": [{"item": item.name, "count": item.count, "volume_m3": item.count * item.volume_m3,
                       "absorption_m2": _per_band(item.absorption_m2(OCTAVES_HZ)), "source": item.source}
                      for item in room.furniture],
        "decay": found.rows(), "believed": found.believed, "advice": list(found.advice),
        "mean_absorption": _per_band(found.mean_absorption), "object_fraction": found.object_fraction,
        "transition_hz": found.transition_hz,
        "engines": "all" if geometry.kind == "box" else "statistics, images and rays",
        "assumed": [one.text for one in room_assumptions(room)],
    }


def _per_band(values: Iterable[float]) -> dict[str, float]:
    return {band: round(float(value), 4) for band, value in zip(BANDS, values, strict=True)}


def write_room(room: Room, folder: str | os.PathLike[str]) -> list[str]:
    """Write drawing.png, decay-formulas.png and decay-formulas.csv; the names of the files."""
    from .formulas_plot import formulas_figure
    from .room_drawing import draw_room
    from .style import save

    found = predictors(room)
    with OutputFolder(folder) as output:
        save(draw_room(room), output.path("drawing.png"))
        save(formulas_figure(found, room.name), output.path("decay-formulas.png"))
        write_rows([{"formula": row["formula"], "believed": row["believed"], **row["decay_s"]} for row in found.rows()],
                   output.path("decay-formulas.csv"))
        return output.names


# finishes and furniture -----------------------------------------------------------------------------------

_EXPLAINED = (
    "Random-incidence absorption; (in brackets): an assumption. off by: largest difference in a band between the table",
    "and what the impedance of the engines absorbs, at most 0.951. Values above 1 come from the edges of finite",
    "samples; the formulas count them as printed. Sources stand in --json and in finishes.csv.",
)


def finish_lines(finishes: Sequence[Any]) -> list[str]:
    """A table of finishes by kind; (0.03) is assumed."""
    lines: list[str] = []
    rows = material_rows(finishes)
    for kind in dict.fromkeys(row["kind"] for row in rows):
        table = []
        for row in (row for row in rows if row["kind"] == kind):
            cells = [_assumed(row["absorption"].get(band), band in row["assumed_bands"]) for band in BANDS]
            worst = "" if row["worst_residual"] is None else f"{row['worst_residual']:.2f}"
            model = ", ".join(f"{name} {value:.3g}" for name, value in row["model"].items())
            table.append((plain_label(row["name"], 40), *cells, worst, model))
        head = (kind, *BANDS, "off by", "model behind the impedance")
        named = aligned(head[:-1], [row[:-1] for row in table])
        lines += [*(f"{line}  {row[-1]}".rstrip() for line, row in zip(named, [head, *table], strict=True)), ""]
    return [*lines, *_EXPLAINED]


def _assumed(value: float | None, assumed: bool) -> str:
    if value is None:
        return "–"
    text = f"{value:.2f}" if value >= 0.0095 or value == 0 else f"{value:.3f}"
    return f"({text})" if assumed else f"{text} "


def write_finishes(finishes: Sequence[Any], folder: str | os.PathLike[str]) -> list[str]:
    """Write finishes.csv and a figure per kind; the names of the files."""
    from .finishes_plot import finishes_figures
    from .style import save

    rows = [
        {"name": row["name"], "kind": row["kind"],
         **{f"absorption_{band}": row["absorption"].get(band) for band in BANDS},
         "assumed_bands": " ".join(row["assumed_bands"]), "source": row["source"],
         "worst_residual": row["worst_residual"]}
        for row in material_rows(finishes)
    ]
    with OutputFolder(folder) as output:
        write_rows(rows, output.path("finishes.csv"))
        for kind, figure in finishes_figures(finishes).items():
            save(figure, output.path(f"finishes-{kind}.png"))
        return output.names


def furniture_lines() -> list[str]:
    """The catalogue of furniture, absorption area of one item empty and occupied."""
    rows = []
    for item in furniture_table():
        for label, area in ((item["name"], item["absorption_m2"]), ("  occupied", item["occupied_absorption_m2"])):
            if area is not None:
                rows.append((label, f"{item['volume_m3']:.2f}" if label == item["name"] else "",
                             *(f"{value:.2f}" for value in area.values())))
    return [*aligned(("furniture, absorption area in m²", "m³", *BANDS), rows), "",
            "All of it rests on assumptions: seats absorb like published rows of upholstered or leather seating over",
            "their plan area, the rest like hard objects of their volume (EN 12354-6, A = V^(2/3))."]
