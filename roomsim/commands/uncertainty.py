"""`roomsim uncertainty`."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Annotated

import typer

from .terminal import Jobs, Json, clean, count, print_json, progress


def uncertainty(
    study: Annotated[Path, typer.Argument(metavar="STUDY", help="A study file; what it varies is not used.")],
    draws: Annotated[
        int | None, typer.Option("--draws", metavar="N", show_default=False,
                                 help="How often inputs are drawn, even; by default as often as --precision takes.")
    ] = None,
    precision: Annotated[
        float, typer.Option("--precision", metavar="DB", help="Wanted standard error of the ends of the bands.")
    ] = 0.5,
    placement: Annotated[
        float, typer.Option("--placement", metavar="METRES", help="Standard deviation of gap, position along the wall "
                                                                  "and height; 0 to leave them.")
    ] = 0.02,
    seed: Annotated[int, typer.Option("--seed", metavar="N", help="Of all draws; the same seed draws the same.")] = 0,
    out: Annotated[
        Path | None, typer.Option("--out", metavar="FOLDER", show_default=False,
                                  help="Output folder; STUDY-uncertainty beside the study by default.")
    ] = None,
    jobs: Jobs = None,
    as_json: Json = False,
) -> None:
    """How well a prediction is known: absorption, place and chamber correction drawn within their uncertainty.

    Example: roomsim uncertainty study.yaml --precision 0.3
    """
    from ..definitions import load
    from ..studies.draws import MOST, Inputs
    from ..studies.draws import uncertainty as run
    from ..studies.store import CaseStore, store_folder

    inputs = Inputs(placement_m=placement, seed=seed)
    loaded = load(study, "study")
    folder = out if out is not None else study.parent / f"{study.stem}-uncertainty"
    cases = math.prod(map(len, (loaded.rooms, loaded.settings, loaded.designs, loaded.places)))
    with CaseStore(store_folder(folder), f"{folder}") as store, progress(cases * (draws or MOST), "drawing") as told:
        found = run(loaded, draws=draws, precision_db=precision, inputs=inputs, progress=told, jobs=jobs, store=store)
        from ..report.uncertainty import decay_rows, uncertainty_lines, uncertainty_rows, write_uncertainty

        files = write_uncertainty(found, folder)
    if as_json:
        print_json({"folder": str(folder), "files": [file.name for file in files], "draws": found.draws,
                    "precision_db": found.precision_db, "bands": uncertainty_rows(found), "decay": decay_rows(found)})
        return
    for line in uncertainty_lines(found):
        typer.echo(clean(line))
    typer.echo(f"\n{count(len(files), 'file')} in {clean(str(folder))}; roomsim compare takes its result.nc")
