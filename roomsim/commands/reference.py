"""`roomsim reference`."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Annotated

import typer

from .compare import judge_and_write
from .terminal import Jobs, Json, progress


def reference(
    study: Annotated[Path, typer.Argument(metavar="STUDY", help="A study file; what it varies is not used.")],
    layout: Annotated[
        str, typer.Option("--layout", metavar="LAYOUT", help="Of the monitors (ITU-R BS.2051): 0+2+0, 0+5+0 or 4+7+0.")
    ] = "4+7+0",
    out: Annotated[
        Path | None, typer.Option("--out", metavar="FOLDER", show_default=False,
                                  help="Output folder; STUDY-reference beside the study by default.")
    ] = None,
    jobs: Jobs = None,
    as_json: Json = False,
) -> None:
    """Compare designs with a reference system of monitors around the same seats in the same rooms.

    Example: roomsim reference study.yaml --layout 0+5+0
    """
    from ..definitions import load
    from ..studies.reference import predict_with_reference
    from ..studies.store import CaseStore, store_folder

    loaded = load(study, "study")
    folder = out if out is not None else study.parent / f"{study.stem}-reference"
    cases = math.prod(map(len, (loaded.rooms, loaded.settings, loaded.places))) * (len(loaded.designs) + 1)
    with CaseStore(store_folder(folder), f"{folder}") as store, progress(cases) as told:
        result = predict_with_reference(loaded, layout, progress=told, jobs=jobs, store=store)
        judge_and_write(result, against=f"reference {layout}", out=folder, as_json=as_json, keep=True)
