"""`roomsim analyse`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from .terminal import Json, clean, count, print_json


def analyse(
    files: Annotated[list[Path], typer.Argument(metavar="WAV...", help="Impulse responses of one room.")],
    out: Annotated[
        Path | None, typer.Option("--out", metavar="FOLDER", show_default=False,
                                  help="Also write parameters.csv and figures into this folder.")
    ] = None,
    bands: Annotated[
        str, typer.Option("--bands", metavar="KIND", help="octave, third-octave or broadband.")
    ] = "octave",
    channel: Annotated[
        str | None, typer.Option("--channel", metavar="N", show_default=False,
                                 help="Which channel of files with several: a number from 1, or all.")
    ] = None,
    as_json: Json = False,
) -> None:
    """Read decay times and energy ratios (ISO 3382) from measured impulse responses.

    A value that the recording cannot carry is left out, with its reason. Example:
    roomsim analyse seat1.wav seat2.wav --out analysis
    """
    from ..studies.measured import analyse_wavs

    wanted = int(channel) if channel is not None and channel.isdigit() else channel
    measured = analyse_wavs(files, channel=wanted, bands=bands)
    names: list[str] = []
    if out is not None:
        from ..report.measured import write_measured

        names = write_measured(measured, out)
    if as_json:
        print_json({"rate_hz": measured.rate_hz, "rows": measured.rows(), "files": names})
        return
    from ..report.measured import measured_lines

    for line in measured_lines(measured):
        typer.echo(clean(line))
    if names:
        typer.echo(f"\n{count(len(names), 'file')} in {clean(str(out))}")
