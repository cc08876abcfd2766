"""`roomsim check`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from .terminal import MISTAKE, Json, clean, count, print_json


def check(
    files: Annotated[list[Path], typer.Argument(metavar="FILE...", help="Definition files of any kind.")],
    as_json: Json = False,
) -> None:
    """Say whether files, and the files they name, are right.

    Example: roomsim check study.yaml room.yaml
    """
    from ..definitions import check as problems_of

    problems = problems_of(files)
    if as_json:
        print_json({"files": [str(f) for f in files], "problems": [p.as_dict() for p in problems]})
    else:
        for problem in problems:
            typer.echo(clean(str(problem)))
        if not problems:
            typer.echo(f"{count(len(files), 'file')} checked, no problem found")
    if problems:
        raise typer.Exit(MISTAKE)
