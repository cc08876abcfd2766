"""`roomsim demo` and `roomsim predict`."""

from __future__ import annotations

import json
import math
import os
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from .report import Figures, figure_kinds
from .terminal import Cluster, Jobs, Json, clean, count, print_json, progress

if TYPE_CHECKING:
    from xarray import Dataset

    from ..definitions import StudyDefinition
    from ..studies.store import CaseStore


RESPONSES = "impulse-responses"
"""Folder of impulse responses in the output folder."""


def demo(
    folder: Annotated[
        Path, typer.Argument(metavar="FOLDER", help="Where to write; made where it is missing.")
    ] = Path("roomsim-demo"),
    jobs: Jobs = None,
    as_json: Json = False,
) -> None:
    """Write a ready-made study (three rooms, two bars) and predict it.

    Example: roomsim demo my-demo
    """
    from ..demo import write_demo

    _predict(write_demo(folder), None, jobs, as_json)


def predict(
    study: Annotated[Path, typer.Argument(metavar="STUDY", help="A study file.")],
    out: Annotated[
        Path | None, typer.Option("--out", metavar="FOLDER", show_default=False,
                                  help="Output folder; STUDY-results beside the study by default.")
    ] = None,
    impulse_responses: Annotated[
        int | None, typer.Option("--impulse-responses", metavar="RATE", show_default=False,
                                 help="Also write the impulse response of every channel at every seat, as WAV and "
                                      "AES69 files of 44100, 48000 or 96000 Hz, into impulse-responses in the output "
                                      "folder. They are loud at full scale: start playback at a low volume.")
    ] = None,
    figures: Figures = None,
    jobs: Jobs = None,
    cluster: Cluster = None,
    as_json: Json = False,
) -> None:
    """Predict a study: a table here, the report page, figures and arrays into a folder.

    Says first how many cases there are and about how long they take. An interrupted study goes on where it stopped,
    and a changed one computes only what the change touches.

    Examples:

    roomsim predict study.yaml --impulse-responses 48000

    roomsim predict study.yaml --jobs 4 --out results

    roomsim predict study.yaml --cluster tcp://10.0.0.5:8786
    """
    _predict(study, out, jobs, as_json, impulse_responses, cluster, figure_kinds(figures))


def _predict(
    path: Path, out: Path | None, jobs: int | None, as_json: bool, rate_hz: int | None = None,
    cluster: str | None = None, figures: tuple[str, ...] = (),
) -> None:
    from ..definitions import load
    from ..files.output import OutputFolder, recover
    from ..studies.run import refuse_ways
    from ..studies.store import CaseStore, store_folder

    refuse_ways(jobs, None, cluster)
    study = load(path, "study")
    if rate_hz is not None:
        from ..studies.impulse_responses import check_request

        check_request(study, rate_hz)
    folder = out if out is not None else _results(path)
    with CaseStore(store_folder(folder), f"{folder}") as store:
        recover(folder)
        with OutputFolder(folder) as output:
            from ..report.write import fill

            result = _run(study, store, jobs, cluster)
            rows = fill(output, result, study, figures)
            names = output.names
        heard = [] if rate_hz is None else _impulse_responses(study, output.folder / RESPONSES, rate_hz, jobs)
        if as_json:
            print_json(_as_json(result, output.folder, names, rows) | {"impulse_responses": heard})
        else:
            _print_result(result, output.folder, names, rows)
            if heard:
                from ..studies.impulse_responses import CAUTION

                typer.echo(f"{count(len(heard), 'file')} of impulse responses in its folder {RESPONSES}. {CAUTION}")


def _results(study: Path) -> Path:
    """Where the results of a study go, unless another folder is named."""
    return study.parent / f"{study.stem}-results"


def predicted(path: Path, study: StudyDefinition, jobs: int | None) -> Dataset:
    """The result of a study with the cases that `roomsim predict` keeps, without writing it."""
    from ..studies.store import CaseStore, store_folder

    folder = _results(path)
    with CaseStore(store_folder(folder), f"{folder}") as store:
        result = _run(study, store, jobs, None)
        return result.load()                              # the store may go, or be changed by another


def _run(study: StudyDefinition, store: CaseStore, jobs: int | None, cluster: str | None) -> Dataset:
    from ..studies.run import predict as run
    from ..studies.settling import settle

    axes = {"room": study.rooms, "setting": study.settings, "design": study.designs, "place": study.places,
            **study.vary}
    cases = math.prod(map(len, axes.values()))
    spanned = " × ".join(count(len(some), name) if name in _NAMES else f"{len(some)} {name}"
                         for name, some in axes.items() if len(some) > 1)
    typer.echo(clean(count(cases, "case") + (f": {spanned}" if spanned else "")), err=True)
    if any(room.adjustables() for room in study.rooms.values()):
        with progress(len(study.rooms) * len(study.settings), "solving", "settings") as told:
            settle(study, jobs=jobs, progress=told, store=store)
    with progress(cases) as told:
        return run(study, progress=told, before=lambda what: typer.echo(what.words, err=True),
                   jobs=jobs, store=store, cluster=cluster)


_NAMES = ("room", "setting", "design", "place")


def _impulse_responses(study: StudyDefinition, folder: Path, rate_hz: int, jobs: int | None) -> list[str]:
    from ..files.output import recover
    from ..studies.impulse_responses import write_impulse_responses

    axes = (study.rooms, study.settings, study.designs, study.places, *study.vary.values())
    recover(folder)
    with progress(math.prod(map(len, axes)), "impulse responses") as told:
        return [path.name for path in write_impulse_responses(study, folder, rate_hz, progress=told, threads=jobs)]


def _print_result(result: Dataset, folder: Path, names: list[str], rows: list[dict[str, Any]]) -> None:
    from ..report.balance import early_lines
    from ..report.modes import mode_lines
    from ..report.settings import setting_lines
    from ..report.systems import programme_lines, receiver_lines
    from ..report.table import print_table
    from ..report.write import notes

    print_table(result, rows=rows)
    for lines in filter(None, (setting_lines(result), receiver_lines(result), programme_lines(result),
                               mode_lines(result), early_lines(result))):
        typer.echo("")
        for line in lines:
            typer.echo(clean(line))
    said = notes(result)
    if said:
        typer.echo("\nAssumed, or not to be relied on:")
        for line in said:
            typer.echo(f"  {clean(line)}")
    where = clean(os.path.relpath(folder) if folder.is_relative_to(Path.cwd()) else str(folder))
    typer.echo(f"\n{count(len(names), 'file')} in {where}; open report.html in a browser")


def _as_json(result: Dataset, folder: Path, names: list[str], rows: list[dict[str, Any]]) -> dict[str, Any]:
    from ..report.balance import early_rows
    from ..report.modes import shaping_modes
    from ..report.settings import setting_records
    from ..report.systems import programme_rows, receiver_rows

    metadata = json.loads(result.attrs.get("metadata", "{}"))
    return {
        "title": result.attrs.get("title", ""),
        "folder": str(folder),
        "files": names,
        "table": rows,
        "settings": setting_records(result),
        "modes": shaping_modes(result),
        "early_reflections": early_rows(result),
        **({"receiver": receiver_rows(result)} if "receivers" in metadata else {}),
        **({"programme": programme_rows(result)} if "programme" in metadata else {}),
        "notes": metadata.get("notes", []),
    }
