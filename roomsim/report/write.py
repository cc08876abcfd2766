"""The files of a result, written together."""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ..errors import InvalidValue
from ..files.netcdf import write_netcdf
from ..files.output import OutputFolder, safe_names
from ..files.table_csv import write_flat, write_rows
from .balance import balance_rows, reflection_rows
from .balance_plot import balance_figure
from .cases import CurveBook, main_setting, metadata, variant_name, variants
from .decay_plot import decay_figure
from .mode_plot import mode_figure
from .modes import mode_rows
from .page.build import build_page
from .response_plot import MOST_DESIGNS, level_range_db, overview_figure, response_figure
from .settings import setting_rows
from .style import plain_label, save
from .systems import programme_rows, receiver_rows
from .table import table_rows

if TYPE_CHECKING:
    from matplotlib.figure import Figure
    from xarray import Dataset

    from ..definitions import StudyDefinition

FIGURE_KINDS = ("png", "svg", "pdf")
MOST_FIGURES = 12
"""Figures of single rooms; a larger study has the rest in its arrays."""
MOST_ROOMS = 4
"""Rooms side by side in the overview."""
MOST_FLAT_LINES = 1_000_000
"""What a spreadsheet can hold; larger results go to the flat file in third octaves, still larger ones as averages over
the seats too."""


def write_report(
    result: Dataset, folder: str | os.PathLike[str], *, figures: Sequence[str] = ()
) -> list[Path]:
    """Write table, arrays and figures of a result into a folder, all of them or none.

    result.nc holds every array, result.csv the levels in flat lines, table.csv the numbers of the printed
    table, balance.csv, reflections.csv, modes.csv, settings.csv, receiver.csv (of systems) and programme.csv (where one
    is played) what their names say; overview.png, decay-time.png, settings.png and, per room, response-*.png,
    balance-*.png and modes-*.png are the figures; report.html is the page that shows all of it.

    Parameters
    ----------
    result : as `predict` or `open_result` returns it
    folder : made where it is missing; the files of an earlier run in it are replaced, no others
    figures : kinds of files, of FIGURE_KINDS, in which every figure of the page is written by itself too, in a style
        fit for papers; the other figures come in these kinds beside PNG

    Returns
    -------
    the files

    Raises
    ------
    InvalidValue : a kind of figure that is not known
    OutputError : the folder cannot be written, or a file in it that roomsim did not write stands in the way

    Examples
    --------
    >>> files = roomsim.report(quick_result(), "out")
    >>> {"result.nc", "table.csv", "overview.png"} <= {file.name for file in files}
    True
    """
    check_kinds(figures)
    with OutputFolder(folder) as output:
        fill(output, result, figures=figures)
        names = output.names
    return [output.folder / name for name in names]


def fill(
    output: OutputFolder, result: Dataset, study: StudyDefinition | None = None, figures: Sequence[str] = ()
) -> list[dict[str, Any]]:
    """Write everything into an open output folder; with the study at hand, a drawing of each room too.

    Returns the lines of the table, which take a while in a large study.
    """
    check_kinds(figures)
    write_netcdf(result, output.path("result.nc"))
    _write_flat(result, output.path("result.csv"))
    lines = table_rows(result)
    write_rows(lines, output.path("table.csv"))
    for name, rows in (("balance", balance_rows), ("reflections", reflection_rows), ("modes", mode_rows),
                       ("settings", setting_rows), ("receiver", receiver_rows), ("programme", programme_rows)):
        if table := rows(result):
            write_rows(table, output.path(f"{name}.csv"))

    def put(figure: Figure, name: str) -> None:
        for kind in dict.fromkeys(("png", *figures)):
            save(figure, output.path(f"{name}.{kind}"))

    every_variant = shown_variants(result)
    rooms, designs = list(result["room"].values), list(result["design"].values)[:MOST_DESIGNS]
    book = CurveBook(result)
    shown = [(room, variant) for variant in every_variant for room in rooms][:MOST_FIGURES]
    range_db = level_range_db([book(d, room, variant) for room, variant in shown for d in designs])
    put(overview_figure(result, every_variant[0], rooms[:MOST_ROOMS], range_db, book), "overview")
    put(decay_figure(result, every_variant[0]), "decay-time")
    labels = [" ".join(t for t in (str(room), variant_name(result, variant)) if t) for room, variant in shown]
    names = safe_names(labels)
    for (room, variant), name in zip(shown, names, strict=True):
        put(response_figure(result, room, variant, range_db, book), f"response-{name}")
        put(balance_figure(result, room, variant), f"balance-{name}")
        if (modes := mode_figure(result, room, variant)) is not None:
            put(modes, f"modes-{name}")
    if result.sizes["setting"] > 1:
        from .settings_plot import settings_figure

        put(settings_figure(result, every_variant[0], rooms[:MOST_ROOMS]), "settings")
    if study is not None:
        for figure, name in _drawings(study):
            put(figure, f"room-{name}")
    page = build_page(result, book=book)
    output.path("report.html").write_text(page.html, "utf-8")
    for figure, name in page.figures() if figures else ():
        for kind in dict.fromkeys(figures):
            save(figure, output.path(f"{name}.{kind}"))
    return lines


def shown_variants(result: Dataset) -> list[dict[str, Any]]:
    """The variants that are drawn room by room: of the setting ordinary, or the first; settings.png shows the rest."""
    main = main_setting(result)
    return [variant for variant in variants(result) if variant["setting"] == main]


def check_kinds(figures: Sequence[str]) -> None:
    """Refuse kinds of figure files that cannot be written.

    Raises
    ------
    InvalidValue : names the kinds that can
    """
    for kind in figures:
        if kind not in FIGURE_KINDS:
            raise InvalidValue("figures", kind, f"must be one of {', '.join(FIGURE_KINDS)}")


def _drawings(study: StudyDefinition) -> Iterator[tuple[Figure, str]]:
    """Each room to scale with the first design at the first place, and the seats; with a name for its file."""
    from ..placing import build_scene
    from ..studies.settings import room_in
    from ..systems import build_system
    from .room_drawing import draw_room

    label, design = next(iter(study.designs.items()))
    design, place, system = design.loudspeaker(), next(iter(study.places.values())), study.systems.get(label)
    labels = list(study.rooms)[:MOST_FIGURES]
    for label, name in zip(labels, safe_names(labels), strict=True):
        room = room_in(study.rooms[label], study.settings[0])
        scene = (build_scene(room, design, place, study.seats) if system is None
                 else build_system(room, design, place, study.seats, system.system))
        yield draw_room(scene, f"{label}: {scene.room.name}"), name


def _write_flat(result: Dataset, path: Path) -> None:
    """Every level, or bands of it where that is more than a spreadsheet can hold."""
    change = None
    if result["level_db"].size > MOST_FLAT_LINES:
        from ..analysis.seats import band_level_db, seat_average_db

        bands = result["level_db"].size // result.sizes["frequency"] * 31
        change = band_level_db if bands <= MOST_FLAT_LINES else lambda level: band_level_db(seat_average_db(level))
    write_flat(result, path, change=change)


def notes(result: Dataset) -> list[str]:
    """What the result takes for granted or warns of: one line of each kind, with the range it concerns."""
    kinds: dict[str, list[str]] = {}
    for note in metadata(result).get("notes", []):
        low, high = note.get("low_hz"), note.get("high_hz")
        where = f"{low:.0f} to {high:.0f} Hz: " if low and high else f"below {high:.0f} Hz: " if high else (
            f"above {low:.0f} Hz: " if low else "")
        text = plain_label(note["text"], 400)
        kinds.setdefault(note["code"], []).append(text if "Hz" in text else where + text)
    return [
        lines[0] + (f" (and {len(lines) - 1} more of this kind in result.nc)" if len(lines) > 1 else "")
        for lines in kinds.values()
    ]
