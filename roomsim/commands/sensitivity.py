"""`roomsim sensitivity`."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Annotated

import typer

from ..errors import InvalidValue
from .terminal import Jobs, Json, clean, count, print_json, progress


def sensitivity(
    study: Annotated[Path, typer.Argument(metavar="STUDY", help="A study file; what it varies is not used.")],
    step: Annotated[
        list[str] | None,
        typer.Option("--move", metavar="KIND=METRES", show_default=False,
                     help="Instead of the usual grid, such as out=0.1,0.25,0.5 or across=-0.5,0.5; more than once. "
                          "Kinds: out, along, height, corner, cabinet (the loudspeaker), back, across (the zone).")
    ] = None,
    out: Annotated[
        Path | None, typer.Option("--out", metavar="FOLDER", show_default=False,
                                  help="Output folder; STUDY-sensitivity beside the study by default.")
    ] = None,
    jobs: Jobs = None,
    as_json: Json = False,
) -> None:
    """How much the response at the seats changes when the loudspeaker moves, and when the listening zone does.

    Example: roomsim sensitivity study.yaml --move out=0.25,0.5 --move back=-0.5,0.5
    """
    from ..definitions import load
    from ..studies.sensitivity import grid_of_moves
    from ..studies.sensitivity import sensitivity as run
    from ..studies.store import CaseStore, store_folder

    steps = _steps(step)
    loaded = load(study, "study")
    folder = out if out is not None else study.parent / f"{study.stem}-sensitivity"
    cases = math.prod(map(len, (loaded.rooms, loaded.settings, loaded.designs, loaded.places)))
    moves = grid_of_moves(steps)
    with CaseStore(store_folder(folder), f"{folder}") as store, progress(cases * (1 + len(moves)), "moving") as told:
        found = run(loaded, steps_m=steps, progress=told, jobs=jobs, store=store)
        from ..report.sensitivity import sensitivity_lines, write_sensitivity

        files = write_sensitivity(found, folder)
    if as_json:
        print_json({"folder": str(folder), "files": [file.name for file in files], "moves": found.summary(),
                    "left_out": list(found.left_out)})
        return
    for line in sensitivity_lines(found):
        typer.echo(clean(line))
    if found.left_out:
        typer.echo(f"\n{count(len(found.left_out), 'move')} left out; the first: {clean(found.left_out[0])}")
    typer.echo(f"\n{count(len(files), 'file')} in {clean(str(folder))}")


def _steps(given: list[str] | None) -> dict[str, list[float]] | None:
    if not given:
        return None
    steps: dict[str, list[float]] = {}
    for text in given:
        kind, _, values = text.partition("=")
        try:
            steps[kind.strip()] = [float(value) for value in values.split(",")] if values else [0.0]
        except ValueError:
            raise InvalidValue("--move", text, "must be a kind and distances in metres, such as out=0.25,0.5") from None
    return steps
