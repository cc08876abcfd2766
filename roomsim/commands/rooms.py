"""`roomsim rooms`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

from ..errors import InvalidValue
from .terminal import Json, clean, count, print_json

SURVEY_SUFFIXES = (".csv", ".tsv", ".txt")


def rooms(
    subject: Annotated[
        str | None, typer.Argument(metavar="[FILE]", show_default=False,
                                   help="A survey (.csv), a room or materials file (.yaml), or a shipped room's name; "
                                        "the shipped rooms are listed without one.")
    ] = None,
    percentile: Annotated[
        str | None, typer.Option("--percentile", metavar="P", show_default=False,
                                 help="Of a survey: 25,50,75 or mean,75 or quartiles (default) or mean-to-75.")
    ] = None,
    by: Annotated[
        str | None, typer.Option("--by", metavar="WHAT", show_default=False, help="volume (default) or floor.")
    ] = None,
    units: Annotated[
        str | None, typer.Option("--units", metavar="UNIT", show_default=False,
                                 help="m or ft, for columns of the survey that do not say.")
    ] = None,
    leave_out: Annotated[
        bool, typer.Option("--leave-out-implausible", help="Leave out homes that no living room is like.")
    ] = False,
    names: Annotated[
        str | None, typer.Option("--names", metavar="A,B,…", show_default=False,
                                 help="What the target rooms are called, one name per percentile.")
    ] = None,
    like: Annotated[
        list[str] | None, typer.Option("--like", metavar="ROOM", show_default=False,
                                       help="Room file or shipped room (default typical) with the furnishing of the "
                                            "target rooms; once for all, or once per percentile.")
    ] = None,
    setting: Annotated[
        str | None, typer.Option("--setting", metavar="NAME", show_default=False,
                                 help="Acoustic state of the room that is shown; its first by default.")
    ] = None,
    materials: Annotated[bool, typer.Option("--materials", help="List the finishes that rooms can name.")] = False,
    furniture: Annotated[bool, typer.Option("--furniture", help="List the furniture that rooms can name.")] = False,
    out: Annotated[
        Path | None, typer.Option("--out", metavar="FOLDER", show_default=False,
                                  help="Also write into this folder: room files and plots of a survey, the drawing "
                                       "of a room, plots of finishes.")
    ] = None,
    as_json: Json = False,
) -> None:
    """Target rooms from a survey of homes, rooms with their decay by every formula, finishes and furniture.

    A room file that differs from what would be written is never replaced. Examples:

    roomsim rooms survey.csv --percentile 25,50,75 --by volume --out rooms

    roomsim rooms rooms/room-50.yaml --out drawn

    roomsim rooms --materials
    """
    of_survey = {"--percentile": percentile, "--by": by, "--units": units, "--names": names, "--like": like,
                 "--leave-out-implausible": leave_out}
    is_survey = subject is not None and subject.lower().endswith(SURVEY_SUFFIXES)
    if not is_survey:
        _refuse(of_survey, "goes with a survey (.csv)")
    if subject is not None and (materials or furniture):
        option = "--materials" if materials else "--furniture"
        raise InvalidValue(option, subject, "lists the catalogue and takes no file")
    if materials and furniture:
        raise InvalidValue("--furniture", True, "does not go with --materials")
    if is_survey or subject is None:
        _refuse({"--setting": setting}, "goes with a room")
    if is_survey:
        _survey(str(subject), percentile or "quartiles", by or "volume", units, leave_out,
                names, like, out, as_json)
    elif subject is not None:
        _shown(subject, setting, out, as_json)
    elif materials:
        from ..room.materials import catalogue

        _finishes(list(catalogue().values()), out, as_json)
    elif furniture:
        _refuse({"--out": out}, "has nothing to write here")
        _furniture(as_json)
    else:
        _refuse({"--out": out}, "has nothing to write here; name a room")
        _shipped(as_json)


def _refuse(options: dict[str, Any], rule: str) -> None:
    for name, value in options.items():
        if value:
            raise InvalidValue(name, None if value is True else value, rule)


def _survey(
    path: str, percentile: str, by: str, units: str | None, leave_out: bool, names: str | None, like: list[str] | None,
    out: Path | None, as_json: bool,
) -> None:
    from ..report.rooms import survey_lines, write_survey
    from ..studies.rooms import DEFAULT_LIKE, survey_rooms, target_files

    found = survey_rooms(Path(path), percentiles=percentile, by=by, units=units, leave_out_implausible=leave_out)
    written: list[str] = []
    if out is not None:
        called = [name.strip() for name in names.split(",")] if names else []
        written = write_survey(found, target_files(found, called, like or (DEFAULT_LIKE,)), out)
    else:
        _refuse({"--names": names, "--like": like}, "goes with --out: it is about the files that are written")
    if as_json:
        print_json({
            "survey": found.survey.source, "homes": len(found.survey), "rooms": found.rows(),
            "implausible": [{"line": line, "why": why} for line, why in found.implausible],
            "left_out": found.left_out, "folder": None if out is None else str(out), "files": written})
        return
    _say(survey_lines(found), out, written, "--out FOLDER writes a room file per percentile, and plots")


def _shown(name: str, setting: str | None, out: Path | None, as_json: bool) -> None:
    from ..report.rooms import room_lines, room_record, write_room
    from ..report.settings import lines_of
    from ..studies.rooms import load_any
    from ..studies.settings import CAUTION, room_in, setting_state

    found = load_any(name)
    if not hasattr(found, "room"):
        _refuse({"--setting": setting}, "goes with a room")
        _finishes(list(found.finishes.values()), out, as_json)
        return
    room = room_in(found, setting or found.settings[0])
    changing = [setting_state(found, one).record() for one in found.settings] if found.adjustables() else []
    written = [] if out is None else write_room(room, out)
    if as_json:
        print_json(room_record(room, found.provenance) | {
            "settings": list(found.settings), "setting_changes": changing,
            "folder": None if out is None else str(out), "files": written})
        return
    lines = room_lines(room, found.provenance)
    if changing:
        lines += ["", "Settings: decay of the room by itself (500 and 1000 Hz), and what each takes",
                  *(f"  {line}" for one in changing for line in lines_of(one)), f"  Caution: {CAUTION}"]
    _say(lines, out, written, "--out FOLDER draws it")


def _finishes(finishes: list[Any], out: Path | None, as_json: bool) -> None:
    from ..report.rooms import finish_lines, write_finishes
    from ..room.materials import material_rows

    written = [] if out is None else write_finishes(finishes, out)
    if as_json:
        print_json({"finishes": material_rows(finishes), "folder": None if out is None else str(out), "files": written})
        return
    _say(finish_lines(finishes), out, written, "--out FOLDER plots them")


def _furniture(as_json: bool) -> None:
    from ..report.rooms import furniture_lines
    from ..room.furniture import furniture_table

    if as_json:
        print_json({"furniture": furniture_table()})
        return
    _say(furniture_lines())


def _shipped(as_json: bool) -> None:
    from ..report.rooms import shipped_lines, shipped_rows

    if as_json:
        print_json({"rooms": shipped_rows()})
        return
    _say(shipped_lines())


def _say(lines: list[str], out: Path | None = None, written: list[str] | None = None, hint: str = "") -> None:
    for line in lines:
        typer.echo(clean(line))
    if written:
        typer.echo(f"\n{count(len(written), 'file')} in {clean(str(out))}: {clean(', '.join(written))}")
    elif hint:
        typer.echo(f"\n{hint}")
