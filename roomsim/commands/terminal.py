"""What the commands share: options, exit codes, printing, the progress bar."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Annotated, Any

import typer

from ..errors import RoomsimError

GOOD, FAULT, MISTAKE, INTERRUPTED = 0, 1, 2, 130


class Interrupted(RoomsimError):
    """Ctrl-C during long work; says what is kept."""


Json = Annotated[bool, typer.Option("--json", help="Print JSON for machines instead of text.")]
Jobs = Annotated[
    int | None,
    typer.Option("--jobs", metavar="N", help="Cases at once; all cores by default.", show_default=False),
]
Cluster = Annotated[
    str | None,
    typer.Option("--cluster", metavar="ADDRESS", show_default=False,
                 help="Run the cases on the workers of a Dask scheduler, such as tcp://10.0.0.5:8786."),
]


@contextmanager
def progress(
    cases: int, what: str = "predicting", unit: str = "cases"
) -> Iterator[Callable[[int, int, str], None] | None]:
    """A bar with the time left on a terminal (standard error); nothing elsewhere.

    Ctrl-C that says how much is kept becomes Interrupted.
    """
    try:
        with _bar(cases, what, unit) as told:
            yield told
    except KeyboardInterrupt as error:
        if str(error):
            raise Interrupted(str(error)) from None
        raise


@contextmanager
def _bar(cases: int, what: str, unit: str) -> Iterator[Callable[[int, int, str], None] | None]:
    if not sys.stderr.isatty():
        yield None
        return
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    columns = (TextColumn(what), BarColumn(), MofNCompleteColumn(), TextColumn(f"{unit}, left:"),
               TimeRemainingColumn(compact=True))
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("", total=cases)

        def told(done: int, total: int, title: str) -> None:
            if title:
                bar.update(task, completed=done, total=total)
            else:                       # found finished: says nothing about the speed
                bar.reset(task, completed=done, total=total)

        yield told


def print_json(data: dict[str, Any]) -> None:
    typer.echo(json.dumps(data, ensure_ascii=False, indent=2, allow_nan=False))


def count(number: int, noun: str) -> str:
    return f"{number} {noun}" + ("" if number == 1 else "s")


def clean(line: str) -> str:
    """One line without control characters, which could play tricks with a terminal."""
    return "".join(c if c.isprintable() else "�" for c in line)
