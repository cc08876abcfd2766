"""The command line: read arguments, make one library call, print.

Exit codes: 0 good, 1 a fault of roomsim, 2 a mistake in the input or something the machine refuses,
130 interrupted.
"""

from __future__ import annotations

import json
import math
import os
import signal
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from . import __version__
from .errors import DefinitionError, InvalidValue, Problem, RoomsimError

if TYPE_CHECKING:
    from xarray import Dataset

GOOD, FAULT, MISTAKE, INTERRUPTED = 0, 1, 2, 130

app = typer.Typer(
    name="roomsim",
    help="Predicts how a loudspeaker design sounds in the rooms its buyers have.",
    add_completion=False, rich_markup_mode=None, pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)

Json = Annotated[bool, typer.Option("--json", help="Print JSON for machines instead of text.")]
Jobs = Annotated[
    int | None,
    typer.Option("--jobs", metavar="N", help="Cases at once; all cores by default.", show_default=False),
]


def _version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"roomsim {__version__}")
        raise typer.Exit


@app.callback()
def _common(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version and stop.")
    ] = False,
) -> None:
    pass


@app.command()
def demo(
    folder: Annotated[
        Path, typer.Argument(metavar="FOLDER", help="Where to write; made where it is missing.")
    ] = Path("roomsim-demo"),
    jobs: Jobs = None,
    as_json: Json = False,
) -> None:
    """Write a ready-made study (three rooms, two bars) and predict it."""
    from .demo import write_demo

    _predict(write_demo(folder), None, jobs, as_json)


@app.command()
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


@app.command()
def check(
    files: Annotated[list[Path], typer.Argument(metavar="FILE...", help="Definition files of any kind.")],
    as_json: Json = False,
) -> None:
    """Say whether files, and the files they name, are right."""
    from .definitions import check as problems_of

    problems = problems_of(files)
    if as_json:
        _print_json({"files": [str(f) for f in files], "problems": [p.as_dict() for p in problems]})
    else:
        for problem in problems:
            typer.echo(_clean(str(problem)))
        if not problems:
            typer.echo(f"{_count(len(files), 'file')} checked, no problem found")
    if problems:
        raise typer.Exit(MISTAKE)


def _predict(path: Path, out: Path | None, jobs: int | None, as_json: bool) -> None:
    from .definitions import load
    from .files.output import OutputFolder

    study = load(path, "study")
    with OutputFolder(out if out is not None else path.parent / f"{path.stem}-results") as output:
        from .report.write import fill
        from .studies.run import predict as run

        axes = (study.rooms, study.settings, study.designs, study.places, *study.vary.values())
        with _progress(math.prod(map(len, axes))) as told:
            result = run(study, progress=told, jobs=jobs)   # type: ignore[arg-type]
        fill(output, result)
        names = output.names
    if as_json:
        _print_json(_as_json(result, output.folder, names))
    else:
        _print_result(result, output.folder, names)


def _print_result(result: Dataset, folder: Path, names: list[str]) -> None:
    from .report.table import print_table
    from .report.write import notes

    print_table(result)
    said = notes(result)
    if said:
        typer.echo("\nAssumed, or not to be relied on:")
        for line in said:
            typer.echo(f"  {_clean(line)}")
    where = _clean(os.path.relpath(folder) if folder.is_relative_to(Path.cwd()) else str(folder))
    typer.echo(f"\n{_count(len(names), 'file')} in {where}, among them overview.png and result.nc")


def _as_json(result: Dataset, folder: Path, names: list[str]) -> dict[str, Any]:
    from .report.table import table_rows

    metadata = json.loads(result.attrs.get("metadata", "{}"))
    return {
        "title": result.attrs.get("title", ""),
        "folder": str(folder),
        "files": names,
        "table": table_rows(result),
        "notes": metadata.get("notes", []),
    }


@contextmanager
def _progress(cases: int) -> Iterator[Callable[[int, int, str], None] | None]:
    """A bar with the time left on a terminal (standard error); nothing elsewhere."""
    if not sys.stderr.isatty():
        yield None
        return
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    columns = (TextColumn("predicting"), BarColumn(), MofNCompleteColumn(), TextColumn("cases, left:"),
               TimeRemainingColumn(compact=True))
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("", total=cases)
        yield lambda done, total, title: bar.update(task, completed=done, total=total)


def _print_json(data: dict[str, Any]) -> None:
    typer.echo(json.dumps(data, ensure_ascii=False, indent=2, allow_nan=False))


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}" + ("" if number == 1 else "s")


def _clean(line: str) -> str:
    """One line without control characters, which could play tricks with a terminal."""
    return "".join(c if c.isprintable() else "�" for c in line)


def _say(error: str, as_json: bool, problems: list[dict[str, Any]] | None = None) -> None:
    if as_json:
        _print_json({"problems": problems if problems is not None else [Problem(key="", rule=error).as_dict()]})
        return
    for line in error.splitlines() or [""]:
        typer.echo(_clean(line), err=True)


def main(arguments: list[str] | None = None) -> int:
    """Run the command line and return the exit code; the installed command exits with it."""
    arguments = (sys.argv[1:] if arguments is None else arguments) or ["--help"]
    as_json = "--json" in arguments
    try:
        with _orderly_end():
            code = app(args=arguments, prog_name="roomsim", standalone_mode=False)
            sys.stdout.flush()
        if code == INTERRUPTED:   # newer argument parsers catch Ctrl-C themselves
            raise KeyboardInterrupt
        return code if isinstance(code, int) else GOOD
    except DefinitionError as error:
        _say(str(error), as_json, [problem.as_dict() for problem in error.problems])
        return MISTAKE
    except InvalidValue as error:
        problem = Problem(key=error.key, value=error.value, rule=error.rule, cure=error.cure)
        _say(str(problem), as_json, [problem.as_dict()])
        return MISTAKE
    except RoomsimError as error:
        _say(str(error), as_json)
        return MISTAKE
    except (KeyboardInterrupt, typer.Abort):
        _say("interrupted; nothing half-written was left", False)
        return INTERRUPTED
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())   # no second complaint at exit
        return 128 + signal.SIGPIPE
    except Exception as error:
        return _other(error, as_json)


def _other(error: Exception, as_json: bool) -> int:
    if isinstance(error, typer.Exit):
        return error.exit_code
    said = getattr(error, "format_message", None)
    if said is not None:   # a slip in the arguments, as the argument parser words it
        context = getattr(error, "ctx", None)
        command = context.command_path if context else "roomsim"
        _say(f"{command}: {said()}\nsee {command} --help", as_json,
             [Problem(key="", rule=said(), cure=f"see {command} --help").as_dict()])
        return MISTAKE
    if isinstance(error, OSError):
        _say(f"{error.filename or 'the system'}: {error.strerror or error}", as_json)
        return MISTAKE
    if os.environ.get("ROOMSIM_TRACEBACK"):
        raise error
    _say(f"roomsim failed: {type(error).__name__}: {error}\n"
         "This is a fault of roomsim; ROOMSIM_TRACEBACK=1 shows where it happened.", as_json)
    return FAULT


@contextmanager
def _orderly_end() -> Iterator[None]:
    """A request to terminate unwinds like an error, so that nothing half-written is left."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return

    def end(number: int, frame: Any) -> None:
        raise SystemExit(128 + number)

    before = signal.signal(signal.SIGTERM, end)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before or signal.SIG_DFL)


if __name__ == "__main__":
    sys.exit(main())
