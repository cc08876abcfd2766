"""`roomsim check`."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from ..errors import InvalidValue
from .terminal import MISTAKE, Jobs, Json, clean, count, print_json

if TYPE_CHECKING:
    from ..studies.matching import Match


def check(
    files: Annotated[list[Path], typer.Argument(
        metavar="FILE...", help="Definition files of any kind; or a result.nc, or the output folder it is in; with "
                                "--against rooms (also a shipped room's name), studies and results.")],
    study: Annotated[
        Path | None, typer.Option("--study", metavar="FILE", show_default=False,
                                  help="The study of a result that no longer stands beside it.")
    ] = None,
    against: Annotated[
        list[str] | None, typer.Option("--against", metavar="NAME", show_default=False,
                                       help="Hold rooms against a recommendation for listening rooms, item by item: "
                                            "bs1116 (ITU-R BS.1116-3), ebu3276 (EBU Tech 3276), iec60268 "
                                            "(IEC 60268-13) or all. Of a study or a result also the early reflections "
                                            "and the response at the middle seat; a study is predicted for it.")
    ] = None,
    setting: Annotated[
        str | None, typer.Option("--setting", metavar="NAME", show_default=False,
                                 help="With --against and a room: its acoustic state; the first by default.")
    ] = None,
    jobs: Jobs = None,
    as_json: Json = False,
) -> None:
    """Say whether files, and the files they name, are right; and whether a stored result still matches its inputs.

    Example: roomsim check study.yaml room.yaml

    Example: roomsim check study-results

    Example: roomsim check room.yaml --setting dead --against bs1116
    """
    if against:
        from .held import hold_and_print

        hold_and_print(files, against, setting, jobs, as_json)
        return
    if setting is not None:
        raise InvalidValue("--setting", setting, "goes with --against")
    from ..definitions import check as problems_of
    from ..studies.matching import is_result, match_result

    results = [path for path in files if is_result(path)]
    definitions = [path for path in files if path not in results]
    problems = problems_of(definitions)
    matches = [match_result(path, study) for path in results]
    if as_json:
        told: dict[str, Any] = {"files": [str(f) for f in files], "problems": [p.as_dict() for p in problems]}
        print_json(told | ({"results": [_as_json(match) for match in matches]} if matches else {}))
    else:
        for problem in problems:
            typer.echo(clean(str(problem)))
        if definitions and not problems:
            typer.echo(f"{count(len(definitions), 'file')} checked, no problem found")
        for match in matches:
            for line in _lines(match):
                typer.echo(clean(line))
    if problems or not all(match.matches for match in matches):
        raise typer.Exit(MISTAKE)


def _as_json(match: Match) -> dict[str, Any]:
    return {
        "result": str(match.result), "study": str(match.study), "matches": match.matches,
        "same_program": match.same_program, "inputs": [asdict(one) for one in match.inputs],
        "versions": [asdict(one) for one in match.versions],
    }


def _lines(match: Match) -> list[str]:
    if match.matches:
        lines = [f"{match.result}: matches {match.study} and all that it names"]
    else:
        changed = [one for one in match.inputs if one.state != "same"]
        lines = [f"{match.result}: no longer matches {match.study}"]
        lines += [f"  {one.what} ({one.file}): {one.state}" for one in changed]
    for one in match.versions:
        if one.state != "same":
            what = "roomsim's own source" if one.what == "source" else one.what
            then, now = (text[:12] or "unknown" for text in (one.then, one.now))
            lines.append(f"  {what}: {then} then, {now} now; predicting again may move the numbers")
    return lines
