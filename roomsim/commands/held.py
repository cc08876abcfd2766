"""`roomsim check --against`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import typer

from ..errors import InvalidValue
from .terminal import clean, print_json

if TYPE_CHECKING:
    from ..studies.recommended import Held


def hold_and_print(
    files: list[Path], against: list[str], setting: str | None, jobs: int | None, as_json: bool
) -> None:
    """Print rooms, studies and results beside recommendations for listening rooms."""
    from ..analysis.recommendations import recommendations
    from ..report.recommended import held_lines

    recommendations(against)                              # a wrong name is told before anything is computed
    held = [one for file in files for one in _hold(file, against, setting, jobs)]
    if as_json:
        print_json({"held": [one.record() for one in held]})
        return
    for line in held_lines(held):
        typer.echo(clean(line))


def _hold(path: Path, against: list[str], setting: str | None, jobs: int | None) -> list[Held]:
    from ..studies.recommended import hold_result, hold_room

    if path.suffix == ".nc" or path.is_dir():
        from ..files.netcdf import read_netcdf

        result = read_netcdf(path / "result.nc" if path.is_dir() else path)
    else:
        from ..definitions import load, shipped_rooms

        found = load(shipped_rooms().get(str(path), path))
        if hasattr(found, "room_with"):
            return hold_room(found, setting or "", against)
        if not hasattr(found, "designs"):
            raise InvalidValue("--against", str(path), "is no room, no study and no result")
        from .study import predicted

        result = predicted(path, found, jobs)
    if setting is not None:
        raise InvalidValue("--setting", setting, "goes with a room", "a study's settings stand in it")
    return hold_result(result, against)
