"""`roomsim demo` and `roomsim predict`."""

from __future__ import annotations

import json
import math
import os
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from .terminal import Jobs, Json, clean, count, print_json, progress

if TYPE_CHECKING:
    from xarray import Dataset


def demo(
    folder: Annotated[
        Path, typer.Argument(metavar="FOLDER", help="Where to write; made where it is missing.")
    ] = Path("roomsim-demo"),
    jobs: Jobs = None,
    as_json: Json = False,
) -> None:
    """Write a ready-made study (three rooms, two bars) and predict it."""
    from ..demo import write_demo

    _predict(write_demo(folder), None, jobs, as_json)


def predict(
    study: Annotated[Path, typer.Argument(metavar="STUDY", help="A study file.")],
    out: Annotated[
        Path | None, typer.Option("--out", metavar="FOLDER", show_default=False,
                                  help="Output folder; STUDY-results beside the study by default.")
    ] = None,
    jobs: Jobs = None,
    as_json: Json = False,
) -> None:
    """Predict a study: a table here, figures and arrays into a folder."""
    _predict(study, out, jobs, as_json)


def _predict(path: Path, out: Path | None, jobs: int | None, as_json: bool) -> None:
    from ..definitions import load
    from ..files.output import OutputFolder

    study = load(path, "study")
    with OutputFolder(out if out is not None else path.parent / f"{path.stem}-results") as output:
        from ..report.write import fill
        from ..studies.run import predict as run

        axes = (study.rooms, study.settings, study.designs, study.places, *study.vary.values())
        with progress(math.prod(map(len, axes))) as told:
            result = run(study, progress=told, jobs=jobs)   # type: ignore[arg-type]
        fill(output, result, study)
        names = output.names
    if as_json:
        print_json(_as_json(result, output.folder, names))
    else:
        _print_result(result, output.folder, names)


def _print_result(result: Dataset, folder: Path, names: list[str]) -> None:
    from ..report.table import print_table
    from ..report.write import notes

    print_table(result)
    said = notes(result)
    if said:
        typer.echo("\nAssumed, or not to be relied on:")
        for line in said:
            typer.echo(f"  {clean(line)}")
    where = clean(os.path.relpath(folder) if folder.is_relative_to(Path.cwd()) else str(folder))
    typer.echo(f"\n{count(len(names), 'file')} in {where}, among them overview.png and result.nc")


def _as_json(result: Dataset, folder: Path, names: list[str]) -> dict[str, Any]:
    from ..report.table import table_rows

    metadata = json.loads(result.attrs.get("metadata", "{}"))
    return {
        "title": result.attrs.get("title", ""),
        "folder": str(folder),
        "files": names,
        "table": table_rows(result),
        "notes": metadata.get("notes", []),
    }
