"""`roomsim report`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from .terminal import Json, clean, count, print_json

Figures = Annotated[
    str | None,
    typer.Option("--figures", metavar="KINDS", show_default=False,
                 help="Also write every figure of the report by itself, for papers and slides: png, svg, pdf, or "
                      "several with commas between.")
]


def report(
    result: Annotated[Path, typer.Argument(metavar="RESULT", help="A result.nc of an earlier prediction.")],
    out: Annotated[
        Path | None, typer.Option("--out", metavar="FOLDER", show_default=False,
                                  help="Output folder; RESULT-report beside the result by default.")
    ] = None,
    figures: Figures = None,
    as_json: Json = False,
) -> None:
    """Make the report page, tables and figures of a stored result, without predicting anything again.

    Example: roomsim report study-results/result.nc --figures svg,pdf
    """
    from ..files.netcdf import read_netcdf
    from ..report.write import write_report

    kinds = figure_kinds(figures)
    folder = out if out is not None else result.parent / f"{result.stem}-report"
    files = write_report(read_netcdf(result), folder, figures=kinds)
    if as_json:
        print_json({"folder": str(folder), "files": [file.name for file in files]})
        return
    typer.echo(f"{count(len(files), 'file')} in {clean(str(folder))}; open report.html in a browser")


def figure_kinds(figures: str | None) -> tuple[str, ...]:
    """The kinds of figures in an option's value.

    Raises
    ------
    InvalidValue : names the kinds that can be written
    """
    if figures is None:
        return ()
    from ..errors import InvalidValue
    from ..report.write import check_kinds

    kinds = tuple(part.strip().lower() for part in figures.split(",") if part.strip())
    try:
        check_kinds(kinds)
    except InvalidValue as error:
        raise InvalidValue("--figures", error.value, error.rule) from None
    return kinds
