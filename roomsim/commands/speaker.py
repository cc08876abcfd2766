"""`roomsim speaker`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

from ..errors import InvalidValue
from .terminal import Json, clean, count, print_json


def speaker(
    file: Annotated[
        Path, typer.Argument(metavar="FILE", help="A loudspeaker, measurement or correction (.yaml), an AES69 file "
                                                  "(.sofa), or a stored correction (.txt).")
    ],
    out: Annotated[
        Path | None, typer.Option("--out", metavar="FOLDER", show_default=False,
                                  help="Also write figures and tables into this folder.")
    ] = None,
    channel: Annotated[
        str | None, typer.Option("--channel", metavar="NAME", show_default=False,
                                 help="Only this channel of a loudspeaker; all by default.")
    ] = None,
    level: Annotated[
        float | None, typer.Option("--level", metavar="DB", show_default=False,
                                   help="Say what pink noise of this level at 1 m takes, where drivers have limits.")
    ] = None,
    correct: Annotated[
        Path | None, typer.Option("--correct", metavar="CORRECTION", show_default=False,
                                  help="Correct a measurement for its chamber first.")
    ] = None,
    convert: Annotated[
        Path | None, typer.Option("--convert", metavar="FILE", show_default=False,
                                  help="Write the measurement as AES69 (.sofa), or the correction as text (.txt).")
    ] = None,
    as_json: Json = False,
) -> None:
    """Show a loudspeaker design, or bring in, check, correct and convert a measurement. Examples:

    roomsim speaker bar.yaml --level 96 --out bar

    roomsim speaker box.sofa --out box

    roomsim speaker measurement.yaml --correct chamber.txt --convert box.sofa

    roomsim speaker chamber.yaml --convert chamber.txt
    """
    from ..definitions import CorrectionDefinition
    from ..studies.speaker import convert as write
    from ..studies.speaker import load_subject

    subject = load_subject(file, correct=correct)
    of_correction = isinstance(subject, CorrectionDefinition)
    if of_correction:
        for name, value in (("--channel", channel), ("--level", level)):
            if value is not None:
                raise InvalidValue(name, value, "goes with a loudspeaker")
    if convert is not None:
        write(subject, convert)
    lines, record, names = _correction(subject, out) if of_correction else _speaker(subject, channel, level, out)
    if as_json:
        print_json({**record, "folder": None if out is None else str(out), "files": names,
                    "converted": None if convert is None else str(convert)})
        return
    for line in lines:
        typer.echo(clean(line))
    if names:
        typer.echo(f"\n{count(len(names), 'file')} in {clean(str(out))}")
    if convert is not None:
        typer.echo(f"\nwritten: {clean(str(convert))}")


def _speaker(
    subject: Any, channel: str | None, level: float | None, out: Path | None
) -> tuple[list[str], dict[str, Any], list[str]]:
    from ..report.speaker import speaker_lines, speaker_record, write_speaker
    from ..studies.speaker import speaker_view

    view = speaker_view(subject, channel=channel, level_db=level)
    return speaker_lines(view), speaker_record(view), [] if out is None else write_speaker(view, out)


def _correction(subject: Any, out: Path | None) -> tuple[list[str], dict[str, Any], list[str]]:
    from ..report.speaker import correction_lines, correction_record, write_correction_figures

    names = [] if out is None else write_correction_figures(subject, out)
    return correction_lines(subject), correction_record(subject), names
